"""The main difference under other assumptions about missed visits and the ends of the scale: rows of a what-if.

Each row is the difference between arms at one visit, adjusted for baseline. Single imputations (worst case, last value)
are there to be compared with, labelled so: their intervals take filled-in values for seen ones.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.library.registry import outcome_scale
from stats.bounded.ends import differences_with_ends, ends_of_scale
from stats.change.person_changes import better_sign
from stats.errors import FitError
from stats.missing.assumptions import COPY, INCREMENTS, JUMP, LAST_MEAN, METHODS, NORMAL
from stats.missing.completed import design, least_squares
from stats.missing.imputation import Imputations, impute
from stats.missing.long_run import long_run_difference
from stats.missing.normal_draws import last_seen
from stats.missing.visit_table import VisitTable, visit_table
from stats.mixed.inference.fit_estimates import Estimates

IMPUTED, ENDS = "missed visits imputed", "ends of the scale"
M = 200
SHORT = {
    NORMAL: "as others of the arm (missing at random)",
    JUMP: "means of the reference arm after leaving",
    INCREMENTS: "steps of the reference arm after leaving",
    COPY: "as if in the reference arm throughout",
    LAST_MEAN: "mean of the last visit seen stays",
}
COMPARISON, LONG_RUN = "for comparison only", ", long-run variance"


@dataclass(frozen=True)
class Answer:
    """One row: made is None where it was refused for `reason`."""

    choice: str
    option: str
    comparison: str
    made: Estimates | None
    n: int
    notes: tuple[str, ...] = ()
    reason: str = ""


def assumption_rows(
    scores: pd.DataFrame, outcome: str, visits: list[str], reference: str, participants: pd.DataFrame | None, seed: int
) -> tuple[list[Answer], tuple[str, ...]]:
    """Rows of every assumption for the last of `visits` (the first is the baseline), and what was left out and why."""
    try:
        table = visit_table(scores, outcome, visits=visits, participants=participants)
        table.check_arm(reference)
    except FitError as refused:
        return [], (f"Assumptions about missed visits: {refused}",)
    rows: list[Answer] = []
    left_out: tuple[str, ...] = ()
    if np.isnan(table.values[:, -1]).any() or np.isnan(table.values[:, 0]).any():
        rows += _imputed(table, reference, seed) + _single(table, reference)
    else:
        left_out = (f"Imputation: nobody lacks a value at {visits[0]} or {visits[-1]}.",)
    more, why = _with_ends(table, reference)
    return rows + more, (*left_out, *why)


def _imputed(table: VisitTable, reference: str, seed: int) -> list[Answer]:
    rows = []
    for method in METHODS:
        try:
            made = impute(table, m=M, method=method, reference=reference, seed=seed).difference()
            rows += _answers(IMPUTED, SHORT[method], made.estimates, len(table.arm), made.notes)
        except FitError as refused:
            rows.append(Answer(IMPUTED, SHORT[method], "", None, 0, (), str(refused)))
        if method == NORMAL:
            continue
        try:
            long_run = long_run_difference(table, method=method, reference=reference)
            rows += _answers(IMPUTED, SHORT[method] + LONG_RUN, long_run.estimates, len(table.arm), long_run.notes)
        except FitError as refused:
            rows.append(Answer(IMPUTED, SHORT[method] + LONG_RUN, "", None, 0, (), str(refused)))
    return rows


def _single(table: VisitTable, reference: str) -> list[Answer]:
    """Worst case and last value carried on, each once: labelled comparisons."""
    Y = table.values
    reached = last_seen(Y)
    held = Y.copy()
    for j in range(1, Y.shape[1]):
        held[:, j] = np.where(np.isnan(held[:, j]), held[:, j - 1], held[:, j])
    last, sign = Y[:, -1], better_sign(table.better)
    ends = sorted((float(np.nanmin(last)), float(np.nanmax(last))), key=lambda value: sign * value)
    worst = np.where(np.isnan(last), np.where(table.arm == reference, ends[1], ends[0]), last)
    made = {
        f"last value carried on ({COMPARISON})": held,
        f"worst seen value, reference arm best ({COMPARISON})": np.column_stack([Y[:, :-1], worst]),
    }
    rows = []
    for name, filled in made.items():
        there = (reached > 0) & ~np.isnan(filled[:, 0]) & ~np.isnan(filled[:, -1])
        part = VisitTable(
            tuple(np.array(table.participants, dtype=object)[there]), table.arm[there], table.arms, table.visits,
            Y[there], table.auxiliaries[there], table.auxiliary_names, table.better, table.unit, table.outcome, (),
        )  # fmt: skip
        copies = Imputations(part, filled[None, there], np.zeros(part.values.shape), NORMAL, reference, None, ())
        note = "Filled-in values are taken for seen ones: the interval is too short. " + COMPARISON.capitalize() + "."
        try:
            X, others = design(copies, copies.values, True, None)
            if X.shape[1] <= X.shape[2]:
                raise FitError(f"{X.shape[1]} people for {X.shape[2]} coefficients: too few.")
            b, variance = least_squares(X, copies.values[:, :, -1], len(others))
        except FitError as refused:
            rows.append(Answer(IMPUTED, name, "", None, 0, (note,), str(refused)))
            continue
        names = tuple(f"{arm} - {reference}" for arm in others)
        df = np.full(len(names), float(X.shape[1] - X.shape[2]))
        estimates = Estimates(
            names, b[0], np.sqrt(variance[0]), df, "residual", table.unit, len(part.arm), len(part.arm), (note,)
        )
        rows += _answers(IMPUTED, name, estimates, len(part.arm), (note,))
    return rows


def _with_ends(table: VisitTable, reference: str) -> tuple[list[Answer], tuple[str, ...]]:
    try:
        scale = outcome_scale(table.outcome)[1]
    except (ValueError, KeyError) as unknown:
        return [], (f"Ends of the scale: {unknown}",)
    if scale.high is None or not np.isfinite(scale.high):
        return [], ("Ends of the scale: it has no upper end.",)
    found = ends_of_scale(table, scale.low, scale.high)
    if not found.flagged:
        return [], (f"Ends of the scale: {found.sentence()}",)
    rows: list[Answer] = []
    step = float(getattr(scale, "step", None) or 1)
    for name, made in differences_with_ends(table, scale.low, scale.high, step, table.visits[-1], reference).items():
        if isinstance(made, FitError):
            rows.append(Answer(ENDS, name, "", None, 0, (found.sentence(),), str(made)))
        else:
            rows += _answers(ENDS, name, made, made.n_participants, (found.sentence(), *made.notes))
    return rows, ()


def _answers(choice: str, option: str, made: Estimates, n: int, notes: tuple[str, ...]) -> list[Answer]:
    rows = []
    for k, term in enumerate(made.term):
        comparison = (
            str(made.keys["comparison"].iloc[k]) if made.keys is not None and "comparison" in made.keys else term
        )
        rows.append(Answer(choice, option, comparison, made.select([k]), n, notes))
    return rows
