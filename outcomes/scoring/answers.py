"""Answers of one instrument as two arrays, administrations x items: what was answered, and why a cell has no number."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from outcomes import columns
from outcomes.columns import NOT_A_NUMBER, NOT_DONE, UNABLE
from outcomes.errors import InstrumentError
from outcomes.library.instrument import Instrument, Item, allowed_text
from outcomes.scoring.steps import on_step

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# Why a cell has no number. The first is "it has one", the next four are the codes of columns.py, in that order.
WHY = (
    "",
    *NOT_A_NUMBER,
    "not recorded",
    columns.NOT_APPLICABLE,
    "outside the allowed values",
    "not readable",
    "recorded twice",
    "recorded beside 'not applicable'",
)
NUMBER, BLANK, NOT_APPLICABLE, OUTSIDE, UNREADABLE, TWICE, OVERRULED = 0, 5, 6, 7, 8, 9, 10
DROPPED = (NOT_APPLICABLE, OVERRULED)  # leave their item out of the score
CODE_NOT_DONE, CODE_UNABLE = WHY.index(NOT_DONE), WHY.index(UNABLE)


@dataclass(frozen=True)
class Sheet:
    """Answers of one instrument.

    values: administrations x items, NaN where there is no number. An item answered "unable" holds the value the
    instrument gives that answer, and keeps its code. `credited` marks values a rule gave, not a person; where such a
    cell's code is NUMBER, the rule overruled a recorded answer.
    """

    items: tuple[Item, ...]
    values: Floats
    codes: NDArray[np.int8]
    credited: Bools

    @cached_property
    def position(self) -> Mapping[str, int]:
        """Column of each item."""
        return {item.id: place for place, item in enumerate(self.items)}

    def part(self, items: Sequence[str]) -> "Sheet":
        """The columns of some items, in the order given."""
        places = [self.position[item] for item in items]
        chosen = tuple(self.items[place] for place in places)
        columns = neighbours(places)
        return Sheet(chosen, self.values[:, columns], self.codes[:, columns], self.credited[:, columns])

    @cached_property
    def known(self) -> Bools:
        """Where there is a number to score with."""
        return ~np.isnan(self.values)

    @cached_property
    def counted(self) -> NDArray[np.int64]:
        """How many items there is a number for."""
        return self.known.sum(axis=1)

    @cached_property
    def answered(self) -> NDArray[np.int64]:
        """How many items a person answered with something that carries a value."""
        return (self.known & ~self.credited).sum(axis=1) if self.credited.any() else self.counted


def make_sheet(instrument: Instrument, values: Floats, codes: NDArray[np.int8]) -> Sheet:
    """Check every value against its item, give "unable" its value, then apply the gates."""
    return take_sheet(instrument, values.copy(order="K"), codes.copy(order="K"))


def take_sheet(instrument: Instrument, values: Floats, codes: NDArray[np.int8]) -> Sheet:
    """`make_sheet` for arrays that nothing else needs: they become the sheet's own and are changed."""
    outside = ~_allowed(instrument, values) & (codes == NUMBER)
    codes[outside] = OUTSIDE
    values[codes != NUMBER] = np.nan
    rows, columns = np.nonzero(codes == CODE_UNABLE)
    if len(rows):
        worth = [np.nan if item.unable_value is None else item.unable_value for item in instrument.items]
        values[rows, columns] = np.array(worth)[columns]
        refused = np.array([bool(item.refuses) for item in instrument.items])[columns]
        codes[rows[refused], columns[refused]] = OUTSIDE
    sheet = Sheet(instrument.items, values, codes, np.zeros_like(values, dtype=bool))
    if instrument.together and (codes == NOT_APPLICABLE).any():
        _leave_out_together(instrument, sheet)
    return _gated(instrument, sheet)


