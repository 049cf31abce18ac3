"""Covariance structures: a matrix over slots, its first and second derivatives, for stacked parameter vectors.

Every structure is stated in its natural (co)variance parameters, since Kenward-Roger's 1997 adjustment is not invariant
to the parameterisation: variances and covariances where the matrix is linear in them (`second` is then None), variances
and correlations elsewhere. Shapes: theta (R, K); matrix (R, P or 1, T, T); first (R or 1, K, P or 1, T, T);
second (R, K, K, P or 1, T, T).
"""

from abc import ABC, abstractmethod
from dataclasses import dataclass

import numpy as np

from stats.mixed.covariance.empirical import lag_averaged, lag_means, positive
from stats.mixed.covariance.geometry import Geometry


class Structure(ABC):
    """A covariance model. `names` are (component, name) pairs, one per parameter."""

    names: tuple[tuple[str, str], ...]
    cones: tuple[tuple[int, tuple[int, ...]], ...] = ()
    """Positive semi-definite blocks as (size, parameter positions of the lower triangle, row by row)."""

    @property
    def size(self) -> int:
        """Number of parameters K."""
        return len(self.names)

    @abstractmethod
    def matrix(self, theta: np.ndarray) -> np.ndarray:
        """Covariance over slots."""

    @abstractmethod
    def first(self, theta: np.ndarray) -> np.ndarray:
        """First derivatives."""

    def second(self, theta: np.ndarray) -> np.ndarray | None:
        """Second derivatives; None where the matrix is linear in theta."""
        return None

    @abstractmethod
    def start(self, pooled: np.ndarray) -> np.ndarray:
        """A starting value (R, K) from pooled residual moments (R, T, T) of an independence fit."""

    def inside(self, theta: np.ndarray) -> np.ndarray:
        """True where the formulas hold (R,); whether the matrix is positive definite is checked apart."""
        return np.ones(len(theta), dtype=bool)


class Linear(Structure):
    """A structure that is a sum of parameters times fixed matrices `basis` (K, P or 1, T, T)."""

    basis: np.ndarray

    def matrix(self, theta: np.ndarray) -> np.ndarray:
        K, P, T, _ = self.basis.shape
        return (theta @ self.basis.reshape(K, P * T * T)).reshape(len(theta), P, T, T)

    def first(self, theta: np.ndarray) -> np.ndarray:
        return self.basis[None]


class Unstructured(Linear):
    """A variance for every slot and a covariance for every pair."""

    def __init__(self, geometry: Geometry, slots: tuple) -> None:
        T = geometry.T
        rows, cols = np.tril_indices(T)
        self.basis = np.zeros((len(rows), 1, T, T))
        k = np.arange(len(rows))
        self.basis[k, 0, rows, cols] = 1.0
        self.basis[k, 0, cols, rows] = 1.0
        self.rows, self.cols = rows, cols
        self.names = tuple(
            ("visit", f"var({slots[i]})" if i == j else f"cov({slots[i]}, {slots[j]})")
            for i, j in zip(rows, cols, strict=True)
        )

    def start(self, pooled: np.ndarray) -> np.ndarray:
        return positive(pooled)[:, self.rows, self.cols]


class CompoundSymmetry(Linear):
    """One variance and one covariance: residual * I + covariance * J."""

    def __init__(self, geometry: Geometry) -> None:
        T = geometry.T
        self.basis = np.stack([np.eye(T), np.ones((T, T))])[:, None]
        self.names = (("visit", "residual"), ("visit", "covariance"))

    def start(self, pooled: np.ndarray) -> np.ndarray:
        variance, lags = lag_means(pooled, 0), [lag_means(pooled, k) for k in range(1, pooled.shape[1])]
        covariance = np.clip(np.mean(lags, axis=0) if lags else 0 * variance, 0, 0.9 * variance)
        return np.stack([variance - covariance, covariance], axis=1)


class Toeplitz(Linear):
    """One variance and one covariance per distance in visits."""

    def __init__(self, geometry: Geometry) -> None:
        T = geometry.T
        lag = np.abs(np.subtract.outer(np.arange(T), np.arange(T)))
        self.basis = np.stack([(lag == k).astype(float) for k in range(T)])[:, None]
        self.names = (("visit", "variance"), *(("visit", f"covariance(lag {k})") for k in range(1, T)))

    def start(self, pooled: np.ndarray) -> np.ndarray:
        shrunk = positive(lag_averaged(pooled))
        return np.stack([lag_means(shrunk, k) for k in range(pooled.shape[1])], axis=1)


