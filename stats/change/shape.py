"""What the shape of the data says of a model of change: normal residuals, and equal variances of differences.

Tests of assumptions decide nothing here: at pilot size they miss real departures and in large trials they find trifles.
Look at the residuals first. The model needs no sphericity where its covariance is free; a plain repeated-measures
analysis of variance would.
"""

from dataclasses import dataclass
from math import nan

import pandas as pd
import pingouin

from stats.change.change_fit import ChangeFit
from stats.result import Result


@dataclass(frozen=True)
class Shape(Result):
    """Shapiro-Wilk of the residuals at each visit, and Mauchly's sphericity of the visits of complete people."""

    tests: pd.DataFrame
    outcome: str
    unit: str
    n_participants: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """Columns test, visit, statistic, df, p_value, n, reason (where not computed); `level` plays no part."""
        return self.tests.copy()

    def sentence(self, level: float = 0.95) -> str:
        """Each test with its p value. No verdict."""
        parts = [
            f"{row.test}{f', {row.visit}' if row.visit else ''}: "
            + (
                f"not computed ({row.reason})"
                if row.reason
                else f"{row.statistic:.3f}, p = {row.p_value:.3f}, n = {row.n}"
            )
            for row in self.tests.itertuples()
        ]
        return f"{self.outcome}. {'; '.join(parts)}."


def shape_of(fit: ChangeFit) -> Shape:
    """Tests of the shape of the data behind a model of change, by pingouin at full precision.

    Residuals are those of the model, given only its means. Mauchly's test needs three visits and people with a value at
    each of them, more of them than visits. Returns `Shape`; what cannot be computed keeps its row, with the reason.
    Source: Shapiro & Wilk 1965; Mauchly 1940.
    """
    residuals = fit.rows.assign(residual=_residuals(fit))
    rows = [_normality(str(visit), own["residual"]) for visit, own in residuals.groupby("visit", observed=True)]
    rows.append(_sphericity(residuals.pivot(index="participant", columns="visit", values="residual").dropna()))
    note = "Tests of assumptions decide nothing: at pilot size they miss much, in large trials they find trifles."
    return Shape(pd.DataFrame(rows), fit.outcome, fit.unit, fit.n_participants, (note,))


def _residuals(fit: ChangeFit) -> pd.Series:
    """Value minus the model's mean of each row, in the order of `fit.rows`."""
    layout = fit.fit.layout
    if layout is None:
        raise AssertionError("a model of change always has its rows")
    beta = fit.fit.fixed(df="normal")["estimate"].to_numpy()
    return pd.Series(layout.y - layout.X @ beta, index=layout.frame.index).reindex(fit.rows.index)


def _row(test: str, visit: str, n: int, statistic: float = nan, df: float = nan, p: float = nan, why: str = "") -> dict:
    return {"test": test, "visit": visit, "statistic": statistic, "df": df, "p_value": p, "n": n, "reason": why}


def _normality(visit: str, values: pd.Series) -> dict:
    values = values.dropna()
    if len(values) < 4 or values.nunique() < 2:
        return _row("Shapiro-Wilk", visit, len(values), why="fewer than four values, or all the same")
    found = pingouin.normality(values.to_numpy()).iloc[0]
    return _row("Shapiro-Wilk", visit, len(values), float(found["W"]), nan, float(found["pval"]))


def _sphericity(wide: pd.DataFrame) -> dict:
    n, visits = wide.shape
    if visits < 3 or n <= visits:
        return _row("Mauchly", "", n, why=f"{n} people at all of {visits} visits; needs three visits and more people")
    found = pingouin.sphericity(wide.set_axis(range(visits), axis=1))
    return _row("Mauchly", "", n, float(found.W), float(found.dof), float(found.pval))
