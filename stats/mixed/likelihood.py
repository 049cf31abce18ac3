"""The restricted (or full) log-likelihood of pooled moments, its gradient and information, for stacked responses.

With W_p the inverse of pattern p's covariance (zero where a slot is not observed), V_k its derivatives, and sums over
patterns and slot pairs [j, l] understood:

    X'WX = W A,  X'Wy = W B,  y'Wy = W C,  Phi = (X'WX)^-1,  b = Phi X'Wy
    residual moments  R = C - b'B - B'b + b'A b,  U = B - A b,  and H = tr(Phi A)
    -2 loglik = sum n log|S| + log|X'WX| + y'Wy - b'X'Wy + (N - q) log 2 pi          (REML)
    score_k   = -1/2 [ n tr(W V_k) - tr(W V_k W H) - tr(W V_k W R) ]
    quadratic_km = tr(V_k W V_m W R W) - u_k' Phi u_m,   u_k = (W V_k W) U
    expected_km  = 1/2 [ n tr(W V_k W V_m) - 2 tr(V_k W V_m W H W) + tr(Phi P_k Phi P_m) ],  P_k = -(W V_k W) A
    observed_km  = quadratic - expected + 1/2 tr(P V_km) - 1/2 y'P V_km P y

(Patterson & Thompson 1971; Harville 1977; Kenward & Roger 1997 for P and Q.) Maximum likelihood drops every Phi term.

Replicates usually share the design, so A and n have no replicate axis. Simulated trials whose missing visits or
covariates differ bring their own: A (R, P, T, T, q, q), n (R, P), n_rows (R,).
"""

from dataclasses import dataclass

import numpy as np

from stats.mixed.covariance import Structure
from stats.mixed.moments import Moments

LOG_2PI = float(np.log(2 * np.pi))
NEARLY = 1e-8
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
        good = good & self.structure.inside(np.where(good[:, None], theta, 0.5))
        S = np.where(self.mask, self.structure.matrix(np.where(good[:, None], theta, 0.5)), self.eye)
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
        diagonal = np.einsum("rptt->rpt", L)
        # A visit that the others predict but for NEARLY of its variance: the covariance is singular for our purposes.
        # The response comes scaled to unit residual variance, so a variance beyond LIMITS is one that runs away.
        variance = np.einsum("rptt->rpt", S)
        free = (diagonal**2 > NEARLY * variance) & (variance > LIMITS[0]) & (variance < LIMITS[1])
        free = free.all(axis=(1, 2))
        if not free.all():
            good = good & free
            S = np.where(free[:, None, None, None], S, np.eye(self.T))
            diagonal = np.where(free[:, None, None], diagonal, 1.0)
        logdet = (2 * np.log(diagonal).sum(axis=2) * self.n).sum(axis=1)
        return np.where(self.mask, np.linalg.inv(S), 0.0), logdet, good

    def at(self, theta: np.ndarray) -> Point:
        """Everything at theta (R, K)."""
        R, q, P, T = len(theta), self.q, self.P, self.T
        W, logdet, good = self.precision(theta)
        if not good.all():
            theta = np.where(good[:, None], theta, 0.5)  # derivatives there are not wanted, but must be numbers
        flat = W.reshape(R, P * T * T)
        XWX = self.over_rows(flat).reshape(R, q, q)
        XWy = (flat[:, None, :] @ self.B)[:, 0]
        phi = np.linalg.inv(XWX)
        beta = (phi @ XWy[:, :, None])[:, :, 0]
        quadratic = np.einsum("rc,rc->r", flat, self.C) - np.einsum("rq,rq->r", beta, XWy)
        loglik = -0.5 * (logdet + quadratic + self.rows * LOG_2PI)
        if self.reml:
            loglik = loglik - 0.5 * (np.linalg.slogdet(XWX)[1] - q * LOG_2PI)
        loglik = np.where(good, loglik, -np.inf)

        # Residual moments without touching a row.
        bb = (beta[:, :, None] * beta[:, None, :]).reshape(R, q * q)
        Bb = (self.B @ beta[:, :, None])[:, :, 0].reshape(R, P, T, T)
        Rm = (self.C + self.over_columns(bb)).reshape(R, P, T, T) - Bb - np.swapaxes(Bb, 2, 3)

        first = self.structure.first(theta)
        K = first.shape[1]
        VW = np.broadcast_to(first, (R, K, *first.shape[2:])) @ W[:, None]  # V_k W
        G = (W[:, None] @ VW).reshape(R, K, P * T * T)
        VWt = np.ascontiguousarray(np.swapaxes(VW, 3, 4)).reshape(R, K, P * T * T)
        VWf = VW.reshape(R, K, P * T * T)
        trace = (np.einsum("rkptt->rkp", VW) * self.n[:, None]).sum(axis=2)
        RW = (Rm @ W)[:, None]
        VWR = (VW @ RW).reshape(R, K, P * T * T)  # V_m W R W, contracted with V_k W transposed
        both_n = (VWf * np.repeat(self.n, T * T, axis=1)[:, None]) @ np.swapaxes(VWt, 1, 2)
        Pk = -(G @ self.A).reshape(R, K, q, q)
        u = G @ self.B + np.einsum("rkab,rb->rka", Pk, beta)
        uphi = u @ phi
        quad = VWR @ np.swapaxes(VWt, 1, 2) - uphi @ np.swapaxes(u, 1, 2)
        score = -0.5 * (trace - np.einsum("rkc,rc->rk", G, Rm.reshape(R, -1)))
        expected = 0.5 * both_n
        H = None
        if self.reml:
            H = self.over_columns(phi.reshape(R, q * q)).reshape(R, P, T, T)
            PhiP = phi[:, None] @ Pk
            score = score - 0.5 * np.einsum("rkaa->rk", PhiP)
            VWH = (VW @ (H @ W)[:, None]).reshape(R, K, P * T * T)
            flatP = PhiP.reshape(R, K, q * q)
            flatPt = np.swapaxes(PhiP, 2, 3).reshape(R, K, q * q)
            expected = expected - VWH @ np.swapaxes(VWt, 1, 2) + 0.5 * flatP @ np.swapaxes(flatPt, 1, 2)
        expected = 0.5 * (expected + np.swapaxes(expected, 1, 2))
        observed = 0.5 * (quad + np.swapaxes(quad, 1, 2)) - expected
        second = self.structure.second(theta)
        if second is not None:
            inner = W @ (Rm if H is None else Rm + H) @ W  # tr(P V) - y'P V P y = n tr(W V) - tr(V W (H + R) W)
            weight = (self.n[:, :, None, None] * W - inner)[:, None, None]
            observed = observed + 0.5 * (second * weight).sum(axis=(3, 4, 5))
        return Point(theta, loglik, beta, phi, score, expected, observed, Pk, W)
