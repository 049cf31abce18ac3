"""Maximise the likelihood of stacked responses: damped Newton, then a search on the boundary where it lies there.

Inside the parameter space Newton's method runs in the natural parameters, on the observed information where that is
positive definite and on the expected information elsewhere, halving steps that leave the positive definite matrices or
lower the likelihood. Random effects must have a positive semi-definite G; a maximum outside is searched again over a
Cholesky factor of G, whose zero rows are the boundary. Convergence is a small Newton decrement (gradient in the metric
of the information) at the end, or for a boundary the first-order conditions of the cone, never the lack of progress.
"""

from dataclasses import dataclass, fields

import numpy as np

from stats.mixed.covariance import Structure
from stats.mixed.likelihood import Likelihood, Point

TOLERANCE = 1e-16  # Newton decrement, about (distance from the maximum in standard errors) squared
ITERATIONS = 80
HALVINGS = 20
FIELDS = tuple(field.name for field in fields(Point))
CRAWL = 4  # short steps in a row after which a search runs into the edge of the positive definite matrices


@dataclass(frozen=True)
class Optimum:
    """Maxima of R replicates: the likelihood there, converged (R,) bool, boundary (R,) bool, decrement (R,), steps."""

    point: Point
    converged: np.ndarray
    boundary: np.ndarray
    decrement: np.ndarray
    iterations: int

    @property
    def theta(self) -> np.ndarray:
        """Parameters (R, K)."""
        return self.point.theta

    @property
    def loglik(self) -> np.ndarray:
        """Maximised log-likelihoods (R,)."""
        return self.point.loglik


def maximise(likelihood: Likelihood, start: np.ndarray) -> Optimum:
    """The maximum of each replicate from `start` (R, K)."""
    structure = likelihood.structure
    theta, point, decrement, iterations = _newton(likelihood, start, _Natural())
    boundary = np.zeros(len(theta), dtype=bool)
    if structure.cones:
        boundary = ~_inside_cones(structure, theta) | ~(decrement < 1e-9)
        if boundary.any():
            some = np.flatnonzero(boundary)
            part = likelihood.subset(some)
            cholesky = _Cholesky(structure)
            phi, _, dec, more = _newton(part, cholesky.start(theta[some], start[some]), cholesky)
            snapped = cholesky.snap(phi)
            point, decrement[some] = _put(point, some, part.at(snapped)), dec
            iterations = max(iterations, more)
            boundary[some] = cholesky.on_boundary(snapped)
    ok = decrement < 1e-9
    if boundary.any():
        ok = ok & (~boundary | _cone_conditions(structure, point))
    return Optimum(point, ok & np.isfinite(point.loglik), boundary, decrement, iterations)


class _Natural:
    """Newton in the natural parameters."""

    def theta(self, x: np.ndarray) -> np.ndarray:
        return x

    def quadratic(self, x: np.ndarray, point: Point) -> tuple[np.ndarray, np.ndarray]:
        """Gradient and a positive definite curvature: observed information where it is one, else expected."""
        convex = np.linalg.eigvalsh(_unit(point.observed))[:, 0] > 1e-6
        if convex.all():
            return point.score, point.observed
        return point.score, np.where(convex[:, None, None], point.observed, point.expected)


