"""How many people passed the sizes of change the plan names, by group, with the difference and the missing."""

from dataclasses import dataclass

from notebooks.analysis import Analysis
from notebooks.first_page.main_result import Group, MainResult, Span
from notebooks.show.names import source_words
from outcomes.onset import with_onset_days
from stats.errors import FitError
from stats.proportions.one_proportion import proportion_interval
from stats.proportions.two_proportions import risk_difference
from stats.responders.count import count_responders
from stats.responders.crossover_counts import count_in_periods
from stats.responders.responder_counts import ArmCount
from stats.selection import Selection

MARKS = 60  # people of a group drawn one by one


@dataclass(frozen=True)
class Share:
    """People of one group who passed, of those with both values; the missing beside them. Spans in percent."""

    group: Group
    passed: int
    observed: int
    missing: int
    span: Span | None


@dataclass(frozen=True)
class ShareDifference:
    """Percentage points more than in the reference; `enrolled` counts the missing as not passed."""

    group: Group
    reference: Group
    span: Span
    enrolled: Span | None


@dataclass(frozen=True)
class Passed:
    """The count at one size of change. rule: ">= 4.25" or "> 6.6"; kind: "MCID"; source: "Page 2012"."""

    value: float
    unit: str
    rule: str
    kind: str
    source: str
    shares: tuple[Share, ...]
    differences: tuple[ShareDifference, ...]

    @property
    def crowded(self) -> bool:
        """More people than marks can be told apart: a bar stands for them."""
        return max((one.observed + one.missing for one in self.shares), default=0) > MARKS


def people_passed(analysis: Analysis, result: MainResult) -> tuple[tuple[Passed, ...], str]:
    """A count for every size of change the plan names, important ones first; else a reason."""
    study = analysis.study
    keys = list(study.protocol.chosen_thresholds(result.outcome))
    if not keys:
        return (), "The plan names no size of change that counts as important."
    if result.kind == "within":
        return _inside_people(analysis, result, keys)
    try:
        counted = count_responders(
            analysis.changes(result.outcome, result.visit), keys, select=Selection(result.outcome),
            participants=with_onset_days(study),
        )  # fmt: skip
    except FitError as refused:
        return (), str(refused)
    groups = {one.id: one for one in result.groups}
    made = []
    for label in dict.fromkeys(count.threshold for count in counted.counts):
        own = [count for count in counted.counts if count.threshold == label]
        own = [_together(own)] if result.kind == "pooled" else [count for count in own if count.arm in groups]
        if own:
            made.append(_passed(own, groups, study.protocol.reference_arm or "", study.protocol.level))
    made.sort(key=lambda one: not one.kind.startswith("MCID"))
    return tuple(made), ""


def _inside_people(analysis: Analysis, result: MainResult, keys: list) -> tuple[tuple[Passed, ...], str]:
    """A crossover: who passed inside a period under each treatment, compared in the same people."""
    study = analysis.study
    try:
        counted = count_in_periods(
            analysis.after_events.counts,
            keys,
            design=study.protocol,
            outcome=result.outcome,
            participants=with_onset_days(study),
        )
    except FitError as refused:
        return (), str(refused)
    groups, level, made = {one.id: one for one in result.groups}, study.protocol.level, []
    for label in dict.fromkeys(count.threshold for count in counted.by_treatment.counts):
        own = {count.arm: count for count in counted.by_treatment.counts if count.threshold == label}
        shares = tuple(_share(own[name], group, level) for name, group in groups.items() if name in own)
        differences = []
        for pair in counted.pairs:
            if pair.threshold == label and pair.difference is not None:
                low, high = pair.difference.limits(level)
                span = Span(100 * pair.difference.estimate, 100 * low, 100 * high)
                differences.append(ShareDifference(groups[pair.treatment], groups[pair.reference], span, None))
        first = next(iter(own.values()))
        kind = first.quantity.partition(" ")[0] if first.quantity.startswith(("MCID", "MDC")) else first.quantity
        cited = source_words(first.source, first.citation)
        made.append(Passed(first.value, first.unit, first.rule, kind, cited, shares, tuple(differences)))
    return tuple(sorted(made, key=lambda one: not one.kind.startswith("MCID"))), ""


def _together(counts: list[ArmCount]) -> ArmCount:
    """All arms as one."""
    sums = {
        name: sum(getattr(one, name) for one in counts)
        for name in ("improved", "unchanged", "worsened", "cannot_reach", "missing", "limited")
    }
    first = counts[0]
    return ArmCount("", first.threshold, first.value, first.unit, first.quantity, first.rule, first.source,
                    first.citation, **sums)  # fmt: skip


def _passed(counts: list[ArmCount], groups: dict[str, Group], reference: str, level: float) -> Passed:
    first = counts[0]
    by_arm = {count.arm: count for count in counts}
    shares = [_share(by_arm[arm], groups[arm], level) for arm in groups if arm in by_arm]
    differences = []
    other = by_arm.get(reference)
    for arm in groups if other is not None else ():
        one = by_arm.get(arm)
        if one is None or other is None or arm == reference or not min(one.observed, other.observed):
            continue
        differences.append(
            ShareDifference(
                groups[arm], groups[reference],
                _points(one.improved, one.observed, other.improved, other.observed, level),
                _points(one.improved, one.enrolled, other.improved, other.enrolled, level)
                if one.missing or other.missing else None,
            )
        )  # fmt: skip
    kind = first.quantity.partition(" ")[0] if first.quantity.startswith(("MCID", "MDC")) else first.quantity
    return Passed(first.value, first.unit, first.rule, kind, source_words(first.source, first.citation), tuple(shares),
                  tuple(differences))  # fmt: skip


def _share(count: ArmCount, group: Group, level: float) -> Share:
    span = None
    if count.observed:
        made = proportion_interval(count.improved, count.observed, method="wilson", level=level)
        span = Span(100 * made.estimate, 100 * made.conf_low, 100 * made.conf_high)
    return Share(group, count.improved, count.observed, count.missing, span)


def _points(x1: int, n1: int, x2: int, n2: int, level: float) -> Span:
    made = risk_difference(x1, n1, x2, n2)
    low, high = made.limits(level)
    return Span(100 * made.estimate, 100 * low, 100 * high)
