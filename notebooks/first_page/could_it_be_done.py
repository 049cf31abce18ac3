"""Feasibility in a few cells: the criteria set before the data, else what can be counted without any."""

from dataclasses import dataclass

import pandas as pd

from notebooks.analysis import Analysis
from outcomes import columns as c
from stats.errors import FitError, PlanError
from stats.planning.pilot.progression_criteria import Criterion, progression
from stats.proportions.one_proportion import proportion_interval

CELLS = 4


@dataclass(frozen=True)
class Feasible:
    """One count with its share and interval in percent; zones and limits where a criterion was set.

    Without a count: the middle person's share, between those of the middle half.
    """

    label: str
    count: int | None
    of: float | None
    share: float
    low: float
    high: float
    note: str = ""
    zone: str = ""
    go: float | None = None
    stop: float | None = None
    better: str = "higher"


def feasibility(analysis: Analysis) -> tuple[tuple[Feasible, ...], int, str]:
    """The cells, how many more criteria there are, and why a criterion could not be counted."""
    study = analysis.study
    if study.protocol.criteria:
        try:
            found = progression(study, scores=analysis.scores)
        except (PlanError, FitError) as refused:
            return _counted(analysis), 0, str(refused)
        return (
            tuple(_criterion(one, study.protocol.level, found.method) for one in found.criteria[:CELLS]),
            max(0, len(found.criteria) - CELLS),
            "",
        )
    return _counted(analysis), 0, ""


def _criterion(one: Criterion, level: float, method: str) -> Feasible:
    low, high = one.interval(level, method)
    return Feasible(one.label, one.count, one.of, 100 * one.share, 100 * low, 100 * high, "", one.zone(one.share),
                    100 * one.go, 100 * one.stop, one.better)  # fmt: skip


def _counted(analysis: Analysis) -> tuple[Feasible, ...]:
    """Without criteria: people scored at the last visit, minutes done, serious events, scores there are."""
    study, scores, cells = analysis.study, analysis.scores, []
    people = study.participants.drop_duplicates(c.PARTICIPANT)
    own = scores[(scores[c.OUTCOME] == study.protocol.primary) & scores[c.VALUE].notna()]
    if study.protocol.later_visits and len(people):
        last = study.protocol.later_visits[-1].id
        seen = own.loc[own[c.VISIT].astype(str) == last, c.PARTICIPANT].nunique()
        cells.append(_share("Primary outcome at the last visit", seen, len(people), analysis))
    planned = len(people) * len(study.protocol.visits)
    if planned:
        there = len(own.drop_duplicates([c.PARTICIPANT, c.VISIT]))
        cells.append(_share("Primary outcome, of all planned visits", there, planned, analysis))
    if not study.masked and len(study.sessions):
        sums = study.sessions.groupby(c.PARTICIPANT)[["minutes_performed", "minutes_prescribed"]].sum(min_count=1)
        done = pd.to_numeric(sums["minutes_performed"] / sums["minutes_prescribed"], errors="coerce").dropna()
        if len(done):
            low, middle, high = (100 * float(done.quantile(share)) for share in (0.25, 0.5, 0.75))
            cells.append(Feasible("Minutes done, of those prescribed", None, None, middle, low, high))
    if not study.masked and len(study.adverse_events):
        serious = study.adverse_events[study.adverse_events["serious"].eq("yes")][c.PARTICIPANT].nunique()
        cells.append(_share("People with a serious event", serious, len(people), analysis))
    return tuple(cells)


def _share(label: str, count: int, of: int, analysis: Analysis) -> Feasible:
    made = proportion_interval(count, of, method="wilson", level=analysis.study.protocol.level)
    return Feasible(label, count, of, 100 * made.estimate, 100 * made.conf_low, 100 * made.conf_high)
