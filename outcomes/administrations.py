"""From the long tables of a study to one sheet per instrument: administrations x items.

Every administration is one whole number made of participant, visit, side and condition; a million rows are grouped
by that number, never by their texts.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.answers import BLANK, CODE_NOT_DONE, NUMBER, TWICE, UNREADABLE, WHY, Sheet, make_sheet
from outcomes.columns import NOT_DONE
from outcomes.force import NEWTONS, convert_force
from outcomes.instrument import Instrument
from outcomes.registry import instruments
from outcomes.study import Study

Integers = NDArray[np.int64]
SIDES = ("", "left", "right", "both")
CONDITIONS = ("unassisted", "assisted")


@dataclass(frozen=True)
class Administrations:
    """The sheet of one instrument, the key of each of its rows, and which items the study records at all."""

    keys: Integers
    sheet: Sheet
    recorded: frozenset[str]


class Keys:
    """Whole numbers for participant, visit, side and condition; -1 for a row that belongs to none of the study's."""

    def __init__(self, study: Study):
        self.participants = list(dict.fromkeys(study.participants["participant"]))
        visits = sorted(study.protocol.visits, key=lambda visit: visit.day)
        self.visits = [visit.id for visit in visits]
        self.days = np.array([visit.day for visit in visits], dtype=float)
        known = study.participants.drop_duplicates("participant")
        self.arms = list(known["arm"]) if "arm" in known else [""] * len(known)
        affected = known["affected_side"] if "affected_side" in known else pd.Series("", index=known.index)
        self.affected = np.array([SIDES.index(side) if side in SIDES else 0 for side in affected], dtype=np.int64)

    def of(self, frame: pd.DataFrame) -> Integers:
        """The key of every row."""
        participant = positions(frame["participant"], self.participants)
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


def positions(column: pd.Series, known: "list[str] | tuple[str, ...]") -> Integers:
    """Where each text of a column stands among the known ones; -1 where it is none of them."""
    codes, distinct = pd.factorize(column)
    place = {text: number for number, text in enumerate(known)}
    return np.array([place.get(text, -1) for text in distinct] or [-1], dtype=np.int64)[codes]


def why_codes(frame: pd.DataFrame, measure: str = "value") -> NDArray[np.int8]:
    """Why a row has no number (a position in answers.WHY): its code, a blank cell, or a text that is no number."""
    place = {text: number for number, text in enumerate(WHY)}
    codes, distinct = pd.factorize(frame["code"])
    why = np.array([place.get(text, UNREADABLE) for text in distinct] or [0], dtype=np.int8)[codes]
    blank = np.flatnonzero(why == WHY.index(NOT_DONE))
    why[blank[(frame["typed"].iloc[blank] == "").to_numpy()]] = BLANK
    why[(why == NUMBER) & frame[measure].isna().to_numpy()] = UNREADABLE
    return why


def item_sheets(study: Study, keys: Keys) -> Iterator[tuple[Instrument, Administrations]]:
    """Every instrument of the items table. Rows of unknown people, visits, instruments or items are left to `check`."""
    frame = study.items
    key = keys.of(frame)
    values, why = frame["value"].to_numpy(dtype=float), why_codes(frame)
    names, distinct = pd.factorize(frame["instrument"])
    item_codes, item_names = pd.factorize(frame["item"])
    for number, name in enumerate(distinct):
        found = instruments().get(name)
        if found is None:
            continue
        place = {item.id: position for position, item in enumerate(found.items)}
        column = np.array([place.get(item, -1) for item in item_names], dtype=np.int64)[item_codes]
        rows = np.flatnonzero((names == number) & (key >= 0) & (column >= 0))
        if len(rows):
            yield found, make_administrations(found, key[rows], column[rows], values[rows], why[rows])


def trial_sheets(study: Study, keys: Keys) -> Iterator[tuple[Instrument, Administrations]]:
    """Every grip and pinch of the trials table, in kgf; a unit that is no force leaves the trial unreadable."""
    frame = study.trials
    key = keys.of(frame)
    factor = frame["unit"].map({unit: convert_force(1.0, unit, "kgf") for unit in NEWTONS}).to_numpy(dtype=float)
    values, why = frame["value"].to_numpy(dtype=float) * factor, why_codes(frame)
    why[(why == NUMBER) & np.isnan(values)] = UNREADABLE
    why[why == BLANK] = CODE_NOT_DONE  # the row of a trial says it was planned
    for name in frame["instrument"].unique():
        found = instruments().get(name)
        if found is None or found.main_scale.kind != "trials":
            continue
        rows = np.flatnonzero((frame["instrument"] == name).to_numpy() & (key >= 0))
        if not len(rows):
            continue
        trial = frame["trial"].iloc[rows]
        # An unnumbered trial takes its place in the order of the rows.
        order = pd.Series(key[rows]).groupby(key[rows]).cumcount().to_numpy() + 1
        numbers = np.where(trial.isna(), order, trial.fillna(0)).astype(float)
        distinct, column = np.unique(numbers, return_inverse=True)
        items = tuple(replace(found.items[0], id=f"trial_{number:g}") for number in distinct)
        yield found, make_administrations(replace(found, items=items), key[rows], column, values[rows], why[rows])


def make_administrations(
    instrument: Instrument, key: Integers, column: Integers, values: NDArray[np.float64], why: NDArray[np.int8]
) -> Administrations:
    """The sheet of one instrument from long cells: key, item (its position), value and why there is none."""
    codes, distinct = pd.factorize(key, sort=True)
    width = len(instrument.items)
    cell = codes * width + column
    size = len(distinct) * width
    grid, reason = np.full(size, np.nan), np.full(size, BLANK, dtype=np.int8)
    grid[cell], reason[cell] = values, why
    twice = np.bincount(cell, minlength=size) > 1
    reason[twice] = TWICE
    seen = np.bincount(column, minlength=width) > 0
    recorded = frozenset(item.id for item, there in zip(instrument.items, seen, strict=True) if there)
    sheet = make_sheet(instrument, grid.reshape(-1, width), reason.reshape(-1, width))
    return Administrations(distinct, sheet, recorded)
