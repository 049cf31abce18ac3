"""Does one odds ratio hold at every cut point? Tests of the proportional-odds assumption, on independent rows.

With repeated rows of people these are a check of the shape, not tests of a stated size: the differences between people
are left out. At pilot size a test that does not reject says little; look at the odds ratios per cut point too.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.optimize import minimize
from scipy.special import chdtrc, expit

from stats.bounded.grades import OrdinalFit, cut_designs, fit_ordinal
from stats.bounded.random_intercept.families import Grades
from stats.bounded.random_intercept.maximum import Maximum, maximise
from stats.bounded.random_intercept.quadrature import Integral
from stats.errors import FitError
from stats.result import Result

CAUTION = "Rows are taken as independent; a test that does not reject says little at pilot size."


@dataclass(frozen=True)
class ProportionalOdds(Result):
    """Likelihood-ratio tests per term (own effect at each cut point; own spread) and the score test for all terms."""

    table: pd.DataFrame = field(repr=False)
    loglik: float
    unit: str
    n_participants: int
    n_rows: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """Columns term test df loglik statistic p_value reason; tests "cut points", "spread", "score"."""
        return self.table

    def sentence(self, level: float = 0.95) -> str:
        """Score test for all terms."""
        scores = self.table[self.table["test"] == "score"]
        if scores.empty:  # two grades: the odds are one, and nothing can differ between them
            return f"Proportional odds could not be tested: two grades have one cut point only. {CAUTION}"
        row = scores.iloc[0]
        if np.isnan(row["p_value"]):
            return f"Proportional odds could not be tested: {row['reason']} {CAUTION}"
        return (
            f"Proportional odds, all terms: chi-squared({int(row['df'])}) = {row['statistic']:.2f}, "
            f"p = {row['p_value']:.3f} (score test, {self.n_rows} rows). {CAUTION}"
        )


def check_proportional_odds(frame: pd.DataFrame, formula: str) -> ProportionalOdds:
    """Tests of proportional odds for a formula as `fit_ordinal` takes it.

    For each term: the likelihood ratio against a model where its effects differ between cut points, and against one
    where it also scales the spread; for all terms together the score test (expected information). A model that has no
    maximum is a row with its reason.
    Source: Peterson & Harrell 1990 (Appl Stat 39:205-217); Brant 1990; score test as in common programs, from memory.
    frame: one row per participant and visit, with the columns of the formula. Raises FitError as `fit_ordinal` does
    where the model itself has no maximum; effects are log odds, the statistics have no unit.
    """
    fit = fit_ordinal(frame, formula)
    X, codes = fit._effect_columns(), _codes_of(fit)
    J = len(fit.grades)
    rows = []
    for term, columns in fit._term_columns().items():
        rows.append(
            _against(term, "cut points", len(columns) * (J - 2), fit, lambda c=columns: _by_cut(fit, codes, X, c))
        )
        rows.append(_against(term, "spread", len(columns), fit, lambda c=columns: _by_spread(fit, codes, X, c)))
    if J > 2:
        rows.append(_score(fit, codes, X))
    return ProportionalOdds(pd.DataFrame(rows), fit.loglik, "", fit.n_participants, fit.n_rows, (*fit.notes, CAUTION))


def _codes_of(fit: OrdinalFit) -> np.ndarray:
    return np.unique(fit.layout.y, return_inverse=True)[1]


def _against(term: str, test: str, df: int, fit: OrdinalFit, larger) -> dict[str, object]:
    row: dict[str, object] = {"term": term, "test": test, "df": df, "loglik": np.nan, "statistic": np.nan,
                              "p_value": np.nan, "reason": ""}  # fmt: skip
    if df == 0:
        return row | {"reason": "Two grades: there is one cut point only."}
    try:
        value = float(larger())
    except FitError as error:
        return row | {"reason": str(error)}
    statistic = max(0.0, 2 * (value - fit.loglik))
    return row | {"loglik": value, "statistic": statistic, "p_value": float(chdtrc(df, statistic))}


def _by_cut(fit: OrdinalFit, codes: np.ndarray, X: np.ndarray, columns: list[int]) -> float:
    """Log likelihood where the named columns have an effect of their own at every cut point after the first."""
    J = len(fit.grades)
    (above, below), offsets = cut_designs(codes, J, X)
    extra = [_per_cut(channel[:, : J - 1], X[:, columns]) for channel in (above, below)]
    designs = tuple(np.hstack([channel, more]) for channel, more in zip((above, below), extra, strict=True))
    start = np.concatenate([fit.maximum_found.parameters, np.zeros(extra[0].shape[1])])
    integral = Integral(Grades(), designs, offsets, np.arange(len(codes)), 0)
    found: Maximum = maximise(integral, start, f"{fit.formula}, effects by cut point")
    if np.abs(found.parameters).max() > 15:
        raise FitError("The effects by cut point run to infinity: a cell where a grade does not occur.")
    return found.value


def _per_cut(cuts: np.ndarray, X: np.ndarray) -> np.ndarray:
    return np.hstack([-cuts[:, [j]] * X for j in range(1, cuts.shape[1])])


def _by_spread(fit: OrdinalFit, codes: np.ndarray, X: np.ndarray, columns: list[int]) -> float:
    """Log likelihood where log spread is linear in the named columns."""
    J = len(fit.grades)
    (above, below), offsets = cut_designs(codes, J, X)
    p, S = above.shape[1], X[:, columns]
    family = Grades()

    def loss(parameters: np.ndarray) -> float:
        shrink = np.exp(-S @ parameters[p:])
        channels = tuple((d @ parameters[:p]) * shrink + o for d, o in zip((above, below), offsets, strict=True))
        value = family.value(channels).sum()
        return -value if np.isfinite(value) else 1e10

    start = np.concatenate([fit.maximum_found.parameters, np.zeros(len(columns))])
    found = minimize(loss, start, method="BFGS", options={"gtol": 1e-6})
    found = minimize(loss, found.x, method="Nelder-Mead",
                     options={"xatol": 1e-9, "fatol": 1e-11, "maxiter": 20000, "maxfev": 20000})  # fmt: skip
    if np.abs(found.x[p:]).max() > 10:
        raise FitError("The spread runs to 0 or to infinity in some cell.")
    return -float(found.fun)


def _score(fit: OrdinalFit, codes: np.ndarray, X: np.ndarray) -> dict[str, object]:
    """Score test with expected information at the proportional-odds estimate, every column free at every cut point."""
    J, p = len(fit.grades), X.shape[1]
    cuts, effects = fit.maximum_found.parameters[: J - 1], fit.maximum_found.parameters[J - 1 :]
    F = expit(cuts - (X @ effects)[:, None])
    density = F * (1 - F)
    N = len(codes)
    slope = np.zeros((N, J, (J - 1) * (1 + p)))  # of the probability of each grade
    for j in range(J - 1):
        block = np.concatenate([np.ones((N, 1)), -X], axis=1) * density[:, [j]]
        at = [j, *range(J - 1 + j * p, J - 1 + (j + 1) * p)]
        slope[:, j, at] += block
        slope[:, j + 1, at] -= block
    share = np.diff(np.concatenate([np.zeros((N, 1)), F, np.ones((N, 1))], axis=1), axis=1)
    score = (slope[np.arange(N), codes] / share[np.arange(N), codes][:, None]).sum(axis=0)
    information = np.einsum("njp,njq,nj->pq", slope, slope, 1 / share)
    statistic = float(score @ np.linalg.solve(information, score))
    df = p * (J - 2)
    return {"term": "all", "test": "score", "df": df, "loglik": np.nan, "statistic": statistic,
            "p_value": float(chdtrc(df, statistic)), "reason": ""}  # fmt: skip
