"""Maximise the likelihood of stacked responses: damped Newton, then a search on the boundary where it lies there.

Inside the parameter space Newton's method runs in the natural parameters: the first step on the expected information,
then on the observed information where that is positive definite and on the expected elsewhere, halving steps that leave
the positive definite matrices or lower the likelihood. That maximum is unbounded: every participant's covariance is
positive definite, a variance of random effects may be negative. Random effects proper have a positive semi-definite
G; a maximum outside is searched again over a Cholesky factor of G, whose zero rows are the boundary. Both are kept, the
unbounded one for tests (see `kenward_roger`), the bounded one to be shown. Convergence is a small Newton decrement
(gradient in the metric of the information) at the end, or for a boundary the first-order conditions of the cone, never
the lack of progress.
"""

from dataclasses import dataclass, fields
from functools import lru_cache

import numpy as np

from stats.mixed.covariance.structure import Structure
from stats.mixed.fitting.likelihood import Likelihood, Point
from stats.mixed.fitting.spectrum import spectrum
from stats.mixed.model.masks import every, some

TOLERANCE = 1e-16  # Newton decrement, about (distance from the maximum in standard errors) squared
NEAR = 1e-13  # decrement from which one more step ends the search
ITERATIONS = 80
HALVINGS = 20
PEAKED = 1e-7  # least curvature of what is called a maximum outside the cones
FLAT = 1e-14  # least curvature, on the scale of a unit diagonal
FIELDS = tuple(field.name for field in fields(Point))
SHORT = 0.05  # length of a step
CRAWL = 4  # short steps in a row after which a search runs into the edge of the positive definite matrices


@dataclass(frozen=True)
class Optimum:
    """Maxima of R replicates: the likelihood there, converged (R,) bool, boundary (R,) bool, decrement (R,), steps.

    `shown` is the maximum with every G positive semi-definite; `boundary` says where it lies on the edge of those, and
    `unbounded` (R,) bool where `point` is a maximum outside them instead.
    """

    point: Point
    shown: Point
    converged: np.ndarray
    boundary: np.ndarray
    unbounded: np.ndarray
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


def maximise(likelihood: Likelihood, start: np.ndarray, *, unbounded: bool | None = None) -> Optimum:
    """The maximum of each replicate from `start` (R, K).

    unbounded: whether variances of random effects may be negative in `point` (default: under REML).
    """
    structure = likelihood.structure
    theta, point, decrement, iterations = _newton(likelihood, start, _Natural())
    boundary, outside = np.zeros((2, len(theta)), dtype=bool)
    shown = point
    if structure.cones:
        found = decrement < 1e-9
        boundary = ~_inside_cones(structure, theta) | ~found
        if some(boundary):
            outside = boundary & found & np.isfinite(point.loglik) & _peaked(point)
            again = np.flatnonzero(boundary)
            part = likelihood.subset(again)
            cholesky = _Cholesky(structure)
            phi, _, dec, more = _newton(part, cholesky.start(theta[again], start[again]), cholesky)
            snapped = cholesky.snap(phi)
            shown, decrement[again] = _put(point, again, part.at(snapped)), dec
            iterations = max(iterations, more)
            boundary[again] = cholesky.on_boundary(snapped)
    ok = decrement < 1e-9
    if some(boundary):
        ok = ok & (~boundary | _cone_conditions(structure, shown))
    ok = ok & np.isfinite(shown.loglik)
    # Where the search inside found a maximum that is none of the edge, that one counts.
    free = outside & (boundary | ~ok) & (likelihood.reml if unbounded is None else unbounded)
    point = _put(shown, free, _take(point, free)) if some(free) else shown
    return Optimum(point, shown, ok | free, boundary, free, decrement, iterations)


def better_of(one: Optimum, other: Optimum) -> Optimum:
    """Replicate by replicate the higher of two maxima; the first where they are as high but for rounding."""
    higher = other.converged & (~one.converged | (other.loglik > one.loglik + 1e-7))
    if not some(higher):
        return one
    if every(higher):
        return other

    def mixed(mine: np.ndarray, theirs: np.ndarray) -> np.ndarray:
        return np.where(higher, theirs, mine)

    return Optimum(
        _put(one.point, higher, _take(other.point, higher)), _put(one.shown, higher, _take(other.shown, higher)),
        mixed(one.converged, other.converged), mixed(one.boundary, other.boundary),
        mixed(one.unbounded, other.unbounded), mixed(one.decrement, other.decrement),
        max(one.iterations, other.iterations),
    )  # fmt: skip


def _peaked(point: Point) -> np.ndarray:
    """Where the observed information is positive definite (R,), on the scale of a unit diagonal."""
    finite = np.isfinite(point.observed).all(axis=(1, 2))
    observed = point.observed if every(finite) else np.where(finite[:, None, None], point.observed, 0.0)
    return finite & (spectrum(observed)[1][:, 0] > PEAKED)


