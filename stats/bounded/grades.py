"""Grades (spasticity, muscle strength, single items): the cumulative-logit model with a random intercept."""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pandas as pd

from stats.bounded.random_intercept import population
from stats.bounded.random_intercept.families import Grades
from stats.bounded.random_intercept.intercept_fit import PENALISED, RandomInterceptFit, log_f_penalty, refuse_runaway
from stats.bounded.random_intercept.maximum import maximise
from stats.bounded.random_intercept.quadrature import Integral
from stats.bounded.random_intercept.rows_by_person import POINTS, checked_points, rows_by_person, without_intercept
from stats.errors import FitError
from stats.mixed.inference.fit_estimates import Estimates
from stats.mixed.model.design_matrix import response_name
from stats.mixed.model.layout import Layout

ADVICE = "Use penalised=True, join grades, use fewer terms, or compare the grades by rank_test."
MANY_GRADES = 30


@dataclass(frozen=True)
class OrdinalFit(RandomInterceptFit):
    """A cumulative-logit fit; `grades` are the values that occur, in order. A positive effect means higher grades."""

    grades: tuple = ()

    def odds_ratios(self, df: str = "between-within", level: float = 0.95) -> pd.DataFrame:
        """Odds ratios of a higher grade for each effect: term odds_ratio conf_low conf_high p_value.

        For people with the same random intercept; averaged over people the odds ratio is nearer to 1.
        """
        table = self.fixed(df, level).iloc[self.effects]
        made = {"term": table["term"], "odds_ratio": np.exp(table["estimate"]), "conf_low": np.exp(table["conf_low"]),
                "conf_high": np.exp(table["conf_high"]), "p_value": table["p_value"]}  # fmt: skip
        return pd.DataFrame(made).reset_index(drop=True)

    def marginal_probabilities(self, between: str | None = None, by: str | list[str] | None = None) -> Estimates:
        """Share of people with each grade in each cell, averaged over people: keys of the cells and `grade`.

        Raises FitError for a column that is not in the formula, one that changes within people and is not in by=, or
        too many cells.
        """
        cells = population.cells_of(self.layout, between, by)
        return population.estimates(self, cells.repeated("grade", self.grades), self._shares(cells), "share")

    def marginal_means(self, between: str | None = None, by: str | list[str] | None = None) -> Estimates:
        """Mean grade in each cell, averaged over people; grades count as their numbers, or as 1, 2, ... for words.

        Raises FitError for a column that is not in the formula, one that changes within people and is not in by=, or
        too many cells.
        """
        cells = population.cells_of(self.layout, between, by)
        return population.estimates(self, cells, self._mean_grade(cells), self.unit)

    def marginal_difference(
        self, between: str | None = None, by: str | list[str] | None = None, reference: object = None
    ) -> Estimates:
        """Difference of mean grades between groups, averaged over people, per cell of `by` (see `marginal_means`).

        between: a column constant within participants (the arm), found where there is one; by: the other columns of
        the formula that change within participants. reference: the group that is taken off; the first level.
        Raises FitError for a column that is not in the formula, one that changes within people and is not in by=, or
        too many cells.
        """
        cells = population.cells_of(self.layout, between, by)
        return population.differences(self, cells, self._mean_grade(cells), self.unit, reference)

    def probability_higher(
        self, between: str | None = None, by: str | list[str] | None = None, reference: object = None
    ) -> Estimates:
        """P(grade of a person of one group is higher than of one of the other) + half the P of a tie, per cell of `by`.

        0.5 means no difference. Whether higher is better is the instrument's to say.
        Raises FitError for a column that is not in the formula, one that changes within people and is not in by=, or
        too many cells.
        """
        cells = population.cells_of(self.layout, between, by)
        shares, k = self._shares(cells), len(self.grades)

        def higher(parameters: np.ndarray, first: np.ndarray, second: np.ndarray) -> np.ndarray:
            table = shares(parameters).reshape(-1, k)
            one, other = table[first], table[second]
            below = np.cumsum(other, axis=1) - other
            return (one * (below + other / 2)).sum(axis=1)

        return population.compared(self, cells, higher, "probability", reference)

    def _shares(self, cells: population.Cells) -> population.Average:
        cuts = self.effects.start

        def shares(parameters: np.ndarray) -> np.ndarray:
            eta = cells.X[:, 1:] @ parameters[self.effects]
            below = population.average_logit(parameters[None, :cuts] - eta[:, None], self._sd(parameters))
            edges = np.concatenate([np.zeros((len(below), 1)), below, np.ones((len(below), 1))], axis=1)
            return cells.pooled(np.diff(edges, axis=1)).ravel()

        return shares

    def _mean_grade(self, cells: population.Cells) -> population.Average:
        shares, numbers = self._shares(cells), grade_numbers(self.grades)
        return lambda parameters: shares(parameters).reshape(-1, len(numbers)) @ numbers

    def _sd(self, parameters: np.ndarray) -> float:
        return float(parameters[-1]) if self.points else 0.0


def grade_numbers(grades: tuple) -> np.ndarray:
    """Grades as numbers: themselves where they are numbers, else 1, 2, ..."""
    try:
        return np.array([float(one) for one in grades])
    except (TypeError, ValueError):
        return np.arange(1.0, len(grades) + 1)


