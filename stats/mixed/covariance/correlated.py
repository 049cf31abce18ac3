"""Structures stated as variances and correlations: AR(1), exponential, ante-dependence, and unequal-variance forms."""

from abc import abstractmethod

import numpy as np

from stats.mixed.covariance.empirical import correlations, lag_averaged, lag_means, positive
from stats.mixed.covariance.geometry import Geometry
from stats.mixed.covariance.structure import Structure


class Correlated(Structure):
    """Standard deviations times a correlation matrix R(rho): variances (one or one per slot) and correlations.

    S_jk = sqrt(v_j v_k) R_jk. Subclasses give R and its derivatives in the correlation parameters.
    """

    equal: bool
    T: int
    n_corr: int
    corr_names: tuple[str, ...]
    _last: tuple[np.ndarray, tuple] | None = None  # the parts of the parameters asked last: matrix, first and second

    def _name(self, slots: tuple) -> None:
        variances = ("variance",) if self.equal else tuple(f"var({slot})" for slot in slots)
        self.names = tuple(("visit", name) for name in (*variances, *self.corr_names))

    @abstractmethod
    def correlation(self, rho: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """R (R, T, T), first (R, L, T, T) and second (R, L, L, T, T) derivatives in the L correlations."""

    def _parts(self, theta: np.ndarray):
        if self._last is None or not np.array_equal(self._last[0], theta):
            own = theta.copy()  # a search changes its array in place
            self._last = (own, self._new_parts(own))
        return self._last[1]

    def _new_parts(self, theta: np.ndarray) -> tuple:
        m = 1 if self.equal else self.T
        variances = np.broadcast_to(theta[:, :m], (len(theta), self.T))
        sd = np.sqrt(np.maximum(variances, 1e-300))
        return m, variances, sd[:, :, None] * sd[:, None, :], *self.correlation(theta[:, m:])

    def matrix(self, theta: np.ndarray) -> np.ndarray:
        _, _, scale, R, _, _ = self._parts(theta)
        return (scale * R)[:, None]

    def _d_scale(self, variances: np.ndarray, S: np.ndarray) -> np.ndarray:
        """d S / d v_k = S * (1[j = k] + 1[l = k]) / (2 v_k): (R, T, T, T)."""
        one = np.eye(self.T)
        marks = one[:, :, None] + one[:, None, :]
        return S[:, None] * marks / (2 * variances[:, :, None, None])

    def first(self, theta: np.ndarray) -> np.ndarray:
        _, variances, scale, R, dR, _ = self._parts(theta)
        S = scale * R
        by_variance = S[:, None] / variances[:, :1, None, None] if self.equal else self._d_scale(variances, S)
        return np.concatenate([by_variance, scale[:, None] * dR], axis=1)[:, :, None]

    def second(self, theta: np.ndarray) -> np.ndarray:
        m, variances, scale, R, dR, d2R = self._parts(theta)
        S, K = scale * R, m + self.n_corr
        out = np.zeros((len(theta), K, K, self.T, self.T))
        if self.equal:
            cross = scale[:, None] * dR / variances[:, :1, None, None]
            out[:, 0, 1:], out[:, 1:, 0] = cross, cross
        else:
            one = np.eye(self.T)
            marks = one[:, :, None] + one[:, None, :]
            both = marks[:, None] * marks[None] / 4 - np.einsum("kl,kij->klij", one, marks) / 2
            out[:, :m, :m] = (
                S[:, None, None] * both / (variances[:, :, None, None, None] * variances[:, None, :, None, None])
            )
            dS = scale[:, None] * dR  # (R, L, T, T)
            cross = dS[:, None] * marks[None, :, None] / (2 * variances[:, :, None, None, None])
            out[:, :m, m:], out[:, m:, :m] = cross, np.swapaxes(cross, 1, 2)
        out[:, m:, m:] = scale[:, None, None] * d2R
        return out[:, :, :, None]

    def start(self, pooled: np.ndarray) -> np.ndarray:
        variances = np.einsum("rtt->rt", positive(pooled))
        first = variances.mean(axis=1, keepdims=True) if self.equal else variances
        return np.concatenate([first, self.start_correlation(correlations(positive(pooled)))], axis=1)

    @abstractmethod
    def start_correlation(self, corr: np.ndarray) -> np.ndarray:
        """Starting correlations (R, L) from an empirical correlation matrix (R, T, T)."""

    def inside(self, theta: np.ndarray) -> np.ndarray:
        m = 1 if self.equal else self.T
        return (theta[:, :m] > 0).all(axis=1) & (np.abs(theta[:, m:]) < 1).all(axis=1)


class Power(Correlated):
    """Correlation rho ** distance: AR(1) with distance in visits, exponential decay with distance in days."""

    def __init__(self, geometry: Geometry, slots: tuple, *, equal: bool, times: bool) -> None:
        at = geometry.times if times else np.arange(geometry.T, dtype=float)
        self.distance = np.abs(np.subtract.outer(at, at))
        gaps = self.distance[self.distance > 0]
        # Correlation at the shortest gap is the parameter, so that it stays well inside (0, 1) for any unit of time.
        self.unit = float(gaps.min()) if times and gaps.size else 1.0
        steps = np.rint(self.distance / self.unit)
        near = np.abs(self.distance / self.unit - steps) < 1e-6  # a whole number but for the rounding of dates
        self.distance = np.where(near, steps, self.distance / self.unit)
        self.equal, self.T, self.n_corr = equal, geometry.T, 1
        self.fractional = bool((self.distance % 1).any())
        self.corr_names = (f"correlation at {self.unit:g} days",) if times else ("correlation(lag 1)",)
        self._name(slots)
        self._bound()

    def _bound(self) -> None:
        """A correlation below zero has no power but whole ones: elsewhere zero is the edge, and may be the answer."""
        self.cones = ((1, (self.size - 1,)),) if self.fractional else ()

    def correlation(self, rho: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        r, d = rho[:, 0, None, None], self.distance
        R = np.where(d == 0, 1.0, r**d)
        base = np.where(np.abs(r) < 1e-12, 1e-12, r)  # 0 ** (d - 1) at d = 0 would be infinite times 0
        first = np.where(d == 0, 0.0, d * base ** (d - 1))
        second = np.where(d == 0, 0.0, d * (d - 1) * base ** (d - 2))
        return R, first[:, None], second[:, None, None]

    def start_correlation(self, corr: np.ndarray) -> np.ndarray:
        near = self.distance == 1
        return np.clip(corr[:, near].mean(axis=1), 0.05, 0.95)[:, None] if near.any() else np.full((len(corr), 1), 0.5)

    def inside(self, theta: np.ndarray) -> np.ndarray:
        return super().inside(theta) & ((theta[:, -1] >= 0) | (not self.fractional))


class Exchangeable(Correlated):
    """One correlation for every pair (compound symmetry with unequal variances)."""

    def __init__(self, geometry: Geometry, slots: tuple, *, equal: bool = False) -> None:
        self.equal, self.T, self.n_corr, self.corr_names = equal, geometry.T, 1, ("correlation",)
        self.off = 1.0 - np.eye(self.T)
        self._name(slots)

    def correlation(self, rho: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        n, T = len(rho), self.T
        first = np.broadcast_to(self.off, (n, 1, T, T))
        return np.eye(T) + rho[:, :, None] * self.off, first, np.zeros((n, 1, 1, T, T))

    def start_correlation(self, corr: np.ndarray) -> np.ndarray:
        pairs = corr[:, self.off == 1]
        return np.clip(pairs.mean(axis=1), 0.0, 0.9)[:, None] if pairs.shape[1] else np.zeros((len(corr), 1))


class UnequalToeplitz(Correlated):
    """One correlation per distance in visits, a variance per visit."""

    def __init__(self, geometry: Geometry, slots: tuple, *, equal: bool = False) -> None:
        self.equal, self.T, self.n_corr = equal, geometry.T, geometry.T - 1
        lag = np.abs(np.subtract.outer(np.arange(self.T), np.arange(self.T)))
        self.lags = (
            np.stack([(lag == k).astype(float) for k in range(1, self.T)]) if self.T > 1 else np.zeros((0, 1, 1))
        )
        self.corr_names = tuple(f"correlation(lag {k})" for k in range(1, self.T))
        self._name(slots)

    def correlation(self, rho: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        n, T, L = len(rho), self.T, self.n_corr
        R = np.eye(T) + np.einsum("rl,lij->rij", rho, self.lags)
        return R, np.broadcast_to(self.lags, (n, L, T, T)), np.zeros((n, L, L, T, T))

    def start_correlation(self, corr: np.ndarray) -> np.ndarray:
        smooth = correlations(positive(lag_averaged(corr)))
        lags = [lag_means(smooth, k) for k in range(1, self.T)]
        return np.stack(lags, axis=1) if lags else np.empty((len(corr), 0))


class AnteDependence(Correlated):
    """First-order ante-dependence: correlation of visits j < k is the product of the neighbouring ones between them."""

    def __init__(self, geometry: Geometry, slots: tuple, *, equal: bool) -> None:
        self.equal, self.T, self.n_corr = equal, geometry.T, geometry.T - 1
        self.corr_names = tuple(f"corr({slots[k]}, {slots[k + 1]})" for k in range(self.T - 1))
        step, visit = np.arange(self.n_corr), np.arange(self.T)
        self.before, self.after = visit <= step[:, None], visit > step[:, None]
        self.between = step > step[:, None]
        self._name(slots)

    def correlation(self, rho: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        n, L, T = len(rho), self.n_corr, self.T
        R = np.ones((n, T, T))
        for k in range(1, T):  # from visit k - 1 to k is one factor more, whatever the earlier visit
            R[:, :k, k] = R[:, :k, k - 1] * rho[:, k - 1, None]
            R[:, k, :k] = R[:, :k, k]
        # The correlation of j <= a < k is R(j, a) rho_a R(a + 1, k): derivatives leave factors out, never divide.
        before = np.where(self.before, R[:, :, :L].swapaxes(1, 2), 0.0)  # (n, L, T)
        after = np.where(self.after, R[:, 1:], 0.0)
        first = before[..., None] * after[:, :, None]
        between = np.where(self.between, R[:, 1:, :L], 0.0)  # R(a + 1, b) for a < b
        second = (before[:, :, None] * between[..., None])[..., None] * after[:, None, :, None]
        second = second + second.swapaxes(3, 4)
        return R, first + first.swapaxes(2, 3), second + second.swapaxes(1, 2)

    def start_correlation(self, corr: np.ndarray) -> np.ndarray:
        steps = np.arange(self.n_corr)
        return np.clip(corr[:, steps, steps + 1], -0.9, 0.9)
