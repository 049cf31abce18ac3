"""Bootstrap limits (bias-corrected and accelerated) for a statistic of people resampled whole."""

from collections.abc import Callable, Sequence
from math import isfinite, nan

import numpy as np
from scipy.stats import norm

from stats.errors import FitError

MOST_LOST = 0.05  # share of resamples without a value above which an interval would be of another question


class BootstrapLimits:
    """Limits at any level from one set of resamples, so that the limits of 90 % lie inside those of 95 %.

    groups: independent groups; each is a tuple of arrays with one entry per person, resampled together (a pair stays a
    pair). statistic: takes the arrays of all groups in order and returns a float, NaN where a resample has no value
    (no spread). Source: Efron 1987 (J Am Stat Assoc 82:171-185).
    """

    def __init__(
        self,
        groups: Sequence[tuple[np.ndarray, ...]],
        statistic: Callable[..., float],
        rng: np.random.Generator | None,
        resamples: int = 2000,
    ) -> None:
        if not isinstance(rng, np.random.Generator):
            raise FitError("A bootstrap needs rng=, a numpy random Generator: np.random.default_rng(seed).")
        if resamples < 200:
            raise FitError(f"{resamples} resamples: allowed 200 or more.")
        self.estimate = statistic(*(column for group in groups for column in group))
        drawn = []
        for _ in range(resamples):
            picks = [rng.integers(len(group[0]), size=len(group[0])) for group in groups]
            drawn.append(
                statistic(*(column[pick] for group, pick in zip(groups, picks, strict=True) for column in group))
            )
        values = np.array(drawn, dtype=float)
        kept = np.sort(values[np.isfinite(values)])
        self.lost = 1 - len(kept) / resamples
        if self.lost > MOST_LOST:
            raise FitError(
                f"{resamples - len(kept)} of {resamples} resamples have no value (no spread): too few different values "
                "for a bootstrap. Use the default interval."
            )
        self.kept = kept
        self._acceleration = _acceleration(groups, statistic)

    @property
    def std_error(self) -> float:
        """Standard deviation of the resampled values."""
        return float(self.kept.std(ddof=1))

    def __call__(self, level: float) -> tuple[float, float]:
        """Lower and upper limit; NaN where every resample lies on one side of the estimate."""
        below = ((self.kept < self.estimate).sum() + (self.kept == self.estimate).sum() / 2) / len(self.kept)
        if not 0 < below < 1:
            return nan, nan
        bias = norm.ppf(below)
        shares = []
        for tail in ((1 - level) / 2, (1 + level) / 2):
            shift = bias + norm.ppf(tail)
            shares.append(norm.cdf(bias + shift / (1 - self._acceleration * shift)))
        low, high = np.quantile(self.kept, shares)
        return float(low), float(high)


def _acceleration(groups: Sequence[tuple[np.ndarray, ...]], statistic: Callable[..., float]) -> float:
    """Third-moment skewness of the leave-one-out values, summed over groups; 0 where a value is lost."""
    cubes = squares = 0.0
    for index, group in enumerate(groups):
        n = len(group[0])
        left = []
        for person in range(n):
            without = [
                tuple(np.delete(column, person) for column in other) if k == index else other
                for k, other in enumerate(groups)
            ]
            left.append(statistic(*(column for other in without for column in other)))
        if not all(isfinite(value) for value in left):
            return 0.0
        influence = (n - 1) * (np.mean(left) - np.array(left))
        cubes += float((influence**3).sum()) / n**3
        squares += float((influence**2).sum()) / n**2
    return cubes / (6 * squares**1.5) if squares > 0 else 0.0
