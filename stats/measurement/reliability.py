"""How much two ratings of the same person agree: intraclass correlation, kappa, alpha, concordance."""

from dataclasses import dataclass
from functools import partial
from math import atanh, nan, sqrt, tanh

import numpy as np
import pandas as pd
from scipy.stats import f, norm
from statsmodels.stats.inter_rater import cohens_kappa

from stats.errors import FitError
from stats.estimates import Estimate, check_level
from stats.measurement.two_way import MeanSquares, mean_squares, rating_table
from stats.result import Result
from stats.summaries import Values, pairs

FORMS = (
    ("ICC(1,1)", "ICC(1)", "one rating, raters differ by person"),
    ("ICC(2,1)", "ICC(A,1)", "one rating, absolute agreement, raters are a sample"),
    ("ICC(3,1)", "ICC(C,1)", "one rating, consistency, these raters"),
    ("ICC(1,k)", "ICC(k)", "mean of k ratings, raters differ by person"),
    ("ICC(2,k)", "ICC(A,k)", "mean of k ratings, absolute agreement"),
    ("ICC(3,k)", "ICC(C,k)", "mean of k ratings, consistency"),
)


@dataclass(frozen=True)
class IntraclassCorrelation(Result):
    """The six forms with both notations, and the mean squares under them."""

    squares: MeanSquares
    unit: str
    n_participants: int
    n_rows: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """Six rows: form, mcgraw_wong, meaning, estimate, conf_low, conf_high, statistic, df1, df2, p_value."""
        level = check_level(level)
        s = self.squares
        singles = (_one_way(s, level), _agreement(s, level), _consistency(s, level))
        rows = []
        for k, (form, other, meaning) in enumerate(FORMS):
            estimate, low, high = singles[k % 3]
            if k >= 3:
                estimate, low, high = (_stepped_up(value, s.k) for value in singles[k - 3])
            error, df2 = (s.within, s.n * (s.k - 1)) if k % 3 == 0 else (s.error, (s.n - 1) * (s.k - 1))
            statistic = s.between / error if error > 0 else nan
            rows.append(
                {
                    "form": form,
                    "mcgraw_wong": other,
                    "meaning": meaning,
                    "estimate": estimate,
                    "conf_low": low,
                    "conf_high": high,
                    "statistic": statistic,
                    "df1": s.n - 1,
                    "df2": df2,
                    "p_value": float(f.sf(statistic, s.n - 1, df2)),
                }
            )
        return pd.DataFrame(rows)

    def sentence(self, level: float = 0.95) -> str:
        """ICC(2,1) and ICC(3,1) with intervals and the design."""
        level = check_level(level)
        parts = [
            f"{row.form} = {row.mcgraw_wong} {row.estimate:.2f} ({row.conf_low:.2f} to {row.conf_high:.2f})"
            for row in self.frame(level).iloc[[1, 2]].itertuples()
        ]
        counted = f"{self.n_participants} people, {self.squares.k} ratings each"
        return f"{' and '.join(parts)}, {level:.0%} intervals; {counted}."


def intraclass_correlation(
    frame: pd.DataFrame, *, target: str, rater: str, value: str, incomplete: str = "refuse"
) -> IntraclassCorrelation:
    """Intraclass correlations of a complete table of targets by raters (or occasions).

    frame: one row per rating with the columns named by target, rater, value. incomplete: "refuse" or "drop" targets
    without every rating. For raters who could be exchanged use ICC(2,1) = ICC(A,1).
    Returns `IntraclassCorrelation`. Raises FitError for fewer than 2 targets or raters, two ratings in one cell, or an
    incomplete table. Source: Shrout & Fleiss 1979 (Psychol Bull 86:420-428); McGraw & Wong 1996.
    """
    table, notes = rating_table(frame, target, rater, value, incomplete)
    squares = mean_squares(table)
    if squares.between == 0:
        notes += ("All people have the same mean: there is nothing to tell apart, reliability is undefined or 0.",)
    n, k = table.shape
    return IntraclassCorrelation(squares, "", n, n * k, notes)


