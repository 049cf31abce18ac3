"""From a frame and a formula to design matrices, slots and patterns: the only place that sees participant rows.

A *slot* is a place in a participant's record: the planned visit where a visit column is named, else the order of the
rows. A *pattern* is what the covariance of a participant depends on: which slots were observed, the random-effect
covariates in them, and the covariance group (arm).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from formulaic import ModelSpec

from stats.errors import FitError
from stats.mixed.design_matrix import Design, design_of, required_columns, response_name, response_of


@dataclass(frozen=True)
class Layout:
    """Rows of an analysis, sorted by participant and slot.

    y (N,), X (N, q), Z (N, r) or None; `person`, `slot`, `group` (N,) integer codes into `persons`, `slots`, `groups`.
    """

    y: np.ndarray
    X: np.ndarray
    Z: np.ndarray | None
    person: np.ndarray
    slot: np.ndarray
    group: np.ndarray
    persons: tuple
    slots: tuple
    groups: tuple
    terms: tuple[str, ...]
    term_columns: dict[str, list[int]]
    random_terms: tuple[str, ...]
    spec: ModelSpec
    frame: pd.DataFrame
    response: str
    notes: tuple[str, ...]

    @property
    def n_rows(self) -> int:
        """Rows analysed."""
        return len(self.y)

    def starts(self) -> np.ndarray:
        """Index of each participant's first row, and N at the end: (n_participants + 1,)."""
        change = np.flatnonzero(np.diff(self.person)) + 1
        return np.concatenate([[0], change, [len(self.person)]])


def build_layout(
    frame: pd.DataFrame,
    formula: str,
    *,
    participant: str,
    visit: str | None = None,
    random: str | None = None,
    by: str | None = None,
) -> Layout:
    """Design matrices of the complete rows of `frame`.

    Rows with a missing value in a column the model uses are left out and counted in the notes. Categories without a
    row are dropped. Raises FitError for unknown columns, no usable rows, or two rows of one participant at one visit.
    """
    used = required_columns(formula) | (required_columns(random) if random is not None else set())
    used |= {name for name in (participant, visit, by) if name is not None}
    unknown = sorted(used - set(frame.columns))
    if unknown:
        raise FitError(
            f"Columns not in the frame: {', '.join(unknown)}. Found: {', '.join(map(str, frame.columns))}. "
            "Correct the name in the formula or the call."
        )
    data, notes = _complete_rows(frame, used)
    person, persons = pd.factorize(data[participant])
    slot, slots = (None, ()) if visit is None else visit_order(data[visit])
    order = np.argsort(person, kind="stable") if slot is None else np.lexsort([slot, person])
    if (order[1:] < order[:-1]).any():
        data, person = data.iloc[order], person[order]
        slot = None if slot is None else slot[order]
    design = design_of(formula, data)
    y = response_of(formula, data)
    if slot is None:
        first = np.concatenate([[True], np.diff(person) != 0])
        slot = np.arange(len(person)) - np.flatnonzero(first)[np.cumsum(first) - 1]
        slots = tuple(range(int(slot.max()) + 1))
    else:
        _once_per_visit(data, participant, str(visit), person, slot)
    group, groups = (np.zeros(len(y), dtype=int), ("all",)) if by is None else _groups(data, by, person)
    Z, random_terms = None, tuple[str, ...]()
    if random is not None:
        Z, random_terms = _effects(random, data, design)
    if not np.isfinite(design.X).all() or not np.isfinite(y).all() or (Z is not None and not np.isfinite(Z).all()):
        raise FitError(
            f"Formula '{formula}' gives infinite values on these rows. Check transformations such as log(0)."
        )
    return Layout(
        y=y, X=design.X, Z=Z, person=person, slot=slot, group=group, persons=tuple(persons), slots=slots, groups=groups,
        terms=design.terms, term_columns=design.term_columns, random_terms=random_terms, spec=design.spec, frame=data,
        response=response_name(formula), notes=tuple(notes),
    )  # fmt: skip


