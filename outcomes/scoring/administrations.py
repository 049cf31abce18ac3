"""From the long tables of a study to one sheet per instrument: administrations x items.

Every administration is one whole number made of participant, visit, side and condition; a million rows are grouped
by that number, never by their texts.
"""

import functools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from outcomes.dynamometry.force import NEWTONS, convert_force
from outcomes.library.instrument import Instrument
from outcomes.library.registry import instruments
from outcomes.protocol.trial import Protocol
from outcomes.scoring.answers import BLANK, CODE_NOT_DONE, NUMBER, TWICE, UNREADABLE, WHY, Sheet, take_sheet
from outcomes.scoring.steps import averaged
from outcomes.study import Study

Integers = NDArray[np.int64]
SIDES = ("", "left", "right", "both")
CONDITIONS = ("unassisted", "assisted", "unpowered")
_NOWHERE = np.iinfo(np.int64).max // 4  # beyond any cell, and the sum of two is still a whole number


@dataclass(frozen=True)
class Administrations:
    """The sheet of one instrument, the key of each of its rows, and which items the study records at all."""

    keys: Integers
    sheet: Sheet
    recorded: frozenset[str]


class Keys:
    """Whole numbers for participant, visit, side and condition; -1 for a row that belongs to none of the study's."""

    def __init__(self, study: Study):
        known = study.participants.drop_duplicates("participant")
        visits = sorted(study.protocol.visits, key=lambda visit: visit.day)
        self.participants = known["participant"].tolist()
        self.place = {text: number for number, text in enumerate(self.participants)}
        self.visits = [visit.id for visit in visits]
        self.days = np.array([visit.day for visit in visits], dtype=float)
        self.arms = known["arm"].tolist() if "arm" in known else [""] * len(known)
        affected = known["affected_side"] if "affected_side" in known else pd.Series("", index=known.index, dtype="str")
        self.affected = np.maximum(positions(affected, SIDES), 0)

    def of(self, frame: pd.DataFrame) -> Integers:
        """The key of every row."""
        participant = positions(frame["participant"], self.place)
        visit = positions(frame["visit"], self.visits)
        side = np.maximum(positions(frame["side"], SIDES), 0)
        condition = np.maximum(positions(frame["condition"], CONDITIONS), 0) if "condition" in frame else 0
        key = ((participant * len(self.visits) + visit) * len(SIDES) + side) * len(CONDITIONS) + condition
        return np.where((participant < 0) | (visit < 0), -1, key)

    def split(self, keys: Integers) -> tuple[Integers, Integers, Integers, Integers]:
        """Participant, visit, side and condition of keys, each as a position."""
        rest, condition = np.divmod(keys, len(CONDITIONS))
        rest, side = np.divmod(rest, len(SIDES))
        participant, visit = np.divmod(rest, len(self.visits))
        return participant, visit, side, condition


def positions(column: pd.Series, known: Sequence[str] | Mapping[str, int]) -> Integers:
    """Where each text of a column stands among the known ones, or its own place; -1 where it is none of them."""
    codes, distinct = pd.factorize(column)
    place = known if isinstance(known, Mapping) else {text: number for number, text in enumerate(known)}
    return np.array([place.get(text, -1) for text in distinct.tolist()] or [-1], dtype=np.int64)[codes]


def why_codes(frame: pd.DataFrame, measure: str = "value") -> NDArray[np.int8]:
    """Why a row has no number (a position in answers.WHY): its code, a blank cell, or a text that is no number."""
    why = np.zeros(len(frame), dtype=np.int8)
    empty = np.flatnonzero(np.isnan(frame[measure].to_numpy(dtype=float)))
    if len(empty):
        place = {text: number if number else UNREADABLE for number, text in enumerate(WHY)}
        codes, distinct = pd.factorize(frame["code"].iloc[empty])
        why[empty] = np.array([place.get(text, UNREADABLE) for text in distinct], dtype=np.int8)[codes]
        blank = empty[why[empty] == CODE_NOT_DONE]
        why[blank[(frame["typed"].iloc[blank] == "").to_numpy()]] = BLANK
    return why


def item_sheets(study: Study, keys: Keys) -> list[tuple[Instrument, Administrations]]:
    """Every instrument of the items table. Rows of unknown people, visits, instruments or items are left to `check`."""
    frame = study.items
    starts, heads = block_heads(frame, ["participant", "visit", "instrument", "side", "condition"])
    lengths = np.diff(starts, append=len(frame))
    key = keys.of(heads)
    names, distinct = pd.factorize(heads["instrument"])
    item_codes, item_names = pd.factorize(frame["item"])
    # All instruments share one row of cells: each begins where the one before ends, and is laid out item by item.
    # A text that is missing (code -1) finds the last row or column of the table, which lead nowhere.
    width = len(item_names) + 1
    first_cell = np.full((len(distinct) + 1, width), _NOWHERE)
    code = np.full(len(starts), _NOWHERE)
    grids, begin = [], 0
    for number, name in enumerate(distinct):
        found, blocks = instruments().get(name), np.flatnonzero((names == number) & (key >= 0))
        if found is None or not len(blocks):
            continue
        found = averaged(found, study.protocol.instruments.get(found.id, {}))
        code[blocks], admitted = pd.factorize(key[blocks], sort=True)
        places = {item.id: begin + place * len(admitted) for place, item in enumerate(found.items)}
        first_cell[number, :-1] = [places.get(item, _NOWHERE) for item in item_names.tolist()]
        grids.append((found, admitted, begin))
        begin += len(admitted) * len(found.items)
    cells = first_cell.ravel()[np.repeat(names * width, lengths) + item_codes]
    cells += np.repeat(code, lengths)
    np.minimum(cells, begin, out=cells)
    filled, values, why = fill(begin + 1, cells, frame["value"].to_numpy(dtype=float), why_codes(frame))
    made = []
    for one, admitted, first in grids:
        part = slice(first, first + len(admitted) * len(one.items))
        made.append((one, make_administrations(one, admitted, filled[part], values[part], why[part])))
    return [pair for pair in made if len(pair[1].keys)]


