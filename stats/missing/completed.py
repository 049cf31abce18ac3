"""The same least-squares analysis in every completed data set at once."""

from typing import Protocol

import numpy as np

from stats.errors import FitError
from stats.missing.rubin import Combined, combine_imputations
from stats.missing.visit_table import VisitTable


class Copies(Protocol):
    """What is asked of imputations."""

    @property
    def table(self) -> VisitTable: ...
    @property
    def reference(self) -> str: ...
    @property
    def notes(self) -> tuple[str, ...]: ...
    @property
    def unit(self) -> str: ...
    def shifted_values(self) -> np.ndarray: ...


def design(
    copies: Copies, values: np.ndarray, adjust: bool, covariates: np.ndarray | None
) -> tuple[np.ndarray, list[str]]:
    """X (m, n, p): arms other than the reference, intercept, first visit, covariates; and those arms."""
    table = copies.table
    others = [arm for arm in table.arms if arm != copies.reference]
    if not others:
        raise FitError("One arm only: there is no difference between arms.")
    m, n = values.shape[:2]
    columns = [np.broadcast_to((table.arm == arm).astype(float), (m, n)) for arm in others]
    columns.append(np.ones((m, n)))
    if adjust and np.ptp(values[:, :, 0]) > 0:  # one value for everybody adjusts for nothing
        columns.append(values[:, :, 0] - values[:, :, 0].mean(axis=1, keepdims=True))
    if covariates is not None:
        extra = np.asarray(covariates, dtype=float).reshape(n, -1)
        if np.isnan(extra).any():
            raise FitError("A covariate has gaps: fill it in or leave it out.")
        columns += [np.broadcast_to(extra[:, k] - extra[:, k].mean(), (m, n)) for k in range(extra.shape[1])]
    return np.stack(columns, axis=-1), others


def least_squares(X: np.ndarray, y: np.ndarray, keep: int) -> tuple[np.ndarray, np.ndarray]:
    """First `keep` coefficients (m, keep) and their variances, for X (m, n, p), y (m, n)."""
    G = np.einsum("mnp,mnq->mpq", X, X)
    if np.linalg.matrix_rank(X).min() < X.shape[2]:
        raise FitError("The arms, the first visit and the covariates cannot be told apart: leave a covariate out.")
    inverse = np.linalg.inv(G)
    b = np.einsum("mpq,mnq,mn->mp", inverse, X, y, optimize=True)
    rest = y - np.einsum("mnp,mp->mn", X, b)
    s2 = (rest**2).sum(axis=1) / (X.shape[1] - X.shape[2])
    return b[:, :keep], s2[:, None] * np.diagonal(inverse, axis1=1, axis2=2)[:, :keep]


def difference(copies: Copies, at: int, adjust: bool, covariates: np.ndarray | None) -> Combined:
    """Rubin's rules over the difference of each arm from the reference at visit number `at`."""
    values = copies.shifted_values()
    if adjust and at == 0:
        raise FitError("The first visit cannot be adjusted for itself: adjust=False, or another visit.")
    X, others = design(copies, values, adjust, covariates)
    if X.shape[1] <= X.shape[2]:
        raise FitError(f"{X.shape[1]} people for {X.shape[2]} coefficients: too few.")
    b, variance = least_squares(X, values[:, :, at], len(others))
    names = [f"{arm} - {copies.reference}" for arm in others]
    df = X.shape[1] - X.shape[2]
    return combine_imputations(b, variance, df, terms=names, unit=copies.unit, n_participants=X.shape[1],
                               notes=copies.notes)  # fmt: skip


def responders(copies: Copies, at: int, least: float, better: str) -> Combined:
    """Rubin's rules over the difference of shares; the complete-data df are people - arms."""
    values, table = copies.shifted_values(), copies.table
    sign = {"higher": 1.0, "lower": -1.0}[better]
    passed = sign * (values[:, :, at] - values[:, :, 0]) >= least - 1e-9
    shares, variances = {}, {}
    for arm in table.arms:
        own = passed[:, table.arm == arm]
        shares[arm] = own.mean(axis=1)
        variances[arm] = shares[arm] * (1 - shares[arm]) / own.shape[1]
    others = [arm for arm in table.arms if arm != copies.reference]
    if not others:
        raise FitError("One arm only: there is no difference between arms.")
    b = np.stack([shares[arm] - shares[copies.reference] for arm in others], axis=1)
    variance = np.stack([variances[arm] + variances[copies.reference] for arm in others], axis=1)
    if not (variance > 0).all():
        raise FitError("In some imputation everyone or nobody passed in both arms: the difference has no spread there.")
    names = [f"{arm} - {copies.reference}" for arm in others]
    return combine_imputations(b, variance, len(table.arm) - len(table.arms), terms=names, unit="share",
                               n_participants=len(table.arm), notes=copies.notes)  # fmt: skip
