"""What the first page says of the primary outcome: changes by group and visit, and the difference between groups.

Improvements throughout: the sign is turned where lower is better, so that more is better everywhere on the page.
"""

from dataclasses import dataclass, replace

import pandas as pd

from notebooks.analysis import Analysis
from notebooks.show.names import Names
from outcomes import columns as c
from stats.change.change_fit import ChangeFit, fit_change
from stats.change.crossover import CrossoverFit
from stats.change.person_changes import better_sign
from stats.choices.choice_grid import usable_df
from stats.errors import FitError
from stats.mixed.inference.fit_estimates import Estimates


@dataclass(frozen=True)
class Span:
    """An estimate with its interval; the ends are None where people are too few for one."""

    estimate: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Group:
    """An arm, a treatment of a crossover, or everybody. place: of its colour and shape."""

    id: str
    label: str
    place: int
    enrolled: int


@dataclass(frozen=True)
class Change:
    """The mean improvement of a group from baseline to a visit, with the people scored there."""

    group: Group
    visit: str
    span: Span
    n: int


@dataclass(frozen=True)
class Difference:
    """The improvement of one group less that of the reference."""

    group: Group
    reference: Group
    visit: str
    span: Span


@dataclass(frozen=True)
class MainResult:
    """The primary outcome in numbers. kind: "between", "single", "within" (a crossover) or "pooled" (blinded).

    entered: people with a baseline, by group. n: people in the model.
    """

    kind: str
    outcome: str
    unit: str
    decimals: int
    better: str
    visit: str
    groups: tuple[Group, ...]
    changes: tuple[Change, ...]
    differences: tuple[Difference, ...]
    entered: dict[str, int]
    n: int
    fit: ChangeFit | CrossoverFit

    @property
    def headline(self) -> tuple[Span, ...]:
        """What the answer is made of: the differences at the visit spoken of, else the changes at it."""
        spans = self.differences if self.kind in ("between", "within") else self.changes
        return tuple(one.span for one in spans if one.visit == self.visit)

    def at(self, visit: str) -> tuple[Change, ...]:
        """The changes of the groups at one visit."""
        return tuple(one for one in self.changes if one.visit == visit)

    def compared(self, visit: str) -> tuple[Difference, ...]:
        """The differences at one visit."""
        return tuple(one for one in self.differences if one.visit == visit)


def main_result(analysis: Analysis) -> MainResult:
    """The main result of the primary outcome. Raises FitError where there is none, saying why."""
    protocol = analysis.study.protocol
    if analysis.study.masked:
        return _of_change_fit(analysis, _pooled(analysis), "pooled")
    fit = analysis.main_fit(protocol.primary)
    if isinstance(fit, CrossoverFit):
        return _of_crossover(analysis, fit)
    return _of_change_fit(analysis, fit, "between" if len(fit.arms) > 1 else "single")


def groups_of(analysis: Analysis) -> tuple[Group, ...]:
    """The arms in the order of the figures, the reference last; everybody where there is one arm."""
    protocol, people = analysis.study.protocol, analysis.study.participants.drop_duplicates(c.PARTICIPANT)
    names = Names(protocol)
    if len(protocol.arms) < 2 or c.ARM not in people or analysis.study.masked:
        return (Group("", "Everybody", 0, len(people)),)
    arms = people[c.ARM].fillna("").astype(str)
    return tuple(
        Group(arm, names.arm(arm), place, int((arms == arm).sum())) for place, arm in enumerate(names.arms(arms))
    )


def improvement(estimates: Estimates, better: str, level: float) -> list[tuple[dict, Span]]:
    """Rows of keys with the improvement and its interval."""
    sign, made = better_sign(better), []
    for row in estimates.frame(level).to_dict("records"):
        ends = sorted(sign * row[name] for name in ("conf_low", "conf_high"))
        low, high = ends if ends[0] == ends[0] and ends[1] == ends[1] else (None, None)
        made.append((row, Span(sign * row["estimate"], low, high)))
    return made


