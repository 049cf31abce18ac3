"""Solve the likelihood of pooled moments in well-scaled coordinates, for R stacked responses."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from stats.errors import FitError
from stats.mixed.covariance.effect_columns import natural_parameters, well_scaled
from stats.mixed.covariance.geometry import Geometry, geometry_of
from stats.mixed.covariance.own_times import shortest_gap, typical_gap
from stats.mixed.covariance.site_variances import Reduced, ReducedTwoLevels, TwoLevels, reduced
from stats.mixed.covariance.structure import Structure
from stats.mixed.covariance.structures_by_name import build_structure
from stats.mixed.fitting.identified import Flat, felt, flat_directions, held_values, white
from stats.mixed.fitting.kenward_roger import KENWARD_ROGER, SmallSample
from stats.mixed.fitting.likelihood import Likelihood, Point
from stats.mixed.fitting.reml import Optimum, better_of, maximise
from stats.mixed.fitting.two_levels import likelihood_of
from stats.mixed.model.layout import collinear
from stats.mixed.model.masks import every, some
from stats.mixed.model.moments import Moments

STARTS = (0.02, 0.7)  # of a correlation, besides the one that the data suggest


@dataclass(frozen=True)
class Solution:
    """Maxima of R replicates in the coordinates y / scale and X @ basis.

    scale (R,); basis (q, q); loglik (R,) in the units of y; converged, boundary, unbounded (R,) bool; `theta` (R, K) in
    the units of y, with every covariance of random effects proper, and `small` the small-sample machinery there. Where
    a replicate is `unbounded`, `free` stands at the maximum where variances of random effects may be negative while
    every participant's covariance is positive definite, where Kenward-Roger stands (`kenward_roger`); else it is
    `small`. `flat`: what the data cannot tell apart (None: nothing), and `kept` (R, K) the parameters without it.
    """

    structure: Structure
    small: SmallSample
    free: SmallSample
    scale: np.ndarray
    basis: np.ndarray
    loglik: np.ndarray
    theta: np.ndarray
    converged: np.ndarray
    boundary: np.ndarray
    unbounded: np.ndarray
    iterations: int
    flat: Flat | None = None
    kept: np.ndarray | None = None
    whole: Likelihood | None = None

    def for_df(self, df: str) -> SmallSample:
        """The small-sample machinery that goes with a df method."""
        return self.free if df.startswith(KENWARD_ROGER) else self.small

    @property
    def beta(self) -> np.ndarray:
        """Coefficients in the units of y and X (R, q)."""
        return (self.small.point.beta * self.scale[:, None]) @ self.basis.T

    @property
    def exact(self) -> bool:
        """Whether this is ordinary least squares, with its exact t and F on rows less coefficients."""
        return self.small.exact_df is not None

    @property
    def n_parameters(self) -> int:
        """Covariance parameters that the data can tell apart."""
        return self.structure.size - (0 if self.flat is None else len(self.flat.dropped))

    @property
    def unknown(self) -> tuple[str, ...]:
        """Parameters that no row bears on (of the first replicate): they stay where the search began."""
        structure, nothing = self.small.likelihood.structure, np.diagonal(self.small.point.expected[0]) == 0
        return tuple(name for (_, name), none in zip(structure.names, nothing, strict=True) if none)

    def hidden(self, scaled: np.ndarray) -> np.ndarray:
        """Combinations `scaled` (m, q), in the columns X @ basis, whose variance the data cannot show (m,)."""
        if self.flat is None or self.whole is None:
            return np.zeros(len(scaled), dtype=bool)
        at = self.small.point.theta[:1]
        structure = self.small.likelihood.structure
        theta = structure.embed(at) if isinstance(structure, Reduced | ReducedTwoLevels) else at
        whole = self.whole.subset(np.arange(len(self.scale)) == 0)
        point = whole.at(theta)
        here = flat_directions(whole, point)  # null vectors of a covariance that bends turn with theta
        return felt(whole, point, here, scaled) if here is not None else np.zeros(len(scaled), dtype=bool)


def solve(
    moments: Moments,
    *,
    correlated: bool = True,
    covariance: str | None = None,
    reml: bool = True,
    times: np.ndarray | None = None,
    basis: np.ndarray | None = None,
    variances_only: bool = False,
) -> Solution:
    """Maximum (restricted) likelihood of every replicate of `moments`.

    basis: columns that are orthogonal already, with a response less its least-squares fit (`pool_orthogonal`,
    `orthogonal`), come with the matrix that made them; else it is found here.
    variances_only: groups differ in the variance over visits alone (`build_structure`).
    Raises FitError where a coefficient or a covariance cannot be estimated from these moments at all.
    """
    if basis is None:
        moments, basis = orthogonal(moments)
    if moments.n_rows <= len(basis):
        raise FitError(
            f"{moments.n_rows} observations cannot carry {len(basis)} coefficients. Use a simpler formula "
            "(for example linear time) or more data."
        )
    variance = np.einsum("rptt->r", moments.C) / (moments.n_rows - len(basis))
    size = (moments.shift**2).sum(axis=1) + variance
    if not every(variance > 1e-22 * size) or not every(np.isfinite(variance)):
        raise FitError(
            "The outcome has no variation left once the formula is accounted for (it is constant or fitted exactly), "
            "so no error can be estimated. Check the outcome column, or describe the values without a model."
        )
    scale = np.sqrt(variance)
    unit, turn = well_scaled(moments.scaled(1 / scale), correlated=correlated)
    if unit.random_terms and covariance is None and unit.sites is None:
        unit = unit.rotated()
    geometry = geometry_of(unit, times)

    def over(geometry: Geometry) -> tuple[Structure, Likelihood]:
        made: Structure = build_structure(
            geometry, unit.slots, unit.random_terms, unit.groups, correlated=correlated, covariance=covariance,
            variances_only=variances_only,
        )  # fmt: skip
        if unit.sites is not None:
            made = TwoLevels(made, unit.sites.effects)
        return made, likelihood_of(unit, made, reml=reml)

    structure, likelihood = over(geometry)
    start = structure.start(_pooled_residuals(unit, covariance))
    rows, q = moments.n_rows, len(basis)
    flat, kept, whole = _flat_above(likelihood, start), None, None
    if flat is not None:
        whole, likelihood, embed = _without(likelihood, unit, structure, flat, start[0])
        optimum = maximise(likelihood, start[:, flat.keep])
        theta, loglik = embed(optimum.shown.theta), optimum.shown.loglik
    else:
        optimum = _highest(likelihood, start)
        flat = _flat(likelihood, optimum, start)
        if flat is None and geometry.times.ndim == 2 and _decay_lost(structure, optimum):
            _, likelihood = over(replace(geometry, shortest=True))
            optimum = _highest(likelihood, start)
        theta, loglik = optimum.shown.theta, optimum.shown.loglik
        if likelihood.structure is not structure:
            theta = theta.copy()
            theta[:, _decays(structure)] **= typical_gap(geometry) / shortest_gap(geometry)
    converged, boundary, unbounded = optimum.converged, optimum.boundary, optimum.unbounded
    shown, point, held = optimum.shown, optimum.point, boundary
    if flat is not None and whole is None:
        whole, likelihood, embed = _without(likelihood, unit, structure, flat, start[0])
        optimum = maximise(likelihood, start[:, flat.keep])
        inside, point = shown, optimum.point
        # The same likelihood over fewer parameters: higher, where proper random effects cannot reach it; lower, where
        # these parameters alone cannot; as high, and on the edge, where nothing beyond it is a maximum.
        gain = np.where(converged & optimum.converged, optimum.loglik - loglik, 0.0)
        unbounded, short = gain > 1e-6, gain < -1e-6
        edge = optimum.boundary & ~optimum.unbounded & ~unbounded & ~short
        shown = _inside(likelihood, structure, flat, inside, point, unbounded | short, start[0])
        if some(short):
            point = likelihood.at(np.where(short[:, None], shown.theta, point.theta))
        boundary = unbounded | edge
        theta = np.where(converged[:, None], theta, embed(point.theta))
        loglik = np.where(converged, loglik, optimum.loglik)
        converged, held = optimum.converged, edge
    if flat is not None:
        kept = natural_parameters(structure, embed(shown.theta), scale, turn)
    loglik = loglik - rows * np.log(scale)
    if reml:
        loglik = loglik + q * np.log(scale) + np.linalg.slogdet(basis)[1]
    bearing = np.count_nonzero(point.expected[0].diagonal())
    exact_df = float(rows - q) if reml and bearing == 1 and white(likelihood, point.theta) else None
    shown = replace(shown, beta=shown.beta + unit.shift)
    small = free = SmallSample(likelihood, shown, held, exact_df=exact_df)
    if shown.theta is not point.theta and some(unbounded):
        free = SmallSample(likelihood, replace(point, beta=point.beta + unit.shift), boundary & ~unbounded)
    return Solution(
        structure, small, free, scale, basis, loglik, natural_parameters(structure, theta, scale, turn), converged,
        boundary, unbounded, optimum.iterations, flat, kept, whole,
    )  # fmt: skip


def _decays(structure: Structure) -> np.ndarray:
    """Which parameters are a correlation over times (K,) bool that has its edge at zero."""
    single = [at[0] for size, at in structure.cones if size == 1]
    named = [name.startswith("corr") for _, name in structure.names]
    return np.array(named) & np.isin(np.arange(structure.size), single)


def _highest(likelihood: Likelihood, start: np.ndarray) -> Optimum:
    """The maximum from `start`; of a decay over time, which may have two, the higher of what several starts find."""
    optimum, decays = maximise(likelihood, start), _decays(likelihood.structure)
    for correlation in STARTS if decays.any() else ():
        optimum = better_of(optimum, maximise(likelihood, np.where(decays, correlation, start)))
    return optimum


def _decay_lost(structure: Structure, optimum: Optimum) -> bool:
    """Whether a correlation over times of their own ended at zero or nowhere: the shortest gap states it better."""
    decays = _decays(structure)
    return bool(decays.any() and ((optimum.shown.theta[:, decays] == 0).any() or not every(optimum.converged)))


def _without(
    likelihood: Likelihood, moments: Moments, structure: Structure, flat: Flat, start: np.ndarray
) -> tuple[Likelihood, Likelihood, Callable[[np.ndarray], np.ndarray]]:
    """The likelihood itself, the one over the parameters that stay, and from those to all of them."""
    part = reduced(structure, flat.keep, held_values(structure, start))
    return likelihood, likelihood_of(moments, part, reml=likelihood.reml), part.embed


def _inside(
    likelihood: Likelihood, structure: Structure, flat: Flat, inside: Point, point: Point, where: np.ndarray,
    start: np.ndarray,
) -> Point:  # fmt: skip
    """The maximum of proper random effects in the parameters that stay (`likelihood`) `where` asked, else `point`.

    From the maximum `inside` the flat directions lead to the same covariance with the dropped parameters held.
    """
    D = flat.directions[flat.dropped]
    if not some(where) or D.shape[0] != D.shape[1]:
        return point
    gap = held_values(structure, start)[flat.dropped] - inside.theta[:, flat.dropped]
    try:
        moved = inside.theta + np.linalg.solve(D, gap.T).T @ flat.directions.T
    except np.linalg.LinAlgError:
        return point
    moved = np.where(np.abs(moved) < 1e-13, 0.0, moved)  # of a response with unit variance: rounding of the solution
    there = likelihood.at(np.where(where[:, None], moved[:, flat.keep], point.theta))
    same = np.abs(there.loglik - inside.loglik) < 1e-7  # not so where the covariance bends
    return there if every(same | ~where) else point


def _flat_above(likelihood: Likelihood, start: np.ndarray) -> Flat | None:
    """Flat directions that take in a variance above participants: such a one runs away, so it is looked for first."""
    structure = likelihood.structure
    if not isinstance(structure, TwoLevels):
        return None
    first = likelihood.subset(np.arange(len(start)) == 0)
    flat = flat_directions(first, first.at(start[:1]))
    return flat if flat is not None and (flat.dropped >= structure.lower).any() else None


def _flat(likelihood: Likelihood, optimum: Optimum, start: np.ndarray) -> Flat | None:
    """Directions that are flat at the end of the first replicate's search and were so at its start."""
    if np.isfinite(optimum.loglik[0]) and flat_directions(likelihood, optimum.point) is None:
        return None
    first = likelihood.subset(np.arange(len(start)) == 0)
    return flat_directions(first, first.at(start[:1]))


