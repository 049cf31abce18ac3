"""The size of change that matters, from the study's own anchor. In a pilot: to see whether it can be done."""

from collections.abc import Callable, Collection
from dataclasses import dataclass
from functools import partial
from math import log, nan, sqrt

import numpy as np
import pandas as pd
from scipy.stats import spearmanr
from statsmodels.discrete.discrete_model import Logit

from stats.errors import FitError
from stats.estimates import NAN, check_level
from stats.responders.true_change import t_limits
from stats.result import Result

LEAST_CORRELATION = 0.3
WARNING = (
    "A threshold from this sample holds for people like these, this anchor and this time between measurements, and "
    "classifies individuals with error; do not count responders of the same study with it as if it were independent."
)


@dataclass(frozen=True)
class McidRow:
    """One method's threshold; `limits` gives its interval, `reason` why there is none."""

    method: str
    estimate: float
    limits: Callable[[float], tuple[float, float]]
    n: int
    reason: str = ""
    support: bool = False


@dataclass(frozen=True)
class McidEstimate(Result):
    """Candidates for the smallest important improvement, with the anchor's correlation with change."""

    rows: tuple[McidRow, ...]
    correlation: float
    improved: int
    not_improved: int
    unit: str
    n_participants: int
    n_rows: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """Rows method, estimate, conf_low, conf_high, n, support (distribution-based: no MCID), reason."""
        level = check_level(level)
        rows = []
        for row in self.rows:
            low, high = row.limits(level)
            made = {"method": row.method, "estimate": row.estimate, "conf_low": low, "conf_high": high, "n": row.n}
            made |= {"support": row.support, "correlation": self.correlation, "unit": self.unit, "reason": row.reason}
            rows.append(made)
        return pd.DataFrame(rows)

    def sentence(self, level: float = 0.95) -> str:
        """Each estimate with interval and n, the anchor's correlation and the warning."""
        level = check_level(level)
        parts = []
        for row in self.frame(level).to_dict("records"):
            if row["reason"]:
                parts.append(f"{row['method']}: not estimated ({row['reason']})")
                continue
            interval = f"{level:.0%} interval {row['conf_low']:.2f} to {row['conf_high']:.2f}"
            parts.append(f"{row['method']} {row['estimate']:.2f} {self.unit} ({interval}, n = {row['n']})")
        anchor = f"anchor-change correlation {self.correlation:.2f}, {self.improved} of {self.n_rows} improved"
        return f"{'; '.join(parts)}; {anchor}. {WARNING}"


def estimate_mcid(
    change: pd.Series | np.ndarray | list[float],
    anchor: pd.Series | np.ndarray | list[float],
    *,
    minimal: Collection[float],
    unchanged: Collection[float] = (0,),
    baseline: pd.Series | np.ndarray | list[float] | None = None,
    error: float | None = None,
    unit: str = "",
    rng: np.random.Generator | None = None,
    resamples: int = 1000,
) -> McidEstimate:
    """Smallest important improvement from an anchor: mean change, ROC cut, predictive logistic.

    change: an array of improvements, one per participant in `unit`, positive is better. anchor: a rating of change
    per participant, larger is better. minimal: the ratings that mean "a little better"; people with these or higher
    ratings are improved. unchanged: the ratings that mean no change. baseline: a value each; error: a number; for the
    distribution-based support (half a baseline SD, one standard error of measurement), which is no MCID. rng: for the
    bootstrap intervals of the ROC and the logistic estimate. The Spearman correlation of anchor and change comes first:
    below 0.3 the anchor does not measure this change and the estimate is refused. Returns `McidEstimate`. Raises
    FitError also where nobody or everybody improved.
    Source: Revicki 2008 (J Clin Epidemiol 61:102-109); Terluin 2015 (J Clin Epidemiol 68:1388-1396), whose estimate is
    unbiased only where about half improved; Norman 2003; Wyrwich 1999. The correction for other shares is not offered:
    its constants could not be confirmed.
    """
    data = pd.DataFrame({"change": np.asarray(change, float), "anchor": np.asarray(anchor, float)})
    given = data.dropna()
    if len(given) < 4:
        raise FitError(f"{len(given)} people with change and anchor, allowed 4 or more.")
    if given.nunique().min() < 2:
        raise FitError("Change or anchor is the same for everyone: no threshold can be found.")
    correlation = float(spearmanr(given["change"], given["anchor"]).statistic)
    if correlation < LEAST_CORRELATION:
        raise FitError(
            f"Anchor and change correlate {correlation} (Spearman, n = {len(given)}), allowed {LEAST_CORRELATION} or "
            "more: this anchor does not measure this change. Choose another anchor; do not report a threshold."
        )
    improved = (given["anchor"] >= min(minimal)).to_numpy()
    x = given["change"].to_numpy()
    if improved.all() or not improved.any():
        raise FitError(f"{int(improved.sum())} of {len(improved)} improved on the anchor: both kinds are needed.")
    rows = [*_mean_changes(given, minimal, unchanged)]
    rows.append(_with_bootstrap("ROC, largest sensitivity + specificity", roc_cut, x, improved, rng, resamples))
    rows.append(_with_bootstrap("predictive logistic", predictive_threshold, x, improved, rng, resamples))
    rows += _support(baseline, error)
    notes = [WARNING, f"n = {len(given)}; {len(data) - len(given)} without change or anchor left out."]
    share = float(improved.mean())
    if not 0.3 <= share <= 0.7:
        notes.append(
            f"{int(improved.sum())} of {len(improved)} improved: the logistic estimate is biased away from half."
        )
    if rng is None:
        notes.append("No rng= given: the ROC and logistic estimates have no interval.")
    return McidEstimate(tuple(rows), correlation, int(improved.sum()), int((~improved).sum()), unit,
                        len(data), len(given), tuple(notes))  # fmt: skip


