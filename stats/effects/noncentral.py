"""Exact pieces under effect sizes: limits of the noncentral t and the small-sample correction."""

from math import exp, inf, isnan, lgamma, log, nan, sqrt

from scipy.optimize import brentq
from scipy.special import nctdtr  # what scipy.stats.nct.cdf asks, without its checks: a study asks 25,000 times
from scipy.stats import chi2

from stats.errors import FitError
from stats.estimates import check_level

HUGE = 1e3  # statistics beyond (people who all changed alike, but for the last bit) defeat the distribution function
STEP = 3.0  # in units of the noncentrality, which has a standard deviation of 1 or more


def noncentrality_limits(statistic: float, df: float, level: float = 0.95) -> tuple[float, float]:
    """Limits of the noncentrality behind an observed t: F(t; df, low) = 1 - a/2 and F(t; df, high) = a/2.

    Both NaN where the statistic or its df is not known.
    Source: Steiger & Fouladi 1997; Kelley 2007 (J Stat Softw 20(8)).
    """
    if isnan(df) or isnan(statistic):
        return nan, nan
    if df <= 0:
        raise FitError(f"An interval needs at least 1 degree of freedom, found {df}: too few people.")
    if not abs(statistic) < inf:
        return statistic, statistic
    tail = (1 - check_level(level)) / 2
    # Of t = (z + ncp) / sqrt(chi2 / df) only the denominator matters where t is large; near that the root is sought.
    near = [abs(statistic) * sqrt(float(chi2.ppf(p, df)) / df) for p in (tail, 1 - tail)]
    if statistic < 0:
        near = [-near[1], -near[0]]
    if abs(statistic) > HUGE:
        return near[0], near[1]

    def solve(target: float, start: float) -> float:
        def gap(ncp: float) -> float:
            # the distribution function of -t with the sign of the noncentrality turned is the numerically stable side
            if statistic < 0:
                return 1 - target - float(nctdtr(df, -ncp, -statistic))
            return float(nctdtr(df, ncp, statistic)) - target

        low, high = start - STEP, start + STEP
        while gap(low) < 0:
            low -= STEP
        while gap(high) > 0:
            high += STEP
        return brentq(gap, low, high, xtol=1e-12, rtol=1e-14)

    return solve(1 - tail, near[0]), solve(tail, near[1])


def hedges_correction(df: float) -> float:
    """Exact factor J(df) = gamma(df/2) / (sqrt(df/2) gamma((df-1)/2)) that removes the bias of a standardised mean.

    Source: Hedges 1981 (J Educ Stat 6:107-128).
    """
    if df <= 1:
        raise FitError(f"The small-sample correction needs more than 1 degree of freedom, found {df}: too few people.")
    return exp(lgamma(df / 2) - lgamma((df - 1) / 2) - log(df / 2) / 2)