class _Cholesky:
    """Newton over lower-triangular factors L of the positive semi-definite blocks, G = L L'."""

    def __init__(self, structure: Structure) -> None:
        self.structure = structure
        K = structure.size
        self.blocks = [(size, np.array(at)) for size, at in structure.cones]
        # d2 theta / d phi2 is constant: theta is quadratic in phi.
        self.curve = np.zeros((K, K, K))
        for size, at in self.blocks:
            rows, cols = _triangle(size, len(at))
            place = {(i, j): k for i, j, k in zip(rows, cols, at, strict=True)}
            for (i, j), k in place.items():
                for m in range(min(i, j) + 1):
                    a, b = place.get((i, m)), place.get((j, m))
                    if a is not None and b is not None:
                        self.curve[k, a, b] += 1.0
                        self.curve[k, b, a] += 1.0
        self.free = np.setdiff1d(np.arange(K), np.concatenate([at for _, at in self.blocks]))

    def theta(self, x: np.ndarray) -> np.ndarray:
        out = 0.5 * np.einsum("kab,ra,rb->rk", self.curve, x, x)
        out[:, self.free] = x[:, self.free]
        return out

    def jacobian(self, x: np.ndarray) -> np.ndarray:
        """d theta / d phi (R, K, K)."""
        J = np.einsum("kab,rb->rka", self.curve, x)
        J[:, self.free, self.free] = 1.0
        return J

    def quadratic(self, x: np.ndarray, point: Point) -> tuple[np.ndarray, np.ndarray]:
        J = self.jacobian(x)
        gradient = np.einsum("rka,rk->ra", J, point.score)
        curvature = np.swapaxes(J, 1, 2) @ point.observed @ J - np.einsum("rk,kab->rab", point.score, self.curve)
        scale = np.sqrt(np.maximum(np.abs(np.einsum("rkk->rk", curvature)), 1e-12))
        values, vectors = np.linalg.eigh(curvature / (scale[:, :, None] * scale[:, None, :]))
        # A direction of negative curvature is climbed, not descended: its absolute value keeps the step uphill.
        values = np.maximum(np.abs(values), 1e-8)
        positive = (vectors * values[:, None, :]) @ np.swapaxes(vectors, 1, 2)
        return gradient, positive * scale[:, :, None] * scale[:, None, :]

    def start(self, theta: np.ndarray, fallback: np.ndarray) -> np.ndarray:
        """Factors of the nearest positive definite blocks; the first start where the natural search ended nowhere."""
        x = np.where(np.isfinite(theta).all(axis=1, keepdims=True), theta, fallback)
        x = np.where(self.structure.inside(x)[:, None], x, fallback)
        for (size, at), G in zip(self.blocks, self.matrices(x), strict=True):
            rows, cols = _triangle(size, len(at))
            top = np.maximum(np.abs(np.einsum("rii->ri", G)), np.abs(self._diagonal(fallback, size, at)) * 0.05)
            scale = np.sqrt(top)
            corr = G / (scale[:, :, None] * scale[:, None, :])
            values, vectors = np.linalg.eigh(corr)
            corr = (vectors * np.maximum(values, 0.05)[:, None, :]) @ np.swapaxes(vectors, 1, 2)
            x[:, at] = (np.linalg.cholesky(corr) * scale[:, :, None])[:, rows, cols]
        return x

    def _diagonal(self, theta: np.ndarray, size: int, at: np.ndarray) -> np.ndarray:
        rows, cols = _triangle(size, len(at))
        return theta[:, at[rows == cols]]

    def matrices(self, theta: np.ndarray) -> list[np.ndarray]:
        """The blocks G of theta."""
        return cone_matrices(self.structure, theta)

    def snap(self, x: np.ndarray) -> np.ndarray:
        """theta of a factor whose negligible directions are exactly zero."""
        theta = self.theta(x)
        for (size, at), G in zip(self.blocks, self.matrices(theta), strict=True):
            rows, cols = _triangle(size, len(at))
            values, vectors = np.linalg.eigh(G)
            unit = theta[:, self.free[-1]] if len(self.free) else np.ones(len(theta))
            size_of = np.maximum(values[:, -1], unit)
            values = np.where(values < 1e-9 * size_of[:, None], 0.0, values)
            theta[:, at] = ((vectors * values[:, None, :]) @ np.swapaxes(vectors, 1, 2))[:, rows, cols]
        return theta

    def on_boundary(self, theta: np.ndarray) -> np.ndarray:
        flags = [np.linalg.eigvalsh(G)[:, 0] <= 1e-10 * self._size(G, theta) for G in self.matrices(theta)]
        return np.any(flags, axis=0)

    def _size(self, G: np.ndarray, theta: np.ndarray) -> np.ndarray:
        unit = theta[:, self.free[-1]] if len(self.free) else np.ones(len(theta))
        return np.maximum(np.linalg.norm(G, axis=(1, 2)), unit)


