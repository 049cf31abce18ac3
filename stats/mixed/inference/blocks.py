"""Participants one by one, or pattern by pattern: what robust variances, residuals and predictions need beyond sums."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from stats.errors import FitError
from stats.mixed.covariance.geometry import Geometry, geometry_of
from stats.mixed.covariance.structure import Structure
from stats.mixed.covariance.structures_by_name import build_structure
from stats.mixed.inference.fitted import Fitted
from stats.mixed.model.layout import Layout
from stats.mixed.model.moments import pattern_of_participants

CELLS = 2_000_000  # numbers in the largest array of one step over participants


@dataclass(frozen=True)
class Block:
    """Rows of one participant: X (n_i, q), residual y - X b (n_i,), covariance V (n_i, n_i), place in the layout."""

    X: np.ndarray
    residual: np.ndarray
    V: np.ndarray
    rows: slice
    slots: np.ndarray
    pattern: int


@dataclass(frozen=True)
class Alike:
    """Participants of one pattern: places people (m,), rows (m, n_i) in the layout, X (m, n_i, q), V (R, n_i, n_i)."""

    people: np.ndarray
    rows: np.ndarray
    X: np.ndarray
    V: np.ndarray


def natural_structure(fit: Fitted) -> tuple[Structure, np.ndarray]:
    """The structure over the visits themselves (not rotated slots), and its parameters in natural units (1, K)."""
    structure = build_structure(
        geometry_of(fit.moments, fit.times), fit.moments.slots, fit.moments.random_terms, fit.moments.groups,
        correlated=fit.correlated, covariance=fit.covariance, variances_only=fit.variance_by is not None,
    )  # fmt: skip
    return structure, fit.solution.theta[:1]


def structure_over_visits(
    layout: Layout, *, correlated: bool, covariance: str | None, times: np.ndarray | None, variances_only: bool = False
) -> Structure:
    """The structure over the visits of a layout, patterns numbered as `pool_layout` numbers them."""
    pattern = pattern_of_participants(layout)
    _, first = np.unique(pattern, return_index=True)
    place = np.full((len(layout.persons), len(layout.slots)), -1)
    place[layout.person, layout.slot] = np.arange(layout.n_rows)
    rows = place[first]
    if layout.times is not None:
        times = np.where(rows >= 0, layout.times[rows], 0.0)
    geometry = Geometry(
        observed=rows >= 0,
        times=np.arange(len(layout.slots), dtype=float) if times is None else np.asarray(times, dtype=float),
        Z=None if layout.Z is None else np.where((rows >= 0)[:, :, None], layout.Z[rows], 0.0),
        group=layout.group[layout.starts()[:-1]][first],
        n_groups=len(layout.groups),
    )
    return build_structure(
        geometry, layout.slots, layout.random_terms, layout.groups, correlated=correlated, covariance=covariance,
        variances_only=variances_only,
    )  # fmt: skip


def alike(layout: Layout, structure: Structure, theta: np.ndarray) -> Iterator[Alike]:
    """Participants pattern by pattern with their covariance at theta (R, K); large patterns in several parts."""
    S = structure.matrix(theta)
    starts, pattern = layout.starts(), pattern_of_participants(layout)
    for p in range(int(pattern.max()) + 1):
        everyone = np.flatnonzero(pattern == p)
        size = int(starts[everyone[0] + 1] - starts[everyone[0]])
        slots = layout.slot[starts[everyone[0]] : starts[everyone[0]] + size]
        V = S[:, p if S.shape[1] > 1 else 0][:, slots[:, None], slots]
        parts = max(1, -(-len(everyone) * len(theta) * size**2 // CELLS))
        for people in np.array_split(everyone, parts):
            rows = starts[people][:, None] + np.arange(size)
            yield Alike(people, rows, layout.X[rows], V)


def alike_in(fit: Fitted, purpose: str) -> Iterator[Alike]:
    """`alike` of a fit made from rows; FitError after `fit_moments`."""
    return alike(rows_of(fit, purpose), *natural_structure(fit))


def rows_of(fit: Fitted, purpose: str) -> Layout:
    """The rows of a fit; FitError after `fit_moments`."""
    if fit.layout is None:
        raise FitError(f"This fit was made from pooled moments, which carry no rows: {purpose} needs a fit from rows.")
    return fit.layout


def blocks(fit: Fitted, purpose: str) -> Iterator[Block]:
    """The blocks of a fit made from rows; FitError after `fit_moments`."""
    layout = rows_of(fit, purpose)
    structure, theta = natural_structure(fit)
    S = structure.matrix(theta)[0]
    residual = layout.y - layout.X @ fit.beta
    starts, pattern = layout.starts(), pattern_of_participants(layout)
    for i, p in enumerate(pattern):
        rows = slice(int(starts[i]), int(starts[i + 1]))
        slots = layout.slot[rows]
        V = S[p if len(S) > 1 else 0][np.ix_(slots, slots)]
        yield Block(layout.X[rows], residual[rows], V, rows, slots, int(p))
