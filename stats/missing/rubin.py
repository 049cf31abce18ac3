"""Answers of several completed data sets put together (Rubin's rules)."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.stats import f as f_law

from stats.errors import FitError
from stats.estimates import check_level
from stats.mixed.inference.fit_estimates import Estimates
from stats.result import Result


@dataclass(frozen=True)
class Combined(Result):
    """Estimates over m imputations, k of them.

    within, between, total: variances (k,); relative_increase = (1 + 1/m) between / within; missing_information: Rubin's
    fraction with the small-sample df.
    """

    estimates: Estimates = field(repr=False)
    m: int
    within: np.ndarray
    between: np.ndarray
    total: np.ndarray
    relative_increase: np.ndarray
    missing_information: np.ndarray
    complete_df: float
    notes: tuple[str, ...] = ()
    covariances: tuple[np.ndarray, np.ndarray] | None = field(repr=False, default=None)  # within, between (k, k)

    @property
    def unit(self) -> str:
        """Unit of the estimates."""
        return self.estimates.unit

    @property
    def n_participants(self) -> int:
        """People in each completed data set; 0 where it was not told."""
        return self.estimates.n_participants

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """term estimate std_error df statistic p_value conf_low conf_high unit, then within between total fmi m."""
        table = self.estimates.frame(check_level(level))
        return table.assign(within=self.within, between=self.between, total=self.total, fmi=self.missing_information,
                            m=self.m)  # fmt: skip

    def sentence(self, level: float = 0.95) -> str:
        """Estimates with intervals, imputations, share of information missing."""
        rows = self.frame(level)
        unit = f" {self.unit}" if self.unit else ""
        parts = [
            f"{row.term}: {row.estimate:.2f}{unit} ({level:.0%} interval {row.conf_low:.2f} to {row.conf_high:.2f}, "
            f"{row.df:.1f} df, {row.fmi:.0%} of the information missing)"
            for row in rows.itertuples()
        ]
        return f"{'; '.join(parts)}; {self.m} imputations, Rubin's rules with Barnard and Rubin's df."

    def joint_test(self) -> pd.DataFrame:
        """Test that all k are zero (Li, Raghunathan & Rubin's D1, df of Reiter): statistic num_df den_df p_value.

        Raises FitError without covariances (m, k, k). den_df_large: without the small-sample correction.
        Source: Li, Raghunathan & Rubin 1991 (J Am Stat Assoc 86:1065-1073); Reiter 2007 (Biometrika 94:502-508).
        """
        if self.covariances is None:
            raise FitError("A joint test needs the covariance of the estimates in every imputation: (m, k, k).")
        U, B = self.covariances
        q, m, k = self.estimates.estimate, self.m, len(self.estimates.estimate)
        r = float((1 + 1 / m) * np.trace(B @ np.linalg.inv(U)) / k)
        D = float(q @ np.linalg.solve(U, q) / (k * (1 + r)))
        large, small = _joint_df(r, k, m, self.complete_df)
        return pd.DataFrame([{"statistic": D, "num_df": k, "den_df": small, "p_value": float(f_law.sf(D, k, small)),
                              "den_df_large": large, "relative_increase": r}])  # fmt: skip


def combine_imputations(
    estimates: Sequence[float] | np.ndarray,
    variances: Sequence[float] | np.ndarray,
    complete_df: float = np.inf,
    *,
    terms: Sequence[str] = (),
    unit: str = "",
    n_participants: int = 0,
    notes: tuple[str, ...] = (),
) -> Combined:
    """Rubin's rules with Barnard & Rubin's df.

    estimates: (m,) or (m, k), one per completed data set. variances: their squared standard errors, the same shape, or
    covariances (m, k, k). complete_df: degrees of freedom the analysis would have with nothing missing (e.g. people
    less coefficients); without it the df can be larger than the people there are. terms: a sequence of the k names.

    Returns `Combined`. Raises FitError for fewer than two imputations, shapes that do not agree, or a variance that is
    not above 0. Source: Rubin 1987; Barnard & Rubin 1999 (Biometrika 86:948-955).
    """
    Q = np.asarray(estimates, dtype=float)
    V = np.asarray(variances, dtype=float)
    Q = Q[:, None] if Q.ndim == 1 else Q
    m, k = Q.shape
    if m < 2:
        raise FitError(f"{m} imputation(s), allowed 2 or more (20 and more are usual).")
    full = V.ndim == 3
    if (full and V.shape != (m, k, k)) or (not full and V.size != Q.size):
        raise FitError(f"Estimates {Q.shape} and variances {V.shape}: allowed one variance each, or (m, k, k).")
    each = np.diagonal(V, axis1=1, axis2=2) if full else V.reshape(m, k)
    if not np.isfinite(Q).all() or not (each > 0).all():
        raise FitError(
            "An estimate or a variance of a completed data set is missing or not above 0: fix that analysis."
        )
    if not complete_df > 0:
        raise FitError(f"complete_df={complete_df}: allowed above 0 (people less coefficients).")
    within, between = each.mean(axis=0), Q.var(axis=0, ddof=1)
    total = within + (1 + 1 / m) * between
    increase = (1 + 1 / m) * between / within
    df = small_sample_df(increase, m, complete_df)
    information = (increase + 2 / (df + 3)) / (1 + increase)
    names = tuple(terms) or (("estimate",) if k == 1 else tuple(f"estimate {i + 1}" for i in range(k)))
    made = Estimates(names, Q.mean(axis=0), np.sqrt(total), df, "normal", unit, n_participants, n_participants, notes)
    both = (V.mean(axis=0), np.atleast_2d(np.cov(Q, rowvar=False))) if full else None
    return Combined(made, m, within, between, total, increase, information, float(complete_df), notes, both)


def small_sample_df(increase: np.ndarray, m: int, complete_df: float) -> np.ndarray:
    """Barnard & Rubin's df from the relative increase of variance."""
    share = increase / (1 + increase)
    with np.errstate(divide="ignore"):
        old = np.where(share > 0, (m - 1) / share**2, np.inf)
    if np.isinf(complete_df):
        return old
    seen = (complete_df + 1) / (complete_df + 3) * complete_df * (1 - share)
    return 1 / (1 / old + 1 / seen)


def _joint_df(r: float, k: int, m: int, complete_df: float) -> tuple[float, float]:
    t = k * (m - 1)
    large = 4 + (t - 4) * (1 + (1 - 2 / t) / r) ** 2 if t > 4 else t * (1 + 1 / k) * (1 + 1 / r) ** 2 / 2
    if np.isinf(complete_df) or t <= 4:
        return large, large
    a = r * t / (t - 2)
    v = (complete_df + 1) / (complete_df + 3) * complete_df
    c0, c1, c2 = 1 / (t - 4), v - 2 * (1 + a), v - 4 * (1 + a)
    z = 1 / c2 + c0 * (a**2 * c1 / ((1 + a) ** 2 * c2))
    z += c0 * (8 * a**2 * c1 / ((1 + a) * c2**2) + 4 * a**2 / ((1 + a) * c2))
    z += c0 * (4 * a**2 / (c2 * c1) + 16 * a**2 * c1 / c2**3) + c0 * (8 * a**2 / c2**2)
    return large, 4 + 1 / z
