"""The variance between studies: estimators, its interval, and whether smaller studies show more."""

import numpy as np
from scipy.optimize import brentq
from scipy.stats import chi2
from scipy.stats import t as student

ENOUGH_FOR_ASYMMETRY = 10  # studies below which a test of small-study effects says little (Sterne 2011, BMJ 343:d4002)


def between_studies(effect: np.ndarray, variances: np.ndarray, method: str) -> float:
    """The variance between studies, zero or more, by one of METHODS.

    Paule-Mandel solves sum w (y - m)^2 = k - 1; REML is iterated to the zero of its score.
    """
    k, plain = len(effect), weighted_squares(effect, variances, 0.0)
    if method == "dersimonian-laird":
        w = 1 / variances
        return max(0.0, (plain - (k - 1)) / float(w.sum() - (w**2).sum() / w.sum()))
    score = _restricted_score if method == "reml" else _excess
    if score(0.0, effect, variances) <= 0:
        top = 10.0 * float(np.var(effect, ddof=1) + variances.max())
        # the restricted likelihood of few studies can fall from zero and still rise again further out
        inner = [x for x in np.geomspace(1e-4, 1.0, 40) * top if method == "reml" and score(x, effect, variances) > 0]
        if not inner or _restricted(inner[-1], effect, variances) <= _restricted(0.0, effect, variances):
            return 0.0
        low = inner[-1]
    else:
        low = 0.0
    high = max(float(np.var(effect, ddof=1)), float(variances.max()))
    while score(high, effect, variances) > 0:
        high *= 2
    return float(brentq(score, low, high, args=(effect, variances), xtol=1e-15, rtol=1e-14, maxiter=500))


def weighted_squares(effect: np.ndarray, variances: np.ndarray, tau2: float) -> float:
    w = 1 / (variances + tau2)
    return float((w * (effect - (w * effect).sum() / w.sum()) ** 2).sum())


def _excess(tau2: float, effect: np.ndarray, variances: np.ndarray) -> float:
    """Paule and Mandel's equation: falling in tau2."""
    return weighted_squares(effect, variances, tau2) - (len(effect) - 1)


def _restricted_score(tau2: float, effect: np.ndarray, variances: np.ndarray) -> float:
    """Twice the derivative of the restricted log-likelihood in tau2."""
    w = 1 / (variances + tau2)
    mean = (w * effect).sum() / w.sum()
    return float((w**2 * (effect - mean) ** 2).sum() - w.sum() + (w**2).sum() / w.sum())


def _restricted(tau2: float, effect: np.ndarray, variances: np.ndarray) -> float:
    """Twice the restricted log-likelihood, constants left out."""
    w = 1 / (variances + tau2)
    return float(np.log(w).sum() - np.log(w.sum()) - weighted_squares(effect, variances, tau2))


def profile_interval(effect: np.ndarray, variances: np.ndarray, level: float) -> tuple[float, float]:
    """Interval of tau2 by the Q profile: where sum w (y - m)^2 meets the quantiles of chi-squared on k - 1 df.

    Source: Viechtbauer 2007 (Stat Med 26:37-52).
    """
    ends = []
    for tail in ((1 + level) / 2, (1 - level) / 2):
        target = float(chi2.ppf(tail, len(effect) - 1))
        if weighted_squares(effect, variances, 0.0) <= target:
            ends.append(0.0)
            continue
        high = float(np.var(effect, ddof=1) + variances.max())
        while weighted_squares(effect, variances, high) > target:
            high *= 2
        ends.append(
            float(brentq(lambda x, aim=target: weighted_squares(effect, variances, x) - aim, 0.0, high, xtol=1e-15,
                         rtol=1e-14, maxiter=500))
        )  # fmt: skip
    return ends[0], ends[1]


def asymmetry(effect: np.ndarray, std_errors: np.ndarray) -> tuple[float, float]:
    """Slope of effect on its standard error, weighted by 1/variance, and its p: do smaller studies show more?

    Egger 1997 (BMJ 315:629-634): the intercept of effect / se on 1 / se is this slope. At least 3 studies.
    """
    weight = 1 / std_errors**2
    centred = std_errors - (weight * std_errors).sum() / weight.sum()
    spread = float((weight * centred**2).sum())
    df = len(effect) - 2
    if df < 1 or not spread > 0:
        return float("nan"), float("nan")
    slope = float((weight * centred * effect).sum() / spread)
    mean = float((weight * effect).sum() / weight.sum())
    left = float((weight * (effect - mean - slope * centred) ** 2).sum() / df)
    statistic = slope / np.sqrt(left / spread)
    return slope, float(2 * student.sf(abs(statistic), df))