class _Natural:
    """Newton in the natural parameters."""

    def theta(self, x: np.ndarray) -> np.ndarray:
        return x

    def step(self, x: np.ndarray, point: Point, first: bool) -> tuple[np.ndarray, np.ndarray]:
        """Newton step and decrement: on the observed information where it is positive definite, else on the expected.

        The first step is on the expected one: without missing visits it leads from anywhere to the maximum, and with
        some close to it.
        """
        if first:
            return _step(*spectrum(point.expected), point.score)
        size, values, vectors = spectrum(point.observed)
        bent = values[:, 0] <= 1e-6
        if some(bent):
            for whole, part in zip((size, values, vectors), spectrum(point.expected[bent]), strict=True):
                whole[bent] = part
        return _step(size, values, vectors, point.score)


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

    def step(self, x: np.ndarray, point: Point, first: bool) -> tuple[np.ndarray, np.ndarray]:
        """Newton step and decrement over the factors."""
        J = self.jacobian(x)
        gradient = np.einsum("rka,rk->ra", J, point.score)
        curvature = J.swapaxes(1, 2) @ point.observed @ J - np.einsum("rk,kab->rab", point.score, self.curve)
        size, values, vectors = spectrum(curvature, 1e-12)
        # A direction of negative curvature is climbed, not descended: its absolute value keeps the step uphill.
        return _step(size, np.maximum(np.abs(values), 1e-8), vectors, gradient)

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


@lru_cache(maxsize=64)
def _triangle(size: int, count: int) -> tuple[np.ndarray, np.ndarray]:
    rows, cols = np.tril_indices(size)
    return rows[:count], cols[:count]


def _step(
    size: np.ndarray, values: np.ndarray, vectors: np.ndarray, gradient: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Newton step (R, K) and its decrement (R,).

    The floor keeps a step along a flat direction finite, and the decrement a sum of squares: near a singular covariance
    rounding makes eigenvalues negative, and a decrement made negative by them would pass for convergence.
    """
    along = ((gradient / size)[:, None] @ vectors)[:, 0]
    ahead = along / np.maximum(values, FLAT)
    return (vectors @ ahead[:, :, None])[:, :, 0] / size, (along * ahead).sum(axis=1)


def _newton(likelihood: Likelihood, start: np.ndarray, way) -> tuple[np.ndarray, Point, np.ndarray, int]:
    """Damped Newton for every replicate: x, the likelihood there, Newton decrements and steps.

    Replicates that have converged, or cannot go on, leave the stack.
    """
    ends, active, x = None, np.arange(len(start)), np.array(start, dtype=float)
    last = stuck = np.zeros(len(x), dtype=bool)
    crawling = np.zeros(len(x), dtype=int)
    point = likelihood.at(way.theta(x))
    for steps in range(ITERATIONS + 1):
        step, decrement = way.step(x, point, steps == 0)
        leaving = (decrement < TOLERANCE) | last | stuck
        if every(leaving) or steps == ITERATIONS:
            break
        if some(leaving):
            ends = _keep_ends(ends, (x, decrement, *_values(point)), active, leaving, len(start))
            stay = ~leaving
            likelihood, point = likelihood.subset(stay), _take(point, stay)
            active, x, step, decrement, crawling = (part[stay] for part in (active, x, step, decrement, crawling))
        # Close to the maximum a full Newton step is quadratic and needs no search; one more look, then stop.
        last = decrement < NEAR
        x, point, length = _search(likelihood, way, x, step, point)
        crawling = np.where(length < SHORT, crawling + 1, 0)
        stuck = (length == 0) | (crawling >= CRAWL)
    if ends is not None:
        everyone = np.ones(len(active), dtype=bool)
        x, decrement, *values = _keep_ends(ends, (x, decrement, *_values(point)), active, everyone, len(start))
        point = Point(*values)
    return x, point, decrement, steps


def _keep_ends(
    ends: list[np.ndarray] | None, values: tuple[np.ndarray, ...], active: np.ndarray, leaving: np.ndarray, total: int
) -> list[np.ndarray]:
    """Write the values of leaving replicates to their places among all."""
    if ends is None:
        ends = [np.empty((total, *value.shape[1:])) for value in values]
    for end, value in zip(ends, values, strict=True):
        end[active[leaving]] = value[leaving]
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
        if not some(bad):
            return trial, best, length
        length[bad] /= 2
        trial[bad] = x[bad] + length[bad, None] * step[bad]
        best = _put(best, bad, likelihood.subset(bad).at(way.theta(trial[bad])))
    stuck = ~(best.loglik >= floor)
    if some(stuck):
        trial[stuck], length[stuck] = x[stuck], 0.0
        best = _put(best, stuck, _take(point, stuck))
    return trial, best, length


def _values(point: Point) -> tuple[np.ndarray, ...]:
    return tuple(getattr(point, name) for name in FIELDS)


def _take(point: Point, keep: np.ndarray) -> Point:
    return Point(*(value[keep] for value in _values(point)))


def _put(point: Point, where: np.ndarray, part: Point) -> Point:
    values = []
    for name in FIELDS:
        whole = getattr(point, name).copy()
        whole[where] = getattr(part, name)
        values.append(whole)
    return Point(*values)


def _inside_cones(structure: Structure, theta: np.ndarray) -> np.ndarray:
    """True where every block is positive semi-definite."""
    finite = np.isfinite(theta)
    inside = finite.all(axis=1)
    if not every(finite):
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
