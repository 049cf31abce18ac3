"""Working correlations of estimating equations, as structures that statsmodels' GEE can use."""

import numpy as np
from statsmodels.genmod.cov_struct import CovStruct

from stats.errors import FitError

NAMES = ("independence", "exchangeable", "ar1", "unstructured")
LEAST = 1e-6  # eigenvalue


class WorkingCorrelation(CovStruct):
    """Correlation between the visits of a person, estimated by moments or given.

    kind: a name, or a fixed (T, T) matrix. Moments of Pearson residuals r with phi = sum r^2 / (N - p): exchangeable
    and ar1 divide the products by (pairs - p) phi, unstructured by the number of pairs and sum r^2 / N, because with
    few people the other form leaves -1 to 1. A result that is not positive definite is an error, never mended.
    Source: Liang & Zeger 1986 (Biometrika 73:13-22).
    """

    def __init__(self, kind: str | np.ndarray, n_visits: int):
        super().__init__()
        self.kind = kind if isinstance(kind, str) else "fixed"
        self.matrix = np.eye(n_visits) if isinstance(kind, str) else np.asarray(kind, dtype=float)
        self.dep_params = self.matrix
        if self.kind == "fixed":
            self._checked("The given working correlation")

    def update(self, params: np.ndarray) -> None:
        """Moments at the current coefficients; the cached means are those of `params`."""
        if self.kind in ("fixed", "independence"):
            return
        model = self.model
        T = len(self.matrix)
        table = np.full((model.num_group, T), np.nan)
        for i, (y, (mean, _)) in enumerate(zip(model.endog_li, model.cached_means, strict=True)):
            table[i, _slots(model, i)] = (y - mean) / np.sqrt(model.family.variance(mean))
        N, p = len(model.endog), model.exog.shape[1]
        r = np.nan_to_num(table)
        seen = (~np.isnan(table)).astype(float)
        total = float((r**2).sum())
        phi = total / (N - p)
        products, pairs = r.T @ r, seen.T @ seen
        above = np.triu_indices(T, 1)
        few = {"exchangeable": pairs[above].sum(), "ar1": np.diag(pairs, 1).sum()}.get(self.kind, np.inf)
        if few <= p:
            raise FitError(
                f"The {self.kind} working correlation has {few:.0f} pair(s) of visits to rest on; more than the {p} "
                "coefficients are needed. Use 'independence': the standard errors do not rest on it, or fewer terms."
            )
        if self.kind == "exchangeable":
            alpha = products[above].sum() / ((pairs[above].sum() - p) * phi)
            self.matrix = np.where(np.eye(T, dtype=bool), 1.0, alpha)
        elif self.kind == "ar1":
            alpha = np.diag(products, 1).sum() / ((np.diag(pairs, 1).sum() - p) * phi)
            self.matrix = alpha ** np.abs(np.subtract.outer(np.arange(T), np.arange(T)))
        else:
            with np.errstate(invalid="ignore", divide="ignore"):
                self.matrix = products / pairs / (total / N)
            np.fill_diagonal(self.matrix, 1.0)
            if not np.isfinite(self.matrix).all():
                raise FitError("Unstructured working correlation: two visits were never seen in the same person. Use "
                               "'exchangeable' or 'independence'.")  # fmt: skip
        self.dep_params = self.matrix
        self._checked(f"The {self.kind} working correlation")

    def covariance_matrix(self, endog_expval: np.ndarray, index: int) -> tuple[np.ndarray, bool]:
        """Correlation of the visits that person `index` has."""
        at = _slots(self.model, index)
        return self.matrix[np.ix_(at, at)], True

    def _checked(self, what: str) -> None:
        if self.matrix.ndim != 2 or self.matrix.shape[0] != self.matrix.shape[1]:
            raise FitError(f"{what} has shape {self.matrix.shape}: allowed square, one row per visit.")
        if not np.isfinite(self.matrix).all() or np.linalg.eigvalsh(self.matrix).min() < LEAST:
            raise FitError(
                f"{what} is not positive definite at this number of people. Use "
                f"{'' if self.kind == 'exchangeable' else repr('exchangeable') + ' or '}'independence': the standard "
                "errors do not rest on it."
            )


def _slots(model, index: int) -> np.ndarray:
    """Positions of a person's visits; GEE keeps the time column as floats of shape (n, 1)."""
    return np.asarray(model.time_li[index])[:, 0].astype(int)