def roc_cut(change: np.ndarray, improved: np.ndarray) -> float:
    """Cut (midway between two observed changes) with the largest sensitivity + specificity; ties: their mean."""
    values = np.unique(change)
    cuts = (values[1:] + values[:-1]) / 2
    if not len(cuts):
        return nan
    sensitivity = (change[improved][None, :] >= cuts[:, None]).mean(axis=1)
    specificity = (change[~improved][None, :] < cuts[:, None]).mean(axis=1)
    total = sensitivity + specificity
    return float(cuts[total >= total.max() - 1e-12].mean())


def predictive_threshold(change: np.ndarray, improved: np.ndarray) -> float:
    """Change at which logistic regression puts the odds of improvement at the sample's odds. Source: Terluin 2015.

    NaN where change separates the two kinds completely: the likelihood has no maximum.
    """
    if change[improved].min() > change[~improved].max() or change[improved].max() < change[~improved].min():
        return nan
    centre, spread = change.mean(), change.std()
    if spread == 0:
        return nan
    z = (change - centre) / spread
    intercept, slope = (
        Logit(improved.astype(float), np.column_stack([np.ones_like(z), z])).fit(disp=0, maxiter=100).params
    )
    if slope <= 0:
        return nan
    share = improved.mean()
    return float(centre + spread * (log(share / (1 - share)) - intercept) / slope)


def _mean_changes(given: pd.DataFrame, minimal: Collection[float], unchanged: Collection[float]) -> list[McidRow]:
    little = given.loc[given["anchor"].isin(list(minimal)), "change"]
    same = given.loc[given["anchor"].isin(list(unchanged)), "change"]
    rows = [_mean_row("mean change of the minimally improved", little)]
    if len(little) > 1 and len(same) > 1:
        v1, v2 = little.var(ddof=1) / len(little), same.var(ddof=1) / len(same)
        if v1 + v2 > 0:
            df = (v1 + v2) ** 2 / (v1**2 / (len(little) - 1) + v2**2 / (len(same) - 1))
            gap = float(little.mean() - same.mean())
            limits = partial(t_limits, gap, sqrt(v1 + v2), df)
            rows.append(McidRow("the same minus the unchanged", gap, limits, len(little) + len(same)))
    return rows


def _mean_row(method: str, values: pd.Series) -> McidRow:
    if len(values) < 2:
        return McidRow(method, NAN, _none, len(values), f"{len(values)} such people, needed 2 or more")
    error = float(values.std(ddof=1)) / sqrt(len(values))
    return McidRow(
        method, float(values.mean()), partial(t_limits, float(values.mean()), error, len(values) - 1), len(values)
    )


def _with_bootstrap(
    method: str,
    estimator: Callable[[np.ndarray, np.ndarray], float],
    x: np.ndarray,
    improved: np.ndarray,
    rng: np.random.Generator | None,
    resamples: int,
) -> McidRow:
    estimate = estimator(x, improved)
    if np.isnan(estimate):
        return McidRow(method, NAN, _none, len(x), "change separates the improved from the others completely")
    if rng is None:
        return McidRow(method, estimate, _none, len(x))
    drawn = np.full(resamples, nan)
    for i in range(resamples):
        pick = rng.integers(len(x), size=len(x))
        if 0 < improved[pick].sum() < len(x):
            drawn[i] = estimator(x[pick], improved[pick])
    kept = drawn[np.isfinite(drawn)]
    if len(kept) < 0.8 * resamples:
        return McidRow(method, estimate, _none, len(x), f"only {len(kept)} of {resamples} resamples have an estimate")
    return McidRow(method, estimate, partial(_percentile, kept), len(x))


def _support(baseline: object, error: float | None) -> list[McidRow]:
    rows = []
    if baseline is not None:
        values = pd.Series(np.asarray(baseline, float)).dropna()
        rows.append(McidRow("half a baseline SD", float(values.std(ddof=1)) / 2, _none, len(values), support=True))
    if error is not None:
        rows.append(McidRow("one standard error of measurement", float(error), _none, 0, support=True))
    return rows


def _none(level: float) -> tuple[float, float]:
    return nan, nan


def _percentile(kept: np.ndarray, level: float) -> tuple[float, float]:
    low, high = np.quantile(kept, [(1 - level) / 2, (1 + level) / 2])
    return float(low), float(high)
