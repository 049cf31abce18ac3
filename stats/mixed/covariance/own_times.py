"""Exponential decay over times that differ between participants: correlation rho ** |t_ij - t_ik|."""

from dataclasses import replace

import numpy as np

from stats.errors import FitError
from stats.mixed.covariance.correlated import Power
from stats.mixed.covariance.empirical import correlations, positive
from stats.mixed.covariance.geometry import Geometry
from stats.mixed.covariance.structure import Structure


class OwnTimes(Structure):
    """`Power` over times (P, T) of their own in every pattern of participants.

    The parameter is the correlation at the typical gap, the median, over patterns, of the shortest gap between two
    visits: where all have the same times this is the parameter of `Power`, and the model is the same. Near a
    correlation of zero that parameter bends without end for pairs closer than the typical gap; there the search states
    it at the shortest gap of all (`Geometry.shortest`), see `solve`.
    """

    def __init__(self, geometry: Geometry, slots: tuple, *, equal: bool) -> None:
        pairs, apart, middle = _apart(geometry)
        if (apart[pairs] == 0).any():
            raise FitError(
                "A participant has two visits at the same time: their correlation would be one. Correct the dates, or "
                "take planned days."
            )
        unit = shortest_gap(geometry) if geometry.shortest else typical_gap(geometry)
        self.inner = Power(replace(geometry, times=middle), slots, equal=equal, times=True)
        steps = np.rint(apart / unit)
        self.distance = np.where(np.abs(steps - apart / unit) < 1e-6, steps, apart / unit)  # (P, T, T)
        self.inner.unit, self.inner.fractional = unit, True
        self.inner.corr_names = (f"correlation at {unit} days",)
        self.inner._name(slots)
        self.inner._bound()
        self.names, self.cones, self.P = self.inner.names, self.inner.cones, len(apart)

    def _wide(self, theta: np.ndarray) -> np.ndarray:
        """Every parameter vector once per pattern; the distances of the inner structure follow."""
        self.inner.distance = np.tile(self.distance, (len(theta), 1, 1))
        return np.repeat(theta, self.P, axis=0)

    def matrix(self, theta: np.ndarray) -> np.ndarray:
        made = self.inner.matrix(self._wide(theta))  # (R P, 1, T, T)
        return made.reshape(len(theta), self.P, *made.shape[2:])

    def first(self, theta: np.ndarray) -> np.ndarray:
        made = self.inner.first(self._wide(theta))  # (R P, K, 1, T, T)
        return np.moveaxis(made.reshape(len(theta), self.P, self.size, *made.shape[3:]), 1, 2)

    def second(self, theta: np.ndarray) -> np.ndarray:
        made = self.inner.second(self._wide(theta))  # (R P, K, K, 1, T, T)
        return np.moveaxis(made.reshape(len(theta), self.P, self.size, self.size, *made.shape[4:]), 1, 3)

    def start(self, pooled: np.ndarray) -> np.ndarray:
        variances = np.einsum("rtt->rt", positive(pooled))
        first = variances.mean(axis=1, keepdims=True) if self.inner.equal else variances
        corr, steps = correlations(positive(pooled)), np.arange(pooled.shape[1] - 1)
        near = corr[:, steps, steps + 1].mean(axis=1) if len(steps) else np.full(len(pooled), 0.5)
        return np.concatenate([first, np.clip(near, 0.05, 0.95)[:, None]], axis=1)

    def inside(self, theta: np.ndarray) -> np.ndarray:
        return self.inner.inside(theta)


def _apart(geometry: Geometry) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pairs of visits seen (P, T, T) bool, how far they are apart (P, T, T), and each visit's mean time (T,)."""
    times, seen = geometry.times, geometry.observed
    middle = np.where(seen, times, 0.0).sum(axis=0) / np.maximum(seen.sum(axis=0), 1)
    times = np.where(seen, times, middle)  # of a visit that was missed nothing depends on the time
    pairs = seen[:, :, None] & seen[:, None, :] & ~np.eye(geometry.T, dtype=bool)
    return pairs, np.abs(times[:, :, None] - times[:, None, :]), middle


def _gaps(geometry: Geometry) -> np.ndarray:
    """The shortest gap of every pattern with two visits or more."""
    pairs, apart, _ = _apart(geometry)
    gaps = np.where(pairs, apart, np.inf).min(axis=(1, 2))
    return np.asarray(gaps[np.isfinite(gaps)])


def typical_gap(geometry: Geometry) -> float:
    """Median over patterns of the shortest gap between two visits; 1 where nobody has two."""
    gaps = _gaps(geometry)
    return float(np.median(gaps)) if gaps.size else 1.0


def shortest_gap(geometry: Geometry) -> float:
    """The shortest gap of all; 1 where nobody has two visits."""
    gaps = _gaps(geometry)
    return float(gaps.min()) if gaps.size else 1.0
