"""Two proportions of the same people: assisted against unassisted, before against after, two raters."""

from functools import partial
from math import sqrt

from scipy.stats import norm

from stats.errors import FitError
from stats.estimates import Estimate
from stats.proportions.one_proportion import proportion_limits

Table = tuple[int, int, int, int]
METHODS = ("newcombe", "wald")


def paired_risk_difference(a: int, b: int, c: int, d: int, method: str = "newcombe", level: float = 0.95) -> Estimate:
    """Difference of two proportions in pairs, (b - c) / n.

    a: pairs with the property both times, b: the first time only, c: the second time only, d: neither time.
    method: `newcombe` (ours: squared and added Wilson limits with the correlation of the table), `wald`.
    Returns an `Estimate`. Raises FitError for negative counts or no pair at all.
    Source: Newcombe 1998 (Stat Med 17:2635-2650), method 10.

    >>> found = paired_risk_difference(36, 12, 2, 0)
    >>> bool(abs(found.conf_low - 0.0569) < 1e-4)
    True
    """
    if method not in METHODS:
        raise FitError(f"Interval method {method!r} for a paired difference: allowed {', '.join(METHODS)}.")
    table = (a, b, c, d)
    n = sum(table)
    if min(table) < 0 or n < 1:
        raise FitError(f"Pairs {a}, {b}, {c}, {d}: allowed 0 or more each and at least one pair.")
    difference = (b - c) / n
    error = sqrt(max(0.0, b + c - (b - c) ** 2 / n)) / n
    limits = partial(_newcombe, table) if method == "newcombe" else partial(_wald, difference, error)
    return Estimate(
        term="paired risk difference",
        estimate=difference,
        limits=limits,
        method="Newcombe paired score" if method == "newcombe" else "Wald",
        std_error=error,
        n_participants=n,
        n_rows=n,
        notes=("Pairs without both answers are not in the table.",),
    ).at(level)


def _newcombe(table: Table, level: float) -> tuple[float, float]:
    a, b, c, d = table
    n = a + b + c + d
    p1, p2 = (a + b) / n, (a + c) / n
    low1, high1 = proportion_limits(a + b, n, "wilson", level)
    low2, high2 = proportion_limits(a + c, n, "wilson", level)
    phi = _correlation(table)
    down1, up1, down2, up2 = p1 - low1, high1 - p1, p2 - low2, high2 - p2
    low = p1 - p2 - sqrt(max(0.0, down1**2 - 2 * phi * down1 * up2 + up2**2))
    high = p1 - p2 + sqrt(max(0.0, down2**2 - 2 * phi * down2 * up1 + up1**2))
    return low, high


def _correlation(table: Table) -> float:
    """Correlation of the two answers, its numerator reduced by n/2 when it is positive (never below 0)."""
    a, b, c, d = table
    n = a + b + c + d
    margins = (a + b) * (c + d) * (a + c) * (b + d)
    if margins == 0:
        return 0.0
    numerator = float(a * d - b * c)
    if numerator > 0:
        numerator = max(numerator - n / 2, 0)
    return numerator / sqrt(margins)


def _wald(difference: float, error: float, level: float) -> tuple[float, float]:
    half = float(norm.ppf((1 + level) / 2)) * error
    return difference - half, difference + half
