"""Exact coverage of the intervals for proportions and their differences, by enumerating every possible count.

    python tests/reference/coverage.py

writes coverage_proportions.csv and coverage_differences.csv beside this file. No random numbers: the coverage at a true
share is the sum of the binomial probabilities of the counts whose interval holds it.
"""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.stats import binom

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parents[1]))

from stats.proportions.one_proportion import METHODS, proportion_limits  # noqa: E402
from stats.proportions.score_difference import DIFFERENCE_METHODS  # noqa: E402

SIZES = (8, 12, 24)
SHARES = (0.0, 0.1, 0.5, 0.9)
LEVEL = 0.95
SLACK = 1e-12  # a limit that equals the share to rounding holds it


def limits_table(n: int, method: str) -> np.ndarray:
    """Limits for each count 0..n."""
    return np.array([proportion_limits(count, n, method, LEVEL) for count in range(n + 1)])


def coverage(limits: np.ndarray, shares: np.ndarray) -> np.ndarray:
    """Probability that the interval holds each true share."""
    n = len(limits) - 1
    held = (limits[:, :1] <= shares + SLACK) & (shares - SLACK <= limits[:, 1:])
    return (binom.pmf(np.arange(n + 1)[:, None], n, shares) * held).sum(axis=0)


def proportions() -> pd.DataFrame:
    """Coverage at each share and the minimum over all shares, per method and n."""
    rows = []
    for method in METHODS:
        for n in SIZES:
            limits = limits_table(n, method)
            width = limits[:, 1] - limits[:, 0]
            for share, value in zip(SHARES, coverage(limits, np.array(SHARES)), strict=True):
                expected = float((binom.pmf(np.arange(n + 1), n, share) * width).sum())
                rows.append((method, n, "at", share, value, expected))
            # coverage jumps only at a limit: look on both sides of each, and on a grid between them
            edges = np.concatenate([limits.ravel() - 1e-9, limits.ravel() + 1e-9, np.linspace(0.0005, 0.9995, 1000)])
            inside = np.unique(edges[(edges > 0) & (edges < 1)])
            values = coverage(limits, inside)
            lowest = int(values.argmin())
            rows.append((method, n, "minimum", float(inside[lowest]), float(values[lowest]), np.nan))
            middle = values[(inside >= 0.1) & (inside <= 0.9)]
            rows.append((method, n, "minimum from 0.1 to 0.9", np.nan, float(middle.min()), np.nan))
            rows.append((method, n, "mean", np.nan, float(coverage(limits, np.linspace(0, 1, 2001)).mean()), np.nan))
    return pd.DataFrame(rows, columns=["method", "n", "what", "share", "coverage", "expected_width"])


def differences() -> pd.DataFrame:
    """Coverage at each pair of shares and the minimum over a grid of shares 0.01 apart, per method and n per arm."""
    rows = []
    for method, (limits_of, _) in DIFFERENCE_METHODS.items():
        for n in SIZES:
            counts = np.arange(n + 1)
            table = np.array([[limits_of(x1, n, x2, n, LEVEL) for x2 in counts] for x1 in counts])
            for p1 in SHARES:
                for p2 in SHARES:
                    rows.append((method, n, "at", p1, p2, pair_coverage(table, p1, p2)))
            grid = np.linspace(0.01, 0.99, 99)
            values = np.array([[pair_coverage(table, p1, p2) for p2 in grid] for p1 in grid])
            one, two = np.unravel_index(values.argmin(), values.shape)
            rows.append((method, n, "minimum", grid[one], grid[two], float(values.min())))
            rows.append((method, n, "mean", np.nan, np.nan, float(values.mean())))
    return pd.DataFrame(rows, columns=["method", "n_per_arm", "what", "share1", "share2", "coverage"])


def pair_coverage(table: np.ndarray, p1: float, p2: float) -> float:
    """Probability that the interval of the difference holds p1 - p2."""
    n = len(table) - 1
    held = (table[:, :, 0] <= p1 - p2 + 1e-9) & (p1 - p2 - 1e-9 <= table[:, :, 1])
    return float(binom.pmf(np.arange(n + 1), n, p1) @ held @ binom.pmf(np.arange(n + 1), n, p2))


if __name__ == "__main__":
    proportions().to_csv(HERE / "coverage_proportions.csv", index=False, float_format="%.6f")
    differences().to_csv(HERE / "coverage_differences.csv", index=False, float_format="%.6f")
