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

from stats.mixed.covariance.structure import Linear, Structure
from stats.mixed.fitting.spectrum import inverse_or_none
from stats.mixed.model.masks import every
from stats.mixed.model.moments import Moments

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
        self.gaps = not self.mask.all()
        self.eye = np.where(self.observed[:, :, None] | self.observed[:, None, :], 0.0, np.eye(T))
        self.A = moments.A.reshape(*moments.A.shape[:-5], P * T * T, q * q)
        # B and C side by side: the response is one more column.
        self.BC = np.concatenate([moments.B, moments.C[..., None]], axis=-1).reshape(len(moments.B), P * T * T, q + 1)
        self.rows = np.atleast_1d(moments.n_rows)  # (1 or R,)
        self.pivots_n = np.repeat(self.n, T, axis=1)
        self.basis: np.ndarray | None = None
        self.pairs: np.ndarray | None = None
        if isinstance(structure, Linear) and P * T**4 * structure.size**2 <= SMALL:
            # Few slots (random effects, rotated): one product with fixed matrices instead of many tiny ones.
            K = structure.size
            sheets = np.broadcast_to(structure.basis, (K, P, T, T)).reshape(K, P, T * T).transpose(1, 2, 0)
            self.basis = sheets
            self.pairs = _kronecker(sheets, sheets).reshape(P * T**4, K * K)

    def subset(self, keep: np.ndarray) -> "Likelihood":
        """The same likelihood for some of the replicates."""
        part = object.__new__(type(self))
        part.__dict__.update(self.__dict__)
        part.BC = self.BC[keep]
        if self.own_design:
            part.A, part.n, part.rows, part.pivots_n = (
                values[keep] for values in (self.A, self.n, self.rows, self.pivots_n)
            )
        return part

    def over_rows(self, weights: np.ndarray) -> np.ndarray:
        """sum over patterns and slot pairs of weights (R, M, P T T) times A: (R, M, q q)."""
        if self.own_design:
            return weights @ self.A
        return (weights.reshape(-1, weights.shape[2]) @ self.A).reshape(*weights.shape[:2], -1)

    def over_columns(self, products: np.ndarray) -> np.ndarray:
        """A contracted with products (R, M, q q) of coefficients: (R, M, P T T)."""
        if self.own_design:
            return products @ self.A.swapaxes(1, 2)
        return (products.reshape(-1, products.shape[2]) @ self.A.T).reshape(*products.shape[:2], -1)

    def precision(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """W (R, P, T, T), sum of n log|S| (R,), and whether every pattern's S is positive definite (R,)."""
        finite = np.isfinite(theta)
        if every(finite):
            good = self.structure.inside(theta)
        else:
            good = finite.all(axis=1)
            theta = np.where(good[:, None], theta, 0.5)
            good = good & self.structure.inside(theta)
        inside = every(good)
        if not inside:
            theta = np.where(good[:, None], theta, 0.5)
        S = self.structure.matrix(theta)
        if self.gaps or S.shape[1] != self.P:
            S = np.where(self.mask, S, self.eye)
        if not inside:
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
        if not every(free):
            free = free.all(axis=(1, 2))
            good = good & free
            S = np.where(free[:, None, None, None], S, np.eye(self.T))
            pivots = np.where(free[:, None, None], pivots, 1.0)
        logdet = (np.log(pivots).reshape(len(theta), -1) * self.pivots_n).sum(axis=1)
        W, regular = inverse_or_none(S)
        good = good & regular
        return np.where(self.mask, W, 0.0) if self.gaps else W, logdet, good

    def at(self, theta: np.ndarray) -> Point:
        """Everything at theta (R, K)."""
        R, q, P, T = len(theta), self.q, self.P, self.T
        W, logdet, good = self.precision(theta)
        possible = every(good)
        if not possible:
            theta = np.where(good[:, None], theta, 0.5)  # derivatives there are not wanted, but must be numbers
        first = self.structure.first(theta)
        K = first.shape[1]
        sheets = np.concatenate([W.reshape(R, 1, P * T * T), self._turned(first, W)], axis=1)  # W and every W V_k W
        over_x, over_y = self.over_rows(sheets).reshape(R, K + 1, q, q), sheets @ self.BC
        XWX, XWy, yWy = over_x[:, 0], over_y[:, 0, :q], over_y[:, 0, q]
        phi, regular = inverse_or_none(XWX)
        if not every(regular):
            possible, good = False, good & regular
        beta = (phi @ XWy[:, :, None])[:, :, 0]
        loglik = -0.5 * (logdet + yWy - (beta * XWy).sum(axis=1) + self.rows * LOG_2PI)
        if self.reml:
            loglik = loglik - 0.5 * (np.linalg.slogdet(XWX)[1] - q * LOG_2PI)
        if not possible:
            loglik = np.where(good, loglik, -np.inf)

        # R without touching a row, and H. R is only met inside symmetric forms, so 2 B b stands for B b + b'B'.
        coefficients = np.empty((R, q + 1, 1))
        coefficients[:, :q, 0], coefficients[:, q] = -2 * beta, 1.0
        products = np.empty((R, 2, q, q))
        products[:, 0], products[:, 1] = beta[:, :, None] * beta[:, None, :], phi if self.reml else 0.0
        middle = self.over_columns(products.reshape(R, 2, q * q))
        middle[:, 0] += (self.BC @ coefficients)[:, :, 0]
        outer = W[:, None] @ middle.reshape(R, 2, P, T, T) @ W[:, None]  # W R W, W H W
        nW = self.n[:, :, None, None] * W
        pull = nW - outer[:, 0] - outer[:, 1]  # d(-2 loglik)/dV
        score = -0.5 * self._over_slots(first, pull[:, None])[:, :, 0]

        outer[:, 1] = 0.5 * nW - outer[:, 1]
        halves = self._double_traces(first, outer, W)
        Pk = -over_x[:, 1:]
        u = over_y[:, 1:, :q] + (Pk @ beta[:, None, :, None])[:, :, :, 0]
        halves[:, 0] -= u @ phi @ u.swapaxes(1, 2)
        if self.reml:
            PhiP = phi[:, None] @ Pk
            flip = PhiP.swapaxes(2, 3).reshape(R, K, q * q)
            halves[:, 1] += 0.5 * (PhiP.reshape(R, K, q * q) @ flip.swapaxes(1, 2))
        halves = 0.5 * (halves + halves.swapaxes(2, 3))  # symmetric but for rounding
        expected = halves[:, 1]
        observed = halves[:, 0] - expected
        second = self.structure.second(theta)
        if second is not None:  # tr(P V) - y'P V P y, all second derivatives at once
            bend = self._over_slots(second.reshape(R, K * K, *second.shape[3:]), pull[:, None])
            observed = observed + 0.5 * bend.reshape(R, K, K)
        return Point(theta, loglik, beta, phi, score, expected, observed, Pk, W)

    def weighted_squares(self, point: Point, weights: np.ndarray, bend: np.ndarray | None) -> np.ndarray:
        """sum_km w_km X'W V_k W V_m W X less a quarter of X'W bend W X (R, q, q).

        weights (R, K, K); bend (R, P or 1, T, T): second derivatives, weighted already.
        """
        R, K = point.theta.shape
        first = self.structure.first(point.theta)
        weighted = (weights @ first.reshape(len(first), K, -1)).reshape(R, *first.shape[1:])
        inner = (first @ point.W[:, None] @ weighted).sum(axis=1)
        if bend is not None:
            inner = inner - 0.25 * bend
        sheets = (point.W @ inner @ point.W).reshape(R, 1, self.P * self.T * self.T)
        return self.over_rows(sheets).reshape(R, self.q, self.q)

    def bend_traces(self, point: Point, bend: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """tr(P V_k P bend) (R, K) but for the term of X twice, tr(Phi P_k Phi X'W bend W X), and X'W bend W X."""
        R, q, P, T, phi = len(point.theta), self.q, self.P, self.T, point.phi
        WVW = point.W[:, None] @ self.structure.first(point.theta) @ point.W[:, None]  # (R, K, P, T, T)
        WMW = point.W @ bend @ point.W
        H = self.over_columns(phi.reshape(R, 1, q * q)).reshape(R, P, T, T)
        cross = WVW @ np.broadcast_to(bend, point.W.shape)[:, None]  # W V_r W M
        c = np.einsum("rkptt,rp->rk", cross, np.broadcast_to(self.n, (R, P)))
        c = c - 2 * np.einsum("rkptu,rptu->rk", cross @ point.W[:, None], H)
        return c, self.over_rows(WMW.reshape(R, 1, P * T * T)).reshape(R, q, q)

    def full_information(self, point: Point) -> np.ndarray:
        """1/2 tr(W V_k W V_k) of the first replicate (K,): the information on a parameter were X known away."""
        turned = np.asarray(self.structure.first(point.theta[:1]))[0] @ point.W[0]  # V_k W (K, P, T, T)
        squares = (turned * turned.swapaxes(2, 3)).sum(axis=(2, 3))
        return 0.5 * squares @ np.broadcast_to(self.n[0], squares.shape[1:])

    def _turned(self, first: np.ndarray, W: np.ndarray) -> np.ndarray:
        """W V_k W: (R, K, P T T)."""
        if self.basis is None:
            return (W[:, None] @ (first @ W[:, None])).reshape(len(W), first.shape[1], -1)
        turned = _kronecker(W, W) @ self.basis  # (R, P, T T, K)
        return turned.transpose(0, 3, 1, 2).reshape(len(W), first.shape[1], -1)

    def _double_traces(self, first: np.ndarray, left: np.ndarray, W: np.ndarray) -> np.ndarray:
        """sum over patterns of tr(V_k left V_m W), left (R, M, P, T, T): (R, M, K, K)."""
        R, M, P, T, _ = left.shape
        K = first.shape[1]
        if self.pairs is None:
            turned = left[:, :, None] @ (first @ W[:, None])[:, None]  # (R, M, K, P, T, T)
            return self._over_slots(first, turned.reshape(R, M * K, P, T, T)).reshape(R, K, M, K).swapaxes(1, 2)
        products = _kronecker(left, W[:, None]).reshape(R * M, P * T**4)
        return (products @ self.pairs).reshape(R, M, K, K)

    def _over_slots(self, sheets: np.ndarray, weights: np.ndarray) -> np.ndarray:
        """sum over patterns and slots of sheets (R or 1, M, P or 1, T, T) times weights (R, L, P, T, T): (R, M, L)."""
        if sheets.shape[2] == 1 and self.P > 1:
            weights = weights.sum(axis=2)
        flat = weights.reshape(*weights.shape[:2], -1)
        if len(sheets) > 1:
            return sheets.reshape(*sheets.shape[:2], -1) @ flat.swapaxes(1, 2)
        return (flat @ sheets.reshape(sheets.shape[1], -1).T).swapaxes(1, 2)


def _kronecker(left: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Kronecker products of stacks of matrices (..., a, b) and (..., c, d): (..., a c, b d)."""
    product = left[..., :, None, :, None] * right[..., None, :, None, :]
    *stack, a, c, b, d = product.shape
    return product.reshape(*stack, a * c, b * d)


def _diagonal(matrix: np.ndarray) -> np.ndarray:
    return np.diagonal(matrix, axis1=2, axis2=3)
