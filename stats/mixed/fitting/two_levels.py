"""The likelihood where participants share sites or therapists: cost grows with blocks and patterns, not with people.

With W the inverse covariance inside participants, h = U'W F, m = U'W U in each block (F = [X y]), J = (I + m G)^-1,
M = G J and T = M h,

    V^-1 F = W (F - U T),    F'V^-1 F = F'W F - sum h'M h,    log|V| = sum n log|S| + sum log|I + m G|

so everything inside participants is a function of the moments of F - U T: those of F plus a lift (see `site_forms`).
For a parameter inside participants with G_k = W V_k W, a_k = U'G_k F, e_k = U'G_k U, t_k = a_k - e_k T; for a variance
above, z = J h, d_k = E_k z:

    F'V^-1 V_k V^-1 F = F'G_k F - a_k'T - T't_k                            above: z'E_k z
    tr(V^-1 V_k)      = n tr(W V_k) - tr(M e_k)                                   tr(E_k J m)
    second order, both inside:      F~'(W V_k W V_m W)F~ - t_k'M t_m,   trace  .. + tr(M e_k M e_m)
                  above with inside:  d_k'J t_m,                        trace  tr(E_k J e_m J')
                  both above:         d_k'(J m)d_m,                     trace  tr(E_k J m E_m J m)

Derived for this kit; held against N x N matrices in the tests.
"""

from dataclasses import dataclass

import numpy as np

from stats.mixed.covariance.site_variances import TwoLevels
from stats.mixed.fitting.likelihood import LOG_2PI, NEARLY, Likelihood, Point
from stats.mixed.fitting.site_forms import forms_of
from stats.mixed.fitting.spectrum import inverse_or_none
from stats.mixed.model.masks import every, some
from stats.mixed.model.moments import Moments


@dataclass(frozen=True)
class Blocks:
    """What a point is in every block: h, z, T (R, S, r, c), m, J, M (R, S, r, r), d (R, L, S, r, c) of L variances.

    logdet (R,) sum of log|I + m G|; proper (R,) whether every V_s is positive definite.
    """

    h: np.ndarray
    m: np.ndarray
    J: np.ndarray
    M: np.ndarray
    T: np.ndarray
    z: np.ndarray
    d: np.ndarray
    logdet: np.ndarray
    proper: np.ndarray


