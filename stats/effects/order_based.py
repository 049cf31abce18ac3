"""Effect sizes from order: probability of superiority and rank-biserial correlation."""

from functools import partial
from math import nan, sqrt

import numpy as np
from scipy.stats import norm, rankdata, t

from stats.effects.standardised import Pieces, no_limits, scaled_limits
from stats.errors import FitError
from stats.summaries import Paired, TwoGroups, Values, finite, pairs

Limits = tuple[float, float]


def dominance(x: Values, y: Values) -> Pieces:
    """Rank-biserial correlation of two groups = Cliff's delta = P(x > y) - P(x < y).

    Cliff's consistent variance and his asymmetric interval on t with n1 + n2 - 2 df; where every x is above (or below)
    every y the variance is 0 and the limit of Feng & Cliff 2004 is used. Source: Cliff 1993 (Psychol Bull 114:494-509),
    1996 (Ordinal Methods); Feng & Cliff 2004 (J Mod Appl Stat Methods 3:322-332).
    """
    first, second = finite(x), finite(y)
    n1, n2 = len(first), len(second)
    if min(n1, n2) < 2:
        raise FitError(f"Groups of {n1} and {n2} values: allowed 2 or more each.")
    signs = np.sign(first[:, None] - second[None, :])
    delta = float(signs.mean())
    rows, columns = signs.mean(axis=1), signs.mean(axis=0)
    sums = n2**2 * ((rows - delta) ** 2).sum() + n1**2 * ((columns - delta) ** 2).sum() - ((signs - delta) ** 2).sum()
    variance = max(sums / (n1 * n2 * (n1 - 1) * (n2 - 1)), (1 - delta**2) / (n1 * n2 - 1))
    error = sqrt(variance)
    limits = partial(_cliff_limits, delta, error, n1, n2)
    return Pieces(delta, error, n1 + n2 - 2, limits, nan, "none (order only)")


def _cliff_limits(delta: float, error: float, n1: int, n2: int, level: float) -> Limits:
    if abs(delta) == 1:
        n, z = min(n1, n2), float(norm.ppf((1 + level) / 2))
        inner = (n - z**2) / (n + z**2)
        return (inner, 1.0) if delta > 0 else (-1.0, -inner)
    quantile = float(t.ppf((1 + level) / 2, n1 + n2 - 2))
    half = quantile * error * sqrt((1 - delta**2) ** 2 + quantile**2 * error**2)
    divisor = 1 - delta**2 + quantile**2 * error**2
    return max(-1.0, (delta - delta**3 - half) / divisor), min(1.0, (delta - delta**3 + half) / divisor)


def superiority(x: Values, y: Values) -> Pieces:
    """P(x > y) + P(x = y)/2 for a random member of each group: (rank-biserial + 1) / 2."""
    made = dominance(x, y)
    return Pieces(
        (made.estimate + 1) / 2,
        made.std_error / 2,
        made.df,
        partial(_halved, made.limits),
        nan,
        made.standardiser_name,
        made.notes,
    )


def _halved(limits, level: float) -> Limits:
    low, high = limits(level)
    return (low + 1) / 2, (high + 1) / 2


def superiority_from_summary(s: TwoGroups) -> Pieces:
    """Normal case: Phi((mean1 - mean2) / sqrt(sd1^2 + sd2^2)). Source: McGraw & Wong 1992 (Psychol Bull 111:361-365).

    Interval: noncentral-t limits of Welch's statistic carried through Phi.
    """
    spread = _spread(sqrt(s.sd1**2 + s.sd2**2))
    ratio = s.difference / spread
    if min(s.n1, s.n2) < 2:
        return Pieces(float(norm.cdf(ratio)), nan, nan, no_limits, spread, "SD of the difference of two people")
    v1, v2 = s.sd1**2 / s.n1, s.sd2**2 / s.n2
    df = (v1 + v2) ** 2 / (v1**2 / (s.n1 - 1) + v2**2 / (s.n2 - 1))
    factor = sqrt(v1 + v2) / spread
    limits = partial(_through_normal, s.difference / sqrt(v1 + v2), df, factor)
    error = float(norm.pdf(ratio)) * sqrt(factor**2 + ratio**2 / (2 * df))
    return Pieces(float(norm.cdf(ratio)), error, df, limits, spread, "SD of the difference of two people")


def paired_superiority(s: Paired) -> Pieces:
    """Normal case, pairs: Phi(d_z), the chance that a person's first value is above the second."""
    spread = _spread(s.sd_change)
    ratio, df, root = s.difference / spread, s.n - 1, 1 / sqrt(s.n)
    limits = partial(_through_normal, ratio / root, df, root)
    error = float(norm.pdf(ratio)) * sqrt(1 / s.n + ratio**2 / (2 * s.n))
    return Pieces(float(norm.cdf(ratio)), error, df, limits, spread, "SD of change")


def _spread(value: float) -> float:
    if not value > 0:
        raise FitError(f"Nothing to standardise by: the spread is {value}, allowed above 0.")
    return value


def _through_normal(statistic: float, df: float, factor: float, level: float) -> Limits:
    low, high = scaled_limits(statistic, df, factor, level)
    return float(norm.cdf(low)), float(norm.cdf(high))


def paired_rank_biserial(x: Values, y: Values) -> Pieces:
    """Matched pairs: (sum of positive ranks - sum of negative ranks) / sum of both. Source: Kerby 2014.

    Interval: normal on atanh with the null variance of the signed-rank statistic, 2(2n+1) / (3n(n+1)); rough below 10
    pairs, the bootstrap is the alternative. Where everyone changed one way it has the inner limit of Wilson for n/n.
    """
    first, second = pairs(x, y)
    change = (first - second)[first != second]
    n = len(change)
    if n < 2:
        raise FitError(f"{n} pair(s) with a change, allowed 2 or more: nothing to rank.")
    ranks = rankdata(np.abs(change))
    estimate = float((ranks * np.sign(change)).sum() / ranks.sum())
    error = sqrt(2 * (2 * n + 1) / (3 * n * (n + 1)))
    return Pieces(estimate, error, nan, partial(_atanh_limits, estimate, error, n), nan, "none (order only)")


def _atanh_limits(estimate: float, error: float, n: int, level: float) -> Limits:
    z = float(norm.ppf((1 + level) / 2))
    if abs(estimate) == 1:
        inner = (n - z**2) / (n + z**2)
        return (inner, 1.0) if estimate > 0 else (-1.0, -inner)
    centre = float(np.arctanh(estimate))
    return float(np.tanh(centre - z * error)), float(np.tanh(centre + z * error))
