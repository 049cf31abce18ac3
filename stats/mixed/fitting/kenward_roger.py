"""Small-sample inference on coefficients: Kenward-Roger, Satterthwaite and plainer degrees of freedom.

Kenward & Roger (1997, Biometrics 53:983): Phi_A = Phi + 2 Phi { sum W_km (Q_km - P_k Phi P_m - R_km / 4) } Phi with W
the inverse information of the covariance parameters, and an F whose scale and denominator df are matched to moments.
Two informations are in use, expected (the paper) and observed; they differ with missing visits, so every result names
which. For covariances that are not linear in their parameters the 1997 form depends on the parameterisation; the 2009
form takes the first-order bias of the estimated parameters off as well and does not (Kenward & Roger 2009, Comput Stat
Data Anal 53:2583; the bias is derived here after Cox & Snell 1968). Satterthwaite (Giesbrecht & Burns 1985; Fai &
Cornelius 1996 for several degrees) uses the observed information.

Where variances of random effects would be estimated below zero, Kenward-Roger stands at the unbounded maximum (every
participant's covariance positive definite, see `reml`), the plainer methods at the bounded one. With complete data the
unbounded one is the t test of participants' own slopes, and it rejects a true null in 4.7, 4.8 and 5.0 % of trials for
slope SDs of 0, 0.5 and 1 (6 per arm, 6 visits, 15 % missing, 2,000 trials each); dropping the component rejects in 3.0,
4.9 and 5.0 %. No method is right given that a fit lies there (7-25 % on the boundary, 1-4 % off it). Without such a
maximum the parameters held on the boundary are dropped: derivatives run along it only (see `tangent`).

Where the covariance is one variance times the identity (one row per participant) this is ordinary least squares, and
every method gives its exact t and F.
"""

import numpy as np

from stats.errors import FitError
from stats.mixed.covariance.tangent import tangent_of
from stats.mixed.fitting.likelihood import Likelihood, Point
from stats.mixed.fitting.spectrum import inverse as inverse_of
from stats.mixed.fitting.spectrum import inverse_or_none, spectrum
from stats.mixed.model.masks import every

KENWARD_ROGER = "kenward-roger"
KENWARD_ROGER_OBSERVED = "kenward-roger-observed"
KENWARD_ROGER_2009 = "kenward-roger-2009"
SATTERTHWAITE = "satterthwaite"
INFORMATION = {
    KENWARD_ROGER: "expected",
    KENWARD_ROGER_OBSERVED: "observed",
    KENWARD_ROGER_2009: "expected",
    SATTERTHWAITE: "observed",
}
DF_METHODS = (*INFORMATION, "between-within", "residual", "normal")