def cone_matrices(structure: Structure, theta: np.ndarray) -> list[np.ndarray]:
    """The positive semi-definite blocks of theta (R, K) as matrices (R, size, size)."""
    out = []
    for size, at in structure.cones:
        rows, cols = _triangle(size, len(at))
        G = np.zeros((len(theta), size, size))
        G[:, rows, cols] = theta[:, list(at)]
        G[:, cols, rows] = theta[:, list(at)]
        out.append(G)
    return out


def _triangle(size: int, count: int) -> tuple[np.ndarray, np.ndarray]:
    rows, cols = np.tril_indices(size)
    return rows[:count], cols[:count]


def _unit(matrix: np.ndarray) -> np.ndarray:
    """A symmetric matrix scaled to unit diagonal (sign kept)."""
    size = np.sqrt(np.maximum(np.abs(np.diagonal(matrix, axis1=1, axis2=2)), 1e-300))
    return matrix / (size[:, :, None] * size[:, None, :])


def _newton(likelihood: Likelihood, start: np.ndarray, way) -> tuple[np.ndarray, Point, np.ndarray, int]:
    """Damped Newton for every replicate: x, the likelihood there, Newton decrements and steps.

    Replicates that have converged, or cannot go on, leave the stack.
    """
    x = np.array(start, dtype=float)
    decrement = np.full(len(x), np.inf)
    active = np.arange(len(x))
    here, ends = likelihood, None
    point = here.at(way.theta(x))
    polished = np.zeros(len(x), dtype=bool)
    crawling = np.zeros(len(x), dtype=int)
    iteration = 0
    while iteration < ITERATIONS:
        iteration += 1
        gradient, curvature = way.quadratic(x[active], point)
        step = _solve(curvature, gradient)
        dec = (gradient * step).sum(axis=1)
        decrement[active] = dec
        done = (dec < TOLERANCE) | polished[active]
        # Close to the maximum a full Newton step is quadratic and needs no search; one more look, then stop.
        polished[active] |= dec < 1e-13
        if done.all():
            break
        if done.any():
            ends = _keep_ends(ends, point, active, done, len(x))
            active, step, here, point = active[~done], step[~done], here.subset(~done), _take(point, ~done)
        x[active], point, length = _search(here, way, x[active], step, point)
        crawling[active] = np.where(length < 0.05, crawling[active] + 1, 0)
        stuck = (length == 0) | (crawling[active] >= CRAWL)
        if stuck.all():
            break
        if stuck.any():
            ends = _keep_ends(ends, point, active, stuck, len(x))
            active, here, point = active[~stuck], here.subset(~stuck), _take(point, ~stuck)
    if ends is not None:
        point = _keep_ends(ends, point, active, np.ones(len(active), dtype=bool), len(x))
    return x, point, decrement, iteration


def _keep_ends(ends: Point | None, point: Point, active: np.ndarray, leaving: np.ndarray, total: int) -> Point:
    """Write the points of leaving replicates to their places among all."""
    if ends is None:
        values = (getattr(point, name) for name in FIELDS)
        ends = Point(*(np.empty((total, *value.shape[1:])) for value in values))
    for name in FIELDS:
        getattr(ends, name)[active[leaving]] = getattr(point, name)[leaving]
    return ends


