"""From a frame and a formula to design matrices, slots and patterns: the only place that sees participant rows.

A *slot* is a place in a participant's record: the planned visit where a visit column is named, else the order of the
rows. A *pattern* is what the covariance of a participant depends on: which slots were observed, the random-effect
covariates in them, and the covariance group (arm).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from formulaic import Formula, ModelSpec

from stats.errors import FitError


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
    random_spec: ModelSpec | None
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


@lru_cache(maxsize=256)
def parse(formula: str) -> Formula:
    """Parse a Wilkinson formula once; FitError where it cannot be read."""
    try:
        return Formula(formula)
    except Exception as error:  # the parser's own errors share no base class below Exception
        raise FitError(f"Formula '{formula}' cannot be read: {error}. Write it like 'score ~ visit * arm'.") from error


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
    two_sided = parse(formula)
    if not hasattr(two_sided, "lhs"):
        raise FitError(f"Formula '{formula}' names no response. Write it like 'score ~ visit * arm'.")
    random_side = parse(random) if random is not None else None
    used = {str(name) for name in two_sided.required_variables}
    if random_side is not None:
        used |= {str(name) for name in random_side.required_variables}
    used |= {name for name in (participant, visit, by) if name is not None}
    unknown = sorted(used - set(frame.columns))
    if unknown:
        raise FitError(
            f"Columns not in the frame: {', '.join(unknown)}. Found: {', '.join(map(str, frame.columns))}. "
            "Correct the name in the formula or the call."
        )
    data, notes = _complete_rows(frame, used)
    data = _sorted_rows(data, participant, visit)
    lhs, rhs = _matrices(two_sided, data, formula)
    y = _response(lhs, formula)
    person, persons = pd.factorize(data[participant])
    slot, slots = _slots(data, participant, person, visit)
    group, groups = (np.zeros(len(y), dtype=int), ("all",)) if by is None else _groups(data, by, person)
    Z, random_terms, random_spec = None, (), None
    if random_side is not None:
        matrix = _matrix(random_side, data, random or "")
        Z, random_terms = np.asarray(matrix, dtype=float), tuple(map(str, matrix.columns))
        random_spec = matrix.model_spec
        if Z.shape[1] == 0:
            raise FitError(f"Random part '{random}' has no column. Write '1' for an intercept or '1 + week'.")
    X = np.asarray(rhs, dtype=float)
    if not np.isfinite(X).all() or not np.isfinite(y).all() or (Z is not None and not np.isfinite(Z).all()):
        raise FitError(
            f"Formula '{formula}' gives infinite values on these rows. Check transformations such as log(0)."
        )
    columns = {str(term): list(index) for term, index in rhs.model_spec.term_indices.items()}
    return Layout(
        y=y, X=X, Z=Z, person=person, slot=slot, group=group, persons=tuple(persons), slots=slots, groups=groups,
        terms=tuple(map(str, rhs.columns)), term_columns=columns, random_terms=random_terms, spec=rhs.model_spec,
        random_spec=random_spec, frame=data, response=str(lhs.columns[0]), notes=tuple(notes),
    )  # fmt: skip


def _complete_rows(frame: pd.DataFrame, used: set[str]) -> tuple[pd.DataFrame, list[str]]:
    columns = sorted(used, key=list(frame.columns).index)
    data = frame[columns]
    missing = data.isna()
    incomplete = missing.to_numpy().any(axis=1)
    notes = []
    if incomplete.any():
        where = ", ".join(f"{name} ({int(count)})" for name, count in missing.sum().items() if count)
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
        if dtype == bool:
            data = data.assign(**{name: data[name].astype(float)})
    return data, notes


def _sorted_rows(data: pd.DataFrame, participant: str, visit: str | None) -> pd.DataFrame:
    """Rows of a participant together, visits in order; otherwise the order of the frame is kept."""
    person = pd.factorize(data[participant])[0]
    keys = [person] if visit is None else [visit_order(data[visit])[0], person]
    order = np.lexsort([*keys]) if visit is not None else np.argsort(person, kind="stable")
    if (order == np.arange(len(order))).all():
        return data
    return data.iloc[order]


def visit_order(column: pd.Series) -> tuple[np.ndarray, tuple]:
    """Integer codes and labels of visits: by category order, by value for numbers, else by sorted text."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        present = column.cat.remove_unused_categories()
        return present.cat.codes.to_numpy().astype(int), tuple(present.cat.categories)
    codes, labels = pd.factorize(column, sort=True)
    return codes, tuple(labels)


def _slots(data: pd.DataFrame, participant: str, person: np.ndarray, visit: str | None) -> tuple[np.ndarray, tuple]:
    if visit is None:
        first = np.concatenate([[0], np.flatnonzero(np.diff(person)) + 1])
        slot = np.arange(len(person)) - first[np.cumsum(np.isin(np.arange(len(person)), first)) - 1]
        return slot, tuple(range(int(slot.max()) + 1))
    slot, labels = visit_order(data[visit])
    twice = (np.diff(person) == 0) & (np.diff(slot) == 0)
    if twice.any():
        row = data.iloc[int(np.flatnonzero(twice)[0]) + 1]
        raise FitError(
            f"Participant {row[participant]} has two rows at visit {row[visit]}; one is allowed. "
            "Choose the side, condition or rater to analyse, or average the rows."
        )
    return slot, labels


def _groups(data: pd.DataFrame, by: str, person: np.ndarray) -> tuple[np.ndarray, tuple]:
    group, labels = visit_order(data[by])
    changes = (np.diff(person) == 0) & (np.diff(group) != 0)
    if changes.any():
        raise FitError(
            f"Column {by} changes within a participant. A covariance by {by} needs one {by} per participant."
        )
    return group, labels


def _matrix(formula: Formula, data: pd.DataFrame, text: str):
    """One model matrix. The library raises many unrelated classes; each becomes a FitError with its reason."""
    try:
        return formula.get_model_matrix(data, na_action="raise")
    except Exception as error:  # evaluation runs the user's expressions: any error is about the formula
        raise FitError(f"Formula '{text}' cannot be evaluated on these rows: {error}") from error


def _matrices(formula: Formula, data: pd.DataFrame, text: str):
    both = _matrix(formula, data, text)
    return both.lhs, both.rhs


def _response(lhs: pd.DataFrame, formula: str) -> np.ndarray:
    if lhs.shape[1] != 1:
        raise FitError(f"The response of '{formula}' has {lhs.shape[1]} columns; one number per row is needed.")
    return np.asarray(lhs, dtype=float)[:, 0]


def rank_report(X: np.ndarray, terms: Sequence[str]) -> tuple[str, ...]:
    """Terms that the rows cannot tell apart from the others; empty where every coefficient can be estimated.

    Columns are taken in order after scaling to unit length; one whose distance from the span of the earlier ones is
    below 1e-9 is named.
    """
    scale = np.linalg.norm(X, axis=0)
    named = [terms[k] for k in np.flatnonzero(scale == 0)]
    unit = X / np.where(scale == 0, 1.0, scale)
    triangle = np.linalg.qr(unit, mode="r")
    size = np.zeros(X.shape[1])
    size[: min(triangle.shape)] = np.abs(np.diag(triangle))
    named += [terms[k] for k in np.flatnonzero((size < 1e-9) & (scale > 0))]
    return tuple(dict.fromkeys(named))