class TwoLevelLikelihood(Likelihood):
    """The log-likelihood of moments with sums of sites under `TwoLevels`, a function of theta (R, K)."""

    structure: TwoLevels

    def __init__(self, moments: Moments, structure: TwoLevels, *, reml: bool = True) -> None:
        super().__init__(moments, structure, reml=reml)
        if moments.sites is None:
            raise ValueError("two levels need sums of sites")
        self.forms, self.E = forms_of(moments.sites), structure.effects.E

    def subset(self, keep: np.ndarray) -> "TwoLevelLikelihood":
        part = super().subset(keep)
        assert isinstance(part, TwoLevelLikelihood)
        part.forms = self.forms.subset(keep)
        return part

    def blocks(self, theta: np.ndarray, W: np.ndarray) -> Blocks:
        """Every block at theta (R, K), W (R, P, T, T)."""
        F, U = self.forms.of(W[:, None])
        h, m = F[:, 0], U[:, 0]
        G = self.structure.between(theta)[:, None]
        eye = np.eye(m.shape[-1])
        proper = np.ones(len(theta), dtype=bool)
        if some(theta[:, self.structure.lower :] < 0):  # V_s is positive definite where I + m^1/2 G m^1/2 is
            values, vectors = np.linalg.eigh(m)
            root = vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :]
            least = np.linalg.eigvalsh(eye + np.swapaxes(root, 2, 3) @ G @ root)[..., 0]
            proper = np.asarray((least > NEARLY).all(axis=1))
            G = np.where(proper[:, None, None, None], G, 0.0)
        inner = eye + m @ G
        J = np.linalg.inv(inner)
        M = G @ J
        z = J @ h
        return Blocks(
            h, m, J, M, M @ h, z, self.E[:, None] @ z[:, None], np.linalg.slogdet(inner)[1].sum(axis=1), proper
        )

    def at(self, theta: np.ndarray) -> Point:
        R, q, P, T = len(theta), self.q, self.P, self.T
        W, logdet, good = self.precision(theta)
        if not every(good):
            theta = np.where(good[:, None], theta, 0.5)
        block = self.blocks(theta, W)
        good = good & block.proper
        first = self.structure.first(theta)
        K = first.shape[1]
        sheets = np.concatenate([W.reshape(R, 1, P * T * T), self._turned(first, W)], axis=1)
        whole = np.empty((R, K + 1, q + 1, q + 1))  # F'W F and F'G_k F; the corner y'y apart
        over_y = sheets @ self.BC
        whole[:, :, :q, :q] = self.over_rows(sheets).reshape(R, K + 1, q, q)
        whole[:, :, :q, q] = whole[:, :, q, :q] = over_y[..., :q]
        whole[:, :, q, q] = over_y[..., q]
        a, e = self.forms.of(sheets[:, 1:].reshape(R, K, P, T, T))
        t = a - e @ block.T[:, None]
        whole[:, 0] -= _over_blocks(block.h, block.T)
        whole[:, 1:] -= _over_blocks(a, block.T[:, None]) + _over_blocks(block.T[:, None], t)
        above = _over_blocks(block.z[:, None], block.d)
        pulls = np.concatenate([whole[:, 1:], above], axis=1)  # F'V^-1 V_k V^-1 F of every parameter
        phi, regular = inverse_or_none(whole[:, 0, :q, :q])
        good = good & regular
        XWy, yWy = whole[:, 0, :q, q], whole[:, 0, q, q]
        beta = (phi @ XWy[:, :, None])[:, :, 0]
        loglik = -0.5 * (logdet + block.logdet + yWy - (beta * XWy).sum(axis=1) + self.rows * LOG_2PI)
        if self.reml:
            loglik = loglik - 0.5 * (np.linalg.slogdet(whole[:, 0, :q, :q])[1] - q * LOG_2PI)
        loglik = np.where(good, loglik, -np.inf)

        v = np.concatenate([-beta, np.ones((R, 1))], axis=1)
        products = np.zeros((R, 2, q + 1, q + 1))  # residuals, and the uncertainty of the coefficients
        products[:, 0] = v[:, :, None] * v[:, None, :]
        products[:, 1, :q, :q] = phi if self.reml else 0.0
        middle = self.over_columns(products[:, :, :q, :q].reshape(R, 2, q * q)).reshape(R, 2, P, T, T)
        coefficients = np.concatenate([-2 * beta, np.ones((R, 1))], axis=1)[:, :, None]
        middle[:, 0] += (self.BC @ coefficients)[:, :, 0].reshape(R, P, T, T)
        for k in range(2):
            middle[:, k] += self.forms.lift(block.T, products[:, k])
        middle[:, 1] += self.forms.spread(block.M)
        outer = W[:, None] @ middle @ W[:, None]
        nW = self.n[:, :, None, None] * W
        pull = nW - outer[:, 0] - outer[:, 1]
        Jm = block.J @ block.m
        both = products[:, 0] + products[:, 1]
        edge = (Jm - block.z @ both[:, None] @ np.swapaxes(block.z, 2, 3)).sum(axis=1)
        score = np.concatenate(
            [self._over_slots(first, pull[:, None])[:, :, 0], np.einsum("kab,rab->rk", self.E, edge)], axis=1
        )
        Pk = -pulls[:, :, :q, :q]
        u = pulls[:, :, :q, q] + (Pk @ beta[:, None, :, None])[:, :, :, 0]
        outer[:, 1] = 0.5 * nW - outer[:, 1]
        halves = self._pairs(first, outer, W, block, t, e, products)
        halves[:, 0] -= u @ phi @ u.swapaxes(1, 2)
        if self.reml:
            L = Pk.shape[1]
            PhiP = phi[:, None] @ Pk
            flip = PhiP.swapaxes(2, 3).reshape(R, L, q * q)
            halves[:, 1] += 0.5 * (PhiP.reshape(R, L, q * q) @ flip.swapaxes(1, 2))
        halves = 0.5 * (halves + halves.swapaxes(2, 3))
        expected = halves[:, 1]
        observed = halves[:, 0] - expected
        second = self.structure.second(theta)
        if second is not None:
            bend = self._over_slots(second.reshape(R, K * K, *second.shape[3:]), pull[:, None])
            observed[:, :K, :K] += 0.5 * bend.reshape(R, K, K)
        return Point(theta, loglik, beta, phi, -0.5 * score, expected, observed, Pk, W)

    def _pairs(
        self, first: np.ndarray, outer: np.ndarray, W: np.ndarray, block: Blocks, t: np.ndarray, e: np.ndarray,
        products: np.ndarray,
    ) -> np.ndarray:  # fmt: skip
        """(R, 2, K, K): residual quadratic forms of pairs of parameters, and half their traces less those of Phi."""
        K, L = t.shape[1], block.d.shape[1]
        halves = np.zeros((len(t), 2, K + L, K + L))
        halves[:, :, :K, :K] = self._double_traces(first, outer, W)
        Mt, Jt, Jmd = block.M[:, None] @ t, block.J[:, None] @ t, (block.J @ block.m)[:, None] @ block.d
        for which, sign in ((0, 1.0), (1, -1.0)):
            product = sign * products[:, which, None, None]
            halves[:, which, :K, :K] -= _inner(t @ product, Mt)
            halves[:, which, K:, :K] += _inner(block.d @ product, Jt)
            halves[:, which, K:, K:] += _inner(block.d @ product, Jmd)
        Me = block.M[:, None] @ e
        halves[:, 1, :K, :K] += 0.5 * _inner(Me, np.swapaxes(Me, 3, 4))
        JeJ = block.J[:, None] @ e @ np.swapaxes(block.J, 2, 3)[:, None]
        halves[:, 1, K:, :K] += 0.5 * np.einsum("lab,rkab->rlk", self.E, JeJ.sum(axis=2))
        EJm = self.E[:, None] @ (block.J @ block.m)[:, None]
        halves[:, 1, K:, K:] += 0.5 * _inner(EJm, np.swapaxes(EJm, 3, 4))
        halves[:, :, :K, K:] = np.swapaxes(halves[:, :, K:, :K], 2, 3)
        return halves

    def weighted_squares(self, point: Point, weights: np.ndarray, bend: np.ndarray | None) -> np.ndarray:
        R, first = len(point.theta), self.structure.first(point.theta)
        K = first.shape[1]
        block, t, d, _ = self._of_x(point)
        below = weights[:, :K, :K]
        summed = (below @ first.reshape(len(first), K, -1)).reshape(R, *first.shape[1:])
        inner = (first @ point.W[:, None] @ summed).sum(axis=1)
        if bend is not None:
            inner = inner - 0.25 * bend
        squares = self._form_x(point.W @ inner @ point.W, block)
        size = t[0, 0].size
        Mt = (below @ (block.M[:, None] @ t).reshape(R, K, size)).reshape(t.shape)
        squares -= _over_blocks(t, Mt).sum(axis=1)
        Jt = (weights[:, K:, :K] @ (block.J[:, None] @ t).reshape(R, K, size)).reshape(d.shape)
        mixed = _over_blocks(d, Jt).sum(axis=1)
        Jmd = ((block.J @ block.m)[:, None] @ d).reshape(R, d.shape[1], size)
        squares += _over_blocks(d, (weights[:, K:, K:] @ Jmd).reshape(d.shape)).sum(axis=1)
        return squares + mixed + np.swapaxes(mixed, 1, 2)

    def bend_traces(self, point: Point, bend: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        R, q = len(point.theta), self.q
        first = self.structure.first(point.theta)
        block, t, d, e = self._of_x(point)
        WMW = point.W @ bend @ point.W
        whole = self._form_x(WMW, block)
        a, e_bend = self.forms.of(WMW[:, None])
        t_bend, e_bend = (a - e_bend @ block.T[:, None])[:, 0, :, :, :q], e_bend[:, 0]
        phi = np.zeros((R, q + 1, q + 1))
        phi[:, :q, :q] = point.phi
        H = self.over_columns(point.phi.reshape(R, 1, q * q)).reshape(R, self.P, self.T, self.T)
        H = H + self.forms.lift(block.T, phi) + self.forms.spread(block.M)
        left = self.n[:, :, None, None] * point.W - 2 * point.W @ H @ point.W
        cross = left @ bend @ point.W
        below = self._over_slots(first, cross[:, None])[:, :, 0]
        Phit = t_bend @ point.phi[:, None]
        below += np.einsum("rsab,rksba->rk", block.M @ e_bend @ block.M, e)
        below += 2 * np.einsum("rsac,rksac->rk", block.M @ Phit, t)
        JeJ = block.J @ e_bend @ np.swapaxes(block.J, 2, 3)
        above = np.einsum("lab,rab->rl", self.E, JeJ.sum(axis=1))
        above -= 2 * np.einsum("rsac,rlsac->rl", block.J @ Phit, d)
        return np.concatenate([below, above], axis=1), whole

    def full_information(self, point: Point) -> np.ndarray:
        alone = self.subset(np.arange(len(point.theta)) == 0)
        alone.reml = False
        return alone.at(point.theta[:1]).expected[0].diagonal()

    def shares(self, theta: np.ndarray, beta: np.ndarray) -> np.ndarray:
        """Predicted effects G U'V^-1 (y - X b) of every block at theta (1, K), b (1, q): (S, r)."""
        block = self.blocks(theta, self.precision(theta)[0])
        return (block.T @ np.concatenate([-beta, np.ones((1, 1))], axis=1)[:, None, :, None])[0, :, :, 0]

    def _of_x(self, point: Point) -> tuple[Blocks, np.ndarray, np.ndarray, np.ndarray]:
        """Blocks at a point; t (R, K, S, r, q) and d (R, L, S, r, q) of the columns X; e (R, K, S, r, r)."""
        R, q = len(point.theta), self.q
        first = self.structure.first(point.theta)
        block = self.blocks(point.theta, point.W)
        turned = self._turned(first, point.W).reshape(R, first.shape[1], self.P, self.T, self.T)
        a, e = self.forms.of(turned)
        t = a - e @ block.T[:, None]
        return block, t[..., :q], block.d[..., :q], e

    def _form_x(self, weights: np.ndarray, block: Blocks) -> np.ndarray:
        """X~'Omega X~ with X~ = X - U T, weights (R, P, T, T)."""
        R, q = len(weights), self.q
        made = self.over_rows(weights.reshape(R, 1, -1)).reshape(R, q, q)
        a, e = self.forms.of(weights[:, None])
        a, e, T = a[:, 0, :, :, :q], e[:, 0], block.T[..., :q]
        return made - _over_blocks(a, T) - _over_blocks(T, a - e @ T)


def _over_blocks(left: np.ndarray, right: np.ndarray) -> np.ndarray:
    """sum over blocks of left_s' right_s for (..., S, r, c): (..., c, c)."""
    left, right = np.broadcast_arrays(left, right)
    *stack, S, r, c = left.shape
    return np.swapaxes(left.reshape(*stack, S * r, c), -1, -2) @ right.reshape(*stack, S * r, c)


def _inner(left: np.ndarray, right: np.ndarray) -> np.ndarray:
    """sum over all but the first two axes of left (R, K, ...) times right (R, L, ...): (R, K, L)."""
    R, K, *rest = left.shape
    size = int(np.prod(rest))
    return left.reshape(R, K, size) @ right.reshape(R, right.shape[1], size).swapaxes(1, 2)


def likelihood_of(moments: Moments, structure, *, reml: bool = True) -> Likelihood:
    """The likelihood that goes with a structure."""
    kind = TwoLevelLikelihood if isinstance(structure, TwoLevels) else Likelihood
    return kind(moments, structure, reml=reml)
