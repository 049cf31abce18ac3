"""Criteria from published thresholds: the right outcome, the right hand, and a note on whom they were found in."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import groupby
from typing import TypeAlias

import pandas as pd

from outcomes import columns as c
from outcomes.library import registry
from outcomes.library.instrument import Threshold
from stats.errors import FitError
from stats.responders.criteria import Criterion, OwnThreshold, both, from_number
from stats.responders.suitability import suitability

Pair: TypeAlias = Mapping[str, "str | Threshold"]
ThresholdLike: TypeAlias = str | Threshold | OwnThreshold | float | Pair
AFFECTED = {"more affected": "affected", "less affected": "other"}


@dataclass(frozen=True)
class Beyond:
    """An important change and a detectable one: counted each alone, and both at once."""

    important: ThresholdLike
    detectable: ThresholdLike


@dataclass(frozen=True)
class Setting:
    """What is counted, and in whom, as far as it was said (columns diagnosis and phase of the participants)."""

    outcome: str
    unit: str
    hands: frozenset[str]
    participants: pd.DataFrame | None = None


def published(key: str | Threshold) -> Threshold:
    """The threshold record behind a key."""
    return key if isinstance(key, Threshold) else registry.threshold(key)


def outcomes_of(threshold: Threshold) -> list[str]:
    """The outcomes a threshold was published for (several where forms of an instrument share it); empty if unknown."""
    return list(_owners().get(threshold.key, ()))


@cache
def _owners() -> Mapping[str, Sequence[str]]:
    """The outcomes of every published threshold, by its key."""
    owners: dict[str, list[str]] = {}
    for found in registry.instruments().values():
        for entry in found.thresholds:
            if found.scale(entry.scale):
                owners.setdefault(entry.key, []).append(f"{found.id}.{entry.scale}")
    return owners


def criterion(threshold: ThresholdLike, setting: Setting, source: str | None = None) -> Criterion:
    """The criterion behind a key, a record, a number with a source, or a pair of keys by hand."""
    tolerance = None
    if isinstance(threshold, Mapping):
        made = _by_hand(threshold, setting)
    elif isinstance(threshold, str | Threshold):
        record = published(threshold)
        if record.hand in ("dominant", "non-dominant"):
            raise FitError(
                f"Threshold {record.key} holds for the {record.hand} hand only. Give both, "
                'threshold={"dominant": key, "non-dominant": key}, with participants= (affected and dominant side).'
            )
        made = _from_record(record, setting)
    else:
        own = threshold if isinstance(threshold, OwnThreshold) else OwnThreshold(float(threshold), source or "")
        made, tolerance = from_number(own, setting.unit), own.tolerance
    return made.suited(setting.unit, tolerance)


def criteria_of(asked: Sequence[ThresholdLike | Beyond], setting: Setting, source: str | None) -> list[Criterion]:
    """The criteria behind what was asked, each label once; those of the two hands of one source are joined."""
    made: list[Criterion] = []
    for several, group in groupby(asked, key=lambda one: isinstance(one, Beyond)):
        if not several:
            plain = [one for one in group if not isinstance(one, Beyond)]
            made += [criterion(one, setting, source) for one in paired_by_hand(plain)]
            continue
        for one in group:
            if isinstance(one, Beyond):
                important, limit = (criterion(part, setting, source) for part in (one.important, one.detectable))
                made += [important, limit, both(important, limit)]
    if any(isinstance(one, Beyond) for one in asked):
        return list({one.label: one for one in made}.values())
    return made


def _from_record(record: Threshold, setting: Setting) -> Criterion:
    if record.between_sides:
        raise FitError(
            f"Threshold {record.key} is a difference between the two sides at one time ({record.source}): no change "
            "over visits can be counted with it. Name a threshold of change."
        )
    owners = outcomes_of(record)
    if owners and setting.outcome not in owners:
        raise FitError(f"Threshold {record.key} belongs to {', '.join(owners)}, not to {setting.outcome}.")
    wanted = AFFECTED.get(record.hand)
    if wanted and wanted not in setting.hands:
        counted = ", ".join(sorted(setting.hands - {""}))
        raise FitError(f"Threshold {record.key} holds for the {record.hand} hand, counted is the {counted} one.")
    return Criterion(
        label=record.key,
        value=record.value,
        unit=record.unit,
        quantity=record.quantity,
        strict=record.strict,
        source=record.source,
        citation=str(registry.references().get(record.source, {}).get("citation", "")),
        percent=record.unit.startswith("%"),
        notes=tuple(_notes(record, setting)),
    )


def _notes(record: Threshold, setting: Setting) -> list[str]:
    notes = [
        f"{record.key}: {record.quantity} {record.value} {record.unit}, {record.source}; population: "
        f"{record.population} ({record.phase}), n = {record.n}; method: {record.method}."
    ]
    notes += suitability(record, setting.participants)
    if record.repeats:
        notes.append(f"{record.key} takes over {', '.join(record.repeats)}: the same finding, not a second one.")
    if "distribution-based" in record.quantity:
        notes.append(f"{record.key} is a share of a spread: nobody was asked whether a change of that size mattered.")
    if "group" in record.quantity.lower():
        notes.append(f"{record.key} was published for the mean of a group, not for counting individuals.")
    if record.quantity == "SEM":
        notes.append(f"{record.key} is one standard error of measurement: errors alone often exceed it.")
    if record.caveat:
        notes.append(f"{record.key}: {record.caveat.rstrip('.')}.")
    return notes


def _by_hand(pair: Pair, setting: Setting) -> Criterion:
    if set(pair) != {"dominant", "non-dominant"}:
        raise FitError(f"Thresholds by hand: found {', '.join(pair)}, allowed both 'dominant' and 'non-dominant'.")
    records = {hand: published(key) for hand, key in pair.items()}
    for hand, record in records.items():
        if record.hand != hand:
            raise FitError(f"Threshold {record.key} holds for the {record.hand} hand, it was given for the {hand} one.")
    hands = affected_hand(setting.participants)
    unknown = [person for person, hand in hands.items() if hand == ""]
    if unknown:
        raise FitError(
            f"Thresholds by hand of {setting.outcome}: affected or dominant side unknown for {', '.join(unknown)}. "
            "Fill in both sides in the participants table, or use a threshold that holds for any hand."
        )
    first, second = (_from_record(records[hand], setting) for hand in ("dominant", "non-dominant"))
    chosen = f"{first.value} where the dominant hand is affected, {second.value} where the other is"
    return replace(
        first,
        label=f"{first.label} / {second.label}",
        value=max(first.value, second.value),
        by_person={person: (first if hand == "dominant" else second).value for person, hand in hands.items()},
        notes=(*first.notes, *second.notes, f"{first.label} / {second.label}: chosen per person, {chosen}."),
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


def paired_by_hand(asked: Sequence[ThresholdLike]) -> list[ThresholdLike]:
    """The same thresholds with those of the dominant and the non-dominant hand of one source joined to a pair."""
    records = [published(one) if isinstance(one, str | Threshold) else one for one in asked]
    made: list[ThresholdLike] = []
    for record in records:
        if not isinstance(record, Threshold) or record.hand not in ("dominant", "non-dominant"):
            made.append(record)
        elif record.hand == "dominant":
            twin = next((one for one in records if isinstance(one, Threshold) and _twins(record, one)), None)
            made.append(record if twin is None else {"dominant": record, "non-dominant": twin})
        elif not any(isinstance(one, Threshold) and _twins(one, record) for one in records):
            made.append(record)
    return made


def _twins(dominant: Threshold, other: Threshold) -> bool:
    same = (dominant.source, dominant.quantity, dominant.population, dominant.scale)
    return (
        dominant.hand == "dominant"
        and other.hand == "non-dominant"
        and same == (other.source, other.quantity, other.population, other.scale)
    )


def all_published(setting: Setting) -> tuple[list[Criterion], list[str]]:
    """Every published threshold of an outcome that can be counted here, and a note for each left out."""
    records = [registry.threshold(key) for key in dict.fromkeys(registry.thresholds(setting.outcome)["key"])]
    made: list[Criterion] = []
    notes = []
    repeated = [record for record in records if set(record.repeats) & {one.key for one in records}]
    own = [record for record in records if record.quantity != "SEM" and record not in repeated]
    for one in paired_by_hand(own):
        try:
            made.append(criterion(one, setting))
        except FitError as refused:
            notes.append(f"Left out: {refused}")
    notes += [
        f"Left out: {record.key} is one standard error of measurement."
        for record in records
        if record.quantity == "SEM"
    ]
    notes += [f"Left out: {record.key} takes over {', '.join(record.repeats)}, counted once." for record in repeated]
    if not made:
        raise FitError(f"No published threshold of {setting.outcome} can be counted. Give a number with source=.")
    return made, notes
