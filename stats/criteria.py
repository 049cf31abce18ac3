"""What counts as a response: a threshold with its source, its rule and, for hand-specific ones, a value per person."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import pandas as pd

from outcomes import columns as c
from outcomes import registry
from outcomes.instrument import Threshold
from stats.errors import FitError

FORCE_TOLERANCE = {"kgf": 0.05, "lbf": 0.11, "N": 0.5}
"""Two readings to the nearest 0.1 lbf can move a difference by 0.1 lbf (0.045 kgf): 5 kg written down as 11.0 lb is
still 5 kg. Common practice, no source."""


@dataclass(frozen=True)
class Criterion:
    """One threshold as it is applied to people.

    value: size of the improvement that counts, positive, in `unit`. by_person: the value per participant where it
    depends on the hand. strict: True where the change must exceed the value, False where reaching it is enough.
    """

    label: str
    value: float
    unit: str
    quantity: str
    strict: bool
    source: str
    tolerance: float = 1e-9
    by_person: Mapping[str, float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    @property
    def rule(self) -> str:
        """The rule as printed: `>= 5.25` or `> 5.2`."""
        return f"{'>' if self.strict else '>='} {self.value}"

    def values(self, participants: pd.Series) -> pd.Series:
        """The value that holds for each participant."""
        if not self.by_person:
            return pd.Series(self.value, index=participants.index, dtype=float)
        return participants.map(self.by_person).astype(float)

    def passed(self, improvement: pd.Series, values: pd.Series) -> pd.Series:
        """Whether an improvement passes; a difference within the tolerance counts as equal to the value."""
        if self.strict:
            return improvement > values + self.tolerance
        return improvement >= values - self.tolerance


ThresholdLike = str | Threshold | float | Mapping[str, "str | Threshold"]


def outcomes_of(threshold: Threshold) -> list[str]:
    """The outcomes a threshold was published for (several where forms of an instrument share it); empty if unknown."""
    known = registry.thresholds()
    return known.loc[known["key"] == threshold.key, c.OUTCOME].astype(str).tolist()


def published(key: str | Threshold) -> Threshold:
    """The threshold record behind a key."""
    return key if isinstance(key, Threshold) else registry.threshold(key)


def criterion(
    threshold: ThresholdLike,
    *,
    outcome: str,
    unit: str = "",
    source: str | None = None,
    quantity: str | None = None,
    rule: str | None = None,
    tolerance: float | None = None,
    participants: pd.DataFrame | None = None,
) -> Criterion:
    """The criterion behind a key, a record, a number with a source, or a pair of keys by hand."""
    if isinstance(threshold, Mapping):
        made = _by_hand(threshold, outcome, participants)
    elif isinstance(threshold, str | Threshold):
        record = published(threshold)
        if record.hand != "any":
            raise FitError(
                f"Threshold {record.key} holds for the {record.hand} hand only. Give both, "
                'threshold={"dominant": key, "non-dominant": key}, with participants= (affected and dominant side).'
            )
        made = _from_record(record, outcome)
    else:
        made = _from_number(float(threshold), unit, source, quantity, rule)
    if unit and made.unit and made.unit != unit:
        raise FitError(f"Threshold {made.label} is in {made.unit}, {outcome} is in {unit}. Give one in {unit}.")
    if tolerance is None:
        tolerance = FORCE_TOLERANCE.get(unit or made.unit, 1e-9 * max(1.0, made.value))
    notes = made.notes
    if (unit or made.unit) in FORCE_TOLERANCE:
        notes += (
            f"Changes within {tolerance} {unit or made.unit} of the threshold count as equal to it (unit conversion).",
        )
    return replace(made, unit=unit or made.unit, tolerance=tolerance, notes=notes)


def _from_record(record: Threshold, outcome: str) -> Criterion:
    owners = outcomes_of(record)
    if owners and outcome not in owners:
        raise FitError(
            f"Threshold {record.key} belongs to {', '.join(owners)}, not to {outcome}. Choose one of {outcome}."
        )
    notes = [
        f"{record.key}: {record.quantity} {record.value} {record.unit}, {record.source}; population: "
        f"{record.population} ({record.phase}), n = {record.n}; method: {record.method}."
    ]
    if "group" in record.quantity.lower():
        notes.append(
            f"{record.key} was published for the mean of a group: counting individuals with it is not what it is for."
        )
    if record.caveat:
        notes.append(f"{record.key}: {record.caveat}.")
    return Criterion(
        label=record.key,
        value=record.value,
        unit=record.unit,
        quantity=record.quantity,
        strict=record.strict,
        source=record.source,
        notes=tuple(notes),
    )


def _from_number(value: float, unit: str, source: str | None, quantity: str | None, rule: str | None) -> Criterion:
    if not source or not source.strip():
        raise FitError(
            f"Threshold {value} without a source. Name a published threshold by its key, or say where the number "
            'comes from: source="...".'
        )
    if not value > 0:
        raise FitError(
            f"Threshold {value}: allowed above 0 (the size of an improvement, whatever the scale's direction)."
        )
    if rule not in (None, ">=", ">"):
        raise FitError(f"Rule {rule!r}: allowed '>=' (reaching it is enough) or '>' (it must be exceeded).")
    named = quantity or "threshold"
    if rule is None:
        rule = ">=" if quantity is None or quantity.startswith("MCID") else ">"
    return Criterion(
        label=f"{value} {unit}".strip(),
        value=value,
        unit=unit,
        quantity=named,
        strict=rule == ">",
        source=source,
        notes=(f"{named} {value}: source as given by the analyst, {source}.",),
    )


def _by_hand(pair: Mapping[str, str | Threshold], outcome: str, participants: pd.DataFrame | None) -> Criterion:
    if set(pair) != {"dominant", "non-dominant"}:
        raise FitError(
            f"Hand-specific thresholds: found {', '.join(pair)}, allowed both 'dominant' and 'non-dominant'."
        )
    records = {hand: published(key) for hand, key in pair.items()}
    for hand, record in records.items():
        if record.hand != hand:
            raise FitError(f"Threshold {record.key} holds for the {record.hand} hand, it was given for the {hand} one.")
    hands = affected_hand(participants)
    unknown = [str(person) for person, hand in hands.items() if hand == ""]
    if unknown:
        raise FitError(
            f"Hand-specific thresholds of {outcome}: affected or dominant side unknown for {', '.join(unknown)}. "
            "Fill in both sides in the participants table, or use a threshold that holds for any hand."
        )
    parts = {hand: _from_record(record, outcome) for hand, record in records.items()}
    first = parts["dominant"]
    by_person = {str(person): parts[hand].value for person, hand in hands.items()}
    return replace(
        first,
        label=f"{first.label} / {parts['non-dominant'].label}",
        value=max(part.value for part in parts.values()),
        by_person=by_person,
        notes=(
            *first.notes,
            *parts["non-dominant"].notes,
            f"Chosen per person: {first.value} where the dominant hand is affected, "
            f"{parts['non-dominant'].value} where the other is.",
        ),
    )


def affected_hand(participants: pd.DataFrame | None) -> dict[str, str]:
    """Per participant "dominant" or "non-dominant" for the affected hand; "" where it cannot be known."""
    needed = [c.PARTICIPANT, "affected_side", "dominant_side"]
    absent = needed if participants is None else [name for name in needed if name not in participants]
    if participants is None or absent:
        raise FitError(
            f"A threshold for the dominant or non-dominant hand needs participants= with {', '.join(absent)}: "
            "which side is affected and which is dominant."
        )
    sides = {"left", "right"}
    return {
        str(person): ("dominant" if affected == dominant else "non-dominant")
        if affected in sides and dominant in sides
        else ""
        for person, affected, dominant in participants[needed].itertuples(index=False)
    }


def all_published(outcome: str, participants: pd.DataFrame | None) -> tuple[list[ThresholdLike], list[str]]:
    """Every threshold of an outcome that can be counted, hand-specific ones paired, and a note for each left out."""
    keys: Sequence[str] = registry.thresholds(outcome)["key"].tolist()
    records = [registry.threshold(key) for key in keys]
    chosen: list[ThresholdLike] = [record for record in records if record.hand == "any"]
    notes = []
    single = [record for record in records if record.hand == "dominant"]
    for record in single:
        twin = next(
            (
                other
                for other in records
                if other.hand == "non-dominant"
                and (other.source, other.quantity, other.population)
                == (record.source, record.quantity, record.population)
            ),
            None,
        )
        if twin is None or participants is None:
            why = (
                "no partner for the other hand" if twin is None else "participants= (affected, dominant side) not given"
            )
            notes.append(f"{record.key} left out: {why}.")
        else:
            chosen.append({"dominant": record, "non-dominant": twin})
    if not chosen:
        raise FitError(f"No published threshold of {outcome} can be counted. Give a number with source=.")
    return chosen, notes
