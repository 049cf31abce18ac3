"""Cluster-robust inference: CR2 of Bell & McCaffrey (2002) with the degrees of freedom of Pustejovsky & Tipton (2018).

Participants, in a model with sites the sites, are the clusters and the fitted covariance is the working model, so that
with the right covariance CR2 is unbiased. With clusters i, weights W_i = V_i^-1 and D_i'D_i = V_i:
A_i = D_i' B_i^{+1/2} D_i and B_i = D_i (V_i - X_i Phi X_i') D_i'; the covariance of L b is sum_i (g_i'e_i)(g_i'e_i)'
with g_i = A_i W_i X_i Phi L'.

Single combinations: Student's t with df = (tr Psi)^2 / tr(Psi^2), Psi_ij = 1[i = j] g_i'V_i g_i - g_i'X_i Phi X_j'g_j.
Several at once: the approximate Hotelling T-squared ("AHT", J Bus Econ Stat 2018;36:672). With Omega the mean of the
covariance under the working model and P_ij = Omega^-1/2 Psi_ij Omega^-1/2 now m x m,

    eta = m (m + 1) / sum_ij [ (tr P_ij)^2 + tr(P_ij P_ij) ],    F = (eta - m + 1) / (eta m) Q ~ F(m, eta - m + 1),

Q the Wald statistic. One row gives t squared on the same df; complete data of two equal arms give Hotelling's own test.

A sensitivity analysis for doubtful covariances with few parameters; with fewer than about eight participants per arm
its df are so few that intervals get very wide (judgement, no published bound). It does not repair a working model that
overfits: on an unstructured covariance of six visits it rejected a true null in 10 % (15 per arm) to 17 % (10 per arm)
of simulated trials at nominal 5 %, see tests/simulation/calibration.csv.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from stats.errors import FitError
from stats.mixed.inference.blocks import Alike, alike_in, rows_of
from stats.mixed.inference.fit_estimates import Estimates, JointTest, f_tail
from stats.mixed.inference.fitted import Fitted
from stats.mixed.model.contrasts import independent_rows

KINDS = ("CR2",)
SEEN = 0.99  # CR2 sees the whole variance of a combination, unless a participant alone decides a part of it
TOO_FEW = 1e-6  # df above m - 1 that could be rounding
RELIABLE = 4  # Tipton 2015, Psychol Methods 20:375 (from memory): with fewer df the reference law is not to be trusted


@dataclass(frozen=True)
class Sandwich:
    """CR2 of L b in R replicates, working model and estimate.

    estimate (R, m); covariance (R, m, m) by CR2, expected (R, m, m) its mean under the working model, model (R, m, m)
    L Phi L'. own (R, n, m, m) and reach (R, n, q, m): Psi_ij = 1[i = j] own_i - reach_i' reach_j.
    """

    estimate: np.ndarray
    covariance: np.ndarray
    expected: np.ndarray
    model: np.ndarray
    own: np.ndarray
    reach: np.ndarray

    @classmethod
    def of(
        cls, parts: Iterable[Alike], phi: np.ndarray, beta: np.ndarray, residual: np.ndarray, L: np.ndarray
    ) -> "Sandwich":
        """From participants, Phi (R, q, q), b (R, q), residuals (R, N) and L (m, q)."""
        half = phi @ L.T  # (R, q, m)
        values, vectors = np.linalg.eigh(0.5 * (phi + np.swapaxes(phi, 1, 2)))
        root = vectors * np.sqrt(np.maximum(values, 0.0))[:, None]  # Phi = root root', singular to rounding or not
        scores, own, reach = [], [], []
        for part in parts:
            X, V = part.X, part.V[:, None]
            D = np.swapaxes(np.linalg.cholesky(part.V), 1, 2)[:, None]
            Dt = np.swapaxes(D, 2, 3)
            reached = X @ root[:, None]  # X Phi^1/2
            hidden = V - reached @ np.swapaxes(reached, 2, 3)
            adjust = Dt @ _root(D @ hidden @ Dt, np.einsum("rptt->rp", D @ V @ Dt)) @ D
            g = adjust @ np.linalg.solve(V, X @ half[:, None])  # (R, m_p, n_i, m); adjust is symmetric
            gt = np.swapaxes(g, 2, 3)
            scores.append((gt @ residual[:, part.rows][..., None])[..., 0])
            own.append(gt @ V @ g)
            reach.append(np.swapaxes(gt @ reached, 2, 3))
        s, mine, through = (np.concatenate(made, axis=1) for made in (scores, own, reach))
        expected = (mine - np.swapaxes(through, 2, 3) @ through).sum(axis=1)
        return cls(beta @ L.T, np.swapaxes(s, 1, 2) @ s, expected, L @ half, mine, through)

    def single(self) -> tuple[np.ndarray, np.ndarray]:
        """Standard errors and Satterthwaite df of each combination (R, m); NaN where CR2 does not see all variance."""
        own = np.einsum("rnmm->rnm", self.own)
        inside = np.square(self.reach).sum(axis=2)
        flat = np.moveaxis(self.reach, 3, 1)  # (R, m, n, q)
        squares = np.square(np.swapaxes(flat, 2, 3) @ flat).sum(axis=(2, 3))  # sum_ij (reach_i' reach_j)^2
        squares = squares + (np.square(own - inside) - np.square(inside)).sum(axis=1)
        mean, model = np.einsum("rmm->rm", self.expected), np.einsum("rmm->rm", self.model)
        seen = (mean > SEEN * model) & (squares > 0)
        variance = np.einsum("rmm->rm", self.covariance)
        std_error = np.sqrt(np.where(seen, variance, np.nan))
        return std_error, np.where(seen, mean, np.nan) ** 2 / np.where(seen, squares, 1.0)

    def joint(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """F, denominator df and eta (R,) of all combinations together.

        eta is NaN where CR2 cannot see all of the variance; F and its df are NaN there and where eta <= m - 1.
        """
        R, n, q, m = self.reach.shape
        whole = np.linalg.inv(np.linalg.cholesky(self.model))
        share = np.linalg.eigvalsh(whole @ self.expected @ np.swapaxes(whole, 1, 2))
        regular = share[:, 0] > SEEN
        omega = np.where(regular[:, None, None], self.expected, self.model)
        turn = np.linalg.inv(np.linalg.cholesky(omega))  # T Omega T' = I; any such T gives the same eta
        across = np.swapaxes(turn, 1, 2)
        reach = self.reach @ across[:, None]
        own = turn[:, None] @ self.own @ across[:, None]
        inside = np.swapaxes(reach, 2, 3) @ reach
        flat = reach.reshape(R, n, q * m)
        M = (np.swapaxes(flat, 1, 2) @ flat).reshape(R, q, m, q, m)  # sum_i reach_i reach_i'
        total = np.square(M).sum(axis=(1, 2, 3, 4)) + np.einsum("rasbt,ratbs->r", M, M)
        total = total + (_size(own - inside) - _size(inside)).sum(axis=1)
        regular &= total > 0
        eta = np.where(regular, m * (m + 1) / np.where(regular, total, 1.0), np.nan)
        turned = (turn @ self.estimate[:, :, None])[:, :, 0]
        covariance = turn @ self.covariance @ across
        values, vectors = np.linalg.eigh(covariance)
        usable = regular & (values[:, 0] > 1e-12 * values[:, -1]) & (eta > m - 1 + TOO_FEW)
        along = (np.swapaxes(vectors, 1, 2) @ turned[:, :, None])[:, :, 0]
        Q = (along**2 / np.where(usable[:, None], values, 1.0)).sum(axis=1)
        den = np.where(usable, eta - m + 1, np.nan)
        return den / (eta * m) * Q, den, eta


def robust_estimates(fit: Fitted, L: np.ndarray, labels: Sequence[str], *, kind: str = "CR2") -> Estimates:
    """Linear combinations L b (m, q) with CR2 standard errors and Satterthwaite df."""
    L = np.atleast_2d(np.asarray(L, dtype=float))
    sandwich = _sandwich(fit, L, kind)
    std_error, df = (made[0] for made in sandwich.single())
    notes = (*fit.notes, f"{_note(fit)}, Satterthwaite df.")
    alone = [label for label, error in zip(labels, std_error, strict=True) if np.isnan(error)]
    if alone:
        notes = (*notes, f"One {_cluster(fit)} alone decides {', '.join(alone)}: CR2 has no standard error for that.")
    if (df < RELIABLE).any():
        notes = (*notes, f"Fewer than {RELIABLE} CR2 df for a combination: its interval is not to be relied on.")
    return Estimates(
        term=tuple(labels), estimate=sandwich.estimate[0], std_error=std_error, df=df, df_method="cr2", unit=fit.unit,
        n_participants=fit.n_participants, n_rows=fit.n_rows, notes=notes, weights=L,
    )  # fmt: skip


def robust_test(fit: Fitted, L: np.ndarray, label: str, *, kind: str = "CR2") -> JointTest:
    """Joint test that L b = 0, L (m, q), by CR2 and the approximate Hotelling T-squared.

    Where eta is m - 1 or less, or one participant alone decides a part of it, statistic and p are NaN with a note.
    """
    rows = independent_rows(np.atleast_2d(np.asarray(L, dtype=float)))
    F, den, eta = (made[0] for made in _sandwich(fit, rows, kind).joint())
    notes, m = (*fit.notes, f"{_note(fit)}, approximate Hotelling T-squared."), len(rows)
    if np.isnan(den):
        why = f"one {_cluster(fit)} alone decides a part of it" if np.isnan(eta) else (
            f"its Hotelling df are {eta:.1f}, and {m} rows ask for more than {m - 1}" if eta <= m - 1 + TOO_FEW
            else "the robust covariance is singular"
        )  # fmt: skip
        notes = (*notes, f"No joint CR2 test of {m} degrees of freedom can be given: {why}.")
    elif den < RELIABLE:
        notes = (*notes, f"The denominator has fewer than {RELIABLE} df: the test is not to be relied on.")
    return JointTest(
        term=label, statistic=float(F), num_df=m, den_df=float(den), p_value=float(f_tail(F, m, den)),
        df_method="cr2-hotelling", unit=fit.unit, n_participants=fit.n_participants, n_rows=fit.n_rows, notes=notes,
    )  # fmt: skip


def _cluster(fit: Fitted) -> str:
    above = fit.moments.sites
    return "participant" if above is None else above.effects.names[0][0]


def _note(fit: Fitted) -> str:
    if fit.moments.sites is None:
        return "Cluster-robust (CR2), participants as clusters"
    return f"Cluster-robust (CR2), each {_cluster(fit)} a cluster ({len(fit.moments.sites.blocks)} of them)"


def _sandwich(fit: Fitted, L: np.ndarray, kind: str) -> Sandwich:
    if kind not in KINDS:
        raise FitError(f"kind='{kind}' is not known. Choose '{KINDS[0]}'.")
    layout = rows_of(fit, "CR2")
    residual = (layout.y - layout.X @ fit.beta)[None]
    phi = fit.coefficient_covariance("residual")[None]
    return Sandwich.of(alike_in(fit, "CR2"), phi, fit.beta[None], residual, L)


def _size(matrices: np.ndarray) -> np.ndarray:
    """(tr P)^2 + tr(P P) over the last two axes."""
    return np.square(np.einsum("...mm->...", matrices)) + np.einsum("...st,...ts->...", matrices, matrices)


def _root(B: np.ndarray, size: np.ndarray) -> np.ndarray:
    """Symmetric inverse square roots (Moore-Penrose) of B (R, n, t, t); eigenvalues below 1e-10 of `size` count as 0.

    A participant who alone decides a coefficient has no residual there: what is left is rounding, not variation.
    """
    values, vectors = np.linalg.eigh(0.5 * (B + np.swapaxes(B, -1, -2)))
    keep = values > 1e-10 * size[..., None]
    powers = np.where(keep, np.where(keep, values, 1.0) ** -0.5, 0.0)
    return (vectors * powers[..., None, :]) @ np.swapaxes(vectors, -1, -2)