def one_sheet(instrument: Instrument, answers: Mapping[str, object]) -> Sheet:
    """The sheet of a single administration. Raises InstrumentError on an unknown item or a value not allowed."""
    known = [item.id for item in instrument.items]
    unknown = [str(item) for item in answers if item not in known]
    if unknown:
        raise InstrumentError(f"{instrument.id}: no item {', '.join(unknown)}. Its items are {', '.join(known)}.")
    values = np.full((1, len(known)), np.nan)
    codes = np.full((1, len(known)), BLANK, dtype=np.int8)
    for place, item in enumerate(instrument.items):
        if item.id not in answers:
            continue
        values[0, place], codes[0, place] = read_answer(answers[item.id], item.codes)
        if codes[0, place] == UNREADABLE:
            raise _refused(instrument, place, answers[item.id])
    sheet = make_sheet(instrument, values, codes)
    for outside in np.flatnonzero(sheet.codes[0] == OUTSIDE).tolist():
        raise _refused(instrument, outside, answers[known[outside]])
    return sheet


def read_answer(answer: object, words: Mapping[str, float]) -> tuple[float, int]:
    """One answer as a number and a code; `words` are the item's own answers in letters."""
    if answer is None:
        return np.nan, BLANK
    if isinstance(answer, str):
        text = answer.strip().casefold()
        if not text:
            return np.nan, BLANK
        if text in words:
            value = words[text]
            return value, NOT_APPLICABLE if np.isnan(value) else NUMBER
        if text in NOT_A_NUMBER:
            return np.nan, WHY.index(text)
        try:
            number = float(text)
        except ValueError:
            return np.nan, UNREADABLE
    else:
        try:
            number = float(answer)  # type: ignore[arg-type]  # anything may be given: what is no number is a TypeError
        except (TypeError, ValueError):
            return np.nan, UNREADABLE
        if np.isnan(number):
            return np.nan, BLANK
    return (number, NUMBER) if np.isfinite(number) else (np.nan, UNREADABLE)


def _allowed(instrument: Instrument, values: Floats) -> Bools:
    """Which numbers the items allow; items that share their levels are looked up together."""
    allowed = np.zeros_like(values, dtype=bool)
    groups: dict[tuple[float, ...], list[int]] = {}
    for place, item in enumerate(instrument.items):
        groups.setdefault(item.levels or (item.low, item.high, item.step or 0.0, np.nan), []).append(place)
    for levels, numbers in groups.items():
        places = neighbours(numbers)
        block = values[:, places]
        if np.isnan(levels[-1]):
            allowed[:, places] = (block >= levels[0]) & (block <= levels[1])
            if levels[2]:
                allowed[:, places] &= on_step(block, levels[0], levels[2])
        else:
            found = block == levels[0]
            for level in levels[1:]:
                found |= block == level
            allowed[:, places] = found
    return allowed


def neighbours(places: list[int]) -> "list[int] | slice":
    """Columns as a slice where they lie side by side: then nothing is copied."""
    if places and places == list(range(places[0], places[0] + len(places))):
        return slice(places[0], places[0] + len(places))
    return places


def _leave_out_together(instrument: Instrument, sheet: Sheet) -> None:
    for items in instrument.together:
        places = [sheet.position[item] for item in items]
        dropped = (sheet.codes[:, places] == NOT_APPLICABLE).any(axis=1)
        for place in places:
            own = sheet.codes[dropped, place]
            sheet.codes[dropped, place] = np.where(own == NUMBER, OVERRULED, NOT_APPLICABLE)
            sheet.values[dropped, place] = np.nan


def _gated(instrument: Instrument, sheet: Sheet) -> Sheet:
    for gate in instrument.gates:
        place = sheet.position[gate.item]
        opening = sheet.part(gate.items).values.sum(axis=1)  # NaN while an opening item has no value: gate unknown
        closed = opening < gate.at_least
        # A recorded answer that agrees with the gate stays an answer; anything else is the gate's, not a person's.
        closed &= sheet.values[:, place] != gate.otherwise
        sheet.credited[closed, place] = True
        sheet.values[closed, place] = gate.otherwise
    return sheet


def _refused(instrument: Instrument, place: int, answer: object) -> InstrumentError:
    item = instrument.items[place]
    return InstrumentError(
        f"{instrument.id}, item {item.id} ({item.label}): value {answer}, allowed {allowed_text(instrument, item.id)}. "
        f"Correct the answer, or give one of: {', '.join(code for code in NOT_A_NUMBER if code not in item.refuses)}."
    )
