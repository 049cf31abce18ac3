"""The standardised mean effect sizes: one function each, summary in, pieces of an `Estimate` out.

Every interval is the noncentral-t interval of the underlying t, times the factor that turns t into the index. For
`d` and `d_z` that is exact under normality. For `d_av`, `d_rm` and `baseline-sd` it treats the ratio of the SD of
change to the standardiser as known (Algina & Keselman 2003 for the pooled SD). Simulated with normal data
(`tests/reference/coverage_effect_sizes.csv`), a 95 % interval from 8 to 24 people covered 94 to 96 % for `d_av`, 93.6
to 95 % for `baseline-sd` and 91.7 to 95 % for `d_rm`; with 5 people 93, 93 and 87 % at the least. The misses are mostly
intervals that lie below the true value. `interval="bootstrap"` is the alternative from raw data.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from math import isfinite, isnan, nan, sqrt

from stats.effects.noncentral import hedges_correction, noncentrality_limits
from stats.errors import FitError
from stats.summaries import Paired, TwoGroups


@dataclass(frozen=True)
class Pieces:
    """An effect size before it becomes an `Estimate`."""

    estimate: float
    std_error: float
    df: float
    limits: Callable[[float], tuple[float, float]]
    standardiser: float
    standardiser_name: str
    notes: tuple[str, ...] = ()


def scaled_limits(statistic: float, df: float, factor: float, level: float) -> tuple[float, float]:
    """Noncentrality limits times the factor that turns t into the effect size."""
    low, high = noncentrality_limits(statistic, df, level)
    return low * factor, high * factor


def no_limits(level: float) -> tuple[float, float]:
    """An interval that cannot be had."""
    return nan, nan


def d(s: TwoGroups) -> Pieces:
    """(mean1 - mean2) / pooled SD. Variance (n1+n2)/(n1 n2) + d^2/(2(n1+n2)). Source: Cohen 1988; Borenstein 2009."""
    spread = _positive(s.pooled_sd, "the pooled SD")
    root = sqrt(1 / s.n1 + 1 / s.n2)
    estimate, df = s.difference / spread, s.n1 + s.n2 - 2
    error = sqrt(1 / s.n1 + 1 / s.n2 + estimate**2 / (2 * (s.n1 + s.n2)))
    return Pieces(estimate, error, df, partial(scaled_limits, estimate / root, df, root), spread, "pooled SD")


def control_sd(s: TwoGroups) -> Pieces:
    """(mean1 - mean2) / SD of the second (control) group. Source: Glass 1976.

    The interval scales the noncentral t of Welch's statistic, on the control group's degrees of freedom.
    """
    spread = _positive(s.sd2, "the SD of the control group")
    estimate, df = s.difference / spread, s.n2 - 1
    root = sqrt((s.sd1 / s.sd2) ** 2 / s.n1 + 1 / s.n2)
    error = sqrt(root**2 + estimate**2 / (2 * df))
    return Pieces(
        estimate, error, df, partial(scaled_limits, estimate / root, df, root), spread, "SD of the control group"
    )


def d_z(s: Paired) -> Pieces:
    """Mean change / SD of change = t / sqrt(n); the standardised response mean is the same number."""
    spread = _positive(_known_change(s), "the SD of change")
    estimate, df, root = s.difference / spread, s.n - 1, 1 / sqrt(s.n)
    error = sqrt(1 / s.n + estimate**2 / (2 * s.n))
    return Pieces(estimate, error, df, partial(scaled_limits, estimate / root, df, root), spread, "SD of change")


def d_av(s: Paired) -> Pieces:
    """Mean change / mean of the two SDs. Source: Cumming 2012; Lakens 2013."""
    spread = _positive((s.sd1 + s.sd2) / 2, "the mean of the two SDs")
    # J at 2(n-1) as Lakens 2013; interval and standard error through the t of the change
    return _paired_scaled(s, spread, "mean of the SDs before and after", df=2 * (s.n - 1))


def d_rm(s: Paired) -> Pieces:
    """d_z sqrt(2(1-r)): mean change in units of the SD within occasions. Source: Morris & DeShon 2002."""
    change = _positive(_known_change(s), "the SD of change")
    spread = _positive(change / sqrt(2 * (1 - s.r)) if s.r < 1 else 0.0, "SD of change / sqrt(2(1-r))")
    made = _paired_scaled(s, spread, "SD of change / sqrt(2(1-r))", df=s.n - 1)
    error = sqrt((1 / s.n + made.estimate**2 / (2 * s.n)) * 2 * (1 - s.r))
    return Pieces(made.estimate, error, made.df, made.limits, spread, made.standardiser_name, made.notes)


def baseline_sd(s: Paired) -> Pieces:
    """Mean change / SD at baseline. Source: Kazis 1989."""
    return _paired_scaled(s, _positive(s.sd2, "the SD at baseline"), "SD at baseline", df=s.n - 1)


def _paired_scaled(s: Paired, spread: float, name: str, df: float) -> Pieces:
    estimate = s.difference / spread
    if isnan(s.sd_change):
        note = "Neither the correlation of the two occasions nor the SD of change is known: no interval."
        return Pieces(estimate, nan, df, no_limits, spread, name, (note,))
    if s.sd_change == 0:
        note = "Everyone changed by the same amount: the SD of change is 0 and an interval cannot be had."
        return Pieces(estimate, nan, df, no_limits, spread, name, (note,))
    factor = s.sd_change / (spread * sqrt(s.n))
    error = sqrt(factor**2 + estimate**2 / (2 * df))
    limits = partial(scaled_limits, s.difference / (s.sd_change / sqrt(s.n)), s.n - 1, factor)
    return Pieces(estimate, error, df, limits, spread, name)


def corrected(made: Pieces, df: float | None = None) -> Pieces:
    """The same index with the exact small-sample factor on estimate, standard error and limits."""
    factor = hedges_correction(made.df if df is None else df)
    return Pieces(
        made.estimate * factor,
        made.std_error * factor,
        made.df,
        partial(_times, factor, made.limits),
        made.standardiser,
        made.standardiser_name,
        made.notes,
    )


def _times(factor: float, limits: Callable[[float], tuple[float, float]], level: float) -> tuple[float, float]:
    low, high = limits(level)
    return low * factor, high * factor


def _known_change(s: Paired) -> float:
    if isnan(s.sd_change):
        raise FitError("This index needs the correlation of the two occasions (r=) or the SD of change (sd_change=).")
    return s.sd_change


def _positive(spread: float, name: str) -> float:
    if not (isfinite(spread) and spread > 0):
        raise FitError(
            f"Nothing to standardise by: {name} is {spread}, allowed above 0. Report the change in its own unit."
        )
    return spread


TWO_GROUPS: dict[str, Callable[[TwoGroups], Pieces]] = {
    "d": d,
    "g": lambda s: corrected(d(s)),
    "control-sd": control_sd,
}

PAIRED: dict[str, Callable[[Paired], Pieces]] = {
    "d_av": d_av,
    "g_av": lambda s: corrected(d_av(s)),
    "d_z": d_z,
    "g_z": lambda s: corrected(d_z(s)),
    "srm": d_z,
    "d_rm": d_rm,
    "g_rm": lambda s: corrected(d_rm(s)),
    "baseline-sd": baseline_sd,
}
