"""One look inside the next trial: its size put right by the spread seen so far, or a stop where nothing shows.

Re-estimation is blinded: the SD of all values together, arms unknown, less what the planned difference adds to it. The
final test is left as it is; its error rate stays close to nominal (Kieser & Friede 2003, Stat Med 22:3571-3581, from
memory; `size_again` reports what simulation finds). The stop is non-binding, so it cannot raise the error rate.
"""

from dataclasses import dataclass
from math import ceil, sqrt

import numpy as np
import pandas as pd
from scipy.stats import multivariate_normal, nct, norm, t

from stats.errors import PlanError
from stats.planning.plan import Plan
from stats.result import Result


@dataclass(frozen=True)
class SizeAgain(Result):
    """What a look at the spread does, by the true SD: sizes it ends with, power and error rate, by simulation."""

    table: pd.DataFrame
    first: int
    unit: str
    n_participants: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """A row each true SD: sd, n_mean, n_low, n_high (per arm, 10th and 90th percent), power, power_fixed, error."""
        return self.table

    def sentence(self, level: float = 0.95) -> str:
        """The range of sizes and powers over the SDs looked at."""
        rows = self.table
        return (
            f"With a blinded look at the spread after {self.first} per arm, the trial ends with "
            f"{rows['n_mean'].min():.0f} to {rows['n_mean'].max():.0f} per arm on average over true SDs of "
            f"{rows['sd'].min():.3g} to {rows['sd'].max():.3g} {self.unit}, with power {rows['power'].min():.0%} to "
            f"{rows['power'].max():.0%} (without it {rows['power_fixed'].min():.0%} to {rows['power_fixed'].max():.0%}"
            f") and a one-sided error rate of at most {rows['error'].max():.1%}."
        )


def size_again(
    plan: Plan, sds: tuple[float, ...], *, rng: np.random.Generator, first: float = 0.5, most: float = 2.0,
    trials: int = 4000,
) -> SizeAgain:  # fmt: skip
    """Blinded re-estimation of the size in the middle of a trial of two means, over true SDs.

    plan: two equal arms, superiority; sds: a true SD each of what is analysed, in its unit (for an analysis of
    covariance the spread left at equal baselines). first: share of the planned size at which the spread is looked at.
    most: cap, times the planned size; never below it. Simulated with normal data, t tests.
    Raises PlanError for another plan, a share outside 0 to 1 or a cap below 1. Source: Kieser & Friede 2003 (Stat Med
    22:3571-3581), from memory.
    """
    difference, target = plan.inputs["difference"].value, plan.terms.power
    if target is None or plan.terms.margin is not None or plan.n_arms[0] != plan.n_arms[1]:
        raise PlanError("A look at the spread needs a plan for power, superiority, equal arms.")
    if not (0 < first < 1 and most >= 1):
        raise PlanError(f"first {first}, most {most}: allowed a share between 0 and 1, a cap of 1 or more.")
    alpha = plan.terms.alpha / plan.terms.sides
    n0 = plan.n_per_arm
    n1 = max(4, ceil(first * n0))
    quantiles = (norm.isf(alpha) + norm.ppf(target)) ** 2
    rows = []
    for sd in sds:
        made = {}
        for name, true in (("power", difference), ("error", 0.0)):
            x, y = (rng.normal(shift, sd, (trials, n1)) for shift in (0.0, true))
            both = np.concatenate([x, y], axis=1)
            seen = np.maximum(both.var(axis=1, ddof=1) - n1 / (2 * n1 - 1) * difference**2 / 2, (0.1 * sd) ** 2)
            wanted = np.ceil(2 * quantiles * seen / difference**2 + norm.isf(alpha) ** 2 / 4)
            n = np.clip(wanted, max(n0, n1), ceil(most * n0)).astype(int)
            made[name], sizes = _rejected(x, y, n, true, sd, alpha, rng), n
        fixed = _power_fixed(difference, sd, n0, alpha)
        low, high = np.quantile(sizes, [0.1, 0.9])
        rows.append({"sd": sd, "n_mean": float(sizes.mean()), "n_low": float(low), "n_high": float(high),
                     "power": made["power"], "power_fixed": fixed, "error": made["error"]})  # fmt: skip
    notes = (f"{trials} simulated trials a row; the size is never below {n0} per arm, at most {ceil(most * n0)}.",)
    return SizeAgain(pd.DataFrame(rows), n1, plan.unit, plan.n_total, notes)


