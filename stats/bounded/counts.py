"""Counts out of a maximum (blocks moved, sums of items): the beta-binomial model with a random intercept."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
import pandas as pd

from stats.bounded.random_intercept import population
from stats.bounded.random_intercept.families import BetaBinomial, Binomial
from stats.bounded.random_intercept.intercept_fit import PENALISED, RandomInterceptFit, log_f_penalty, refuse_runaway
from stats.bounded.random_intercept.maximum import Maximum, maximise
from stats.bounded.random_intercept.quadrature import Integral
from stats.bounded.random_intercept.rows_by_person import POINTS, checked_points, rows_by_person
from stats.errors import FitError
from stats.mixed.inference.fit_estimates import Estimates
from stats.mixed.model.layout import Layout

FAMILIES = ("beta-binomial", "binomial")
NO_EXTRA = 1e5  # phi above which a sum varies like a binomial count
ADVICE = "Use penalised=True, use fewer terms, or compare the scores by rank_test."


@dataclass(frozen=True)
class BoundedFit(RandomInterceptFit):
    """A fit of counts between `low` and `high`; a positive effect means a higher count."""

    family: str = "beta-binomial"
    low: float = 0.0
    high: float = field(default=np.nan)

    def marginal_means(self, between: str | None = None, by: str | list[str] | None = None) -> Estimates:
        """Mean score in each cell on its own scale, averaged over people.

        Raises FitError for a column that is not in the formula, one that changes within people and is not in by=, or
        too many cells.
        """
        cells = population.cells_of(self.layout, between, by)
        return population.estimates(self, cells, self._mean(cells), self.unit)

    def marginal_difference(
        self, between: str | None = None, by: str | list[str] | None = None, reference: object = None
    ) -> Estimates:
        """Difference of mean scores between groups on the original scale, averaged over people, per cell of `by`.

        between: a column constant within participants (the arm), found where there is one; by: the other columns of
        the formula that change within participants. reference: the group that is taken off; the first level.
        Raises FitError for a column that is not in the formula, one that changes within people and is not in by=, or
        too many cells.
        """
        cells = population.cells_of(self.layout, between, by)
        return population.differences(self, cells, self._mean(cells), self.unit, reference)

    def _mean(self, cells: population.Cells) -> population.Average:
        def mean(parameters: np.ndarray) -> np.ndarray:
            sd = float(parameters[-1]) if self.points else 0.0
            share = population.average_logit(cells.X @ parameters[self.effects], sd)
            return cells.pooled(self.low + (self.high - self.low) * share)

        return mean


def fit_bounded(
    frame: pd.DataFrame,
    formula: str,
    *,
    participant: str | None = None,
    maximum: float | str,
    minimum: float = 0,
    step: float = 1,
    family: str = "beta-binomial",
    points: int = POINTS,
    penalised: bool = False,
    unit: str = "",
) -> BoundedFit:
    """Bounded scores as counts out of a maximum: logit mean, random intercept per person, beta-binomial variation.

    frame: one row per participant and visit. maximum: highest possible score, or a column with it; minimum, step: the
    lowest one and the size of a point. family: "beta-binomial" (phi = a + b; correlation within a sum 1 / (phi + 1))
    or "binomial", which takes items as independent and has standard errors too small where they are not.
    points, penalised: as in `fit_ordinal`. participant: None for independent rows.
    Effects are log odds of a point; `marginal_difference()` is on the original scale.

    Returns `BoundedFit`. Raises FitError for scores outside the range or between the steps, or effects that run to
    infinity. No extra variation is a result with a note (then binomial).
    True nulls at 10 and 15 per arm (1,000 trials each, Monte-Carlo error 0.7 points,
    tests/simulation/bounded_nulls.csv): Wald t rejects in 5.9 and 6.3 %, the likelihood ratio in 6.4 and 7.1 %, a
    little too often.
    Source: Williams 1975 (Biometrics 31:949-952), from memory; formulas checked against other programs in the tests.
    """
    if family not in FAMILIES:
        raise FitError(f"Family {family!r}: allowed {', '.join(FAMILIES)}.")
    layout, name, repeated = rows_by_person(frame, formula, participant)
    y, n, high = _counts(layout, maximum, minimum, step)
    points, how = checked_points(points, repeated, participant)
    q = len(layout.terms)
    effects = [k for k, term in enumerate(layout.terms) if term != "Intercept"]
    penalty = {size: log_f_penalty(size, effects) if penalised else None for size in (q, q + 1)}
    zero, starts = np.zeros(len(y)), layout.starts()[:-1]
    share = (y.sum() + 0.5) / (n.sum() + 1)
    start = np.zeros(q)
    if "Intercept" in layout.terms:
        start[layout.terms.index("Intercept")] = np.log(share / (1 - share))

    def climb(integral: Integral, b: np.ndarray) -> Maximum:
        return maximise(integral, b, formula, penalty[integral.n_coefficients])

    plain = Integral(Binomial(y, n), (layout.X,), (zero,), starts, 0)
    notes = (*layout.notes, *how)
    found = climb(plain, start)
    beta = family == "beta-binomial"
    if beta:
        wide = np.hstack([layout.X, np.zeros((len(y), 1))])
        extra = np.zeros((len(y), q + 1))
        extra[:, -1] = 1
        begin = np.append(found.parameters, np.log(10.0))
        tried = _extra_variation(
            climb, Integral(BetaBinomial(y, n), (wide, extra), (zero, zero), starts, 0), points, begin
        )
        beta = tried is not None
        if tried is not None:
            found = tried
    if not beta and points:
        found = climb(plain.with_points(points), np.append(found.parameters, 0.7))
    if family == "beta-binomial" and not beta:
        notes += ("Boundary fit: no variation beyond a binomial count was found; phi is infinite and was left out.",)
    if found.boundary:
        notes += ("Boundary fit: no variation between people beyond that of a count; the SD of the intercept is 0.",)
    if penalised:
        notes += (PENALISED,)
    if family == "binomial":
        notes += ("Binomial: points are taken as independent; if they are not, the standard errors are too small.",)
    fit = BoundedFit(
        formula, name, points, found.value, layout.n_rows, len(layout.persons), unit, notes, layout.terms,
        slice(0, q), "phi" if beta else "", layout.terms, found.boundary, found, layout, penalty[q + 1 if beta else q],
        "beta-binomial" if beta else "binomial", float(minimum), high,
    )  # fmt: skip
    refuse_runaway(fit, 1.0, ADVICE)
    return fit


def _extra_variation(
    climb: Callable[[Integral, np.ndarray], Maximum], integral: Integral, points: int, begin: np.ndarray
) -> Maximum | None:
    """The beta-binomial maximum, None where phi runs to infinity."""
    try:
        found = climb(integral, begin)
        if points:
            found = climb(replace(integral, points=points), np.append(found.parameters, 0.7))
    except FitError:
        if not points:
            far = [integral.evaluate(np.append(begin[:-1], np.log(phi))).value for phi in (1e2, 1e3, 1e4, 1e6)]
            if all(b >= a for a, b in pairwise(far)):
                return None
            raise
        return _extra_with_intercept(climb, replace(integral, points=points), begin)
    logged = found.parameters[integral.n_coefficients - 1]
    return None if logged > np.log(NO_EXTRA) else found


def _extra_with_intercept(
    climb: Callable[[Integral, np.ndarray], Maximum], integral: Integral, begin: np.ndarray
) -> Maximum | None:
    """A second try from little extra variation; None where more of it never helps."""
    start = np.append(begin, 0.7)
    start[-2] = np.log(100.0)
    try:
        found = climb(integral, start)
        return None if found.parameters[-2] > np.log(NO_EXTRA) else found
    except FitError:
        return None


def _counts(layout: Layout, maximum: float | str, minimum: float, step: float) -> tuple[np.ndarray, np.ndarray, float]:
    if isinstance(maximum, str):
        if maximum not in layout.frame:
            raise FitError(f"maximum={maximum!r}: no such column. Give a number or the column that holds it.")
        top = layout.frame[maximum].to_numpy(dtype=float)
        if not np.isfinite(top).all():
            raise FitError(f"maximum={maximum!r}: the column has empty cells where the score is there. Fill them in.")
    else:
        top = np.full(layout.n_rows, float(maximum))
    if not step > 0 or (top <= minimum).any():
        raise FitError(
            f"maximum={maximum}, minimum={minimum}, step={step}: allowed minimum below maximum, step above 0."
        )
    y, n = (layout.y - minimum) / step, (top - minimum) / step
    whole = (np.abs(y - np.rint(y)) < 1e-9) & (np.abs(n - np.rint(n)) < 1e-9)
    bad = np.flatnonzero(~whole | (y < -1e-9) | (y > n + 1e-9))
    if len(bad):
        raise FitError(
            f"{layout.response}: {len(bad)} row(s) outside {minimum} to {maximum} or between steps of {step}, the "
            f"first is {layout.y[bad[0]]:g}. Give maximum=, minimum= and step= of the scale, or correct the cells."
        )
    y, n = np.rint(y), np.rint(n)
    if (y == 0).all() or (y == n).all():
        raise FitError(f"{layout.response}: everyone is at the same end of the scale, so there is nothing to model.")
    return y, n, float(top.max())
