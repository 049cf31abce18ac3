"""The numbers of the flow of participants: who was allocated, seen, lost and analysed, arm by arm."""

from collections import Counter

import pandas as pd

from notebooks.analysis import Analysis
from notebooks.figures.people.flow import ArmFlow, Flow
from notebooks.show.names import Names
from outcomes import Study
from outcomes import columns as c
from stats.errors import FitError
from stats.responders.count import count_responders
from stats.selection import Selection


def arms_of(study: Study) -> pd.Series:
    """Arm of each participant; "" for everyone in a single-arm study."""
    people = study.participants.set_index(c.PARTICIPANT)
    return people[c.ARM].fillna("").astype(str) if c.ARM in people else pd.Series("", index=people.index)


def flow(scores: pd.DataFrame, study: Study) -> pd.DataFrame:
    """One row per arm and planned visit: enrolled, attended, missed, withdrawn, unknown, and the reasons.

    A visit counts as attended where the visits sheet says so, or where any score was taken at it.
    """
    names, arms = Names(study.protocol), arms_of(study)
    scored = set(zip(scores.loc[scores[c.VALUE].notna(), c.PARTICIPANT], scores.loc[scores[c.VALUE].notna(), c.VISIT],
                     strict=True))  # fmt: skip
    noted = _noted(study)
    rows = []
    for arm in names.arms(arms):
        people = arms.index[arms == arm]
        for visit in names.visits(visit.id for visit in study.protocol.visits):
            states = [_state((str(person), visit), scored, noted) for person in people]
            counts = {name: sum(state == name for state, _ in states) for name in ("attended", "missed", "withdrawn")}
            reasons = pd.Series([f"{state}: {why}" if why else state for state, why in states if state != "attended"])
            told = "; ".join(f"{text} ({count})" for text, count in reasons.value_counts().items())
            rows.append(
                {"arm": arm, "visit": visit, "enrolled": len(people)}
                | counts
                | {"unknown": len(people) - sum(counts.values()), "reasons": told}
            )
    return names.labelled(pd.DataFrame(rows))


def _noted(study: Study) -> dict[tuple[str, str], tuple[str, str]]:
    """(participant, visit) -> status and reason, as the visits sheet says."""
    if study.visits.empty:
        return {}
    kept = study.visits[[c.PARTICIPANT, c.VISIT, "status", "reason"]].fillna("").astype(str)
    return {(row.participant, row.visit): (row.status, row.reason) for row in kept.itertuples()}


def _state(key: tuple[str, str], scored: set, noted: dict) -> tuple[str, str]:
    status, reason = noted.get(key, ("", ""))
    if status in ("missed", "withdrawn") and key not in scored:
        return status, reason
    if status == "attended" or key in scored:
        return "attended", ""
    return "unknown", ""


def participant_flow(scores: pd.DataFrame, study: Study, analysis: Analysis | None = None) -> Flow:
    """The flow in stages. analysis: for who is in the model and in the count against the first threshold."""
    names, arms, protocol = Names(study.protocol), arms_of(study), study.protocol
    visits = names.visits(visit.id for visit in protocol.visits)
    primary = scores[(scores[c.OUTCOME] == protocol.primary) & scores[c.VALUE].notna()]
    visit = protocol.headline_visit(set(primary[c.VISIT].astype(str))) or visits[-1]
    states = _states(scores, study)
    made = []
    for arm in names.arms(arms):
        people = [str(person) for person in arms.index[arms == arm]]
        left = {person: next((at for at in visits if states[person, at][0] == "withdrawn"), None) for person in people}
        withdrew = Counter(states[person, at][1] for person, at in left.items() if at)
        away: dict[str, Counter] = {at: Counter() for at in visits}
        for person in people:
            for at in visits:
                state, why = states[person, at]
                gone = left[person] is not None and visits.index(at) >= visits.index(str(left[person]))
                if state != "attended" and not gone:
                    away[at][why if state == "missed" else "nothing entered"] += 1
        made.append(
            ArmFlow(
                arm,
                len(people),
                {at: sum(states[person, at][0] == "attended" for person in people) for at in visits},
                withdrew,
                away[visit],
                {at: counted for at, counted in away.items() if at != visit and counted},
                *_analysed(people, primary, visit, analysis),
                began=_began(people, study),
            )
        )
    stated = protocol.randomisation
    return Flow(
        tuple(made), visit, protocol.primary, stated.assessed, stated.excluded or None, bool(protocol.randomised)
    )


def _states(scores: pd.DataFrame, study: Study) -> dict[tuple[str, str], tuple[str, str]]:
    """(participant, visit) -> attended, missed, withdrawn or unknown, with the reason."""
    scored = scores[scores[c.VALUE].notna()]
    there = set(zip(scored[c.PARTICIPANT].astype(str), scored[c.VISIT].astype(str), strict=True))
    noted = _noted(study)
    people = [str(person) for person in study.participants[c.PARTICIPANT]]
    return {(person, visit.id): _state((person, visit.id), there, noted)
            for person in people for visit in study.protocol.visits}  # fmt: skip


def _began(people: list[str], study: Study) -> int | None:
    """People with a training log; None where there is none, or no one knows whose while the study is blinded."""
    if study.masked or study.sessions.empty:
        return None
    logged = set(study.sessions[c.PARTICIPANT].astype(str))
    return sum(person in logged for person in people) or None


def _analysed(
    people: list[str], primary: pd.DataFrame, visit: str, analysis: Analysis | None
) -> tuple[dict[str, int], dict[str, int]]:
    """What of the analysis -> people of the arm in it, and why the others are not in the count."""
    label = "" if analysis is None else Names(analysis.study.protocol).visit(visit)
    at = primary[(primary[c.VISIT].astype(str) == visit) & primary[c.HAND].isin(["affected", ""])]
    scored = set(at[c.PARTICIPANT].astype(str)) & set(people)
    if analysis is None:
        return {"scored": len(scored)}, {}
    counts: dict[str, int] = {}
    try:
        fit = analysis.main_fit(analysis.study.protocol.primary)
        used = set(fit.rows["participant"].astype(str)) & set(people)
        counts["In the mixed model"] = len(used)
    except FitError:
        pass
    counts[f"scored at {label}"] = len(scored)
    counted, why = _counted(people, visit, analysis, label)
    return counts | counted, why


def _counted(people: list[str], visit: str, analysis: Analysis, label: str) -> tuple[dict[str, int], dict[str, int]]:
    protocol = analysis.study.protocol
    first = next(iter(protocol.chosen_thresholds(protocol.primary)), None)
    if first is None or protocol.periods:
        return {}, {}
    try:
        changes = analysis.changes(protocol.primary, visit)
        found = count_responders(
            changes, [first], select=Selection(protocol.primary), participants=analysis.study.participants
        )
    except FitError:
        return {}, {}
    own = changes[changes[c.PARTICIPANT].astype(str).isin(people)]
    words = {"baseline": "no baseline score", "later visit": f"no score at {label}", "both": "neither score"}
    why = Counter(words[missing] for missing in own["missing"] if missing)
    rule = found.counts[0]
    return {f"counted against {rule.value:g} {rule.unit}": int((own["missing"] == "").sum())}, dict(why)
