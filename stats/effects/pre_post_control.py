"""Change in one group against change in another, in units of the spread at baseline."""

from dataclasses import dataclass
from functools import partial
from math import nan, sqrt

import numpy as np

from stats.effects.noncentral import hedges_correction
from stats.effects.standardised import Pieces, no_limits, scaled_limits
from stats.errors import FitError
from stats.summaries import Paired


@dataclass(frozen=True)
class TwoChanges:
    """Two independent groups measured twice; in each `Paired` the first value is the later one."""

    treated: Paired
    control: Paired


def pre_post_control(s: TwoChanges) -> Pieces:
    """J(n1+n2-2) [change treated - change control] / pooled SD at baseline: d_ppc2 of Morris 2008.

    Standard error: Morris 2008 (Organ Res Methods 11:364-386), equation 25, with the correlation pooled over groups;
    needs more than 4 people. Interval: noncentral t of the difference of changes, scaled to the SD at baseline, which
    treats the ratio of the SD of change to the SD at baseline as known.
    """
    one, two = s.treated, s.control
    n1, n2 = one.n, two.n
    df = n1 + n2 - 2
    spread = sqrt(((n1 - 1) * one.sd2**2 + (n2 - 1) * two.sd2**2) / df)
    if not spread > 0:
        raise FitError("Nothing to standardise by: the pooled SD at baseline is 0, allowed above 0.")
    factor = hedges_correction(df)
    raw = one.difference - two.difference
    estimate = factor * raw / spread
    change = _pooled_change(one, two)
    if not change > 0:
        note = "Correlation or SD of change unknown, or nobody's change differs: no standard error and no interval."
        return Pieces(estimate, nan, df, no_limits, spread, "pooled SD at baseline", (note,))
    root = sqrt(1 / n1 + 1 / n2)
    limits = partial(scaled_limits, raw / (change * root), df, factor * change * root / spread)
    return Pieces(estimate, _morris_error(one, two, estimate, factor), df, limits, spread, "pooled SD at baseline")


def _pooled_change(one: Paired, two: Paired) -> float:
    weights = (one.n - 1) * one.sd_change**2 + (two.n - 1) * two.sd_change**2
    return sqrt(weights / (one.n + two.n - 2))


def _morris_error(one: Paired, two: Paired, estimate: float, factor: float) -> float:
    total, product = one.n + two.n, one.n * two.n
    if total <= 4:
        return nan
    r = float(np.average([one.r, two.r], weights=[one.n - 1, two.n - 1]))
    base = 2 * (1 - r) * total / product
    if not base > 0:
        return nan
    variance = factor**2 * base * (total - 2) / (total - 4) * (1 + estimate**2 / base) - estimate**2
    return sqrt(max(0.0, variance))
