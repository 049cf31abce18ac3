"""Rows of a model with a random intercept: the layout of the mixed models, with or without a participant column."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from stats.errors import FitError
from stats.mixed.model.layout import Layout, build_layout, collinear, rank_report

ROW = "row of the table"
POINTS = 15
MOST_POINTS = 101


def rows_by_person(frame: pd.DataFrame, formula: str, participant: str | None) -> tuple[Layout, str, bool]:
    """Layout, the name of the participant column, and whether anyone has more than one row.

    participant: None where every row is a person (or an independent unit) of its own.
    """
    name = participant or ROW
    data = frame if participant else frame.assign(**{ROW: np.arange(len(frame))})
    layout = build_layout(data, formula, participant=name)
    lost = rank_report(layout.X, layout.terms)
    if lost:
        raise collinear(lost)
    return layout, name, layout.n_rows > len(layout.persons)


def checked_points(points: int, repeated: bool, participant: str | None) -> tuple[int, tuple[str, ...]]:
    """Nodes of the quadrature, 0 where a random intercept cannot be told from the rest, and the note that says so."""
    if points != int(points) or not 1 <= points <= MOST_POINTS:
        raise FitError(f"points={points}: allowed a whole number of 1 (Laplace) to {MOST_POINTS} nodes.")
    if participant is None:
        return 0, ("No participant column: rows are taken as independent, without a random intercept.",)
    if not repeated:
        return 0, ("Everyone has one row: a random intercept cannot be told from the residual and was left out.",)
    how = "the Laplace approximation" if points == 1 else f"adaptive Gauss-Hermite quadrature with {points} nodes"
    return int(points), (f"Random intercept per {participant}, integrated by {how}; maximum likelihood.",)


def without_intercept(layout: Layout) -> Sequence[int]:
    """Columns of X other than the intercept, which cut points replace; FitError where the formula has none."""
    if "Intercept" not in layout.terms:
        raise FitError("The formula leaves the intercept out: cut points take its place, so keep it (no '- 1').")
    return [k for k, name in enumerate(layout.terms) if name != "Intercept"]


def between_within(layout: Layout, X: np.ndarray, L: np.ndarray) -> np.ndarray:
    """Degrees of freedom of combinations L (m, q) of the columns X (N, q): people less columns constant within them
    (the intercept or the cut points count as one) where only those are combined, the rest of the rows otherwise.
    """
    people, starts = len(layout.persons), layout.starts()[:-1]
    reach = np.maximum(np.abs(X).max(axis=0, initial=0.0), 1e-300)
    within = np.abs(X - X[starts][layout.person]).max(axis=0, initial=0.0) > 1e-12 * reach
    constant = (np.abs(X - X[:1]).max(axis=0, initial=0.0) <= 1e-12 * reach) & ~within
    outer = max(people - 1 - int((~within & ~constant).sum()), 1)
    inner = max(layout.n_rows - people - int(within.sum()), 1)
    uses = (np.abs(L[:, within]) > 1e-12).any(axis=1)
    return np.where(uses, inner, outer).astype(float)
