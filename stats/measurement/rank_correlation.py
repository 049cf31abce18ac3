"""Spearman's rank correlation of two measurements of each person, with an interval."""

from functools import partial
from math import atanh, sqrt, tanh

from scipy.stats import norm, spearmanr

from stats.errors import FitError
from stats.estimates import Estimate
from stats.summaries import Values, pairs

FEWEST = 4  # complete pairs


def rank_correlation(a: Values, b: Values) -> Estimate:
    """Spearman's rho of the complete pairs of a and b (arrays of one length, NaN where missing).

    Interval: Fisher's z with the variance (1 + rho²/2) / (n - 3), which holds for Spearman's rho at small n better than
    1 / (n - 3). Poor where many values are tied, and below ten pairs. A correlation between what people did and how
    they changed is no effect of doing it.
    Raises FitError with fewer than 4 complete pairs, or where one of the two does not vary.
    Source: Bonett & Wright (2000) Psychometrika 65:23-28 (from memory).
    """
    x, y = pairs(a, b)
    if len(x) < FEWEST:
        raise FitError(f"{len(x)} complete pair(s): a rank correlation needs {FEWEST} or more.")
    if len(set(x.tolist())) == 1 or len(set(y.tolist())) == 1:
        raise FitError("One of the two has the same value for everybody: no correlation.")
    rho = float(spearmanr(x, y).statistic)
    error = sqrt((1 + rho**2 / 2) / (len(x) - 3))
    return Estimate(
        term="rank correlation",
        estimate=rho,
        limits=partial(_limits, rho, error),
        method="Spearman, Fisher z with the variance of Bonett and Wright",
        unit="",
        n_participants=len(x),
        n_rows=len(x),
        notes=(f"{len(list(a)) - len(x)} incomplete pair(s) left out.",) if len(list(a)) > len(x) else (),
    )


def _limits(rho: float, error: float, level: float) -> tuple[float, float]:
    if abs(rho) == 1:
        return rho, rho
    half = float(norm.ppf((1 + level) / 2)) * error
    return tanh(atanh(rho) - half), tanh(atanh(rho) + half)