def fill(
    size: int, cells: Integers, values: NDArray[np.float64], why: NDArray[np.int8]
) -> tuple[NDArray[np.bool_], NDArray[np.float64], NDArray[np.int8]]:
    """Long cells put in their places: whether anything is there, its number, and why there is none.

    The last place collects what belongs nowhere.
    """
    grid = np.full(size, np.nan)
    grid[cells] = values
    reason = np.full(size, -1, dtype=np.int8)
    reason[cells] = why
    filled = reason >= 0
    reason[~filled] = BLANK
    if np.count_nonzero(filled) < len(cells):
        reason[np.bincount(cells, minlength=size) > 1] = TWICE
    return filled, grid, reason


def block_heads(frame: pd.DataFrame, columns: list[str]) -> tuple[Integers, pd.DataFrame]:
    """Where a row differs from the one before in any of the columns, and these columns there, as categories.

    Sheets are typed block by block: a text is then read once per block instead of once per row. In a shuffled sheet
    every row is a block of its own.
    """
    table = pa.Table.from_pandas(frame[columns], preserve_index=False)
    changes = {}
    for name in columns:
        texts = table.column(name)
        changes[name] = pc.fill_null(pc.not_equal(texts[1:], texts[:-1]), True)
    changed = functools.reduce(pc.or_, changes.values()).to_numpy()
    starts = np.concatenate(([0], np.flatnonzero(changed) + 1))[: len(frame)]
    heads = {}
    for name in columns:
        own = np.concatenate(([True], changes[name].take(pa.array(starts[1:] - 1)).to_numpy()))[: len(starts)]
        codes, distinct = pd.factorize(frame[name].iloc[starts[own]])
        heads[name] = pd.Categorical.from_codes(codes[np.cumsum(own) - 1], categories=distinct)
    return starts, pd.DataFrame(heads)


def trial_sheets(study: Study, keys: Keys) -> Iterator[tuple[Instrument, Administrations]]:
    """Every grip, pinch and channel of the trials table, in its unit; a trial in another unit is unreadable."""
    frame = study.trials
    if frame.empty:
        return
    key = keys.of(frame)
    for name in frame["instrument"].unique():
        found = of_trials(study.protocol, name)
        if found is None:
            continue
        factors = {unit: convert_force(1.0, unit, found.main_scale.unit) for unit in NEWTONS}
        values = frame["value"].to_numpy(dtype=float) * frame["unit"].map(factors).to_numpy(dtype=float)
        why = why_codes(frame)
        why[(why == NUMBER) & np.isnan(values)] = UNREADABLE
        why[why == BLANK] = CODE_NOT_DONE  # the row of a trial says it was planned
        rows = np.flatnonzero((frame["instrument"] == name).to_numpy() & (key >= 0))
        if not len(rows):
            continue
        trial = frame["trial"].iloc[rows]
        # An unnumbered trial takes its place in the order of the rows.
        order = pd.Series(key[rows]).groupby(key[rows]).cumcount().to_numpy() + 1
        numbers = np.where(trial.isna(), order, trial.fillna(0)).astype(float)
        distinct, column = np.unique(numbers, return_inverse=True)
        items = tuple(replace(found.items[0], id=f"trial_{number:g}") for number in distinct)
        yield found, from_cells(replace(found, items=items), key[rows], column, values[rows], why[rows])


def of_trials(protocol: Protocol, name: str) -> Instrument | None:
    """What trials are scored as: a grip or pinch of the catalogue, or a channel of the study, which is scored like one.

    None where the name is neither.
    """
    channel = protocol.channel(name)
    if channel is None:
        found = instruments().get(name)
        return found if found is not None and found.main_scale.kind == "trials" else None
    like = instruments()["grip"]
    scale = replace(
        like.main_scale, label=channel.label, unit=channel.unit, better=channel.better, rule={"usual": None}
    )
    return replace(
        like,
        id=channel.id,
        name=channel.label,
        scales=(scale,),
        thresholds=(),
        options={"summary": replace(like.options["summary"], default=channel.summary)},
    )


def make_administrations(
    instrument: Instrument,
    keys: Integers,
    filled: NDArray[np.bool_],
    values: NDArray[np.float64],
    why: NDArray[np.int8],
) -> Administrations:
    """The sheet of one instrument from its cells, item by item; administrations without any cell are left out.

    Sums over the items of a scale then run along whole columns.
    """
    shape = (len(instrument.items), len(keys))
    filled, values, why = filled.reshape(shape).T, values.reshape(shape).T, why.reshape(shape).T
    there = filled.any(axis=1)
    if not there.all():
        keys, filled, values, why = keys[there], filled[there], values[there], why[there]
    recorded = frozenset(item.id for place, item in enumerate(instrument.items) if filled[:, place].any())
    return Administrations(keys, take_sheet(instrument, values, why), recorded)


def from_cells(
    instrument: Instrument, key: Integers, column: Integers, values: NDArray[np.float64], why: NDArray[np.int8]
) -> Administrations:
    """The sheet of one instrument from long cells: key, item (its position), number and why there is none."""
    code, admitted = pd.factorize(key, sort=True)
    size = len(admitted) * len(instrument.items)
    filled, grid, reason = fill(size + 1, column * len(admitted) + code, values, why)
    return make_administrations(instrument, admitted, filled[:-1], grid[:-1], reason[:-1])
