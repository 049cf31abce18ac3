"""Whether the people counted are those a threshold was published for: their diagnoses, and the time since onset.

A warning where none is due is as misleading as none where one is due: diagnoses are compared by family
(`outcomes.library.diagnoses`), phases by days from onset to baseline, and what is not known is said to be unknown.
"""

import re

import pandas as pd

from outcomes.findings import as_text
from outcomes.library.diagnoses import ANY, belongs
from outcomes.library.instrument import Threshold
from outcomes.onset import onset_days

_PHASES = ("acute", "subacute", "chronic")


def suitability(record: Threshold, participants: pd.DataFrame | None) -> list[str]:
    """Notes on whom a threshold was found in and who is counted; none where everyone belongs.

    participants: `diagnosis` in words; `phase` in words, or `onset_days`, or `onset` as months at entry.
    """
    people = participants
    if people is not None and "participant" in people:
        people = people.drop_duplicates("participant")
    notes = _by_diagnosis(record, people)
    phases = set() if people is None or "phase" not in people else set(people["phase"].dropna().astype(str)) - {""}
    notes += [note for phase in sorted(phases) for note in _phase_by_word(record, phase)]
    if not phases:
        notes += _phase_by_days(record, people)
    if people is None or "diagnosis" not in people or not (people["diagnosis"].fillna("") != "").any():
        notes.append(
            "Whether the participants belong to a threshold's population was not stated (columns diagnosis and phase "
            "of participants=)."
        )
    return notes


def _by_diagnosis(record: Threshold, people: pd.DataFrame | None) -> list[str]:
    if people is None or "diagnosis" not in people or ANY in record.families:
        return []
    diagnoses = people["diagnosis"].fillna("").astype(str).str.strip()
    if not (diagnoses != "").any():
        return []
    member = {text: belongs(text, record.families) for text in diagnoses.unique()}
    outside = diagnoses[[member[text] is False for text in diagnoses]]
    unknown = diagnoses[[member[text] is None for text in diagnoses]]
    notes = []
    if len(outside):
        words = ", ".join(f"{text} ({count})" for text, count in outside.value_counts(sort=False).items())
        who = f"{len(outside)} of {len(diagnoses)}"
        notes.append(f"{record.key}: outside its population ({record.population.lower()}): {who}, {words}.")
    if len(unknown):
        words = ", ".join(text or "blank" for text in unknown.unique())
        notes.append(
            f"{record.key}: whether {len(unknown)} of {len(diagnoses)} belong to its population ({record.population}) "
            f"is not known from their diagnosis ({words})."
        )
    return notes


def _phase_by_word(record: Threshold, phase: str) -> list[str]:
    """Phases in words: `acute` is not part of `subacute`; a threshold of mixed phases fits any."""
    own, its = (
        [word for word in _PHASES if re.search(rf"\b{word}\b", text.casefold())] for text in (phase, record.phase)
    )
    if not its or "mixed" in record.phase.casefold() or (own and set(own) <= set(its)):
        return []
    if not own and phase.casefold() in record.phase.casefold():
        return []
    if not own:
        return [f"{record.key}: whether {phase} is its phase ({record.phase}) is not known."]
    return [f"{record.key}: outside its phase ({record.phase}): {phase}."]


def _phase_by_days(record: Threshold, people: pd.DataFrame | None) -> list[str]:
    if people is None or record.onset_days is None:
        return []
    days = onset_days(people)
    if days.isna().all():
        return []
    low, high = record.onset_days
    before, after, unknown = int((days < low).sum()), int((days > high).sum()), int(days.isna().sum())
    within = len(days) - before - after - unknown
    bounds = f"{as_text(low)} " + ("days or more" if high == float("inf") else f"to {as_text(high)} days")
    phase = f"{record.phase}; {bounds} from onset to baseline, {record.onset_source}"
    notes = []
    if before or after:
        counts = [
            f"{within} within",
            *([f"{before} earlier"] if before else []),
            *([f"{after} later"] if after else []),
        ]
        counts += [f"{unknown} unknown"] if unknown else []
        notes.append(
            f"{record.key}: outside its phase ({phase}): {before + after} of {len(days)}; {', '.join(counts)}."
        )
    elif unknown:
        notes.append(f"{record.key}: time since onset of {unknown} of {len(days)} is not known; its phase: {phase}.")
    return notes