def _search(
    likelihood: Likelihood, way, x: np.ndarray, step: np.ndarray, point: Point
) -> tuple[np.ndarray, Point, np.ndarray]:
    """Step halving on the likelihood: new x, its point, and the step length taken (0 where none helps)."""
    floor = point.loglik - 1e-9 * (1 + np.abs(point.loglik))  # rounding of the likelihood near its maximum
    length = np.ones(len(x))
    trial = x + step
    best = likelihood.at(way.theta(trial))
    for _ in range(HALVINGS):
        bad = ~(best.loglik >= floor)
        if not bad.any():
            return trial, best, length
        length[bad] /= 2
        trial[bad] = x[bad] + length[bad, None] * step[bad]
        best = _put(best, bad, likelihood.subset(bad).at(way.theta(trial[bad])))
    stuck = ~(best.loglik >= floor)
    if stuck.any():
        trial[stuck], length[stuck] = x[stuck], 0.0
        best = _put(best, stuck, _take(point, stuck))
    return trial, best, length


def _solve(curvature: np.ndarray, gradient: np.ndarray) -> np.ndarray:
    """Newton step; scaled to unit diagonal first, with a floor that keeps a flat direction finite."""
    size = np.sqrt(np.maximum(np.abs(np.diagonal(curvature, axis1=1, axis2=2)), 1e-300))
    unit = curvature / (size[:, :, None] * size[:, None, :]) + 1e-14 * np.eye(curvature.shape[1])
    right = (gradient / size)[:, :, None]
    try:
        return np.linalg.solve(unit, right)[:, :, 0] / size
    except np.linalg.LinAlgError:
        return np.linalg.solve(unit + 1e-6 * np.eye(curvature.shape[1]), right)[:, :, 0] / size


def _take(point: Point, keep: np.ndarray) -> Point:
    return Point(*(getattr(point, name)[keep] for name in FIELDS))


def _put(point: Point, where: np.ndarray, part: Point) -> Point:
    values = []
    for name in FIELDS:
        whole = getattr(point, name).copy()
        whole[where] = getattr(part, name)
        values.append(whole)
    return Point(*values)


def _inside_cones(structure: Structure, theta: np.ndarray) -> np.ndarray:
    """True where every block is positive semi-definite."""
    inside = np.isfinite(theta).all(axis=1)
    if not inside.all():
        theta = np.nan_to_num(theta)
    for (size, at), G in zip(structure.cones, cone_matrices(structure, theta), strict=True):
        inside &= (theta[:, at[0]] >= 0) if size == 1 else (np.linalg.eigvalsh(G)[:, 0] >= 0)
    return inside


def _cone_conditions(structure: Structure, point: Point) -> np.ndarray:
    """First-order conditions on the boundary: the score's matrix is negative semi-definite and orthogonal to G.

    S = d loglik / d G as a symmetric matrix (off-diagonal scores are halved). Both are measured against the size of the
    information, so that they do not depend on units.
    """
    good = np.ones(len(point.theta), dtype=bool)
    scale = np.sqrt(np.maximum(np.einsum("rkk->rk", point.expected), 1e-300))
    relative = point.score / scale
    for (size, at), G in zip(structure.cones, cone_matrices(structure, point.theta), strict=True):
        rows, cols = _triangle(size, len(at))
        S = np.zeros_like(G)
        half = np.where(rows == cols, 1.0, 0.5)
        S[:, rows, cols] = point.score[:, list(at)] * half
        S[:, cols, rows] = S[:, rows, cols]
        weight = 1 / np.sqrt(scale[:, list(at)][:, rows == cols])
        S = S * weight[:, :, None] * weight[:, None, :]
        worst = np.linalg.eigvalsh(S)[:, -1]
        good &= (worst < 1e-4) & (
            np.abs(np.einsum("rij,rji->r", S, G / weight[:, :, None] / weight[:, None, :])) < 1e-4
        )
    inner = np.setdiff1d(np.arange(structure.size), np.concatenate([list(at) for _, at in structure.cones]))
    return good & (np.abs(relative[:, inner]) < 1e-4).all(axis=1)
