"""Limits for a difference of two independent proportions: score (Miettinen-Nurminen, Mee), Newcombe, Wald."""

from collections.abc import Callable
from math import acos, copysign, cos, inf, pi, sqrt

from scipy.optimize import brentq
from scipy.stats import norm

from stats.proportions.one_proportion import proportion_limits

Limits = tuple[float, float]


def restricted_shares(x1: int, n1: int, x2: int, n2: int, difference: float) -> Limits:
    """Maximum-likelihood p1, p2 under p1 - p2 = difference: the admissible root of a cubic in p2.

    Source: Miettinen & Nurminen 1985 (Stat Med 4:213-226), appendix.
    """
    total, hits = n1 + n2, x1 + x2
    a = total
    b = (n1 + 2 * n2) * difference - total - hits
    c = (n2 * difference - total - 2 * x2) * difference + hits
    d = x2 * difference * (1 - difference)
    q = (b / (3 * a)) ** 3 - b * c / (6 * a**2) + d / (2 * a)
    size = sqrt(max(0.0, (b / (3 * a)) ** 2 - c / (3 * a)))
    if size == 0:
        second = -b / (3 * a)
    else:
        r = copysign(size, q)
        second = 2 * r * cos((pi + acos(min(1.0, max(-1.0, q / r**3)))) / 3) - b / (3 * a)
    # rounding may leave the admissible range by 1e-16
    second = min(max(second, 0.0, -difference), 1.0, 1 - difference)
    return second + difference, second


def score_statistic(x1: int, n1: int, x2: int, n2: int, difference: float, corrected: bool) -> float:
    """z of the observed difference against an assumed one; `corrected` puts N/(N-1) on the variance."""
    gap = x1 / n1 - x2 / n2 - difference
    p1, p2 = restricted_shares(x1, n1, x2, n2, difference)
    variance = p1 * (1 - p1) / n1 + p2 * (1 - p2) / n2
    if corrected:
        variance *= (n1 + n2) / (n1 + n2 - 1)
    if gap == 0:
        return 0.0
    return gap / sqrt(variance) if variance > 0 else copysign(inf, gap)


def _score(x1: int, n1: int, x2: int, n2: int, level: float, corrected: bool) -> Limits:
    z = float(norm.ppf((1 + level) / 2))
    observed = x1 / n1 - x2 / n2

    def find(end: float, target: float) -> float:
        # the statistic falls from +z at the lower limit to -z at the upper; at the ends of the range it may be infinite
        inner = end + (1e-12 if end < 0 else -1e-12)
        if (observed - inner) * (end - observed) >= 0:
            return end

        def gap(difference: float) -> float:
            value = score_statistic(x1, n1, x2, n2, difference, corrected)
            return min(max(value, -1e6), 1e6) - target

        if gap(inner) * gap(observed) > 0:
            return end
        return brentq(gap, min(inner, observed), max(inner, observed), xtol=1e-13)

    return find(-1.0, z), find(1.0, -z)


def _miettinen_nurminen(x1: int, n1: int, x2: int, n2: int, level: float) -> Limits:
    return _score(x1, n1, x2, n2, level, corrected=True)


def _mee(x1: int, n1: int, x2: int, n2: int, level: float) -> Limits:
    return _score(x1, n1, x2, n2, level, corrected=False)


def _newcombe(x1: int, n1: int, x2: int, n2: int, level: float) -> Limits:
    p1, p2 = x1 / n1, x2 / n2
    low1, high1 = proportion_limits(x1, n1, "wilson", level)
    low2, high2 = proportion_limits(x2, n2, "wilson", level)
    low = p1 - p2 - sqrt((p1 - low1) ** 2 + (high2 - p2) ** 2)
    high = p1 - p2 + sqrt((high1 - p1) ** 2 + (p2 - low2) ** 2)
    return low, high


def _wald(x1: int, n1: int, x2: int, n2: int, level: float) -> Limits:
    p1, p2 = x1 / n1, x2 / n2
    half = float(norm.ppf((1 + level) / 2)) * sqrt(p1 * (1 - p1) / n1 + p2 * (1 - p2) / n2)
    return p1 - p2 - half, p1 - p2 + half


DIFFERENCE_METHODS: dict[str, tuple[Callable[[int, int, int, int, float], Limits], str]] = {
    "newcombe": (_newcombe, "Newcombe hybrid score"),
    "miettinen-nurminen": (_miettinen_nurminen, "Miettinen-Nurminen score"),
    "mee": (_mee, "Mee score"),
    "wald": (_wald, "Wald"),
}