def _effects(random: str, data: pd.DataFrame, design: Design) -> tuple[np.ndarray, tuple[str, ...]]:
    """Covariates of the random effects; columns the fixed part has already are taken from there."""
    if random.strip() == "1":
        return np.ones((len(data), 1)), ("Intercept",)
    effects = design_of(random, data)
    if effects.X.shape[1] == 0:
        raise FitError(f"Random part '{random}' has no column. Write '1' for an intercept or '1 + week'.")
    return effects.X, effects.terms


def _complete_rows(frame: pd.DataFrame, used: set[str]) -> tuple[pd.DataFrame, list[str]]:
    columns = [name for name in frame.columns if name in used]
    data, notes = frame, []
    missing = {name: frame[name].isna().to_numpy() for name in columns}
    incomplete = np.logical_or.reduce(list(missing.values()))
    if incomplete.any():
        where = ", ".join(f"{name} ({int(mask.sum())})" for name, mask in missing.items() if mask.any())
        notes.append(f"{int(incomplete.sum())} of {len(data)} rows have no value and are left out: {where}.")
        data = data.loc[~incomplete]
    if data.empty:
        raise FitError(
            "No row has a value in every column the model uses. Check the columns " + ", ".join(columns) + "."
        )
    for name in columns:
        dtype = data[name].dtype
        if isinstance(dtype, pd.CategoricalDtype) and len(dtype.categories) > data[name].nunique():
            unused = [str(c) for c in dtype.categories if c not in set(data[name])]
            data = data.assign(**{name: data[name].cat.remove_unused_categories()})
            notes.append(f"No row for {name} {', '.join(unused)}: left out of the model.")
        if pd.api.types.is_bool_dtype(dtype):
            data = data.assign(**{name: data[name].astype(float)})
    return data, notes


def visit_order(column: pd.Series) -> tuple[np.ndarray, tuple]:
    """Integer codes and labels of visits: by category order, by value for numbers, else by sorted text."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        present = column.cat.remove_unused_categories()
        return present.cat.codes.to_numpy().astype(int), tuple(present.cat.categories)
    codes, labels = pd.factorize(column, sort=True)
    return codes, tuple(labels)


def _once_per_visit(data: pd.DataFrame, participant: str, visit: str, person: np.ndarray, slot: np.ndarray) -> None:
    twice = (np.diff(person) == 0) & (np.diff(slot) == 0)
    if twice.any():
        row = data.iloc[int(np.flatnonzero(twice)[0]) + 1]
        raise FitError(
            f"Participant {row[participant]} has two rows at visit {row[visit]}; one is allowed. "
            "Choose the side, condition or rater to analyse, or average the rows."
        )


def _groups(data: pd.DataFrame, by: str, person: np.ndarray) -> tuple[np.ndarray, tuple]:
    group, labels = visit_order(data[by])
    changes = (np.diff(person) == 0) & (np.diff(group) != 0)
    if changes.any():
        raise FitError(
            f"Column {by} changes within a participant. A covariance by {by} needs one {by} per participant."
        )
    return group, labels


def rank_report(X: np.ndarray, terms: Sequence[str]) -> tuple[str, ...]:
    """Terms that the rows cannot tell apart from the others; empty where every coefficient can be estimated.

    Columns are taken in order after scaling to unit length; one whose distance from the span of the earlier ones is
    below 1e-9 is named.
    """
    scale = np.linalg.norm(X, axis=0)
    named = [terms[int(k)] for k in np.flatnonzero(scale == 0)]
    unit = X / np.where(scale == 0, 1.0, scale)
    triangle = np.asarray(np.linalg.qr(unit, mode="r"))
    size = np.zeros(X.shape[1])
    size[: min(triangle.shape)] = np.abs(np.diag(triangle))
    named += [terms[int(k)] for k in np.flatnonzero((size < 1e-9) & (scale > 0))]
    return tuple(dict.fromkeys(named))


def visit_times(layout: Layout) -> np.ndarray:
    """Numeric values of the visits; FitError where they are words."""
    try:
        return np.array([float(slot) for slot in layout.slots])
    except (TypeError, ValueError):
        raise FitError(
            f"Exponential decay needs the days of the visits; found {', '.join(map(str, layout.slots))}. "
            "Give a numeric visit column."
        ) from None