def _pooled(analysis: Analysis) -> ChangeFit:
    """The change of everybody together, where nobody may know who is in which arm."""
    protocol = analysis.study.protocol
    alone = replace(protocol, design="single-arm", arms=())
    model = replace(protocol.model, by_arm=False)
    scores = analysis.scores.assign(**{c.ARM: ""})
    people = analysis.study.participants.assign(**{c.ARM: ""})
    return fit_change(scores, protocol.primary, design=alone, model=model, participants=people)


def _of_change_fit(analysis: Analysis, fit: ChangeFit, kind: str) -> MainResult:
    protocol, df = analysis.study.protocol, usable_df(fit.choice)
    groups = {one.id: one for one in groups_of(analysis)}
    everybody = next(iter(groups.values()))
    seen = fit.rows.dropna(subset=["value"]) if "value" in fit.rows else fit.rows
    told = improvement(fit.changes(df=df), fit.better, protocol.level)
    changes = []
    for row, span in told:
        own = seen[seen[c.VISIT].astype(str) == row["visit"]]
        if kind == "between":
            own = own[own[c.ARM].astype(str) == row["arm"]]
        group = groups[str(row["arm"])] if kind == "between" else everybody
        changes.append(Change(group, str(row["visit"]), span, int(own[c.PARTICIPANT].nunique())))
    differences = []
    if kind == "between":
        for row, span in improvement(fit.between(df=df), fit.better, protocol.level):
            differences.append(Difference(groups[row["arm"]], groups[row["reference"]], row["visit"], span))
    measured = list(dict.fromkeys(one.visit for one in (differences or changes)))
    visit = protocol.headline_visit(measured) or measured[-1]
    entry = fit.entry.assign(**{c.ARM: fit.entry[c.ARM].astype(str)})
    entered = {
        one.id: int((entry[c.ARM] == one.id).sum() if kind == "between" else len(entry)) for one in groups.values()
    }
    names = Names(protocol)
    order = names.visits({one.visit for one in changes})
    changes.sort(key=lambda one: (one.group.place, order.index(one.visit)))
    return MainResult(
        kind, fit.outcome, fit.unit, names.decimals(fit.outcome), fit.better, visit, tuple(groups.values()),
        tuple(changes), tuple(differences), entered, fit.n_participants, fit,
    )  # fmt: skip


def _of_crossover(analysis: Analysis, fit: CrossoverFit) -> MainResult:
    """Changes inside a period under each treatment, and their difference inside people."""
    protocol = analysis.study.protocol
    scored = analysis.scores[analysis.scores[c.OUTCOME] == fit.outcome]
    better = str(scored["better"].iloc[0])
    order = [*fit.treatments[1:], fit.treatments[0]]
    n = fit.rows.groupby("treatment", observed=True)[c.PARTICIPANT].nunique()
    groups = {name: Group(name, name, place, int(n.get(name, 0))) for place, name in enumerate(order)}
    changes = [
        Change(groups[row["treatment"]], "", span, groups[row["treatment"]].enrolled)
        for row, span in improvement(fit.changes(), better, protocol.level)
    ]
    differences = [
        Difference(groups[row["treatment"]], groups[row["reference"]], "", span)
        for row, span in improvement(fit.effect(), better, protocol.level)
    ]
    changes.sort(key=lambda one: one.group.place)
    return MainResult(
        "within", fit.outcome, fit.unit, Names(protocol).decimals(fit.outcome), better, "", tuple(groups.values()),
        tuple(changes), tuple(differences), {}, fit.n_participants, fit,
    )  # fmt: skip


def people_change(analysis: Analysis, result: MainResult) -> pd.DataFrame:
    """The improvement of each person to the visit spoken of: participant, group, improvement, missing."""
    if isinstance(result.fit, CrossoverFit):
        sign = better_sign(result.better)
        rows = result.fit.rows
        return pd.DataFrame(
            {"participant": rows[c.PARTICIPANT], "group": rows["treatment"].astype(str),
             "improvement": sign * rows["value"], "missing": ""}
        )  # fmt: skip
    changes = analysis.changes(result.outcome, result.visit)
    group = changes[c.ARM].astype(str) if result.kind == "between" else ""
    return changes.assign(group=group)[[c.PARTICIPANT, "group", "improvement", "missing"]]


def refused(error: FitError) -> str:
    """The reason in words for a page."""
    return str(error)
