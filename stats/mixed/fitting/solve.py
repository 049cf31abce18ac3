"""Solve the likelihood of pooled moments in well-scaled coordinates, for R stacked responses."""

from dataclasses import dataclass, replace

import numpy as np

from stats.errors import FitError
from stats.mixed.covariance.geometry import geometry_of
from stats.mixed.covariance.structure import Structure
from stats.mixed.covariance.structures_by_name import build_structure
from stats.mixed.fitting.likelihood import Likelihood
from stats.mixed.fitting.reml import maximise
from stats.mixed.fitting.small_sample import SmallSample
from stats.mixed.model.layout import collinear
from stats.mixed.model.masks import every
from stats.mixed.model.moments import Moments


@dataclass(frozen=True)
class Solution:
    """Maxima of R replicates in the coordinates y / scale and X @ basis.

    scale (R,); basis (q, q); z_scale (r,); loglik (R,) in the units of y; converged, boundary (R,) bool; `small` the
    small-sample machinery there. `theta` (R, K) in the units of y.
    """

    structure: Structure
    small: SmallSample
    scale: np.ndarray
    basis: np.ndarray
    loglik: np.ndarray
    theta: np.ndarray
    converged: np.ndarray
    boundary: np.ndarray
    iterations: int

    @property
    def beta(self) -> np.ndarray:
        """Coefficients in the units of y and X (R, q)."""
        return (self.small.point.beta * self.scale[:, None]) @ self.basis.T

    @property
    def unknown(self) -> tuple[str, ...]:
        """Parameters that no row bears on (of the first replicate): they stay where the search began."""
        nothing = np.diagonal(self.small.point.expected[0]) == 0
        return tuple(name for (_, name), none in zip(self.structure.names, nothing, strict=True) if none)


def solve(
    moments: Moments,
    *,
    correlated: bool = True,
    covariance: str | None = None,
    reml: bool = True,
    times: np.ndarray | None = None,
    basis: np.ndarray | None = None,
) -> Solution:
    """Maximum (restricted) likelihood of every replicate of `moments`.

    basis: columns that are orthogonal already, with a response less its least-squares fit (`pool_orthogonal`,
    `orthogonal`), come with the matrix that made them; else it is found here.
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
    z_scale = _effect_sizes(moments)
    unit = moments.scaled(1 / scale, z_scale)
    effects_only = bool(unit.random_terms) and covariance is None
    if effects_only:
        unit = unit.rotated()
    structure = build_structure(
        geometry_of(unit, times),
        unit.slots,
        unit.random_terms,
        unit.groups,
        correlated=correlated,
        covariance=covariance,
    )
    likelihood = Likelihood(unit, structure, reml=reml)
    pooled = _pooled_residuals(unit, covariance)
    optimum = maximise(likelihood, structure.start(pooled))
    point = replace(optimum.point, beta=optimum.point.beta + unit.shift)
    rows, q = moments.n_rows, len(basis)
    loglik = optimum.loglik - rows * np.log(scale)
    if reml:
        loglik = loglik + q * np.log(scale) + np.linalg.slogdet(basis)[1]
    theta = optimum.theta * _units(structure, scale, z_scale)
    return Solution(
        structure, SmallSample(likelihood, point, optimum.boundary), scale, basis, loglik, theta, optimum.converged,
        optimum.boundary, optimum.iterations,
    )  # fmt: skip


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


def _effect_sizes(moments: Moments) -> np.ndarray:
    """Root mean square (r,) of each random-effect covariate over the observed cells."""
    if moments.Z is None:
        return np.ones(0)
    seen = moments.observed * moments.n[:, None]
    size = np.sqrt(seen.ravel() @ (moments.Z**2).reshape(seen.size, -1) / seen.sum())
    if (size == 0).any():
        empty = [moments.random_terms[k] for k in np.flatnonzero(size == 0)]
        raise FitError(f"Random effect {', '.join(empty)} is zero on every row. Remove it from random=.")
    return size


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


def _units(structure: Structure, scale: np.ndarray, z_scale: np.ndarray) -> np.ndarray:
    """Factors (R, K) from scaled to natural parameters: variances times scale^2, effects per unit of Z."""
    effect = np.ones(structure.size)
    if len(z_scale):
        for position, (i, j) in _effect_positions(structure, len(z_scale)):
            effect[position] = z_scale[i] * z_scale[j]
    power = [0 if label.startswith("corr") else 2 for _, label in structure.names]
    return scale[:, None] ** power / effect


def _effect_positions(structure: Structure, r: int) -> list[tuple[int, tuple[int, int]]]:
    """Parameter positions of the entries (i, j) of G."""
    found: list[tuple[int, tuple[int, int]]] = []
    single = 0
    for size, at in structure.cones:
        if size == 1 and r > 1:
            found.append((at[0], (single % r, single % r)))
            single += 1
        else:
            found += zip(at, [(i, j) for i in range(size) for j in range(i + 1)], strict=False)
    return found