def _one_way(s: MeanSquares, level: float) -> tuple[float, float, float]:
    estimate = _ratio(s.between - s.within, s.between + (s.k - 1) * s.within)
    low, high = _f_limits(s.between, s.within, s.n - 1, s.n * (s.k - 1), s.k, level)
    return estimate, low, high


def _consistency(s: MeanSquares, level: float) -> tuple[float, float, float]:
    estimate = _ratio(s.between - s.error, s.between + (s.k - 1) * s.error)
    low, high = _f_limits(s.between, s.error, s.n - 1, (s.n - 1) * (s.k - 1), s.k, level)
    return estimate, low, high


def _f_limits(between: float, error: float, df1: int, df2: int, k: int, level: float) -> tuple[float, float]:
    if error == 0:
        return nan, nan
    tail, observed = (1 + level) / 2, between / error
    low = observed / float(f.ppf(tail, df1, df2))
    high = observed * float(f.ppf(tail, df2, df1))
    return (low - 1) / (low + k - 1), (high - 1) / (high + k - 1)


def _agreement(s: MeanSquares, level: float) -> tuple[float, float, float]:
    n, k, b, j, e = s.n, s.k, s.between, s.raters, s.error
    rho = _ratio(b - e, b + (k - 1) * e + k * (j - e) / n)
    if e == 0 or np.isnan(rho):
        return rho, nan, nan
    ratio = j / e
    inner = n * (1 + (k - 1) * rho) - k * rho
    df = (n - 1) * (k - 1) * (k * rho * ratio + inner) ** 2 / ((n - 1) * k**2 * rho**2 * ratio**2 + inner**2)
    upper = float(f.ppf((1 + level) / 2, n - 1, df))
    lower = float(f.ppf((1 + level) / 2, df, n - 1))
    rest = k * j + (k * n - k - n) * e
    low = n * (b - upper * e) / (upper * rest + n * b)
    high = n * (lower * b - e) / (rest + n * lower * b)
    return rho, low, high


def _stepped_up(value: float, k: int) -> float:
    """Spearman-Brown: the reliability of the mean of k ratings."""
    divisor = 1 + (k - 1) * value
    return k * value / divisor if abs(divisor) > 1e-12 else nan  # at the lowest possible single value there is no step


def _ratio(top: float, bottom: float) -> float:
    return top / bottom if bottom > 0 else nan


def kappa(
    a: Values | pd.Series | None = None,
    b: Values | pd.Series | None = None,
    *,
    table: np.ndarray | None = None,
    weights: str | np.ndarray | None = None,
    categories: list | None = None,
    level: float = 0.95,
) -> Estimate:
    """Cohen's kappa of two raters, plain or weighted (computed by statsmodels).

    a, b: the two ratings of each person (pairs with a missing rating are left out); or table: counts, rows the first
    rater. weights: None, "linear", "quadratic", or a square array of disagreement weights, a row and a column per
    category (0 on the diagonal). categories:
    every category in its order, so that one nobody used keeps its place. Fleiss-Cohen-Everitt standard error; normal
    interval, poor below about 30 people. Source: Cohen 1960, 1968; Fleiss, Cohen & Everitt 1969.
    Raises FitError for ratings of unequal number, a rating that is no category, unknown weights, or a table that is not
    square.
    Extra columns: observed and expected agreement, std_error_null.

    >>> round(float(kappa([1, 2, 3, 3, 2, 1], [1, 2, 3, 2, 2, 1]).estimate), 2)
    0.75
    """
    notes: tuple[str, ...] = ()
    if table is None:
        if a is None or b is None:
            raise FitError("Kappa needs the ratings a and b, or a table of counts.")
        table, notes = _crossed(a, b, categories)
    counts = np.asarray(table, dtype=float)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or counts.sum() <= 0:
        raise FitError(f"Kappa needs a square table with people in it, found shape {counts.shape}.")
    if isinstance(weights, str) and weights not in ("linear", "quadratic"):
        raise FitError(f"Weights {weights!r}: allowed None, 'linear', 'quadratic' or a matrix.")
    shares = counts / counts.sum()
    observed, expected = float(np.trace(shares)), float(shares.sum(axis=0) @ shares.sum(axis=1))
    value = error = null_error = nan
    if expected > 1 - 1e-12:
        notes += ("Both raters used one and the same category: chance agreement is complete, kappa undefined.",)
    else:
        named = isinstance(weights, str)
        found = cohens_kappa(counts, weights=None if named else weights, wt=weights if named else None)
        value, error, null_error = float(found.kappa), float(np.sqrt(found.var_kappa)), float(np.sqrt(found.var_kappa0))
    n = int(counts.sum())
    if n < 2:  # a table of shares
        error = null_error = nan
        notes += ("The table holds shares, not people: no standard error.",)
    extra = (("observed", observed), ("expected", expected), ("std_error_null", null_error))
    return Estimate("kappa" if weights is None else "weighted kappa", value, partial(_normal, value, error),
                    "Cohen, Fleiss-Cohen-Everitt standard error", std_error=error, n_participants=n, n_rows=n,
                    notes=notes, extra=extra).at(level)  # fmt: skip


