"""Limits of agreement of two methods, raters or occasions, with exact intervals; replicates; repeatability."""

from dataclasses import dataclass
from math import sqrt

import numpy as np
import pandas as pd
from scipy.stats import nct, norm, t

from stats.errors import FitError
from stats.estimates import NAN, check_level
from stats.result import Result
from stats.summaries import Values, pairs

METHODS = {
    "exact": "exact, noncentral t",
    "approximate": "approximate, variance s²(1/n + z²/(2(n-1)))",
    "approximate-1986": "approximate, variance 3s²/n",
}


@dataclass(frozen=True)
class LimitsOfAgreement(Result):
    """Mean difference and the limits that hold a stated share of differences between two measurements.

    effective_n: the n on which the limits rest. It is NaN with replicates, where no exact interval of a limit exists.
    """

    mean: float
    sd: float
    n: float
    multiplier: float
    method: str
    unit: str
    n_participants: int
    n_rows: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """Three rows (mean difference, lower limit, upper limit) with estimate, std_error, conf_low, conf_high, sd,
        method.
        """
        level = check_level(level)
        lower, upper = self.mean - self.multiplier * self.sd, self.mean + self.multiplier * self.sd
        quantile = float(t.ppf((1 + level) / 2, self.n - 1))
        of_mean = self.sd / sqrt(self.n)
        of_limit = self._limit_error()
        below, above = self._around(level, quantile, of_limit)
        rows = (
            ("mean difference", self.mean, of_mean, self.mean - quantile * of_mean, self.mean + quantile * of_mean),
            ("lower limit", lower, of_limit, self.mean - above, self.mean - below),
            ("upper limit", upper, of_limit, self.mean + below, self.mean + above),
        )
        columns = ["term", "estimate", "std_error", "conf_low", "conf_high"]
        return pd.DataFrame(rows, columns=columns).assign(sd=self.sd, unit=self.unit, method=METHODS[self.method])

    def _limit_error(self) -> float:
        if self.method == "approximate-1986":
            return self.sd * sqrt(3 / self.n)
        return self.sd * sqrt(1 / self.n + self.multiplier**2 / (2 * (self.n - 1)))

    def _around(self, level: float, quantile: float, error: float) -> tuple[float, float]:
        """How far from the mean the inner and outer end of a limit's interval lie."""
        if self.method != "exact":
            return self.multiplier * self.sd - quantile * error, self.multiplier * self.sd + quantile * error
        ncp, root = self.multiplier * sqrt(self.n), self.sd / sqrt(self.n)
        inner, outer = (root * float(nct.ppf(tail, self.n - 1, ncp)) for tail in ((1 - level) / 2, (1 + level) / 2))
        return inner, outer

    def sentence(self, level: float = 0.95) -> str:
        """Mean difference and limits with their intervals."""
        level = check_level(level)
        unit = f" {self.unit}" if self.unit else ""
        parts = [f"{r.term} {r.estimate:.2f}{unit} ({r.conf_low:.2f} to {r.conf_high:.2f})"
                 for r in self.frame(level).itertuples()]  # fmt: skip
        return f"{', '.join(parts)}; {level:.0%} intervals, {METHODS[self.method]}; n = {self.n_participants}."


def limits_of_agreement(
    a: Values,
    b: Values,
    *,
    share: float = 0.95,
    multiplier: float | None = None,
    method: str = "exact",
    unit: str = "",
) -> LimitsOfAgreement:
    """Limits of a - b for one pair of measurements per person.

    a, b: a number a person each, in the same order and `unit`. share: of differences between the limits (0.95: mean ±
    1.96 SD); multiplier: another factor, e.g. 2 as in 1986. method: interval of each limit, "exact" (noncentral t),
    "approximate", "approximate-1986".
    Raises FitError for fewer than 3 pairs. A trend of the difference with the size is not looked for here: plot it.
    Source: Bland & Altman 1986 (Lancet i:307-310), 1999 (Stat Methods Med Res 8:135-160); Carkeet 2015.

    >>> limits_of_agreement([10, 12, 15, 18, 20], [11, 12, 14, 19, 21]).frame()["estimate"].round(2).tolist()
    [-0.4, -2.15, 1.35]
    """
    if method not in METHODS:
        raise FitError(f"Method {method!r}: allowed {', '.join(METHODS)}.")
    x, y = pairs(a, b)
    if len(x) < 3:
        raise FitError(f"{len(x)} complete pair(s), allowed 3 or more.")
    difference = x - y
    lost = len(np.asarray(a)) - len(x)
    factor = multiplier if multiplier is not None else float(norm.ppf((1 + check_level(share)) / 2))
    notes = (f"{lost} incomplete pair(s) left out.",) if lost else ()
    return LimitsOfAgreement(float(difference.mean()), float(difference.std(ddof=1)), len(x), factor, method,
                             unit, len(x), len(x), notes)  # fmt: skip