def _rejected(x, y, n: np.ndarray, true: float, sd: float, alpha: float, rng: np.random.Generator) -> float:
    """Share of trials whose t test rejects in the intended direction; the later people are drawn as their sums."""
    later = n - x.shape[1]
    sums = []
    for part, shift in ((x, 0.0), (y, true)):
        mean_later = np.where(later > 0, shift + sd * rng.normal(size=len(n)) / np.sqrt(np.maximum(later, 1)), 0.0)
        squares_later = sd**2 * np.where(later > 1, rng.chisquare(np.maximum(later - 1, 1)), 0.0)
        mean = (part.sum(axis=1) + later * mean_later) / n
        within = ((part - part.mean(axis=1)[:, None]) ** 2).sum(axis=1) + squares_later
        between = x.shape[1] * later / n * (part.mean(axis=1) - mean_later) ** 2
        sums.append((mean, within + np.where(later > 0, between, 0.0)))
    (m1, s1), (m2, s2) = sums
    pooled = (s1 + s2) / (2 * n - 2)
    return float(((m2 - m1) / np.sqrt(2 * pooled / n) > t.isf(alpha, 2 * n - 2)).mean())


def _power_fixed(difference: float, sd: float, n: int, alpha: float) -> float:
    return float(nct.sf(t.isf(alpha, 2 * n - 2), 2 * n - 2, difference / sd * sqrt(n / 2)))


@dataclass(frozen=True)
class TwoStage(Result):
    """A stop for futility at one look: power kept, people saved where there is no effect."""

    share: float
    limit: float
    power: float
    power_without: float
    error: float
    stops_without_effect: float
    stops_with_effect: float
    n_total: int
    n_expected_without_effect: float
    unit: str = "probability"
    n_participants: int = 0
    notes: tuple[str, ...] = ()

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """One row with every number."""
        names = ("share", "limit", "power", "power_without", "error", "stops_without_effect", "stops_with_effect",
                 "n_total", "n_expected_without_effect")  # fmt: skip
        return pd.DataFrame([{name: getattr(self, name) for name in names}])

    def sentence(self, level: float = 0.95) -> str:
        """What the stop costs and saves."""
        return (
            f"Stopping after {self.share:.0%} of the people where z is below {self.limit:.2f} "
            f"stops {self.stops_without_effect:.0%} of trials of a therapy without effect (expected total "
            f"{self.n_expected_without_effect:.0f} instead of {self.n_total}) and {self.stops_with_effect:.0%} of "
            f"trials with the effect planned for; power {self.power:.1%} instead of {self.power_without:.1%}. It is "
            "non-binding: ignoring it does not raise the error rate."
        )


def two_stage(plan: Plan, *, share: float = 0.5, limit: float = 0.0) -> TwoStage:
    """A futility stop in a trial of two arms: at `share` of the people it stops where z is below `limit`.

    The two z statistics are normal with correlation sqrt(share); power and error follow from the bivariate normal law.
    Raises PlanError for a share outside 0 to 1, or a plan that is not for superiority. Source: the joint normal law of
    z at two looks, common practice.
    """
    if not 0 < share < 1 or plan.terms.margin is not None:
        raise PlanError(f"Share {share}: allowed between 0 and 1, and a plan for superiority.")
    tail = plan.terms.alpha / plan.terms.sides
    critical = norm.isf(tail)
    drift = critical + norm.ppf(plan.power)
    law = multivariate_normal(cov=[[1, sqrt(share)], [sqrt(share), 1]])

    def both(mean: float) -> float:  # go on, and reject at the end
        return float(law.cdf([mean * sqrt(share) - limit, mean - critical]))

    none, seen = (float(norm.cdf(limit - mean * sqrt(share))) for mean in (0.0, drift))
    total = plan.n_total
    return TwoStage(
        share=share, limit=limit, power=both(drift), power_without=plan.power, error=both(0.0),
        stops_without_effect=none, stops_with_effect=seen, n_total=total,
        n_expected_without_effect=total * (1 - none * (1 - share)), n_participants=total,
    )  # fmt: skip