class SmallSample:
    """Covariance of coefficients and degrees of freedom at a maximum, for R replicates.

    Shapes: phi (R, q, q); contrasts L (m, q) are tested one by one by `single` and together by `joint`.
    """

    def __init__(
        self, likelihood: Likelihood, point: Point, boundary: np.ndarray, *, exact_df: float | np.ndarray | None = None
    ) -> None:
        self.likelihood, self.point, self.exact_df = likelihood, point, exact_df
        self.tangent = tangent_of(likelihood.structure, point.theta, boundary)
        self._inverse: dict[str, tuple[np.ndarray, np.ndarray | None, np.ndarray]] = {}
        self._adjusted: dict[str, np.ndarray] = {}

    def inverse_information(self, kind: str) -> tuple[np.ndarray, np.ndarray | None, np.ndarray]:
        """Inverse of the "expected" or "observed" information over theta (R, K, K), curvature weights, and validity.

        The weights (R, K) are sum_ab W_ab curve_kab along a boundary; valid (R,) is False where the information is not
        positive definite, so that no small-sample answer exists.
        """
        if kind not in self._inverse:
            point = self.point
            information = point.expected if kind == "expected" else point.observed
            tangent = self.tangent
            if tangent is not None:
                J = tangent.J
                information = np.swapaxes(J, 1, 2) @ information @ J
                if kind == "observed" and tangent.curve is not None:
                    information = information - np.einsum("rk,rkab->rab", point.score, tangent.curve)
            inverse, valid = inverse_of(information)
            weights = None
            if tangent is not None:
                if tangent.curve is not None:
                    weights = np.einsum("rab,rkab->rk", inverse, tangent.curve)
                inverse = tangent.J @ inverse @ np.swapaxes(tangent.J, 1, 2)
            self._inverse[kind] = (inverse, weights, valid)
        return self._inverse[kind]

    def adjusted(self, kind: str) -> np.ndarray:
        """Kenward-Roger's covariance of the coefficients (R, q, q) with the "expected" or "observed" information."""
        if kind not in self._adjusted:
            W = self.inverse_information(kind)[0]
            lik, point = self.likelihood, self.point
            R, K = point.theta.shape
            q = lik.q
            Q = lik.weighted_squares(point, W, self._bend(kind))
            weights = self.inverse_information(kind)[1]
            if weights is not None:
                Q = Q + 0.25 * np.einsum("rk,rkab->rab", weights, point.P)
            Pm = point.P.reshape(R, K, q * q)
            WP = (W @ Pm).reshape(R, K, q, q)
            PP = (point.P @ point.phi[:, None] @ WP).sum(axis=1)
            U = Q - PP
            U = 0.5 * (U + U.swapaxes(1, 2))
            self._adjusted[kind] = point.phi + 2 * point.phi @ U @ point.phi
        return self._adjusted[kind]

    def _bend(self, kind: str) -> np.ndarray | None:
        """sum W_km V_km (R, P or 1, T, T), second derivatives weighted; None where the covariance is linear."""
        second = self.likelihood.structure.second(self.point.theta)
        if second is None:
            return None
        K = second.shape[1]  # variances above participants come last and are linear
        return np.einsum("rkm,rkmptu->rptu", self.inverse_information(kind)[0][:, :K, :K], second)

    def bias_corrected(self) -> np.ndarray:
        """Kenward & Roger's covariance of 2009 (R, q, q): `adjusted` + sum_s b_s Phi P_s Phi.

        b = -1/4 W c, c_r = tr(P V_r P sum W_tu V_tu), is the first-order bias of the estimated parameters under REML.
        """
        bend, adjusted = self._bend("expected"), self.adjusted("expected")
        along = self.inverse_information("expected")[1]
        if bend is None and along is None:
            return adjusted
        lik, point, phi = self.likelihood, self.point, self.point.phi
        c = np.zeros_like(point.theta)
        if along is not None:
            c = c + 2 * np.einsum("rkm,rm->rk", point.expected, along)
        if bend is not None:
            traces, bent = lik.bend_traces(point, bend)
            c = c + traces - np.einsum("rab,rkbc,rca->rk", phi, point.P, phi @ bent)
        W, _, _ = self.inverse_information("expected")
        bias = -0.25 * (W @ c[:, :, None])[:, :, 0]
        return adjusted + phi @ np.einsum("rk,rkab->rab", bias, point.P) @ phi

    def covariance(self, df: str) -> np.ndarray:
        """Covariance of the coefficients that goes with a df method (R, q, q)."""
        if self.exact_df is not None:
            return self.point.phi
        if df == KENWARD_ROGER_2009:
            return self.bias_corrected()
        return self.adjusted(INFORMATION[df]) if df.startswith(KENWARD_ROGER) else self.point.phi

    def satterthwaite(self, L: np.ndarray, kind: str) -> np.ndarray:
        """df of each row of L (m, q): 2 (l'Phi l)^2 / g'W g, g_k = -l' Phi P_k Phi l. Returns (R, m)."""
        if self.exact_df is not None:
            return np.broadcast_to(np.reshape(self.exact_df, (-1, 1)), (len(self.point.beta), len(L))).copy()
        W, _, valid = self.inverse_information(kind)
        half = L @ self.point.phi  # (R, m, q)
        variance = (half * L).sum(axis=2)
        g = ((half[:, None] @ self.point.P) * half[:, None]).sum(axis=3).swapaxes(1, 2)  # (R, m, K)
        spread = ((g @ W) * g).sum(axis=2)
        tiny = spread <= 1e-30 * variance**2
        df = np.where(tiny, np.inf, 2 * variance**2 / np.where(tiny, 1.0, spread))
        return df if every(valid) else np.where(valid[:, None], df, np.nan)

    def kenward_roger_joint(self, L: np.ndarray, df: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Joint test of L (m, q) by a Kenward-Roger method: scaled F, denominator df and `instead` (R,) each.

        Kenward and Roger match the mean and variance of F; with few participants, gaps and m rows their equations have
        no solution now and then (0.5 to 0.8 % of trials with 6 per arm and three visits). There, A2 >= m - 1 or so, F
        takes the form of Hotelling's on the same A2: nu = m (m + 1) / A2 df of a Wishart law with the variance of
        L Phi L', F = (nu - m + 1) / (nu m) Wald on m and nu - m + 1 df, with complete data the same test. Where nu is
        m - 1 or less too, there is no answer: NaN. `instead` (bool) says where Hotelling's form stands.
        """
        phi, size = self.point.phi, len(L)
        if self.exact_df is not None:
            den = np.broadcast_to(self.exact_df, len(phi)).astype(float)
            return self.wald(L, phi) / size, den, np.zeros(len(phi), dtype=bool)
        W, _, valid = self.inverse_information(INFORMATION[df])
        adjusted = self.covariance(df)
        middle, regular = inverse_or_none(L @ phi @ L.T)
        valid = valid & regular
        theta = L.T @ middle @ L  # (R, q, q)
        M = theta[:, None] @ phi[:, None] @ self.point.P @ phi[:, None]  # (R, K, q, q)
        trace = np.einsum("rkaa->rk", M)
        A1 = np.einsum("rk,rkm,rm->r", trace, W, trace)
        R, K, q, _ = M.shape
        flat, flat_t = M.reshape(R, K, q * q), np.swapaxes(M, 2, 3).reshape(R, K, q * q)
        A2 = np.einsum("rkm,rkm->r", W, flat @ np.swapaxes(flat_t, 1, 2))
        wald = self.wald(L, adjusted)
        F, den = scaled_f(wald / size, A1, A2, size, valid)
        nu = size * (size + 1) / np.maximum(A2, 1e-300)
        instead = np.isnan(den) & valid & np.isfinite(wald) & (nu > size - 1 + 1e-6)
        F = np.where(instead, (nu - size + 1) / (nu * size) * wald, F)
        return F, np.where(instead, nu - size + 1, den), instead

    def wald(self, L: np.ndarray, covariance: np.ndarray) -> np.ndarray:
        """(L b)'(L C L')^-1 (L b) for each replicate (R,); NaN where L C L' is not positive definite.

        Kenward-Roger's adjusted covariance need not be: with few participants a combination may get a variance below 0.
        """
        value = self.point.beta @ L.T
        among = L @ covariance @ L.T
        size, values, vectors = spectrum(0.5 * (among + among.swapaxes(1, 2)))
        along = ((value / size)[:, None] @ vectors)[:, 0]
        positive = (values[:, 0] > 1e-12) & (among.diagonal(axis1=1, axis2=2) > 0).all(axis=1)
        return np.where(positive, (along**2 / np.where(positive[:, None], values, 1.0)).sum(axis=1), np.nan)

    def fai_cornelius(self, L: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """F and denominator df of the joint test by Satterthwaite df along the eigenvectors of L Phi L' (R,), (R,)."""
        phi, size = self.point.phi, len(L)
        if self.exact_df is not None:
            return self.wald(L, phi) / size, np.broadcast_to(self.exact_df, len(phi)).astype(float)
        _, vectors = np.linalg.eigh(L @ phi @ L.T)
        out = np.empty((len(phi), size))
        for r in range(len(phi)):
            out[r] = self._one_satterthwaite(vectors[r].T @ L, r)
        F = self.wald(L, phi) / size
        spread = np.ptp(out, axis=1) < 1e-8 * out.max(axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            E = np.where(out > 2, out / (out - 2), 0.0).sum(axis=1)
            df = np.where(size < E, 2 * E / (E - size), 2.0)
        df = np.where((out <= 2).any(axis=1), 2.0, df)
        return F, np.where(spread, out.mean(axis=1), df)

    def _one_satterthwaite(self, L: np.ndarray, r: int) -> np.ndarray:
        W, _, valid = self.inverse_information("observed")
        if not valid[r]:
            return np.full(len(L), np.nan)
        half = L @ self.point.phi[r]
        variance = np.einsum("mq,mq->m", half, L)
        g = np.einsum("ma,kab,mb->mk", half, self.point.P[r], half)
        return 2 * variance**2 / np.maximum(np.einsum("mk,kl,ml->m", g, W[r], g), 1e-300)


def scaled_f(
    F: np.ndarray, A1: np.ndarray, A2: np.ndarray, size: int, valid: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Kenward & Roger's scaled F and denominator df from A1 and A2; `size` numerator df.

    NaN where the moments give no denominator df above 2 and the information is not positive definite. Where a ratio is
    0/0 (balanced strata) it is taken as 1, and the scale as 1 near m = 2, as the published formulas tend to.
    """
    B = (A1 + 6 * A2) / (2 * size)
    with np.errstate(divide="ignore", invalid="ignore"):
        g = ((size + 1) * A1 - (size + 4) * A2) / ((size + 2) * A2)
        bottom = 3 * size + 2 * (1 - g)
        c1, c2, c3 = g / bottom, (size - g) / bottom, (size + 2 - g) / bottom
        mean, V0, V1, V2 = 1 - A2 / size, 1 + c1 * B, 1 - c2 * B, 1 - c3 * B
        V0 = np.where(np.abs(V0) < 1e-10, 0.0, V0)
        ratio = np.where((np.abs(mean) < 1e-10) & (np.abs(V1) < 1e-10), 1.0, mean / V1)
        rho = ratio**2 * V0 / (V2 * size)
        m = 4 + (size + 2) / (size * rho - 1)
        scale = np.where(np.abs(m - 2) < 1e-2, 1.0, m * mean / (m - 2))
    none = A2 <= 1e-30  # no uncertainty about the covariance: the chi-squared limit
    m, scale = np.where(none, np.inf, m), np.where(none, 1.0, scale)
    usable = valid & np.isfinite(scale) & (scale > 0) & (m > 0)
    return np.where(usable, scale * F, np.nan), np.where(usable, m, np.nan)


def check_df(df: str) -> str:
    """The df method, or a FitError that lists them."""
    if df not in DF_METHODS:
        raise FitError(f"df='{df}' is not known. Choose one of: {', '.join(DF_METHODS)}.")
    return df
