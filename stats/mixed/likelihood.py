"""The restricted (or full) log-likelihood of pooled moments, its gradient and information, for stacked responses.

With W_p the inverse of pattern p's covariance (zero where a slot is not observed), V_k its derivatives, and sums over
patterns and slot pairs [j, l] understood:

    X'WX = W A,  X'Wy = W B,  y'Wy = W C,  Phi = (X'WX)^-1,  b = Phi X'Wy
    residual moments  R = C - b'B - B'b + b'A b,  U = B - A b,  and H = tr(Phi A)
    -2 loglik = sum n log|S| + log|X'WX| + y'Wy - b'X'Wy + (N - q) log 2 pi          (REML)
    score_k   = -1/2 tr(V_k [n W - W (H + R) W])
    quadratic_km = tr(V_k W V_m W R W) - u_k' Phi u_m,   u_k = (W V_k W) U
    expected_km  = 1/2 [ n tr(W V_k W V_m) - 2 tr(V_k W V_m W H W) + tr(Phi P_k Phi P_m) ],  P_k = -(W V_k W) A
    observed_km  = quadratic - expected + 1/2 tr(P V_km) - 1/2 y'P V_km P y

(Patterson & Thompson 1971; Harville 1977; Kenward & Roger 1997 for P and Q.) Maximum likelihood drops every Phi term.

Replicates usually share the design, so A and n have no replicate axis. Simulated trials whose missing visits or
covariates differ bring their own: A (R, P, T, T, q, q), n (R, P), n_rows (R,).
"""

from dataclasses import dataclass

import numpy as np

from stats.mixed.covariance import Linear, Structure
from stats.mixed.moments import Moments

LOG_2PI = float(np.log(2 * np.pi))
NEARLY = 1e-8
SMALL = 20_000  # numbers in the fixed matrices of a linear structure over few slots
LIMITS = (1e-9, 1e9)


@dataclass(frozen=True)
class Point:
    """The likelihood at theta, for R replicates.

    loglik (R,): minus infinity where the covariance is not positive definite. beta (R, q), phi (R, q, q),
    score (R, K), expected and observed (R, K, K), P (R, K, q, q) = d(X'WX)/d theta_k, W (R, P, T, T), first as given by
    the structure.
    """

    theta: np.ndarray
    loglik: np.ndarray
    beta: np.ndarray
    phi: np.ndarray
    score: np.ndarray
    expected: np.ndarray
    observed: np.ndarray
    P: np.ndarray
    W: np.ndarray


