"""Exact tests over every 2 x 2 table of two arm sizes: p values and rejections as arrays (reference x treatment)."""

from functools import lru_cache

import numpy as np
from scipy.stats import binom, hypergeom

TESTS = ("boschloo", "fisher")
NUISANCE_GRID = 101  # points over which the common proportion is searched for the worst false-positive rate


@lru_cache(maxsize=256)
def table_p_values(n_ref: int, n_trt: int, sides: int, test: str) -> np.ndarray:
    """p value of every pair of counts, (n_ref + 1, n_trt + 1)."""
    p = _fisher(n_ref, n_trt, sides)
    return p if test == "fisher" else _boschloo(p)


@lru_cache(maxsize=256)
def rejected_tables(n_ref: int, n_trt: int, alpha: float, sides: int, test: str) -> np.ndarray:
    """Which pairs of counts the test calls significant in favour of the treatment; 1.0 or 0.0."""
    x, y = np.arange(n_ref + 1), np.arange(n_trt + 1)
    favours = y[None, :] / n_trt > x[:, None] / n_ref
    return ((table_p_values(n_ref, n_trt, sides, test) <= alpha * (1 + 1e-12)) & favours).astype(float)


def _fisher(n_ref: int, n_trt: int, sides: int) -> np.ndarray:
    """Fisher's p for every table; two-sided sums the tables that are no likelier than the one seen."""
    p = np.ones((n_ref + 1, n_trt + 1))
    for successes in range(n_ref + n_trt + 1):
        y = np.arange(max(0, successes - n_ref), min(n_trt, successes) + 1)
        chance = hypergeom.pmf(y, n_ref + n_trt, successes, n_trt)
        if sides == 1:
            values = chance[::-1].cumsum()[::-1]
        else:
            order = np.argsort(chance, kind="stable")
            upto = np.searchsorted(chance[order], chance * (1 + 1e-7), side="right")
            values = chance[order].cumsum()[upto - 1]
        p[successes - y, y] = np.minimum(values, 1.0)
    return p


def _boschloo(fisher: np.ndarray) -> np.ndarray:
    """Largest chance, over the common proportion, of a table with a Fisher p as small as this one.

    Source: Boschloo RD (1970) Stat Neerl 24:1-35.
    """
    n_ref, n_trt = fisher.shape[0] - 1, fisher.shape[1] - 1
    shares = np.linspace(0, 1, NUISANCE_GRID)[1:-1, None]
    x = binom.pmf(np.arange(n_ref + 1), n_ref, shares)
    y = binom.pmf(np.arange(n_trt + 1), n_trt, shares)
    order = np.argsort(fisher, axis=None, kind="stable")
    ranked = fisher.ravel()[order]
    last = np.searchsorted(ranked, ranked * (1 + 1e-12), side="right") - 1  # ties count together
    worst = np.zeros(len(order))
    for px, py in zip(x, y, strict=True):
        worst = np.maximum(worst, np.outer(px, py).ravel()[order].cumsum())
    out = np.empty_like(ranked)
    out[order] = np.minimum(worst[last], 1.0)
    return out.reshape(fisher.shape)
