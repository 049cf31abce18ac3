"""Counts behind progression criteria, from the tables of a study."""

from collections.abc import Callable, Iterable, Mapping

import pandas as pd

import outcomes
from outcomes import columns as c
from outcomes.study import Study
from stats.errors import FitError, PlanError
from stats.selection import Selection, rows

Counted = tuple[int, float, tuple[str, ...]]


def count_criteria(
    study: Study, criteria: Iterable[Mapping[str, object]], scores: pd.DataFrame | None
) -> tuple[dict[str, tuple[int, float]], tuple[str, ...]]:
    """Count and denominator of each criterion the tables can answer, with notes on what was counted."""
    counts, notes = {}, []
    for criterion in criteria:
        counter = COUNTERS.get(str(criterion["measure"]))
        if counter is None:
            continue
        count, of, remarks = counter(study, criterion, scores)
        counts[str(criterion["id"])] = (count, of)
        notes += [f"{criterion['id']}: {remark}" for remark in remarks]
    return counts, tuple(notes)


def number_of(criterion: Mapping[str, object], key: str) -> float:
    """A number of a criterion. Raises PlanError where study.toml holds something else."""
    value = criterion[key]
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise PlanError(
            f"Criterion {criterion['id']}, {key}: found {value!r}, allowed is a number, e.g. 0.8. Correct study.toml."
        )
    return float(value)


def _recruitment(study: Study, criterion: Mapping[str, object], scores: pd.DataFrame | None) -> Counted:
    key = next((key for key in ("target", "approached") if key in criterion), None)
    if key is None:
        raise PlanError(f"Criterion {criterion['id']}: recruitment needs `target` or `approached` in study.toml.")
    against = "the planned number" if key == "target" else "people asked"
    return len(study.participants), number_of(criterion, key), (f"participants enrolled against {against}",)


def _retention(study: Study, criterion: Mapping[str, object], scores: pd.DataFrame | None) -> Counted:
    visit = str(criterion.get("visit", max(study.protocol.visits, key=lambda planned: planned.day).id))
    outcome = str(criterion.get("outcome", study.protocol.primary))
    seen = _valued(study, scores, outcome)
    present = seen.loc[seen[c.VISIT] == visit, c.PARTICIPANT].nunique()
    return present, len(study.participants), (f"participants with a value of {outcome} at {visit}, of all enrolled",)


def _completeness(study: Study, criterion: Mapping[str, object], scores: pd.DataFrame | None) -> Counted:
    outcome = str(criterion.get("outcome", study.protocol.primary))
    visits = [planned.id for planned in study.protocol.visits]
    seen = _valued(study, scores, outcome)
    seen = seen[seen["complete"].astype(bool) & seen[c.VISIT].isin(visits)]
    present = len(seen.drop_duplicates([c.PARTICIPANT, c.VISIT]))
    of = len(study.participants) * len(visits)
    return present, of, (f"complete scores of {outcome}, of all participants x planned visits",)


def _adherence(study: Study, criterion: Mapping[str, object], scores: pd.DataFrame | None) -> Counted:
    if "at_least" not in criterion:
        raise PlanError(
            f"Criterion {criterion['id']}: adherence needs `at_least`, the share of the prescribed minutes from which "
            "a participant counts as adherent."
        )
    people = _people(study, criterion)
    sums = study.sessions.groupby(c.PARTICIPANT)[["minutes_performed", "minutes_prescribed"]].sum(min_count=1)
    share = (sums["minutes_performed"] / sums["minutes_prescribed"]).reindex(people)
    adherent = int((share >= number_of(criterion, "at_least")).sum())
    without = int(share.isna().sum())
    remarks = [f"participants with performed / prescribed minutes of at least {criterion['at_least']}"]
    if without:
        remarks.append(f"{without} participants without session minutes count as not adherent")
    return adherent, len(people), tuple(remarks)


def _safety(study: Study, criterion: Mapping[str, object], scores: pd.DataFrame | None) -> Counted:
    people = _people(study, criterion)
    events = study.adverse_events
    kinds = []
    if criterion.get("serious"):
        events = events[events["serious"] == "yes"]
        kinds.append("serious")
    if "related" in criterion:
        given = criterion["related"]
        grades = [str(grade) for grade in given] if isinstance(given, list | tuple) else [str(given)]
        events = events[events["related"].isin(grades)]
        kinds.append(f"related ({', '.join(grades)})")
    hit = events.loc[events[c.PARTICIPANT].isin(people), c.PARTICIPANT].nunique()
    return int(hit), len(people), (f"participants with at least one {' and '.join(kinds)} event".replace("  ", " "),)


def _people(study: Study, criterion: Mapping[str, object]) -> pd.Index:
    people = study.participants
    if "arm" in criterion:
        people = people[people[c.ARM] == criterion["arm"]]
        if people.empty:
            raise PlanError(f"Criterion {criterion['id']}: no participant in arm {criterion['arm']!r}.")
    return pd.Index(people[c.PARTICIPANT])


def _valued(study: Study, scores: pd.DataFrame | None, outcome: str) -> pd.DataFrame:
    """Rows of the outcome with a value: affected hand or no side, without a device."""
    scores = outcomes.score(study) if scores is None else scores
    if not (scores[c.OUTCOME] == outcome).any():
        raise PlanError(f"No score of {outcome} in this study: name an outcome that was measured.")
    try:
        chosen = rows(scores, Selection(outcome), once=False)
    except FitError as refused:
        raise PlanError(str(refused)) from None
    return chosen[chosen[c.VALUE].notna()]


COUNTERS: Mapping[str, Callable[[Study, Mapping[str, object], pd.DataFrame | None], Counted]] = {
    "recruitment": _recruitment,
    "retention": _retention,
    "adherence": _adherence,
    "completeness": _completeness,
    "safety": _safety,
}
