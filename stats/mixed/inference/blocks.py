"""Participants one by one, or pattern by pattern: what robust variances, residuals and predictions need beyond sums."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from stats.errors import FitError
from stats.mixed.covariance.geometry import Geometry, geometry_of
from stats.mixed.covariance.site_variances import TwoLevels
from stats.mixed.covariance.structure import Structure
from stats.mixed.covariance.structures_by_name import build_structure
from stats.mixed.fitting.two_levels import TwoLevelLikelihood
from stats.mixed.inference.fitted import Fitted
from stats.mixed.model.layout import Layout
from stats.mixed.model.moments import pattern_of_participants
from stats.mixed.model.site_rows import SiteRows

CELLS = 2_000_000  # numbers in the largest array of one step over participants
ROWS = 4000  # of a site, whose covariance is then written out: 128 MB


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
    """The structure over the visits themselves (not rotated slots), and its parameters in natural units (1, K).

    With sites or therapists: the covariance inside participants, given those.
    """
    structure = build_structure(
        geometry_of(fit.moments, fit.times), fit.moments.slots, fit.moments.random_terms, fit.moments.groups,
        correlated=fit.correlated, covariance=fit.covariance, variances_only=fit.variance_by is not None,
    )  # fmt: skip
    return structure, fit.solution.theta[:1, : structure.size]


def site_effects(fit: Fitted) -> np.ndarray:
    """Best linear unbiased predictions of the effects above participants (blocks, r): G U'V^-1 (y - X b)."""
    inner, _ = natural_structure(fit)
    sums = fit.moments.sites
    if sums is None:
        raise FitError("The model has no effects of sites or therapists to predict.")
    likelihood = TwoLevelLikelihood(fit.moments, TwoLevels(inner, sums.effects))
    away = np.linalg.solve(fit.solution.basis, fit.beta) - fit.moments.shift[0]
    return likelihood.shares(fit.solution.theta[:1], away[None])


def between_sites(fit: Fitted, sites: SiteRows) -> np.ndarray:
    """G (r, r), the covariance of the effects above participants."""
    above = fit.solution.theta[0, -len(sites.effects.names) :]
    return np.einsum("k,kab->ab", above, sites.effects.E)


def site_blocks(fit: Fitted, purpose: str) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Rows (n,) and covariance (n, n) of every block of sites; FitError where one is too large to write out."""
    layout = rows_of(fit, purpose)
    sites = layout.sites
    assert sites is not None
    size = int(np.bincount(sites.block).max())
    if size > ROWS:
        raise FitError(
            f"{purpose} with sites writes out the covariance of each: {size} rows of one are more than {ROWS}. "
            "Use the model-based answers (fixed, means, contrast, test)."
        )
    G = between_sites(fit, sites)
    whole = {s: (rows := np.flatnonzero(sites.block == s), sites.U[rows] @ G @ sites.U[rows].T)
             for s in range(len(sites.blocks)) if (sites.block == s).any()}  # fmt: skip
    place = np.empty(layout.n_rows, dtype=int)
    for rows, _ in whole.values():
        place[rows] = np.arange(len(rows))
    for part in blocks(fit, purpose):
        at = place[part.rows]
        whole[int(sites.block[part.rows.start])][1][at[0] : at[-1] + 1, at[0] : at[-1] + 1] += part.V
    yield from whole.values()


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
    """`alike` of a fit made from rows, with sites each site as one; FitError after `fit_moments`."""
    layout = rows_of(fit, purpose)
    if layout.sites is None:
        yield from alike(layout, *natural_structure(fit))
        return
    if len(layout.sites.blocks) < 2:
        raise FitError(
            f"{purpose} needs clusters that share nothing, and here every participant is tied to every other through "
            "therapists. Use Kenward-Roger or Satterthwaite df."
        )
    for s, (rows, V) in enumerate(site_blocks(fit, purpose)):
        yield Alike(np.array([s]), rows[None], layout.X[rows][None], V[None])


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