class Likelihood:
    """The log-likelihood of `moments` under `structure`, a function of theta (R, K)."""

    def __init__(self, moments: Moments, structure: Structure, *, reml: bool = True) -> None:
        P, T, _, q, _ = moments.A.shape[-5:]
        self.structure, self.reml, self.q, self.P, self.T = structure, reml, q, P, T
        self.n, self.observed = np.atleast_2d(moments.n), moments.observed  # n (1 or R, P)
        self.own_design = moments.A.ndim == 6
        self.mask = self.observed[:, :, None] & self.observed[:, None, :]
        self.eye = np.where(self.observed[:, :, None] | self.observed[:, None, :], 0.0, np.eye(T))
        self.A = np.ascontiguousarray(moments.A.reshape(*moments.A.shape[:-5], P * T * T, q * q))
        self.B = np.ascontiguousarray(moments.B.reshape(moments.replicates, P * T * T, q))
        self.C = np.ascontiguousarray(moments.C.reshape(moments.replicates, P * T * T))
        self.rows = np.atleast_1d(moments.n_rows)  # (1 or R,)
        self.basis: np.ndarray | None = None
        self.pairs: np.ndarray | None = None
        if isinstance(structure, Linear) and P * T**4 * structure.size**2 <= SMALL:
            # Few slots (random effects, rotated): one product with fixed matrices instead of many tiny ones.
            sheets = np.broadcast_to(structure.basis, (structure.size, P, T, T)).reshape(structure.size, P, T * T)
            self.basis = np.ascontiguousarray(np.moveaxis(sheets, 0, 2))
            self.pairs = np.einsum("kpa,mpb->pabkm", sheets, sheets).reshape(P * T**4, structure.size**2)

    def subset(self, keep: np.ndarray) -> "Likelihood":
        """The same likelihood for some of the replicates."""
        part = object.__new__(Likelihood)
        part.__dict__.update(self.__dict__)
        part.B, part.C = self.B[keep], self.C[keep]
        if self.own_design:
            part.A, part.n, part.rows = self.A[keep], self.n[keep], self.rows[keep]
        return part

    def over_rows(self, weights: np.ndarray) -> np.ndarray:
        """sum over patterns and slot pairs of weights (R, P T T) times A: (R, q q)."""
        return (weights[:, None] @ self.A)[:, 0] if self.own_design else weights @ self.A

    def over_columns(self, products: np.ndarray) -> np.ndarray:
        """A contracted with products (R, q q) of coefficients: (R, P T T)."""
        return (self.A @ products[:, :, None])[:, :, 0] if self.own_design else products @ self.A.T

    def precision(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """W (R, P, T, T), sum of n log|S| (R,), and whether every pattern's S is positive definite (R,)."""
        good = np.isfinite(theta).all(axis=1)
        if good.all():
            good = self.structure.inside(theta)
        if not good.all():
            theta = np.where(good[:, None], theta, 0.5)
            good = good & self.structure.inside(theta)
        S = np.where(self.mask, self.structure.matrix(theta), self.eye)
        if not good.all():
            S = np.where(good[:, None, None, None], S, np.eye(self.T))
        try:
            L = np.linalg.cholesky(S)
        except np.linalg.LinAlgError:
            good = good & (np.linalg.eigvalsh(S)[..., 0] > 0).all(axis=1)
            S = np.where(good[:, None, None, None], S, np.eye(self.T))
            try:
                L = np.linalg.cholesky(S)
            except np.linalg.LinAlgError:  # singular to rounding: the eigenvalues could not tell
                good = good & (np.linalg.eigvalsh(S)[..., 0] > 1e-10 * np.linalg.norm(S, axis=(2, 3))).all(axis=1)
                S = np.where(good[:, None, None, None], S, np.eye(self.T))
                L = np.linalg.cholesky(S)
        # Squared pivots of the Cholesky factor: the variance of a visit that the earlier ones leave unexplained. One
        # that the others predict but for NEARLY of it makes the covariance singular for our purposes. The response
        # comes scaled to unit residual variance, so a variance beyond LIMITS is one that runs away.
        pivots, variance = np.square(_diagonal(L)), _diagonal(S)
        free = (pivots > NEARLY * variance) & (variance > LIMITS[0]) & (variance < LIMITS[1])
        if not free.all():
            free = free.all(axis=(1, 2))
            good = good & free
            S = np.where(free[:, None, None, None], S, np.eye(self.T))
            pivots = np.where(free[:, None, None], pivots, 1.0)
        logdet = (np.log(pivots).sum(axis=2) * self.n).sum(axis=1)
        return np.where(self.mask, np.linalg.inv(S), 0.0), logdet, good

    def at(self, theta: np.ndarray) -> Point:
        """Everything at theta (R, K)."""
        R, q, P, T = len(theta), self.q, self.P, self.T
        cells = P * T * T
        W, logdet, good = self.precision(theta)
        if not good.all():
            theta = np.where(good[:, None], theta, 0.5)  # derivatives there are not wanted, but must be numbers
        flat = W.reshape(R, cells)
        XWX = self.over_rows(flat).reshape(R, q, q)
        XWy = (flat[:, None, :] @ self.B)[:, 0]
        phi = np.linalg.inv(XWX)
        beta = (phi @ XWy[:, :, None])[:, :, 0]
        quadratic = (flat[:, None] @ self.C[:, :, None])[:, 0, 0] - (beta * XWy).sum(axis=1)
        loglik = -0.5 * (logdet + quadratic + self.rows * LOG_2PI)
        if self.reml:
            loglik = loglik - 0.5 * (np.linalg.slogdet(XWX)[1] - q * LOG_2PI)
        if not good.all():
            loglik = np.where(good, loglik, -np.inf)

        # Residual moments without touching a row, and tr(Phi A).
        bb = (beta[:, :, None] * beta[:, None, :]).reshape(R, q * q)
        Bb = (self.B @ beta[:, :, None]).reshape(R, P, T, T)
        Rm = (self.C + self.over_columns(bb)).reshape(R, P, T, T) - Bb - np.swapaxes(Bb, 2, 3)
        H = self.over_columns(phi.reshape(R, q * q)).reshape(R, P, T, T) if self.reml else np.zeros_like(Rm)

        first = self.structure.first(theta)
        K = first.shape[1]
        nW, WRW, WHW = self.n[:, :, None, None] * W, W @ Rm @ W, W @ H @ W
        pull = nW - WRW - WHW  # d(-2 loglik)/dV
        score = -0.5 * self._over_slots(first, pull[:, None])[:, :, 0]
        G = self._turned(first, W)
        Pk = -(G @ self.A).reshape(R, K, q, q)
        u = G @ self.B + (Pk @ beta[:, None, :, None])[:, :, :, 0]
        quad = self._double_trace(first, WRW, W) - u @ phi @ np.swapaxes(u, 1, 2)
        expected = self._double_trace(first, 0.5 * nW - WHW, W)
        if self.reml:
            PhiP = phi[:, None] @ Pk
            flip = np.swapaxes(PhiP, 2, 3).reshape(R, K, q * q)
            expected = expected + 0.5 * (PhiP.reshape(R, K, q * q) @ np.swapaxes(flip, 1, 2))
        expected = 0.5 * (expected + np.swapaxes(expected, 1, 2))
        observed = 0.5 * (quad + np.swapaxes(quad, 1, 2)) - expected
        second = self.structure.second(theta)
        if second is not None:  # tr(P V) - y'P V P y, all second derivatives at once
            bend = self._over_slots(second.reshape(R, K * K, *second.shape[3:]), pull[:, None])
            observed = observed + 0.5 * bend.reshape(R, K, K)
        return Point(theta, loglik, beta, phi, score, expected, observed, Pk, W)

    def _turned(self, first: np.ndarray, W: np.ndarray) -> np.ndarray:
        """W V_k W: (R, K, P T T)."""
        if self.basis is None:
            return (W[:, None] @ (first @ W[:, None])).reshape(len(W), first.shape[1], -1)
        turned = _kronecker(W, W) @ self.basis  # (R, P, T T, K)
        return np.moveaxis(turned, 3, 1).reshape(len(W), first.shape[1], -1)

    def _double_trace(self, first: np.ndarray, left: np.ndarray, W: np.ndarray) -> np.ndarray:
        """sum over patterns of tr(V_k left V_m W), left (R, P, T, T): (R, K, K)."""
        if self.pairs is None:
            return self._over_slots(first, left[:, None] @ (first @ W[:, None]))
        K = first.shape[1]
        return (_kronecker(left, W).reshape(len(W), -1) @ self.pairs).reshape(len(W), K, K)

    def _over_slots(self, sheets: np.ndarray, weights: np.ndarray) -> np.ndarray:
        """sum over patterns and slots of sheets (R or 1, M, P or 1, T, T) times weights (R, L, P, T, T): (R, M, L)."""
        if sheets.shape[2] == 1 and self.P > 1:
            weights = weights.sum(axis=2)
        flat = weights.reshape(*weights.shape[:2], -1)
        if len(sheets) > 1:
            return sheets.reshape(*sheets.shape[:2], -1) @ np.swapaxes(flat, 1, 2)
        return np.swapaxes(flat @ sheets.reshape(sheets.shape[1], -1).T, 1, 2)


def _kronecker(left: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Kronecker products of stacks of T x T matrices: (..., T T, T T)."""
    size = left.shape[-1] ** 2
    product = left[..., :, None, :, None] * right[..., None, :, None, :]
    return product.reshape(*left.shape[:-2], size, size)


def _diagonal(matrix: np.ndarray) -> np.ndarray:
    return np.diagonal(matrix, axis1=2, axis2=3)
