"""A variance of its own per group (arm), with everything else in common: one correlation, or one shape over visits.

A structure of equal variances, v R(rho), becomes v_g R(rho). One with a variance per visit, S(theta), becomes S(theta)
in the first group and f_g S(theta) in the others. Under random effects it is the error that differs.
"""

import numpy as np

from stats.mixed.covariance.correlated import Correlated
from stats.mixed.covariance.geometry import Geometry
from stats.mixed.covariance.structure import Linear, Structure


class GroupErrors(Linear):
    """Independent errors with a variance per group."""

    def __init__(self, geometry: Geometry, labels: tuple) -> None:
        member = geometry.group == np.arange(len(labels))[:, None]  # (G, P)
        self.basis = member[:, :, None, None] * np.eye(geometry.T)
        self.names = tuple(("residual", f"var in {label}") for label in labels)

    def start(self, pooled: np.ndarray) -> np.ndarray:
        return np.full((len(pooled), self.size), 0.5)

    def inside(self, theta: np.ndarray) -> np.ndarray:
        return np.asarray((theta > 0).all(axis=1))


class GroupVariances(Structure):
    """scale_g S, with S the same in every group. Parameters: `m` scales first, then those of S."""

    def __init__(self, inner: Structure, geometry: Geometry, labels: tuple) -> None:
        self.inner, self.labels = inner, labels
        self.member = (geometry.group[:, None] == np.arange(len(labels))).astype(float)  # (P, G)
        self.equal = isinstance(inner, Correlated) and inner.equal
        if self.equal:  # S is R(rho): its own variance is one, every scale a variance
            self.m, names = len(labels), inner.names[1:]
            scales = [("visit", f"variance in {label}") for label in labels]
        else:  # the scale of the first group is one
            self.m, names = len(labels) - 1, inner.names
            scales = [("visit", f"ratio of variances, {label} to {labels[0]}") for label in labels[1:]]
        self.names = (*scales, *names)
        shift = self.m - self.equal
        self.cones = tuple((size, tuple(k + shift for k in at)) for size, at in inner.cones)

    def _split(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Scale of every pattern (R, P), and the parameters of S."""
        scales, own, one = theta[:, : self.m], theta[:, self.m :], np.ones((len(theta), 1))
        if self.equal:
            return scales @ self.member.T, np.concatenate([one, own], axis=1)
        return np.concatenate([one, scales], axis=1) @ self.member.T, own

    @property
    def _free(self) -> np.ndarray:
        """Patterns of the groups whose scale is a parameter (P, m)."""
        return self.member if self.equal else self.member[:, 1:]

    def _first(self, own: np.ndarray) -> np.ndarray:
        return np.asarray(self.inner.first(own))[:, 1:] if self.equal else np.asarray(self.inner.first(own))

    def matrix(self, theta: np.ndarray) -> np.ndarray:
        scale, own = self._split(theta)
        return scale[:, :, None, None] * self.inner.matrix(own)

    def first(self, theta: np.ndarray) -> np.ndarray:
        scale, own = self._split(theta)
        by_scale = self._free.T[None, :, :, None, None] * self.inner.matrix(own)[:, None]
        return np.concatenate([by_scale, scale[:, None, :, None, None] * self._first(own)], axis=1)

    def second(self, theta: np.ndarray) -> np.ndarray:
        scale, own = self._split(theta)
        cross = self._free.T[None, :, None, :, None, None] * self._first(own)[:, None]  # (R, m, L, P, T, T)
        R, m, L = len(theta), self.m, self.size - self.m
        out = np.zeros((R, m + L, m + L, *np.broadcast_shapes(cross.shape, (R, 1, 1, 1, 1, 1))[3:]))
        out[:, :m, m:], out[:, m:, :m] = cross, np.swapaxes(cross, 1, 2)
        bend = self.inner.second(own)
        if bend is not None:
            bend = bend[:, 1:, 1:] if self.equal else bend
            out[:, m:, m:] = scale[:, None, None, :, None, None] * bend
        return out

    def start(self, pooled: np.ndarray) -> np.ndarray:
        own = self.inner.start(pooled)
        if self.equal:
            return np.concatenate([np.repeat(own[:, :1], self.m, axis=1), own[:, 1:]], axis=1)
        return np.concatenate([np.ones((len(own), self.m)), own], axis=1)

    def inside(self, theta: np.ndarray) -> np.ndarray:
        _, own = self._split(theta)
        return (theta[:, : self.m] > 0).all(axis=1) & self.inner.inside(own)
