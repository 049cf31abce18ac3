"""Result records of a mixed model: estimates with intervals, and joint tests."""

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from scipy.special import betainc, chdtrc, ndtr, ndtri, stdtr, stdtrit
from statsmodels.stats.multitest import multipletests

from stats.result import ESTIMATE_COLUMNS, Result

METHOD_WORDS = {
    "kenward-roger": "Kenward-Roger df, expected information",
    "kenward-roger-observed": "Kenward-Roger df, observed information",
    "kenward-roger-2009": "Kenward-Roger df, expected information, bias-corrected covariance",
    "satterthwaite": "Satterthwaite df",
    "between-within": "between-within df",
    "residual": "residual df",
    "normal": "normal law",
    "cr2": "cluster-robust CR2, Satterthwaite df",
    "cr2-hotelling": "cluster-robust CR2, approximate Hotelling T-squared",
}


def two_sided_p(statistic: np.ndarray, df: np.ndarray) -> np.ndarray:
    """Two-sided p of a t statistic; infinite df is the normal law, NaN df gives NaN."""
    size = np.abs(statistic)
    finite = np.where(np.isinf(df), 1.0, df)
    return np.where(np.isinf(df), 2 * ndtr(-size), 2 * stdtr(finite, -size))


def t_quantile(level: float, df: np.ndarray) -> np.ndarray:
    """Half-width factor of a two-sided interval."""
    tail = 0.5 + level / 2
    finite = np.where(np.isinf(df), 1.0, df)
    return np.where(np.isinf(df), ndtri(tail), stdtrit(finite, tail))


def f_tail(F: np.ndarray, num_df: float, den_df: np.ndarray) -> np.ndarray:
    """Upper tail of F; infinite denominator df is chi-squared over its df."""
    finite = np.where(np.isinf(den_df), 1.0, den_df)
    tail = betainc(finite / 2, num_df / 2, finite / (finite + num_df * np.maximum(F, 0.0)))
    return np.where(np.isinf(den_df), chdtrc(num_df, num_df * np.maximum(F, 0.0)), tail)


@dataclass(frozen=True)
class Estimates(Result):
    """Estimates of linear combinations of coefficients.

    `term` (m,) labels; estimate, std_error, df (m,); `keys` an optional frame of m rows that says what each row is
    (arm, visit, ...). `df_method` names where std_error and df come from.
    """

    term: tuple[str, ...]
    estimate: np.ndarray
    std_error: np.ndarray
    df: np.ndarray
    df_method: str
    unit: str
    n_participants: int
    n_rows: int
    notes: tuple[str, ...] = ()
    keys: pd.DataFrame | None = None
    weights: np.ndarray = field(default_factory=lambda: np.empty((0, 0)), repr=False)

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """Columns of `keys` (arm, reference, visit, day), then term estimate std_error df statistic p_value conf_low
        conf_high unit.
        """
        with np.errstate(divide="ignore", invalid="ignore"):
            statistic = self.estimate / self.std_error
        half = t_quantile(level, self.df) * self.std_error
        columns = (
            self.term, self.estimate, self.std_error, self.df, statistic, two_sided_p(statistic, self.df),
            self.estimate - half, self.estimate + half, [self.unit] * len(self.term),
        )  # fmt: skip
        table = pd.DataFrame(dict(zip(ESTIMATE_COLUMNS, columns, strict=True)))
        return table if self.keys is None else pd.concat([self.keys.reset_index(drop=True), table], axis=1)

    def sentence(self, level: float = 0.95) -> str:
        """Estimate, interval, unit, n and method of every row."""
        rows = [
            f"{row.term}: {row.estimate:.2f} {self.unit} "
            f"({level:.0%} interval {row.conf_low:.2f} to {row.conf_high:.2f})"
            for row in self.frame(level).itertuples()
        ]
        method = METHOD_WORDS[self.df_method]
        return f"{'; '.join(rows)}; {self.n_participants} participants, {self.n_rows} observations; {method}."

    def holm(self) -> pd.DataFrame:
        """The frame with a column `p_holm`: Holm's step-down adjustment over its rows (Holm 1979)."""
        table = self.frame()
        return table.assign(p_holm=multipletests(table["p_value"], method="holm")[1])

    def select(self, rows: list[int]) -> "Estimates":
        """Some of the rows."""
        return replace(
            self, term=tuple(self.term[k] for k in rows), estimate=self.estimate[rows], std_error=self.std_error[rows],
            df=self.df[rows], keys=None if self.keys is None else self.keys.iloc[rows].reset_index(drop=True),
            weights=self.weights[rows] if len(self.weights) else self.weights,
        )  # fmt: skip


@dataclass(frozen=True)
class JointTest(Result):
    """A test that several linear combinations are all zero: F on (num_df, den_df)."""

    term: str
    statistic: float
    num_df: int
    den_df: float
    p_value: float
    df_method: str
    unit: str
    n_participants: int
    n_rows: int
    notes: tuple[str, ...] = ()

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """One row: term statistic num_df den_df p_value method. `level` plays no part."""
        values = {
            "term": self.term, "statistic": self.statistic, "num_df": self.num_df, "den_df": self.den_df,
            "p_value": self.p_value, "method": self.df_method,
        }  # fmt: skip
        return pd.DataFrame([values])

    def sentence(self, level: float = 0.95) -> str:
        """F, both df, p, n and method."""
        method = METHOD_WORDS[self.df_method]
        return (
            f"{self.term}: F({self.num_df}, {self.den_df:.1f}) = {self.statistic:.2f}, p = {self.p_value:.3f}; "
            f"{self.n_participants} participants, {self.n_rows} observations; {method}."
        )
