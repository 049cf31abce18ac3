"""What counts as a response: the size of an improvement, its rule and where it comes from."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from outcomes import columns as c
from stats.errors import FitError

FORCE_TOLERANCE = {"kgf": 0.05, "lbf": 0.11, "N": 0.5}
"""Two readings to the nearest 0.1 lbf can move a difference by 0.1 lbf (0.045 kgf): 5 kg written down as 11.0 lb is
still 5 kg. Common practice, no source."""


@dataclass(frozen=True)
class Criterion:
    """One threshold as it is applied to people.

    value: size of the improvement that counts, positive, in `unit`. by_person: the value per participant where it
    depends on the hand. percent: the value is per cent of each person's baseline. strict: True where the change must
    exceed the value, False where reaching it is enough.
    """

    label: str
    value: float
    unit: str
    quantity: str
    strict: bool
    source: str
    citation: str = ""
    tolerance: float = 1e-9
    by_person: Mapping[str, float] = field(default_factory=dict)
    percent: bool = False
    notes: tuple[str, ...] = ()

    @property
    def rule(self) -> str:
        """The rule as printed: `>= 5.25`, `> 5.2`, `>= 12.0 or 17.0` where it depends on the hand."""
        sizes = sorted({*self.by_person.values()} or {self.value})
        return f"{'>' if self.strict else '>='} {' or '.join(map(str, sizes))}"

    def needed(self, table: pd.DataFrame) -> pd.Series:
        """The size that holds for each participant of a change table; NaN where it cannot be known."""
        size = pd.Series(self.value, index=table.index, dtype=float)
        if self.by_person:
            size = table[c.PARTICIPANT].astype(str).map(self.by_person).astype(float)
        return table["before"].abs() * size / 100 if self.percent else size

    def passed(self, improvement: pd.Series, needed: pd.Series) -> pd.Series:
        """Whether an improvement passes; a difference within the tolerance counts as equal to the value.

        Nobody passes a size of 0 (a percentage of a baseline of 0).
        """
        if self.strict:
            return improvement > needed + self.tolerance
        return (improvement >= needed - self.tolerance) & (needed > 0)

    def suited(self, unit: str, tolerance: float | None) -> "Criterion":
        """The criterion for an outcome in that unit, with its tolerance; refuses another unit."""
        if unit and self.unit and self.unit != unit and not self.percent:
            raise FitError(f"Threshold {self.label} is in {self.unit}, the outcome in {unit}. Give one in {unit}.")
        found = unit or self.unit
        notes = self.notes
        if tolerance is None:
            tolerance = FORCE_TOLERANCE.get(found, 1e-9 * max(1.0, self.value))
        if found in FORCE_TOLERANCE:
            notes += (f"Changes within {tolerance} {found} of a threshold count as equal to it (unit conversion).",)
        return replace(self, unit=self.unit if self.percent else found, tolerance=tolerance, notes=notes)


@dataclass(frozen=True)
class OwnThreshold:
    """A number the analyst brings, with where it comes from.

    value: size of an improvement that counts, above 0, in `unit` (blank: the outcome's; "% of baseline" allowed).
    quantity: what it is, e.g. "MCID individual"; an MCID counts when reached, anything else named when exceeded; rule:
    ">=" or ">" instead. tolerance: changes this near count as equal to it (0.05 kgf for forces, rounding error
    otherwise).
    """

    value: float
    source: str
    unit: str = ""
    quantity: str | None = None
    rule: str | None = None
    tolerance: float | None = None


def from_number(own: OwnThreshold, unit: str) -> Criterion:
    """The criterion of a number for an outcome in `unit`; refused without saying where it comes from."""
    value, rule = own.value, own.rule
    if not own.source or not own.source.strip():
        raise FitError(
            f"Threshold {value} without a source. Name a published threshold by its key, or say where the number "
            'comes from: source="...".'
        )
    if not value > 0 or not np.isfinite(value):
        raise FitError(
            f"Threshold {value}: allowed above 0, the size of an improvement whatever the scale's direction."
        )
    if rule not in (None, ">=", ">"):
        raise FitError(f"Rule {rule!r}: allowed '>=' (reaching it is enough) or '>' (it must be exceeded).")
    if rule is None:
        rule = ">=" if own.quantity is None or own.quantity.startswith("MCID") else ">"
    named, unit = own.quantity or "threshold", own.unit or unit
    return Criterion(
        label=f"{value} {unit}".strip(),
        value=value,
        unit=unit,
        quantity=named,
        strict=rule == ">",
        source=own.source,
        percent=unit.startswith("%"),
        notes=(f"{named} {value}: source as given by the analyst, {own.source}.",),
    )


def both(important: Criterion, beyond: Criterion) -> Criterion:
    """Important and beyond measurement error at once: the larger of the two sizes decides, at a tie the strict rule."""
    if important.by_person or beyond.by_person or important.percent or beyond.percent:
        raise FitError("A threshold that differs by person cannot be joined with a detectable change. Count it alone.")
    decides = beyond if beyond.value >= important.value else important
    other = important if decides is beyond else beyond
    return replace(
        decides,
        label=f"{important.label} and beyond {beyond.label}",
        quantity="important and beyond error",
        source=f"{important.source}; {beyond.source}",
        citation="",  # both are counted alone beside this row, with theirs
        notes=(f"{decides.label} ({decides.rule}) decides over {other.label} ({other.rule}).",),
    )