def orthogonal(moments: Moments) -> tuple[Moments, np.ndarray]:
    """Moments of columns with X'X = N I, responses less their least-squares fits, and the matrix that makes them.

    FitError where columns are collinear.
    """
    XX = np.einsum("pjjab->ab", moments.A)
    size = np.sqrt(np.maximum(np.diag(XX), 0))
    if (size == 0).any():
        raise collinear([moments.terms[k] for k in np.flatnonzero(size == 0)])
    unit = XX / (size[:, None] * size)
    try:
        L = np.linalg.cholesky(unit)
    except np.linalg.LinAlgError:
        L = np.diag(np.zeros(len(size)))
    if (np.diag(L) < 1e-7).any():
        values, vectors = np.linalg.eigh(unit)
        involved = np.abs(vectors[:, values < 1e-12]).max(axis=1, initial=0.0) > 1e-3
        raise collinear([moments.terms[k] for k in np.flatnonzero(involved)])
    basis = np.linalg.inv(L).T / size[:, None] * np.sqrt(moments.n_rows)
    moments = moments.transformed(basis)
    return moments.shifted_to(moments.shift + _least_squares(moments)), basis


def _least_squares(moments: Moments) -> np.ndarray:
    XX = np.einsum("pjjab->ab", moments.A)
    return np.linalg.solve(XX, np.einsum("rpjja->ra", moments.B).T).T


def _pooled_residuals(moments: Moments, covariance: str | None) -> np.ndarray:
    """Mean residual products of every pair of slots (R, T, T)."""
    pairs = (moments.n[:, None] * moments.observed).T @ moments.observed
    if covariance in ("unstructured", "unequal-unstructured") and (pairs == 0).any():
        j, k = (int(index[0]) for index in np.nonzero(pairs == 0))
        raise FitError(
            f"No participant was seen at both {moments.slots[j]} and {moments.slots[k]}, so their covariance cannot be "
            "estimated. Use covariance='toeplitz', 'ar1' or 'compound-symmetry', or leave one visit out."
        )
    # Slots never observed together contribute nothing and are left at zero covariance
    return moments.C.sum(axis=1) / np.maximum(pairs, 1)