def fit_ordinal(
    frame: pd.DataFrame,
    formula: str,
    *,
    participant: str | None = None,
    points: int = POINTS,
    penalised: bool = False,
    unit: str = "",
) -> OrdinalFit:
    """Cumulative-logit (proportional odds) model: logit P(grade <= j) = cut_j - effects - u, u ~ N(0, sd^2) per person.

    frame: one row per participant and visit. formula: Wilkinson; the response is a column of whole or half numbers in
    order, or an ordered category. participant: column; None for independent rows. points: nodes of the adaptive
    quadrature (15; 1 is the Laplace approximation, too small an SD at pilot size). penalised: a weak log-F(1, 1) prior
    on each effect, for cells where everyone has the same grade; effects are then drawn a little towards none.
    A grade that nobody has is left out with a note: the model has no cut point to place beside it.

    Returns `OrdinalFit`. Raises FitError for one grade only, words without an order, or effects that run to infinity.
    Intervals: Wald with t on between-within df by default; `profile(term)` gives likelihood-profile intervals and
    `test(terms)` the likelihood ratio. There is no agreed df for these models.
    True nulls at 10 and 15 per arm (1,000 trials each, Monte-Carlo error 0.7 points,
    tests/simulation/bounded_nulls.csv): Wald t rejects in 4.4 and 5.8 %, the likelihood ratio in 6.3 and 6.8 %, a
    little too often.
    Source: McCullagh 1980 (J R Stat Soc B 42:109-142); Hedeker & Gibbons 1994 (Biometrics 50:933-944), from memory.
    """
    response = response_name(formula)
    data, grades, notes = graded(frame, response)
    layout, name, repeated = rows_by_person(data, formula, participant)
    codes, grades, more = _codes(layout, grades, response)
    columns = without_intercept(layout)
    points, how = checked_points(points, repeated, participant)
    J, q = len(grades), len(columns)
    X = layout.X[:, columns]
    designs, offsets = cut_designs(codes, J, X)
    starts = layout.starts()[:-1]
    penalty = log_f_penalty(J - 1 + q, range(J - 1, J - 1 + q)) if penalised else None
    plain = Integral(Grades(), designs, offsets, starts, 0)
    below = np.cumsum(np.bincount(codes, minlength=J))[:-1] / len(codes)
    start = np.concatenate([np.log(below / (1 - below)), np.zeros(q)])
    found = maximise(plain, start, formula, penalty)
    if points:
        found = maximise(replace(plain, points=points), np.append(found.parameters, 1.0), formula, penalty)
    cuts = tuple(f"{a}|{b}" for a, b in pairwise(grades))
    effects = tuple(layout.terms[k] for k in columns)
    notes += (*more, *layout.notes, *how)
    if found.boundary:
        notes += ("Boundary fit: no variation between people beyond the grades; the SD of the random intercept is 0.",)
    if penalised:
        notes += (PENALISED,)
    fit = OrdinalFit(
        formula, name, points, found.value, layout.n_rows, len(layout.persons), unit, notes, cuts + effects,
        slice(J - 1, J - 1 + q), "", layout.terms, found.boundary, found, layout, penalty, grades,
    )  # fmt: skip
    refuse_runaway(fit, 1.0, ADVICE)
    return fit


def cut_designs(codes: np.ndarray, J: int, X: np.ndarray) -> tuple[tuple[np.ndarray, ...], tuple[np.ndarray, ...]]:
    """Channels of the family `Grades`: the cut point above and the one below each grade, infinite at the ends."""
    N = len(codes)
    above, below = np.zeros((N, J - 1)), np.zeros((N, J - 1))
    high, low = codes == J - 1, codes == 0
    above[np.flatnonzero(~high), codes[~high]] = 1
    below[np.flatnonzero(~low), codes[~low] - 1] = 1
    designs = (np.hstack([above, -X * ~high[:, None]]), np.hstack([below, -X * ~low[:, None]]))
    return designs, (np.where(high, np.inf, 0.0), np.where(low, -np.inf, 0.0))


def graded(frame: pd.DataFrame, response: str) -> tuple[pd.DataFrame, tuple | None, tuple[str, ...]]:
    """The frame with an ordered category as numbers, and its grades; None where the response is numbers already."""
    if response not in frame.columns:
        raise FitError(f"Column {response!r} is not in the table; there are {', '.join(map(str, frame.columns))}.")
    column = frame[response]
    if isinstance(column.dtype, pd.CategoricalDtype):
        if not column.dtype.ordered:
            raise FitError(f"{response} is a category without an order. Use pd.Categorical(..., ordered=True).")
        codes = column.cat.codes.astype(float)
        return frame.assign(**{response: codes.where(codes >= 0)}), tuple(column.cat.categories), ()
    if not pd.api.types.is_numeric_dtype(column.dtype):
        raise FitError(f"{response} holds words: allowed numbers in order, or an ordered category.")
    return frame, None, ()


def _codes(layout: Layout, grades: tuple | None, response: str) -> tuple[np.ndarray, tuple, tuple[str, ...]]:
    values, codes = np.unique(layout.y, return_inverse=True)
    if len(values) < 2:
        raise FitError(f"{response}: everyone has the same grade at every visit, so there is nothing to model.")
    if len(values) > MANY_GRADES:
        raise FitError(f"{response}: {len(values)} values, allowed up to {MANY_GRADES} grades. Use fit_bounded.")
    used: tuple
    if grades is None:
        used = tuple(int(v) if float(v).is_integer() else float(v) for v in values)
        whole = all(isinstance(v, int) for v in used)
        empty: list = [v for v in range(int(used[0]), int(used[-1])) if v not in used] if whole else []
    else:
        used = tuple(grades[int(v)] for v in values)
        empty = [one for one in grades if one not in used]
    notes: tuple[str, ...] = (
        (f"Nobody had grade {', '.join(map(str, empty))}: left out of the model.",) if empty else ()
    )
    few = int(np.bincount(codes).min())
    if few < 5:
        notes += (f"A grade was seen {few} time(s); below about 5 its cut points are hardly known (common practice).",)
    return codes, used, notes