class RandomEffects(Linear):
    """Z G Z' + sigma^2 I, G unstructured or diagonal and positive semi-definite."""

    def __init__(self, geometry: Geometry, terms: tuple[str, ...], *, correlated: bool, residual: bool = True) -> None:
        Z = geometry.Z
        if Z is None:
            raise ValueError("random effects need Z")
        r = Z.shape[2]
        pairs = [(i, j) for i in range(r) for j in range(i + 1) if correlated or i == j]
        self.basis = np.empty((len(pairs) + residual, *Z.shape[:2], Z.shape[1]))
        products = Z[:, :, None, :, None] * Z[:, None, :, None, :]
        for k, (i, j) in enumerate(pairs):
            self.basis[k] = products[..., i, j] if i == j else products[..., i, j] + products[..., j, i]
        self.basis[len(pairs) :] = np.eye(geometry.T)
        self.r, self.pairs, self.correlated, self.residual = r, pairs, correlated, residual
        names = [("participant", f"var({terms[i]})" if i == j else f"cov({terms[i]}, {terms[j]})") for i, j in pairs]
        self.names = tuple([*names, ("residual", "var")] if residual else names)
        self.cones = ((r, tuple(range(len(pairs)))),) if correlated else tuple((1, (k,)) for k in range(len(pairs)))

    def start(self, pooled: np.ndarray) -> np.ndarray:
        """Half of a unit variance to the residual, the rest shared by the effects (outcome and Z are in unit scale)."""
        theta = np.zeros((len(pooled), self.size))
        for k, (i, j) in enumerate(self.pairs):
            theta[:, k] = 0.5 / self.r if i == j else 0.0
        if self.residual:
            theta[:, -1] = 0.5
        return theta

    def inside(self, theta: np.ndarray) -> np.ndarray:
        return theta[:, -1] > 0 if self.residual else np.ones(len(theta), dtype=bool)


@dataclass
class Sum(Structure):
    """Two structures added: random effects plus a residual structure over visits."""

    left: Structure
    right: Structure

    def __post_init__(self) -> None:
        self.names = self.left.names + self.right.names
        self.cones = self.left.cones + tuple(
            (size, tuple(k + self.left.size for k in at)) for size, at in self.right.cones
        )

    def _split(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return theta[:, : self.left.size], theta[:, self.left.size :]

    def matrix(self, theta: np.ndarray) -> np.ndarray:
        one, two = self._split(theta)
        return self.left.matrix(one) + self.right.matrix(two)

    def first(self, theta: np.ndarray) -> np.ndarray:
        one, two = self._split(theta)
        return _stack(self.left.first(one), self.right.first(two), len(theta))

    def second(self, theta: np.ndarray) -> np.ndarray | None:
        one, two = self._split(theta)
        return _block(self.left.second(one), self.right.second(two), self.left.size, self.right.size)

    def start(self, pooled: np.ndarray) -> np.ndarray:
        return np.concatenate([self.left.start(pooled) * 0.5, self.right.start(pooled) * self._half()], axis=1)

    def _half(self) -> np.ndarray:
        """Halve variances, leave correlations."""
        return np.array([1.0 if name.startswith(("corr", "ratio")) else 0.5 for _, name in self.right.names])

    def inside(self, theta: np.ndarray) -> np.ndarray:
        one, two = self._split(theta)
        return self.left.inside(one) & self.right.inside(two)


@dataclass
class ByGroup(Structure):
    """The same structure with parameters of its own in every group (arm)."""

    inner: Structure
    geometry: Geometry
    labels: tuple

    def __post_init__(self) -> None:
        self.names = tuple((part, f"{name} in {label}") for label in self.labels for part, name in self.inner.names)
        K = self.inner.size
        self.cones = tuple(
            (size, tuple(k + g * K for k in at)) for g in range(len(self.labels)) for size, at in self.inner.cones
        )
        self.member = self.geometry.group[:, None] == np.arange(len(self.labels))  # (P, G)

    def _parts(self, theta: np.ndarray) -> list[np.ndarray]:
        return np.split(theta, len(self.labels), axis=1)

    def matrix(self, theta: np.ndarray) -> np.ndarray:
        sheets = [self.inner.matrix(part) * self.member[:, g, None, None] for g, part in enumerate(self._parts(theta))]
        return np.sum(sheets, axis=0)

    def first(self, theta: np.ndarray) -> np.ndarray:
        sheets = [self.inner.first(part) * self.member[:, g, None, None] for g, part in enumerate(self._parts(theta))]
        return np.concatenate(sheets, axis=1)

    def second(self, theta: np.ndarray) -> np.ndarray | None:
        total = None
        K = self.inner.size
        for g, part in enumerate(self._parts(theta)):
            sheet = self.inner.second(part)
            if sheet is not None:
                sheet = sheet * self.member[:, g, None, None]
                if total is None:
                    n = K * len(self.labels)
                    total = np.zeros((len(theta), n, n, *sheet.shape[3:]))
                total[:, g * K : (g + 1) * K, g * K : (g + 1) * K] = sheet
        return total

    def start(self, pooled: np.ndarray) -> np.ndarray:
        return np.concatenate([self.inner.start(pooled)] * len(self.labels), axis=1)

    def inside(self, theta: np.ndarray) -> np.ndarray:
        return np.all([self.inner.inside(part) for part in self._parts(theta)], axis=0)


def _stack(a: np.ndarray, b: np.ndarray, R: int) -> np.ndarray:
    shape = np.broadcast_shapes(a.shape[2:], b.shape[2:])
    a = np.broadcast_to(a, (R, a.shape[1], *shape))
    return np.concatenate([a, np.broadcast_to(b, (R, b.shape[1], *shape))], axis=1)


def _block(a: np.ndarray | None, b: np.ndarray | None, K: int, L: int) -> np.ndarray | None:
    if a is None and b is None:
        return None
    shape = (a if a is not None else b).shape  # type: ignore[union-attr]  # not both are None
    out = np.zeros((shape[0], K + L, K + L, *shape[3:]))
    if a is not None:
        out[:, :K, :K] = a
    if b is not None:
        out[:, K:, K:] = b
    return out
