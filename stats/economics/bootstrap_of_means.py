"""The bootstrap distribution of a difference in mean costs: every resample of a small sample, or a drawn part."""

from dataclasses import dataclass
from itertools import product

import numpy as np

from stats.errors import FitError
from stats.summaries import Values, finite

WHOLE = 200_000  # resamples up to which all are taken


@dataclass(frozen=True)
class BootstrapMeans:
    """Resampled differences. exact: every resample is there, each equally likely."""

    differences: np.ndarray
    exact: bool

    @property
    def mean(self) -> float:
        """Mean of the resampled differences."""
        return float(self.differences.mean())

    @property
    def sd(self) -> float:
        """Their standard deviation."""
        return float(self.differences.std())

    @property
    def share_above_0(self) -> float:
        """Share of resamples in which the first arm costs more."""
        return float((self.differences > 0).mean())

    def limits(self, level: float = 0.95) -> tuple[float, float]:
        """Percentile limits; too short below about 15 people an arm."""
        low, high = np.quantile(self.differences, [(1 - level) / 2, (1 + level) / 2])
        return float(low), float(high)


def bootstrap_difference(
    first: Values, second: Values, rng: np.random.Generator | None = None, resamples: int = 2000
) -> BootstrapMeans:
    """Differences of mean (first - second) over resamples of people inside each arm.

    Where n1^n1 x n2^n2 is small all resamples are taken and no generator is needed. Source: Efron & Tibshirani 1993.
    first, second: a number a person of each arm, in the currency. Raises FitError for fewer than two an arm, or no
    generator.
    """
    a, b = finite(first), finite(second)
    if len(a) < 2 or len(b) < 2:
        raise FitError(f"{len(a)} and {len(b)} costs: allowed 2 or more an arm.")
    if float(len(a)) ** len(a) * float(len(b)) ** len(b) <= WHOLE:
        means = [np.array(list(product(part, repeat=len(part)))).mean(axis=1) for part in (a, b)]
        return BootstrapMeans(np.subtract.outer(*means).ravel(), True)
    if not isinstance(rng, np.random.Generator):
        raise FitError("A bootstrap needs rng=, a numpy random Generator: np.random.default_rng(seed).")
    drawn = [part[rng.integers(len(part), size=(resamples, len(part)))].mean(axis=1) for part in (a, b)]
    return BootstrapMeans(drawn[0] - drawn[1], False)
