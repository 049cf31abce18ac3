"""What a cell may hold, and columns full of what it may not: ranges, codes among numbers."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from outcomes.importing.finding.observations import Observation
from outcomes.importing.language.cell_values import REASONS, Reading, read_measure, suspicious
from outcomes.importing.language.headings import Meaning, item_of
from outcomes.importing.making.accounts import Accounts
from outcomes.library.known import find_instrument

# From how many impossible numbers, and from which share, a column is asked about as a whole (our rule).
_MANY, _SHARE = 3, 0.2
LIKE_A_CODE = "a number like a code, far from all others"


@dataclass(frozen=True)
class Limits:
    """What a cell may hold: ends (None: open), answers typed as words, levels (none: every number between the ends)."""

    low: float | None = None
    high: float | None = None
    words: Mapping[str, float] = field(default_factory=dict)
    levels: tuple[float, ...] = ()

    @property
    def span(self) -> str:
        return f"{self.low or 0:g} to {self.high:g}" if self.high is not None else f"{self.low or 0:g} or more"

    def allow(self, number: float) -> bool:
        return (self.low is None or number >= self.low) and (self.high is None or number <= self.high)


def limits_of(meaning: Meaning) -> Limits:
    """Of a settled meaning, or of one whose item is still open (none then). Degrees and forces have generous ends."""
    known = find_instrument(meaning.instrument)
    if known is None:  # an angle; everything else was settled with its instrument
        return Limits(-90.0, 240.0)
    if meaning.table == "trials":
        return Limits(0.0)
    item = known.item(meaning.item) if meaning.table == "items" else known.items[0] if len(known.items) == 1 else None
    if item is not None and item.levels:
        return Limits(min(item.levels), max(item.levels), item.codes, item.levels)
    if meaning.table == "items":
        if item is None:
            return Limits()  # not settled yet; an item that the instrument has not becomes a finding
        return Limits(item.low, item.high if item.high > item.low else None, item.codes)
    scale = known.scale(meaning.scale) or known.main_scale
    return Limits(scale.low, scale.high)


class Ranges:
    """What all numbers of the files say about one of them: codes far from the others, columns of another score."""

    def __init__(self, observations: list[Observation]):
        self._codes = _possible_codes(observations)
        self._strange = _strange_columns(observations)

    def column_fits(self, accounts: Accounts, o: Observation, limits: Limits) -> bool:
        """Whether the column may be what it was read as; asked once for a column full of impossible numbers."""
        counted = self._strange.get(_column_key(o))
        if not counted:
            return True
        return accounts.agreed(
            o,
            " ".join(("range", *_column_key(o))),
            f"{o.record.source.name}, {o.column.name}",
            f"Read as {o.meaning.outcome}, whose values go from {limits.span}, but {counted} numbers lie outside. Is "
            "it that score all the same? (If it is another one, write its meaning in [columns] of import.toml.)",
            ("yes", "leave out"),
            "column left out by the answer",
        )

    def checked(self, o: Observation, reading: Reading, limits: Limits) -> Reading:
        """The reading of a number; one to ask about where the number is impossible or like a code."""
        number = float(reading.value)
        if not limits.allow(number):
            return replace(reading, kind="ask", choices=REASONS, why=f"allowed is {limits.span}")
        if number in self._codes.get(_measure_key(o.meaning), ()):
            choices = ("not done", reading.value, *REASONS[1:])
            return replace(reading, kind="ask", choices=choices, why=LIKE_A_CODE)
        return reading


def _possible_codes(observations: list[Observation]) -> dict[tuple[str, str, str], set[float]]:
    """Values that may be codes, per measure, side and unit."""
    values: dict[tuple[str, str, str], list[float]] = defaultdict(list)
    for o in observations:
        if o.meaning.table in ("totals", "trials"):
            reading = read_measure(o.text, o.codes, o.column.missing, None)
            if reading.kind == "number":
                values[_measure_key(o.meaning)].append(float(reading.value))
    return {key: suspicious(found) for key, found in values.items()}


def _strange_columns(observations: list[Observation]) -> dict[tuple[str, ...], str]:
    """Columns of which many numbers are impossible for the score they were read as, with how many."""
    outside: dict[tuple[str, ...], list[bool]] = defaultdict(list)
    for o in observations:
        known = find_instrument(o.meaning.instrument)
        reading = read_measure(o.text, o.codes, o.column.missing, None)
        if known is None or o.meaning.part or o.meaning.table == "angles" or reading.kind != "number":
            continue
        item = item_of(o.meaning, known) if o.meaning.table == "items" else ""
        limits = limits_of(replace(o.meaning, item=o.meaning.item or item))
        outside[_column_key(o)].append(not limits.allow(float(reading.value)))
    return {
        key: f"{sum(found)} of {len(found)}"
        for key, found in outside.items()
        if sum(found) >= _MANY and sum(found) > _SHARE * len(found)
    }


def _column_key(o: Observation) -> tuple[str, ...]:
    """What stands together in a range: the columns of one score over all visits, the lines of one test or item."""
    if o.record.source.long:
        return o.record.source.name, o.record.text("instrument"), o.record.text("item"), ""
    m = o.column.meaning
    return o.record.source.name, m.instrument, m.scale or m.item, str(m.number or "")


def _measure_key(meaning: Meaning) -> tuple[str, str, str]:
    return meaning.outcome, meaning.side, meaning.unit
