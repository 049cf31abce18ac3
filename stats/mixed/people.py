"""One block per participant: what robust variances, residuals and predictions need beyond pooled moments."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stats.errors import FitError
from stats.mixed.geometry import geometry_of
from stats.mixed.moments import pattern_of_participants
from stats.mixed.structures import build_structure

if TYPE_CHECKING:
    from stats.mixed.covariance import Structure
    from stats.mixed.fit import MixedFit


@dataclass(frozen=True)
class Block:
    """Rows of one participant: X (n_i, q), residual y - X b (n_i,), covariance V (n_i, n_i), place in the layout."""

    X: np.ndarray
    residual: np.ndarray
    V: np.ndarray
    rows: slice
    slots: np.ndarray
    pattern: int


def natural_structure(fit: "MixedFit") -> tuple["Structure", np.ndarray]:
    """The structure over the visits themselves (not rotated slots), and its parameters in natural units (1, K)."""
    structure = build_structure(
        geometry_of(fit.moments, fit.times), fit.moments.slots, fit.moments.random_terms, fit.moments.groups,
        correlated=fit.correlated, covariance=fit.covariance,
    )  # fmt: skip
    return structure, fit.solution.theta[:1]


def blocks(fit: "MixedFit", purpose: str) -> Iterator[Block]:
    """The blocks of a fit made from rows; FitError after `fit_moments`."""
    layout = fit.layout
    if layout is None:
        raise FitError(f"This fit was made from pooled moments, which carry no rows: {purpose} needs a fit from rows.")
    structure, theta = natural_structure(fit)
    S = structure.matrix(theta)[0]
    residual = layout.y - layout.X @ fit.beta
    starts, pattern = layout.starts(), pattern_of_participants(layout)
    for i, p in enumerate(pattern):
        rows = slice(int(starts[i]), int(starts[i + 1]))
        slots = layout.slot[rows]
        V = S[p if len(S) > 1 else 0][np.ix_(slots, slots)]
        yield Block(layout.X[rows], residual[rows], V, rows, slots, int(p))
