"""Cluster-robust variances: CR2 of Bell & McCaffrey (2002) with Satterthwaite df (Pustejovsky & Tipton 2018).

Participants are the clusters and the fitted covariance is the working model, so that with the right covariance CR2 is
unbiased. A sensitivity analysis for doubtful covariances; with fewer than about eight participants per arm its df are
so few that intervals get very wide (judgement, no published bound).
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from stats.errors import FitError
from stats.mixed.estimates import Estimates
from stats.mixed.people import blocks

if TYPE_CHECKING:
    from stats.mixed.fit import MixedFit


def robust_estimates(fit: "MixedFit", L: np.ndarray, labels: Sequence[str], *, kind: str = "CR2") -> Estimates:
    """Linear combinations L b (m, q) with CR2 standard errors and Satterthwaite df.

    With clusters i, weights W_i = V_i^-1 and D_i'D_i = V_i: A_i = D_i' B_i^{+1/2} D_i and
    B_i = D_i (V_i - X_i Phi X_i') D_i', variance Phi {sum X_i'W_i A_i e_i e_i' A_i' W_i X_i} Phi;
    df = (tr Psi)^2 / tr(Psi^2).
    """
    if kind != "CR2":
        raise FitError(f"kind='{kind}' is not known. Choose 'CR2'.")
    L = np.atleast_2d(np.asarray(L, dtype=float))
    phi = fit.coefficient_covariance("residual")
    half = L @ phi  # (m, q)
    m = len(half)
    scores, own, reach = [], [], []
    for block in blocks(fit, "CR2"):
        X, V = block.X, block.V
        D = np.linalg.cholesky(V).T
        adjust = D.T @ _root(D @ (V - X @ phi @ X.T) @ D.T) @ D
        g = adjust.T @ np.linalg.solve(V, X @ half.T)  # (n_i, m)
        scores.append(g.T @ block.residual)
        own.append(np.einsum("nm,np,pm->m", g, V, g))
        reach.append(X.T @ g)  # (q, m)
    T, diagonal = np.array(reach), np.array(own)  # (n, q, m), (n, m)
    variance = np.square(scores).sum(axis=0)
    df = np.empty(m)
    for k in range(m):
        # Psi_ij = 1[i = j] g_i'V_i g_i - (X_i'g_i)' Phi (X_j'g_j)
        psi = -T[:, :, k] @ phi @ T[:, :, k].T
        psi[np.diag_indices(len(psi))] += diagonal[:, k]
        df[k] = np.trace(psi) ** 2 / np.sum(psi**2)
    notes = (*fit.notes, "Cluster-robust (CR2), participants as clusters, Satterthwaite df.")
    return Estimates(
        term=tuple(labels), estimate=L @ fit.beta, std_error=np.sqrt(variance), df=df, df_method="cr2", unit=fit.unit,
        n_subjects=fit.n_participants, n_rows=fit.n_rows, notes=notes, weights=L,
    )  # fmt: skip


def _root(B: np.ndarray) -> np.ndarray:
    """Symmetric inverse square root on the range of B (Moore-Penrose)."""
    values, vectors = np.linalg.eigh(0.5 * (B + B.T))
    keep = values > 1e-10 * max(values[-1], 1e-300)
    powers = np.where(keep, np.where(keep, values, 1.0) ** -0.5, 0.0)
    return (vectors * powers) @ vectors.T
