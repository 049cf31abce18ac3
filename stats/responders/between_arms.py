"""Responders compared between arms, always beside the difference of the mean changes."""

import warnings
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from math import nan

import pandas as pd
from scipy.stats import ttest_ind

from stats.errors import FitError
from stats.estimates import Estimate, check_level
from stats.proportions.exact_tests import ExactTest, exact_test
from stats.proportions.number_needed import NumberNeeded, from_difference
from stats.proportions.two_proportions import odds_ratio, risk_difference, risk_ratio
from stats.responders.responder_counts import ArmCount, ResponderCounts
from stats.result import Result

UNIFORM_SHIFT = (
    "A shift of everyone by the same amount also moves people across a threshold: a difference in responders does not "
    "show that some people respond and others do not. The mean difference is the primary comparison."
)


@dataclass(frozen=True)
class ArmPair:
    """One arm against the reference at one threshold; None where a group is empty."""

    arm: str
    reference: str
    threshold: str
    x1: int
    n1: int
    x2: int
    n2: int
    difference: Estimate | None
    ratio: Estimate | None
    odds: Estimate | None
    needed: NumberNeeded | None
    test: ExactTest | None
    mean_difference: float
    mean_limits: Callable[[float], tuple[float, float]] = field(repr=False, compare=False)  # Welch's, at a level


@dataclass(frozen=True)
class ArmComparison(Result):
    """Every arm against the reference at every threshold."""

    arm_pairs: tuple[ArmPair, ...]
    outcome: str
    denominator: str
    unit: str
    n_participants: int
    n_rows: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """One row per arm and threshold: mean_difference, counts x1 of n1 against x2 of n2 (of the denominator), then
        the risk difference; ratio_estimate, odds_estimate and needed_estimate; and the p value of the test.

        Limits: mean_conf_low mean_conf_high, conf_low conf_high, ratio_conf_low ratio_conf_high, odds_conf_low
        odds_conf_high, needed_conf_low needed_conf_high.
        needed_through_infinity: the interval of the number needed holds "no difference".
        """
        level = check_level(level)
        rows = []
        for pair in self.arm_pairs:
            low, high = pair.mean_limits(level)
            row: dict[str, object] = {"arm": pair.arm, "reference": pair.reference, "threshold": pair.threshold}
            row |= {"mean_difference": pair.mean_difference, "mean_conf_low": low, "mean_conf_high": high}
            row |= {"x1": pair.x1, "n1": pair.n1, "x2": pair.x2, "n2": pair.n2}
            for name, made in (("", pair.difference), ("ratio_", pair.ratio), ("odds_", pair.odds)):
                ends = made.limits(level) if made else (nan, nan)
                row |= {f"{name}estimate": made.estimate if made else nan}
                row |= {f"{name}conf_low": ends[0], f"{name}conf_high": ends[1]}
            needed = pair.needed.frame(level).iloc[0] if pair.needed else None
            for name in ("estimate", "conf_low", "conf_high"):
                row[f"needed_{name}"] = nan if needed is None else needed[name]
            row["needed_through_infinity"] = needed is not None and bool(needed["through_infinity"])
            row |= {"p_value": pair.test.p_value if pair.test else nan, "test": pair.test.method if pair.test else ""}
            rows.append(row | {"unit": self.unit, "denominator": self.denominator})
        return pd.DataFrame(rows)

    def sentence(self, level: float = 0.95) -> str:
        """Mean difference, then shares and their difference, for each arm and threshold."""
        level = check_level(level)
        parts = []
        for pair in self.arm_pairs:
            low, high = pair.mean_limits(level)
            text = (
                f"{pair.arm} against {pair.reference}: mean difference {pair.mean_difference:.2f} {self.unit} "
                f"({level:.0%} interval {low:.2f} to {high:.2f}); at {pair.threshold} "
            )
            if pair.difference is None:
                parts.append(text + f"{pair.x1}/{pair.n1} against {pair.x2}/{pair.n2}, no comparison")
                continue
            low, high = pair.difference.limits(level)
            parts.append(
                text + f"{pair.x1}/{pair.n1} against {pair.x2}/{pair.n2} improved, risk difference "
                f"{pair.difference.estimate:.0%} ({low:.0%} to {high:.0%}; {pair.difference.method})"
            )
        return f"{'. '.join(parts)}. {UNIFORM_SHIFT}"


