"""How often pooled intervals hold the true mean effect: 3, 5 and 8 small two-arm trials, 10,000 sets a condition.

    python -m tests.simulation.pooled_coverage --to tests/simulation/pooled_coverage.csv

Mean differences in units of the SD within arms, normal; every trial's SD is estimated from its own people.
True effects are normal about 0.4 with the variance that makes I2 what the condition says at a trial's typical variance.
About 15 seconds of one core.
"""

import argparse
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.stats import norm, t

SIZES = {"equal": (20,) * 8, "mixed": (10, 60, 20, 12, 30, 45, 15, 25), "one large": (100,) + (10,) * 7}  # per arm
SHARES = (0.0, 0.25, 0.5, 0.75)  # I2
STUDIES = (3, 5, 8)
SEED = 20240611
TRUE = 0.4


def drawn(rng: np.random.Generator, sizes: tuple[int, ...], share: float, sets: int) -> tuple[np.ndarray, np.ndarray]:
    """Estimates and their estimated variances, sets x studies."""
    n = np.array(sizes, dtype=float)
    variance = 2 / n
    w = 1 / variance
    typical = (len(n) - 1) * w.sum() / (w.sum() ** 2 - (w**2).sum())  # Higgins & Thompson 2002
    tau2 = typical * share / (1 - share)
    effects = TRUE + rng.normal(size=(sets, len(n))) * np.sqrt(variance + tau2)
    df = 2 * n - 2
    return effects, variance * rng.chisquare(df, size=(sets, len(n))) / df


def paule_mandel(y: np.ndarray, v: np.ndarray) -> np.ndarray:
    """tau2 of every set, by halving."""
    low, high = np.zeros(len(y)), 10 * (y.var(axis=1, ddof=1) + v.max(axis=1))
    excess = _squares(y, v, low) - (y.shape[1] - 1)
    for _ in range(80):
        middle = (low + high) / 2
        above = _squares(y, v, middle) > y.shape[1] - 1
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.where(excess > 0, (low + high) / 2, 0.0)


def restricted(y: np.ndarray, v: np.ndarray) -> np.ndarray:
    """REML tau2 of every set: the best point of a fine grid, then refined around it by thirds."""
    top = 10 * (y.var(axis=1, ddof=1) + v.max(axis=1))
    grid = np.concatenate([[0.0], np.geomspace(1e-5, 1.0, 60)])
    values = np.stack([_likelihood(y, v, share * top) for share in grid])
    best = values.argmax(axis=0)
    low = grid[np.maximum(best - 1, 0)] * top
    high = grid[np.minimum(best + 1, len(grid) - 1)] * top
    for _ in range(60):
        a, b = low + (high - low) / 3, high - (high - low) / 3
        left = _likelihood(y, v, a) >= _likelihood(y, v, b)
        low, high = np.where(left, low, a), np.where(left, b, high)
    found = (low + high) / 2
    return np.where(_likelihood(y, v, np.zeros(len(y))) >= _likelihood(y, v, found), 0.0, found)


def _squares(y: np.ndarray, v: np.ndarray, tau2: np.ndarray) -> np.ndarray:
    w = 1 / (v + tau2[:, None])
    mean = (w * y).sum(axis=1) / w.sum(axis=1)
    return (w * (y - mean[:, None]) ** 2).sum(axis=1)


def _likelihood(y: np.ndarray, v: np.ndarray, tau2: np.ndarray) -> np.ndarray:
    w = 1 / (v + tau2[:, None])
    return np.log(w).sum(axis=1) - np.log(w.sum(axis=1)) - _squares(y, v, tau2)


def covered(y: np.ndarray, v: np.ndarray, tau2: np.ndarray) -> dict[str, tuple[float, float]]:
    """Share of sets whose 95 % interval holds the truth, and its mean width, by interval."""
    k = y.shape[1]
    w = 1 / (v + tau2[:, None])
    mean = (w * y).sum(axis=1) / w.sum(axis=1)
    factor = (w * (y - mean[:, None]) ** 2).sum(axis=1) / (k - 1)
    scales = {"normal": np.ones(len(y)), "hartung-knapp": factor, "hartung-knapp-safe": np.maximum(1.0, factor)}
    found = {}
    for name, scale in scales.items():
        critical = norm.ppf(0.975) if name == "normal" else t.ppf(0.975, k - 1)
        reach = critical * np.sqrt(scale / w.sum(axis=1))
        found[name] = float((np.abs(mean - TRUE) <= reach).mean()), float(2 * reach.mean())
    return found


def run(sets: int = 10_000) -> pd.DataFrame:
    """One row a condition, method and interval."""
    rng = np.random.default_rng(SEED)
    rows = []
    for k in STUDIES:
        for size, sizes in SIZES.items():
            for share in SHARES:
                y, v = drawn(rng, sizes[:k], share, sets)
                for method, tau2 in (("paule-mandel", paule_mandel(y, v)), ("reml", restricted(y, v))):
                    for interval, (share_covered, width) in covered(y, v, tau2).items():
                        rows.append(
                            {"studies": k, "sizes": size, "i2": share, "method": method, "interval": interval,
                             "sets": sets, "coverage": share_covered, "mean_width": width,
                             "tau2_zero": float((tau2 == 0).mean())}
                        )  # fmt: skip
    return pd.DataFrame(rows)


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--to", type=Path, required=True)
    parser.add_argument("--sets", type=int, default=10_000)
    given = parser.parse_args()
    run(given.sets).to_csv(given.to, index=False, float_format="%.5f")
