"""Scores of drawn answers, by the scoring rules of `outcomes` applied to arrays instead of files."""

from dataclasses import replace

import numpy as np

from outcomes.library.instrument import Instrument, Scale
from outcomes.library.registry import outcome_scale
from outcomes.scoring.answers import BLANK, CODE_UNABLE, NUMBER, make_sheet
from outcomes.scoring.kinds import KINDS
from outcomes.scoring.options import Options
from outcomes.scoring.score import score_sheet
from synthetic_cohort.design import CohortDesign
from synthetic_cohort.forms.responses import Answers
from synthetic_cohort.people.ability import Array


def score_answers(answers: Answers, outcome: str, design: CohortDesign) -> Array:
    """Scores (R, N, V, H, C) of one scale by the rules of `outcomes`; NaN where there is none.

    A test holds these equal to `outcomes.score` on the written folder, for every outcome of every preset.
    """
    instrument, scale = outcome_scale(outcome)
    shape = answers.value.shape[:-1]
    if scale.kind == "trials":
        return answers.value.mean(axis=-1)
    options = Options(instrument, design.protocol.get("instruments", {}).get(instrument.id, {}))
    summed = _plain_items(instrument, scale, options)
    place = {item: number for number, item in enumerate(answers.items)}
    if summed is not None and all(item in place for item in summed):
        # A plain sum needs no words about each administration, and those words are what takes the time.
        return answers.value[..., [place[item] for item in summed]].sum(axis=-1)
    rows = int(np.prod(shape))
    flat, asked = answers.value.reshape(rows, -1), answers.asked.reshape(rows, -1)
    codes = np.where(asked, np.where(np.isnan(flat), CODE_UNABLE, NUMBER), BLANK).astype(np.int8)
    if scale.kind in KINDS and set(_items(scale, options)) <= set(place):
        # Only the items that were asked, so that gates and limits of the others cost nothing.
        asked_of = replace(instrument, items=tuple(curve.item for curve in answers.bank.curves), gates=())
        sheet = make_sheet(asked_of, flat, codes).part(_items(scale, options))
        return KINDS[scale.kind](scale, sheet, options).value.reshape(shape)
    columns = [[item.id for item in instrument.items].index(item) for item in answers.items]
    values = np.full((rows, len(instrument.items)), np.nan)
    every = np.full(values.shape, BLANK, dtype=np.int8)
    values[:, columns], every[:, columns] = flat, codes
    sheet = make_sheet(instrument, values, every)
    return score_sheet(instrument, sheet, options, {outcome})[scale.id].value.reshape(shape)


def _items(scale: Scale, options: Options) -> tuple[str, ...]:
    """The items of a scale; those the study names where it chooses among them."""
    if "subset" not in scale.rule:
        return scale.items
    named = options.get(str(scale.rule["subset"]))
    return tuple(named) if isinstance(named, list | tuple) else scale.items


def _plain_items(instrument: Instrument, scale: Scale, options: Options) -> list[str] | None:
    """The items whose plain sum is the score, where it is one; credited answers are already filled in."""
    if scale.kind == "sum" and set(scale.rule) <= {"subset", "needs"}:
        return list(_items(scale, options))
    if scale.kind == "skip-rule" and options.get(str(scale.rule["corner"])) != "zero":
        return list(scale.items)
    if scale.kind == "composite" and set(scale.rule) == {"scales"}:
        parts = [instrument.scale(name) for name in scale.rule["scales"]]
        items = [_plain_items(instrument, part, options) for part in parts if part]
        return [item for part in items if part for item in part] if all(items) else None
    return None
