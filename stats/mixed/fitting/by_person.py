"""The likelihood of many small trials at once, each with its own design: participants instead of pooled sums.

Pooled moments pay where many participants share few patterns. A simulated pilot has 12 to 40 participants, its own
baselines and its own gaps: there X itself is smaller than its moments. With E_i = W_i X_i and e_i = W_i (y_i - X_i b)
everything is a sum over participants that the derivatives V_k, the same for everybody, meet only once:

    score_k     = -1/2 < V_k, sum W_i - H_i - e_i e_i' >,  H_i = E_i Phi E_i'
    quadratic   = V_k V_m against sum W_i (x) e_i e_i',   expected = against sum W_i (x) (W_i / 2 - H_i)
    P_k         = -V_k against sum E_i (x) E_i

(the formulas of `likelihood`). Covariance matrices are inverted by Cholesky factors over the whole stack.
"""

import numpy as np

from stats.mixed.covariance.structure import Structure
from stats.mixed.fitting.likelihood import LIMITS, LOG_2PI, NEARLY, Likelihood, Point
from stats.mixed.fitting.spectrum import inverse_or_none
from stats.mixed.model.masks import every

LEAST = 1e-18  # below every pivot that counts as positive: NEARLY times the least variance in LIMITS


class ByPerson(Likelihood):
    """The log-likelihood of R trials of n participants over T visits, a function of theta (R, K).

    X (R, n, T, q) and y (R, n, T), zero where `seen` (R, n, T) is false; the covariance is the same for everybody.
    """

    def __init__(
        self, X: np.ndarray, y: np.ndarray, seen: np.ndarray, structure: Structure, *, reml: bool = True
    ) -> None:
        _, n, T, q = X.shape
        self.structure, self.reml, self.q, self.P, self.T = structure, reml, q, n, T
        self.n, self.own_design, self.seen = np.ones((1, n)), True, seen
        self.XY = np.concatenate([X, y[..., None]], axis=3)
        self.rows = seen.sum(axis=(1, 2))
        self.slots = np.moveaxis(seen, 2, 0).copy()  # (T, R, n)

    def subset(self, keep: np.ndarray) -> "ByPerson":
        """The same likelihood for some of the replicates."""
        part = object.__new__(ByPerson)
        part.__dict__.update(self.__dict__)
        part.XY, part.seen, part.rows, part.slots = self.XY[keep], self.seen[keep], self.rows[keep], self.slots[:, keep]
        return part

    def over_rows(self, weights: np.ndarray) -> np.ndarray:
        """sum of X_i' weights_i X_i, weights (R, M, n T T): (R, M, q q)."""
        R, M, X = len(weights), weights.shape[1], self.XY[..., : self.q]
        inner = weights.reshape(R, M, self.P, self.T, self.T) @ X[:, None]
        flat = X.reshape(R, 1, self.P * self.T, self.q).swapaxes(2, 3)
        return (flat @ inner.reshape(R, M, self.P * self.T, self.q)).reshape(R, M, -1)

    def over_columns(self, products: np.ndarray) -> np.ndarray:
        """X_i products X_i', products (R, M, q q): (R, M, n T T)."""
        R, M, X = len(products), products.shape[1], self.XY[:, None, ..., : self.q]
        return (X @ products.reshape(R, M, 1, self.q, self.q) @ X.swapaxes(3, 4)).reshape(R, M, -1)

    def precision(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """W (R, n, T, T), sum of log|S| (R,), and whether the covariance is positive definite (R,)."""
        good = np.isfinite(theta).all(axis=1)
        theta = np.where(good[:, None], theta, 0.5)
        good = good & self.structure.inside(theta)
        S = self.structure.matrix(np.where(good[:, None], theta, 0.5))[:, 0]
        S = np.where(good[:, None, None], S, np.eye(self.T))
        variance = S.diagonal(axis1=1, axis2=2)
        within = np.asarray(((variance > LIMITS[0]) & (variance < LIMITS[1])).all(axis=1))
        S = np.where(within[:, None, None], S, np.eye(self.T))
        W, pivots = _inverse(S, self.slots)
        needed = NEARLY * np.where(self.seen, S.diagonal(axis1=1, axis2=2)[:, None], 1.0)
        free = np.asarray(pivots > np.moveaxis(needed, 2, 0))
        good = good & within & free.all(axis=(0, 2))
        logdet = np.log(np.where(good[:, None], pivots, 1.0)).sum(axis=(0, 2))
        if not every(good):
            W = np.where(good[:, None, None, None], W, self.seen[..., None] * np.eye(self.T))
        return W, logdet, good

    def at(self, theta: np.ndarray) -> Point:
        """Everything at theta (R, K)."""
        R, q, n, T = len(theta), self.q, self.P, self.T
        W, logdet, good = self.precision(theta)
        theta = np.where(good[:, None], theta, 0.5)
        first = np.broadcast_to(self.structure.first(theta), (R, theta.shape[1], 1, T, T))[:, :, 0]
        K = first.shape[1]
        V = first.reshape(R, K, T * T)
        E = W @ self.XY  # (R, n, T, q + 1)
        cross = self.XY.reshape(R, n * T, q + 1).swapaxes(1, 2) @ E.reshape(R, n * T, q + 1)
        XWX, XWy, yWy = cross[:, :q, :q], cross[:, :q, q], cross[:, q, q]
        phi, regular = inverse_or_none(XWX)
        good = good & regular
        beta = (phi @ XWy[:, :, None])[:, :, 0]
        loglik = -0.5 * (logdet + yWy - (beta * XWy).sum(axis=1) + self.rows * LOG_2PI)
        if self.reml:
            loglik = loglik + 0.5 * (np.linalg.slogdet(phi)[1] + q * LOG_2PI)
        loglik = np.where(good, loglik, -np.inf)

        EX = E[..., :q]
        e = E[..., q] - (EX.reshape(R, n * T, q) @ beta[:, :, None]).reshape(R, n, T)
        spread = e[:, :, :, None] * e[:, :, None, :]  # (R, n, T, T)
        H = (EX.reshape(R, n * T, q) @ phi).reshape(R, n, T, q) @ EX.swapaxes(2, 3) if self.reml else np.zeros_like(W)
        pull = (W - H - spread).sum(axis=1).reshape(R, T * T, 1)  # d(-2 loglik)/dV
        score = -0.5 * (V @ pull)[:, :, 0]

        flat = W.reshape(R, n, T * T)
        pairs = np.concatenate([spread.reshape(R, n, -1), 0.5 * flat - H.reshape(R, n, -1)], axis=2)
        tensor = (flat.swapaxes(1, 2) @ pairs).reshape(R, T, T, 2, T, T)  # W_ab M_cd
        tensor = tensor.transpose(0, 3, 1, 5, 2, 4).reshape(R, 2, T * T, T * T)  # (a, d) against (b, c)
        halves = V[:, None] @ tensor @ V.swapaxes(1, 2)[:, None]  # tr(V_k W V_m M)
        reach = (EX.reshape(R, n * T, q).swapaxes(1, 2) @ self._turned(first, e)).swapaxes(1, 2)  # u_k (R, K, q)
        halves[:, 0] -= reach @ phi @ reach.swapaxes(1, 2)
        outer = EX.reshape(R, n, T * q).swapaxes(1, 2) @ EX.reshape(R, n, T * q)
        outer = outer.reshape(R, T, q, T, q).swapaxes(2, 3).reshape(R, T * T, q * q)
        P = -(V @ outer).reshape(R, K, q, q)
        if self.reml:
            turned = phi[:, None] @ P
            halves[:, 1] += 0.5 * (
                turned.reshape(R, K, q * q) @ turned.swapaxes(2, 3).reshape(R, K, q * q).swapaxes(1, 2)
            )
        halves = 0.5 * (halves + halves.swapaxes(2, 3))
        expected = halves[:, 1]
        observed = halves[:, 0] - expected
        second = self.structure.second(theta)
        if second is not None:
            observed = observed + 0.5 * (second.reshape(R, K * K, T * T) @ pull).reshape(R, K, K)
        return Point(theta, loglik, beta, phi, score, expected, observed, P, W)

    def _turned(self, first: np.ndarray, e: np.ndarray) -> np.ndarray:
        """V_k e_i as columns: (R, n T, K)."""
        R, K, T, _ = first.shape
        made = e @ first.transpose(0, 2, 1, 3).reshape(R, T, K * T)  # V_k is symmetric
        return made.reshape(R, self.P, K, T).swapaxes(2, 3).reshape(R, self.P * T, K)


def _inverse(S: np.ndarray, seen: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Inverses over the visits seen (R, n, T, T), zero elsewhere, and squared Cholesky pivots (T, R, n).

    S (R, T, T), seen (T, R, n). Elementwise over the stack: for matrices this small far faster than one call each.
    """
    T, R, n = seen.shape
    L: list[list[np.ndarray]] = [[np.empty(0)] * T for _ in range(T)]
    M: list[list[np.ndarray]] = [[np.empty(0)] * T for _ in range(T)]  # the inverse of L
    pivots = np.empty((T, R, n))
    for j in range(T):
        here = seen[j]
        for k in range(j):
            value = np.where(here & seen[k], S[:, j, k, None], 0.0)
            for m in range(k):
                value = value - L[j][m] * L[k][m]
            L[j][k] = value * M[k][k]
        pivot = np.where(here, S[:, j, j, None], 1.0)
        for m in range(j):
            pivot = pivot - L[j][m] ** 2
        pivots[j] = pivot
        M[j][j] = 1 / np.sqrt(np.maximum(pivot, LEAST))
        for k in range(j):
            value = L[j][k] * M[k][k]
            for m in range(k + 1, j):
                value = value + L[j][m] * M[m][k]
            M[j][k] = -M[j][j] * value
    W = np.empty((R, n, T, T))
    for j in range(T):
        for k in range(j + 1):
            value = M[j][j] * M[j][k]
            for m in range(j + 1, T):
                value = value + M[m][j] * M[m][k]
            W[:, :, j, k] = W[:, :, k, j] = np.where(seen[j] & seen[k], value, 0.0)
    return W, pivots