@dataclass(frozen=True)
class ReplicateAgreement(Result):
    """Limits of agreement from several measurements per person; the parts of the variance are kept."""

    mean: float
    variance: float
    variance_of_means: float
    within1: float
    within2: float
    multiplier: float
    unit: str
    n_participants: int
    n_rows: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """One row: mean, sd, limits, and the variance parts. There is no agreed interval of these limits."""
        sd = sqrt(self.variance)
        row = {"mean": self.mean, "sd": sd, "lower": self.mean - self.multiplier * sd}
        row |= {"upper": self.mean + self.multiplier * sd, "variance": self.variance}
        row |= {"variance_of_means": self.variance_of_means, "within1": self.within1, "within2": self.within2}
        return pd.DataFrame([row])

    def sentence(self, level: float = 0.95) -> str:
        """Mean difference, limits and n."""
        r = self.frame().iloc[0]
        limits = f"limits {r['lower']:.2f} to {r['upper']:.2f}"
        counted = f"{self.n_participants} people, {self.n_rows} values"
        return f"Mean difference {r['mean']:.2f}, {limits} {self.unit}; {counted}."


def replicate_agreement(
    frame: pd.DataFrame,
    *,
    target: str,
    method: str,
    value: str,
    replicate: str | None = None,
    share: float = 0.95,
    unit: str = "",
) -> ReplicateAgreement:
    """Limits of agreement for single measurements, from several per person by each of two methods.

    frame: one row a measurement. target, method, value: columns of the person, the method and the number. share: of
    differences that the limits hold. Without `replicate` the true value is taken as constant in a person and the
    replicates are not paired: var = var(difference of means) + (1 - mean(1/m1)) s1² + (1 - mean(1/m2)) s2². With
    `replicate` (the occasion) the measurements are paired and the true value may vary: one-way analysis of variance of
    the differences. The difference is first method minus second, in alphabetical order. Source: Bland & Altman 1999,
    section 5. Limits are in `unit`. Raises FitError for other than two methods, fewer than three people, no repeats, or
    a share outside 0 to 1.
    """
    names = sorted(frame[method].unique())
    if len(names) != 2:
        raise FitError(f"Methods {', '.join(map(str, names))}: allowed exactly two.")
    data = frame.dropna(subset=[value])
    factor = float(norm.ppf((1 + check_level(share)) / 2))
    if replicate is not None:
        return _paired_replicates(data, target, method, value, replicate, names, factor, unit)
    means, inverse, within = {}, {}, {}
    for name in names:
        own = data[data[method] == name].groupby(target)[value]
        means[name], inverse[name] = own.mean(), 1 / own.count()
        df = float((own.count() - 1).sum())
        within[name] = float(((own.count() - 1) * own.var(ddof=1).fillna(0)).sum() / df) if df > 0 else NAN
    difference = (means[names[0]] - means[names[1]]).dropna()
    if len(difference) < 3 or NAN in within.values() or any(np.isnan(list(within.values()))):
        raise FitError("Replicates: needs 3 or more people measured by both methods, and repeats by each method.")
    both = difference.index
    shrink = [1 - float(inverse[name].loc[both].mean()) for name in names]
    of_means = float(difference.var(ddof=1))
    variance = of_means + shrink[0] * within[names[0]] + shrink[1] * within[names[1]]
    note = f"{names[0]} - {names[1]}; true value taken as constant in a person."
    return ReplicateAgreement(float(difference.mean()), variance, of_means, within[names[0]], within[names[1]],
                              factor, unit, len(both), len(data), (note,))  # fmt: skip


def _paired_replicates(data, target, method, value, replicate, names, factor, unit) -> ReplicateAgreement:
    table = data.pivot(index=[target, replicate], columns=method, values=value).dropna()
    difference = table[names[0]] - table[names[1]]
    groups = difference.groupby(level=0)
    sizes, people, total = groups.count(), groups.ngroups, len(difference)
    if people < 3 or total <= people:
        raise FitError(f"{people} people with {total} pairs: allowed 3 or more people and repeats in some of them.")
    within = float(((difference - groups.transform("mean")) ** 2).sum() / (total - people))
    between = float((sizes * (groups.mean() - difference.mean()) ** 2).sum() / (people - 1))
    m0 = (total**2 - float((sizes**2).sum())) / ((people - 1) * total)
    of_people = max(0.0, (between - within) / m0)
    note = f"{names[0]} - {names[1]}; pairs, the true value may vary in a person."
    return ReplicateAgreement(float(difference.mean()), of_people + within, of_people, within, NAN, factor, unit,
                              people, total, (note,))  # fmt: skip


def repeatability(a: Values, b: Values, *, multiplier: float = 1.96) -> pd.DataFrame:
    """Coefficient of repeatability of one method measured twice: multiplier × root mean square of the differences.

    Columns sd (of differences about zero), coefficient, within_sd, n. Source: Bland & Altman 1986; BS 5497 (1979).
    a, b: a number a person each, in the same order and unit, which is that of sd and coefficient. Raises FitError for
    fewer than two complete pairs or unequal lengths.
    """
    x, y = pairs(a, b)
    if len(x) < 2:
        raise FitError(f"{len(x)} complete pair(s), allowed 2 or more.")
    sd = float(np.sqrt(((x - y) ** 2).mean()))
    return pd.DataFrame([{"sd": sd, "coefficient": multiplier * sd, "within_sd": sd / sqrt(2), "n": len(x)}])
