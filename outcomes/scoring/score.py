"""From answers to scores: one administration (`score_items`) or a whole study (`score`)."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.columns import SCORE_COLUMNS
from outcomes.errors import InstrumentError
from outcomes.library.instrument import Instrument, Scale
from outcomes.library.registry import instrument as find_instrument
from outcomes.library.registry import instruments
from outcomes.scoring.administrations import Administrations, Keys, item_sheets, trial_sheets
from outcomes.scoring.analysed_hand import with_analysed_hand
from outcomes.scoring.angles import angle_sheets
from outcomes.scoring.answers import Sheet, one_sheet
from outcomes.scoring.kinds import KINDS, composite, trials
from outcomes.scoring.long_frame import Block, long_frame
from outcomes.scoring.options import Options
from outcomes.scoring.own_days import day_by_visit
from outcomes.scoring.score_notes import Scored, reason, said
from outcomes.scoring.series_scores import series_blocks
from outcomes.scoring.steps import averaged
from outcomes.scoring.totals import total_blocks
from outcomes.study import Study
from outcomes.text_storage import by_size


@dataclass(frozen=True)
class ItemScore:
    """One score: `answered` of `items` carried a value; without a score `value` is NaN and `reason` says why."""

    value: float
    answered: int
    items: int
    complete: bool
    reason: str
    unit: str
    better: str


def score_items(instrument: str | Instrument, answers: Mapping[str, object], **options: object) -> dict[str, ItemScore]:
    """Every scale of one administration.

    instrument: id or record. answers: item id -> number, word of the item ("1+"), one of columns.NOT_A_NUMBER, or None.
    options: the scoring options of the instrument, e.g. `ceiling_s=120`.
    Returns scale id -> ItemScore. Raises InstrumentError for an unknown item, a value not allowed, an unknown option,
    or an answer that depends on an option not given.
    Source: the publication named in the instrument's file, with what of it was read (`catalogue()`, column sources).

    >>> score_items("bbt", {"blocks": 34})["blocks"].value
    34.0
    """
    found = find_instrument(instrument) if isinstance(instrument, str) else instrument
    chosen = Options(found, options)
    found = averaged(found, options)
    scored = score_sheet(found, one_sheet(found, answers), chosen)
    return {scale.id: _record(scale, scored[scale.id]) for scale in found.scales}


@by_size
def score(study: Study) -> pd.DataFrame:
    """All scores of a study: from items, trials, angles, typed totals and recordings.

    Returns the columns of columns.SCORE_COLUMNS (`value` in the unit of the column `unit`), sorted by participant,
    visit, instrument and scale. A score that cannot be given is a row with a NaN and its reason. Where an item-level
    score exists, a typed total of the same scale is compared with it and left out. Scales of which a study records no
    item are left out, as are scales that exist only with an option the study does not give.
    Raises InstrumentError where an answer depends on an option that study.toml does not give.
    """
    keys = Keys(study)
    wanted = {*study.protocol.outcomes, study.protocol.primary}
    blocks: list[Block] = []
    for found, administrations in (*item_sheets(study, keys), *trial_sheets(study, keys), *angle_sheets(study, keys)):
        options = Options(found, study.protocol.instruments.get(found.id, {}))
        scales = [scale for scale in found.scales if _recorded(scale, administrations, options, wanted, found.id)]
        scored = score_sheet(found, administrations.sheet, options, wanted, scales)
        blocks += [
            Block(f"{found.id}.{scale.id}", scale.unit, scale.better, administrations.keys, scored[scale.id])
            for scale in scales
        ]
    blocks += total_blocks(study, keys)
    blocks += series_blocks(study, keys)
    # The order of the catalogue, then of the study's own measures: never that of the rows.
    order = {name: number for number, name in enumerate(instruments())}
    own = {measure.id: number for number, measure in enumerate(study.protocol.measures)}

    def place(block: Block) -> tuple[int, int]:
        if block.outcome in own:
            return len(order), own[block.outcome]
        name, _, scale = block.outcome.partition(".")
        return order[name], [each.id for each in instruments()[name].scales].index(scale)

    frame = long_frame(sorted(blocks, key=place), keys, day_by_visit(study, keys))
    return with_analysed_hand(frame[list(SCORE_COLUMNS)], study)


def score_sheet(
    instrument: Instrument,
    sheet: Sheet,
    options: Options,
    wanted: frozenset[str] | set[str] = frozenset(),
    only: Sequence[Scale] | None = None,
) -> dict[str, Scored]:
    """Every scale of one instrument, or `only` some, over all administrations.

    wanted: outcomes that must be scored; an option one of them asks for has to be given.
    """
    scales = {scale.id: scale for scale in instrument.scales}
    done: dict[str, Scored] = {}

    def finish(scale: Scale) -> Scored:
        """Scores of one scale; a scale made of other scales has those scored first."""
        if scale.id in done:
            return done[scale.id]
        needs = scale.rule.get("needs")
        if needs is not None and options.get(needs) is None:
            if f"{instrument.id}.{scale.id}" in wanted:
                options.require(needs, f"{scale.label} is an outcome of the study")
            done[scale.id] = _undefined(scale, sheet, options.ask(needs))
        elif scale.kind == "composite":
            for part in scale.rule["scales"]:
                finish(scales[part])
            done[scale.id] = composite(scale, scales, done, options)
        elif scale.kind == "trials":
            done[scale.id] = trials(scale, sheet, options)
        else:
            done[scale.id] = KINDS[scale.kind](scale, sheet.part(_items(scale, options)), options)
        return done[scale.id]

    return {scale.id: finish(scale) for scale in (instrument.scales if only is None else only)}


def _items(scale: Scale, options: Options) -> tuple[str, ...]:
    """The items of a scale; where the study chooses among them, those it names."""
    if "subset" not in scale.rule:
        return scale.items
    named: Any = options.require(scale.rule["subset"], f"{scale.label} is the study's own")
    unknown = [str(item) for item in named if item not in scale.items]
    if unknown:
        raise InstrumentError(
            f"{options.instrument.id}, option {scale.rule['subset']}: no {', '.join(unknown)}. "
            f"Allowed: {', '.join(scale.items)}."
        )
    return tuple(dict.fromkeys(named))


def _record(scale: Scale, scored: Scored) -> ItemScore:
    note = reason(scored)
    return ItemScore(
        value=float(scored.value[0]),
        answered=int(scored.answered[0]),
        items=int(scored.items[0]),
        complete=bool(scored.complete[0]),
        reason=note.texts[note.which[0]],
        unit=scale.unit,
        better=scale.better,
    )


def _undefined(scale: Scale, sheet: Sheet, ask: str) -> Scored:
    count = len(sheet.values)
    part = sheet.part(scale.items)
    return Scored(
        value=np.full(count, np.nan),
        answered=part.answered,
        items=np.full(count, len(scale.items)),
        complete=np.zeros(count, dtype=bool),
        notes=[said(np.ones(count, dtype=bool), ask)],
    )


def _recorded(scale: Scale, administrations: Administrations, options: Options, wanted: set[str], name: str) -> bool:
    needs = scale.rule.get("needs")
    if needs is not None and options.get(needs) is None:
        return f"{name}.{scale.id}" in wanted
    return scale.kind == "trials" or bool(administrations.recorded.intersection(scale.items))