def compare_responders(
    counts: ResponderCounts,
    reference: str,
    *,
    denominator: str = "observed",
    method: str = "newcombe",
    test: str = "boschloo",
) -> ArmComparison:
    """Each arm against the reference at each threshold of a responder count.

    denominator: "observed" (people with both values) or "enrolled" (missing people as not improved). method: interval
    of the risk difference. test: as `exact_test`. The mean difference is Welch's, of the observed improvements.
    An arm without people in the denominator keeps its row, without a comparison and with a note.
    Raises FitError for an unknown reference, or when there is no other arm.
    Source: that of the interval (`risk_difference`) and of the test (`exact_test`).
    """
    if denominator not in ("observed", "enrolled"):
        raise FitError(f"Denominator {denominator!r}: allowed 'observed' or 'enrolled'.")
    arms = list(dict.fromkeys(count.arm for count in counts.counts))
    if reference not in arms or len(arms) < 2:
        raise FitError(
            f"Reference arm {reference!r}: found {', '.join(map(repr, arms))}; allowed one of two or more arms."
        )
    notes = [UNIFORM_SHIFT]
    made = []
    base = {count.threshold: count for count in counts.counts if count.arm == reference}
    for count in counts.counts:
        if count.arm == reference:
            continue
        other = base[count.threshold]
        n1, n2 = getattr(count, denominator), getattr(other, denominator)
        if min(n1, n2) == 0:
            notes.append(f"{count.threshold}: {count.arm} {n1} and {reference} {n2} people, nothing to compare.")
        made.append(_pair(counts, count, other, n1, n2, method, test))
    return ArmComparison(
        arm_pairs=tuple(made),
        outcome=counts.outcome,
        denominator=denominator,
        unit=counts.unit,
        n_participants=counts.n_participants,
        n_rows=counts.n_rows,
        notes=tuple(dict.fromkeys([*notes, *counts.notes])),
    )


def _pair(counts: ResponderCounts, one: ArmCount, two: ArmCount, n1: int, n2: int, method: str, test: str) -> ArmPair:
    table = (one.improved, n1, two.improved, n2)
    comparable = min(n1, n2) > 0
    difference = risk_difference(*table, method=method) if comparable else None
    people = counts.people[counts.people["threshold"] == one.threshold]
    means = [people.loc[people["arm"] == arm, "improvement"].dropna() for arm in (one.arm, two.arm)]
    gap = float(means[0].mean() - means[1].mean()) if all(map(len, means)) else nan
    return ArmPair(
        one.arm,
        two.arm,
        one.threshold,
        *table,
        difference=difference,
        ratio=risk_ratio(*table) if comparable else None,
        odds=odds_ratio(*table) if comparable else None,
        needed=from_difference(difference) if difference else None,
        test=exact_test(*table, test=test) if comparable else None,
        mean_difference=gap,
        mean_limits=partial(_welch_limits, *means),
    )


def _welch_limits(first: pd.Series, second: pd.Series, level: float) -> tuple[float, float]:
    """Welch's interval of the difference of two means; NaN where a group has fewer than two."""
    if min(len(first), len(second)) < 2:
        return nan, nan
    if first.nunique() == second.nunique() == 1:
        gap = float(first.iloc[0] - second.iloc[0])
        return gap, gap
    with (
        warnings.catch_warnings()
    ):  # a group of equal changes is told as a loss of precision; its variance is 0 exactly
        warnings.filterwarnings("ignore", "Precision loss occurred", RuntimeWarning)
        interval = ttest_ind(first, second, equal_var=False).confidence_interval(level)
    return float(interval.low), float(interval.high)
