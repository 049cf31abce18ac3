"""Analyses of simulated trials: the adjusted final value and the responder test (the mixed model: `mixed_analysis`).

An *analysis* is any function (trials, level) -> Verdicts. Those here take whole stacks of replicates at once.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import sqrt

import numpy as np

from stats.errors import PlanError
from stats.mixed.inference.fit_estimates import t_quantile, two_sided_p
from stats.planning.closed_form.exact_tables import TESTS, table_p_values
from stats.planning.simulation.trials import Trials
from stats.proportions.one_proportion import proportion_limits


@dataclass(frozen=True)
class Verdicts:
    """What an analysis concluded in each replicate (R,): NaN where it gave no answer (`usable` is then False)."""

    estimate: np.ndarray
    p_value: np.ndarray
    conf_low: np.ndarray
    conf_high: np.ndarray
    usable: np.ndarray
    boundary: np.ndarray


def verdicts(
    estimate: np.ndarray,
    std_error: np.ndarray,
    df: np.ndarray,
    usable: np.ndarray,
    level: float,
    boundary: np.ndarray | None = None,
) -> Verdicts:
    """Two-sided t tests and intervals of every replicate."""
    with np.errstate(invalid="ignore", divide="ignore"):
        half = t_quantile(level, df) * std_error
        p = two_sided_p(estimate / std_error, df)
    usable = usable & np.isfinite(p)
    hidden = np.where(usable, 1.0, np.nan)
    boundary = np.zeros(len(estimate), dtype=bool) if boundary is None else boundary
    return Verdicts(
        estimate * hidden, p * hidden, (estimate - half) * hidden, (estimate + half) * hidden, usable, boundary
    )


@dataclass(frozen=True)
class FinalValueAnalysis:
    """The last visit alone, complete cases, exact t: adjust "baseline" (covariance), "change" or "none".

    Raises PlanError for another word.
    """

    adjust: str = "baseline"

    def __post_init__(self) -> None:
        if self.adjust not in ("baseline", "change", "none"):
            raise PlanError(f"adjust = {self.adjust!r}: allowed are baseline, change, none.")

    def __call__(self, trials: Trials, level: float = 0.95) -> Verdicts:
        first, last = trials.values[:, :, 0], trials.values[:, :, -1]
        y = last - first if self.adjust == "change" else last
        used = np.isfinite(y) & (np.isfinite(first) if self.adjust == "baseline" else True)
        w = used.astype(float)
        columns = [np.ones_like(y), np.broadcast_to(trials.arm, y.shape)]
        if self.adjust == "baseline":
            columns.append(np.where(used, first - np.nanmean(first), 0.0))
        X = np.stack(columns, axis=2) * w[:, :, None]
        y = np.where(used, y - np.nanmean(y), 0.0)
        XX = np.swapaxes(X, 1, 2) @ X
        df = w.sum(axis=1) - X.shape[2]
        usable = (df > 0) & (np.linalg.eigvalsh(XX)[:, 0] > 1e-10)
        inverse = np.linalg.inv(np.where(usable[:, None, None], XX, np.eye(X.shape[2])))
        beta = (inverse @ (np.swapaxes(X, 1, 2) @ y[:, :, None]))[:, :, 0]
        residual = y - (X @ beta[:, :, None])[:, :, 0]
        variance = np.sum(residual**2, axis=1) / np.maximum(df, 1) * inverse[:, 1, 1]
        return verdicts(beta[:, 1], np.sqrt(variance), np.maximum(df, 1).astype(float), usable, level)

    def truth(self, means: np.ndarray, times: np.ndarray) -> float:
        """Difference at the last visit (in change, where arms differ at the first)."""
        ahead = means[1] - means[0]
        return float(ahead[-1] - (ahead[0] if self.adjust == "change" else 0.0))


@dataclass(frozen=True)
class ResponderAnalysis:
    """Share of participants whose improvement from the first to the last visit reaches a threshold, compared exactly.

    threshold, strict, better: as in the published threshold. test: "boschloo" or "fisher", two-sided. missing: a
    participant without the last visit is "not improved" or left out ("observed"). The interval is Newcombe's.
    Raises PlanError for an unknown test, direction or way of counting the missing.
    """

    threshold: float
    strict: bool = False
    better: str = "higher"
    test: str = "boschloo"
    missing: str = "not improved"

    def __post_init__(self) -> None:
        if self.test not in TESTS:
            raise PlanError(f"test = {self.test!r}: allowed are {', '.join(TESTS)}.")
        if self.missing not in ("not improved", "observed"):
            raise PlanError(f'missing = {self.missing!r}: allowed are "not improved" and "observed".')
        if self.better not in ("higher", "lower"):
            raise PlanError(f"better = {self.better!r}: allowed are higher and lower.")

    def __call__(self, trials: Trials, level: float = 0.95) -> Verdicts:
        change = trials.values[:, :, -1] - trials.values[:, :, 0]
        gain = change if self.better == "higher" else -change
        known = np.isfinite(gain)
        # a hair of tolerance: differences of steps such as 0.1 are not exact in binary
        slack = 1e-9 * max(1.0, abs(self.threshold))
        improved = known & ((gain > self.threshold + slack) if self.strict else (gain >= self.threshold - slack))
        counted = known if self.missing == "observed" else np.ones_like(known)
        tables = np.stack(
            [part[:, trials.arm == arm].sum(axis=1) for arm in (0, 1) for part in (improved, counted)], axis=1
        )
        answers = np.array([_compare(*map(int, table), self.test, level) for table in tables])
        usable = np.isfinite(answers[:, 1])
        estimate, p_value, low, high = answers.T
        return Verdicts(estimate, p_value, low, high, usable, np.zeros(len(usable), dtype=bool))


@lru_cache(maxsize=100_000)
def _compare(
    x_ref: int, n_ref: int, x_trt: int, n_trt: int, test: str, level: float
) -> tuple[float, float, float, float]:
    """Difference of shares, p value and Newcombe's interval (1998, Stat Med 17:873-890, method 10)."""
    if n_ref == 0 or n_trt == 0:
        return (float("nan"),) * 4
    p = float(table_p_values(n_ref, n_trt, 2, test)[x_ref, x_trt])
    a, b = x_trt / n_trt, x_ref / n_ref
    (l1, u1), (l2, u2) = (
        proportion_limits(x_trt, n_trt, "wilson", level),
        proportion_limits(x_ref, n_ref, "wilson", level),
    )
    difference = a - b
    low = difference - sqrt((a - l1) ** 2 + (u2 - b) ** 2)
    return difference, p, low, difference + sqrt((u1 - a) ** 2 + (b - l2) ** 2)
