"""A number of events over an exposure (hours worn, sessions, days) and its exact interval."""

from functools import partial
from math import sqrt

from scipy.stats import chi2

from stats.errors import FitError
from stats.estimates import Estimate


def rate_interval(count: int, exposure: float, *, per: float = 1.0, level: float = 0.95) -> Estimate:
    """Events per `per` units of exposure with the exact Poisson interval.

    count: events, 0 or more. exposure: above 0, in any unit. per: 100 gives events per 100 units.
    The interval takes events as independent of each other; events that come again in the same people make it too
    narrow. Returns an `Estimate` with count and exposure. Raises FitError for a negative count or no exposure.
    Source: Garwood 1936 (Biometrika 28:437-442), by the quantiles of chi-square.

    >>> found = rate_interval(0, 100, per=100)
    >>> bool(abs(found.conf_high - 3.6889) < 1e-4)
    True
    """
    if count < 0 or count != int(count):
        raise FitError(f"Count {count}: allowed a whole number of 0 or more.")
    if not exposure > 0:
        raise FitError(f"Exposure {exposure}: allowed above 0. Without time worn or sessions there is no rate.")
    return Estimate(
        term=f"rate per {per:g}",
        estimate=per * count / exposure,
        limits=partial(_exact, int(count), per / exposure),
        method="exact Poisson",
        std_error=per * sqrt(count) / exposure,
        n_rows=int(count),
        notes=(
            "Events are taken as independent; where they come again in the same people the interval is too narrow.",
        ),
        extra=(("count", int(count)), ("exposure", float(exposure))),
    ).at(level)


def _exact(count: int, scale: float, level: float) -> tuple[float, float]:
    tail = (1 - level) / 2
    low = 0.0 if count == 0 else float(chi2.ppf(tail, 2 * count)) / 2
    return scale * low, scale * float(chi2.ppf(1 - tail, 2 * (count + 1))) / 2