def _crossed(a: Values, b: Values, categories: list | None) -> tuple[np.ndarray, tuple[str, ...]]:
    first, second = pd.Series(list(a)), pd.Series(list(b))
    if len(first) != len(second):
        raise FitError(f"Ratings: found {len(first)} and {len(second)}, allowed equally many (one per person).")
    both = first.notna() & second.notna()
    known = categories or sorted(set(first[both]) | set(second[both]))
    strange = (set(first[both]) | set(second[both])) - set(known)
    if strange:
        raise FitError(f"Ratings {sorted(strange)} are not among the categories {known}.")
    counts = pd.crosstab(first[both], second[both]).reindex(index=known, columns=known, fill_value=0)
    lost = int((~both).sum())
    return counts.to_numpy(), (f"{lost} pair(s) with a missing rating left out.",) if lost else ()


def _normal(value: float, error: float, level: float) -> tuple[float, float]:
    half = float(norm.ppf((1 + level) / 2)) * error
    return max(-1.0, value - half), min(1.0, value + half)


def concordance(a: Values, b: Values, level: float = 0.95) -> Estimate:
    """Lin's concordance: 2 s_ab / (s_a^2 + s_b^2 + (mean_a - mean_b)^2), moments over n.

    Interval: normal on atanh with Lin's variance. Extra columns: pearson_r and bias_correction (their product is the
    concordance). Source: Lin 1989 (Biometrics 45:255-268), variance as corrected in 2000 (56:324-325).
    a, b: a number a person each, in the same order and unit; the result has none. Raises FitError for fewer than three
    complete pairs, unequal lengths, or values without spread.

    >>> round(float(concordance([10, 12, 15, 18, 20], [11, 12, 14, 19, 21]).estimate), 3)
    0.973
    """
    x, y = pairs(a, b)
    n = len(x)
    if n < 3:
        raise FitError(f"{n} complete pair(s), allowed 3 or more.")
    sx, sy, gap = x.std(), y.std(), x.mean() - y.mean()
    if min(sx, sy) == 0:
        raise FitError("One of the two has the same value for everyone: concordance is undefined.")
    r = float(np.corrcoef(x, y)[0, 1])
    value = float(2 * r * sx * sy / (sx**2 + sy**2 + gap**2))
    u2 = gap**2 / (sx * sy)
    inside = (1 - r**2) * value**2 / ((1 - value**2) * r**2) if r != 0 and abs(value) < 1 else nan
    inside += 2 * value**3 * (1 - value) * u2 / (r * (1 - value**2) ** 2) if inside == inside else nan
    inside -= value**4 * u2**2 / (2 * r**2 * (1 - value**2) ** 2) if inside == inside else nan
    error = sqrt(max(0.0, inside) / (n - 2)) if inside == inside else nan
    extra = (("pearson_r", r), ("bias_correction", value / r if r else nan))
    return Estimate("concordance", value, partial(_atanh_limits, value, error), "Lin", std_error=error * (1 - value**2),
                    n_participants=n, n_rows=n, extra=extra).at(level)  # fmt: skip


def _atanh_limits(value: float, error: float, level: float) -> tuple[float, float]:
    if error != error:
        return nan, nan
    half = float(norm.ppf((1 + level) / 2)) * error
    return tanh(atanh(value) - half), tanh(atanh(value) + half)
