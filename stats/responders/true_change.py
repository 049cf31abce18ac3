"""Beyond counting: how many truly changed, allowing for measurement error and regression to the mean."""

from functools import partial
from math import nan, sqrt

import pandas as pd
from scipy.stats import norm, t

from stats.errors import FitError
from stats.estimates import Estimate

NOT_FOR_ONE_PERSON = "For research on groups: not a basis for decisions about one person."


def true_change_share(
    mean: float,
    observed_variance: float,
    error_variance: float,
    threshold: float,
    *,
    mean_error: float = nan,
    df: float = nan,
    error_df: float = nan,
    n: int = 0,
) -> Estimate:
    """Share of people whose true improvement reaches a threshold, if true changes are normal.

    Phi((mean - threshold) / sqrt(observed_variance - error_variance)). mean: mean improvement (positive is better).
    observed_variance: variance of the observed change; error_variance: its part from measurement error, twice the
    squared standard error of measurement, or twice the residual variance of a mixed model. The count of observed
    responders is spread by error: it is too high for a threshold above the mean change and too low for one below.
    mean_error, df, error_df: standard error of the mean, degrees of freedom of the two variances (error_df only where
    the error is estimated). Interval: normal on the probit scale by the delta method, wide where the true variance is
    near 0. Extra columns: true_sd, observed_share (the share of observed changes at or above it under the same law).
    Raises FitError for a variance below 0. Senn 2004 and 2018: a share is no proof that people differ in response.

    >>> float(true_change_share(5, 16, 7, 5).estimate)
    0.5
    """
    if observed_variance <= 0 or error_variance < 0:
        raise FitError(f"Variance {observed_variance}, error {error_variance}: allowed above 0, and 0 or more.")
    true_variance = max(0.0, observed_variance - error_variance)
    notes = [NOT_FOR_ONE_PERSON, "True changes are taken as normal."]
    extra = (
        ("true_sd", sqrt(true_variance)),
        ("observed_share", float(norm.cdf((mean - threshold) / sqrt(observed_variance)))),
        ("threshold", threshold),
    )
    made = partial(Estimate, "share with a true change of the threshold or more", n_participants=n, n_rows=n,
                   extra=extra)  # fmt: skip
    if true_variance == 0:
        notes.append(
            "Error explains all the spread of the observed changes: as far as can be seen everyone changed by the "
            "mean, so the share is all or none and has no interval."
        )
        return made(float(mean >= threshold), _no_limits, "no true variance", notes=tuple(notes))
    z = (mean - threshold) / sqrt(true_variance)
    spread = 2 * observed_variance**2 / df
    if error_df == error_df:
        spread += 2 * error_variance**2 / error_df
    error = sqrt((mean_error**2 + z**2 * spread / (4 * true_variance)) / true_variance)
    return made(float(norm.cdf(z)), partial(_probit_limits, z, error), "normal true changes, delta method",
                std_error=float(norm.pdf(z)) * error, notes=tuple(notes))  # fmt: skip


def _no_limits(level: float) -> tuple[float, float]:
    return nan, nan


def _probit_limits(z: float, error: float, level: float) -> tuple[float, float]:
    half = float(norm.ppf((1 + level) / 2)) * error
    return float(norm.cdf(z - half)), float(norm.cdf(z + half))


def regression_to_mean(sd: float, correlation: float, cutoff: float, mean: float = 0.0, side: str = "above") -> float:
    """Change to expect without any treatment in people chosen because a first value lay beyond a cut-off.

    sd (1 - correlation) phi(z) / (1 - Phi(z)), z = (cutoff - mean) / sd, towards the mean. side: "above" or "below",
    who was let in. correlation: of two measurements of the same people without treatment.
    Source: Davis 1976 (Am J Epidemiol 104:493-498); Barnett, van der Pols & Dobson 2005 (Int J Epidemiol 34:215-220).
    sd, cutoff, mean: in the unit of the outcome, as the result. Raises FitError for an sd of 0 or below, a correlation
    outside -1 to 1, or another side.

    >>> round(float(regression_to_mean(sd=10, correlation=0.8, cutoff=10)), 2)
    3.05
    """
    if sd <= 0 or not -1 <= correlation <= 1:
        raise FitError(f"sd {sd}, correlation {correlation}: allowed above 0, and -1 to 1.")
    if side not in ("above", "below"):
        raise FitError(f"side {side!r}: allowed 'above' or 'below' (the cut-off).")
    z = (cutoff - mean) / sd * (1 if side == "above" else -1)
    return float(sd * (1 - correlation) * norm.pdf(z) / norm.sf(z))


def normal_split_efficiency() -> dict[str, float]:
    """Cost of a median split of a normal outcome: efficiency 2/pi, correlation times sqrt(2/pi) (Cohen 1983)."""
    density = float(norm.pdf(0))
    return {"efficiency": 4 * density**2, "correlation_factor": 2 * density}


def mean_improvement(improvement: pd.Series) -> dict[str, float]:
    """Mean, its standard error, variance and df of observed improvements: the inputs of `true_change_share`."""
    present = improvement.dropna()
    if len(present) < 2:
        raise FitError(f"{len(present)} observed change(s), allowed 2 or more.")
    variance = float(present.var(ddof=1))
    return {"mean": float(present.mean()), "mean_error": sqrt(variance / len(present)), "observed_variance": variance,
            "df": len(present) - 1.0, "n": len(present)}  # fmt: skip


def t_limits(mean: float, error: float, df: float, level: float) -> tuple[float, float]:
    """Student's interval of a mean."""
    half = float(t.ppf((1 + level) / 2, df)) * error if df > 0 else nan
    return mean - half, mean + half
