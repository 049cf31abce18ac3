"""Power of a test in the intended direction, and the smallest n that reaches a wanted power.

Power here counts significant results in the intended direction only (a significant result the wrong way round is no
success); general libraries that count both tails differ from it where power is near alpha.
"""

from collections.abc import Callable
from functools import lru_cache
from math import ceil, log

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import roots_jacobi
from scipy.stats import nct, norm, t

from stats.errors import PlanError

MOST_PER_ARM = 1e7


def critical_probability(alpha: float, sides: int) -> float:
    """Probability in the one tail that counts."""
    if not 0 < alpha < 1:
        raise PlanError(f"alpha = {alpha}: allowed are values between 0 and 1, such as 0.05.")
    if sides not in (1, 2):
        raise PlanError(f"sides = {sides}: allowed are 1 and 2.")
    return alpha / sides


def normal_power(shift, tail: float):
    """Pr(Z > z_tail) where Z has mean `shift`."""
    return norm.sf(norm.isf(tail) - np.asarray(shift, float))


def t_power(shift, df, tail: float):
    """Pr(T > t_tail) for the noncentral t with noncentrality `shift`."""
    return nct.sf(t.isf(tail, df), df, shift)


def covariate_t_power(shift, n_total, covariates: int, tail: float):
    """Power of the treatment t test of an analysis of covariance with random normal covariates.

    Chance imbalance of the covariates inflates the variance by 1/B with B ~ Beta((N - 1 - k)/2, k/2); the noncentral t
    with N - 2 - k degrees of freedom is averaged over B (Gauss-Jacobi). Exact for normal data.

    Source: the distribution of the leverage of a random normal covariate; checked by simulation in the tests.
    """
    df = n_total - 2 - covariates
    if df <= 0:
        return 0.0
    share, weights = _imbalance(n_total, covariates)
    return float(np.sum(weights * t_power(shift * np.sqrt(share), df, tail)))


@lru_cache(maxsize=64)
def _imbalance(n_total: float, covariates: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Shares B of the information and their weights; an average over draws asks for the same ones many times."""
    a, b = (n_total - 1 - covariates) / 2, covariates / 2
    nodes, weights = roots_jacobi(24, b - 1, a - 1)
    share, weight = (nodes + 1) / 2, weights / weights.sum()
    share.flags.writeable = weight.flags.writeable = False  # shared by every caller
    return share, weight


def smallest_n(power_at: Callable[[float], float], target: float, low: float) -> float:
    """Unrounded n per arm at which `power_at(n)` reaches `target`."""
    if not 0 < target < 1:
        raise PlanError(f"power = {target}: allowed are values between 0 and 1, such as 0.9.")
    if power_at(low) >= target:
        return low
    high = 2 * low
    while power_at(high) < target:
        high *= 2
        if high > MOST_PER_ARM:
            raise PlanError(
                "No size up to ten million per arm reaches this power: the difference is too small for the spread, or "
                "it lies on the wrong side of the margin. Check difference, sd and margin."
            )
    return float(np.exp(brentq(lambda x: power_at(np.exp(x)) - target, log(high / 2), log(high), xtol=1e-12)))


def round_up(n: float) -> int:
    """Next whole number; a computed 64.0000000001 is 64."""
    return ceil(n - 1e-8)
