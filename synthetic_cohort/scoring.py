"""Scores of drawn answers, by the scoring rules of `outcomes` applied to arrays instead of files."""

import numpy as np

from outcomes.answers import BLANK, CODE_UNABLE, NUMBER, make_sheet
from outcomes.instrument import Instrument, Scale
from outcomes.options import Options
from outcomes.registry import outcome_scale
from outcomes.scoring import score_sheet
from synthetic_cohort.ability import Array
from synthetic_cohort.design import CohortDesign
from synthetic_cohort.responses import Answers


def score_answers(answers: Answers, outcome: str, design: CohortDesign) -> Array:
    """Scores (R, N, V, H, C) of one scale by the rules of `outcomes`; NaN where there is none."""
    instrument, scale = outcome_scale(outcome)
    shape = answers.value.shape[:-1]
    if scale.kind == "trials":
        return answers.value.mean(axis=-1)
    options = Options(instrument, design.protocol.get("instruments", {}).get(instrument.id, {}))
    summed = _plain_items(instrument, scale, options)
    place = {item: number for number, item in enumerate(answers.items)}
    if summed is not None and all(item in place for item in summed):
        # A sum needs no words about each administration, and those words are what takes the time.
        return answers.value[..., [place[item] for item in summed]].sum(axis=-1)
    columns = [[item.id for item in instrument.items].index(item) for item in answers.items]
    values = np.full((int(np.prod(shape)), len(instrument.items)), np.nan)
    codes = np.full(values.shape, BLANK, dtype=np.int8)
    flat = answers.value.reshape(len(values), -1)
    asked = answers.asked.reshape(len(values), -1)
    values[:, columns] = flat
    codes[:, columns] = np.where(asked, np.where(np.isnan(flat), CODE_UNABLE, NUMBER), BLANK)
    sheet = make_sheet(instrument, values, codes)
    return score_sheet(instrument, sheet, options, {outcome})[scale.id].value.reshape(shape)


def _plain_items(instrument: Instrument, scale: Scale, options: Options) -> list[str] | None:
    """The items whose plain sum is the score, where it is one; credited answers are already filled in.

    A test holds every such sum equal to `outcomes.score` on the written folder.
    """
    if scale.kind == "sum" and not scale.rule:
        return list(scale.items)
    if scale.kind == "gated" and options.get(str(scale.rule["corner"])) != "zero":
        return list(scale.items)
    if scale.kind == "composite" and set(scale.rule) == {"scales"}:
        parts = [instrument.scale(name) for name in scale.rule["scales"]]  # type: ignore[attr-defined]
        items = [_plain_items(instrument, part, options) for part in parts if part]
        return [item for part in items if part for item in part] if all(items) else None
    return None
