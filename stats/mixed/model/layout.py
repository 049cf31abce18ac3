"""From a frame and a formula to design matrices, slots and patterns: the only place that sees participant rows.

A *slot* is a place in a participant's record: the planned visit where a visit column is named, else the order of the
rows. A *pattern* is what the covariance of a participant depends on: which slots were observed, the random-effect
covariates in them, and the covariance group (arm).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from formulaic import ModelSpec

from stats.errors import FitError
from stats.mixed.model import complete_rows as rows
from stats.mixed.model.design_matrix import design_of, required_columns, response_name, response_of
from stats.mixed.model.masks import every, some
from stats.mixed.model.site_rows import SiteRows, site_columns_used, site_rows

COLLINEAR = 1e-9  # distance of a column of unit length from the span of the others


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
    coding: str = ""  # what transformations of the formula took from the data
    ordered: bool = True  # whether the order of the slots is known
    sites: SiteRows | None = None
    times: np.ndarray | None = None  # (N,) where participants have times of their own

    @property
    def n_rows(self) -> int:
        """Rows analysed."""
        return len(self.y)

    def starts(self) -> np.ndarray:
        """Index of each participant's first row, and N at the end: (n_participants + 1,)."""
        return np.searchsorted(self.person, np.arange(len(self.persons) + 1))


def build_layout(
    frame: pd.DataFrame,
    formula: str,
    *,
    participant: str,
    visit: str | None = None,
    random: str | None = None,
    by: str | None = None,
    time: str | None = None,
    keep_levels: bool = False,
    site: str | None = None,
    site_random: str | None = None,
    crossed: str | None = None,
) -> Layout:
    """Design matrices of the complete rows of `frame`.

    Rows with a missing value in a column the model uses are left out and counted in the notes. Categories without a
    row are dropped unless `keep_levels`. Raises FitError for unknown columns, no usable rows, or two rows of one
    participant at one visit.
    """
    used = columns_used(formula, random, participant, visit, by, time) | site_columns_used(site, site_random, crossed)
    rows.check_columns(frame, used)
    rows.arm_known(frame, used, participant)
    data, columns, notes = rows.complete_rows(frame, used, keep_levels=keep_levels)
    person, persons = rows.person_codes(columns[participant])
    slot, slots = (None, ()) if visit is None else rows.visit_order(columns[visit])
    place = person if slot is None else person * len(slots) + slot
    if some(place[1:] < place[:-1]):
        order = np.argsort(place, kind="stable")
        data, person, place = data.iloc[order], person[order], place[order]
        slot, columns = None if slot is None else slot[order], rows.columns_of(data, used)
    above = site_rows(
        columns,
        person,
        site=site,
        site_random=site_random,
        crossed=crossed,
        mentioned=required_columns(formula),
        alone=keep_levels,
    )
    design = design_of(formula, data, columns)
    y = response_of(formula, data, columns)
    if slot is None:
        first = np.concatenate([[True], np.diff(person) != 0])
        slot = np.arange(len(person)) - np.flatnonzero(first)[np.cumsum(first) - 1]
        slots = tuple(range(int(slot.max()) + 1))
    else:
        rows.once_per_visit(columns, participant, str(visit), place)
    rows.same_arm(columns, person)
    group, groups = (np.zeros(len(y), dtype=int), ("all",)) if by is None else rows.group_codes(columns[by], person)
    Z, random_terms, coding = effects_of(random, data, columns)
    times = None if time is None else rows.times_of(columns[time], time)
    if not all(every(np.isfinite(values)) for values in (design.X, y, Z) if values is not None):
        raise FitError(
            f"Formula '{formula}' gives infinite values on these rows. Check transformations such as log(0)."
        )
    return Layout(
        y=y, X=design.X, Z=Z, person=person, slot=slot, group=group, persons=tuple(persons.tolist()), slots=slots,
        groups=groups, terms=design.terms, term_columns=design.term_columns, random_terms=random_terms,
        spec=design.spec, frame=data, response=response_name(formula),
        notes=(*notes, *(() if above is None else above.notes)), sites=above,
        coding=design.coding + coding, ordered=visit is None or rows.order_known(frame[visit]), times=times,
    )  # fmt: skip


def columns_used(formula: str, random: str | None, *named: str | None) -> set[str]:
    """Columns of the frame that a model uses."""
    used = required_columns(formula) | (required_columns(random) if random is not None else set())
    return used | {name for name in named if name is not None}


def effects_of(
    random: str | None, data: pd.DataFrame, columns: Mapping[str, pd.Series]
) -> tuple[np.ndarray | None, tuple[str, ...], str]:
    """Covariates of the random effects (None without any), their names and `Design.coding`."""
    if random is None:
        return None, (), ""
    if random.strip() == "1":
        return np.ones((len(data), 1)), ("Intercept",), ""
    effects = design_of(random, data, columns)
    if effects.X.shape[1] == 0:
        raise FitError(f"Random part '{random}' has no column. Write '1' for an intercept or '1 + week'.")
    return effects.X, effects.terms, effects.coding


def rank_report(X: np.ndarray, terms: Sequence[str]) -> tuple[str, ...]:
    """Terms that the rows cannot tell apart from the others; empty where every coefficient can be estimated.

    Columns are taken in order after scaling to unit length; one whose distance from the span of the earlier ones is
    below COLLINEAR is named.
    """
    scale = np.linalg.norm(X, axis=0)
    named = [terms[int(k)] for k in np.flatnonzero(scale == 0)]
    unit = X / np.where(scale == 0, 1.0, scale)
    triangle = np.asarray(np.linalg.qr(unit, mode="r"))
    size = np.zeros(X.shape[1])
    size[: min(triangle.shape)] = np.abs(np.diag(triangle))
    named += [terms[int(k)] for k in np.flatnonzero((size < COLLINEAR) & (scale > 0))]
    return tuple(dict.fromkeys(named))


def collinear(terms: Sequence[str]) -> FitError:
    """The error for coefficients that the data cannot separate."""
    return FitError(
        f"These coefficients cannot be told apart on these rows: {', '.join(terms)}. A group without observations at a "
        "visit or a covariate that repeats another does this. Remove a term or use a simpler formula."
    )


NEEDS_ORDER = ("ar1", "toeplitz", "ante-dependence")


def check_order(covariance: str | None, slots: tuple, *, ordered: bool) -> None:
    """FitError where a covariance needs the order of the visits or equal steps between them, and has not got it."""
    name = (covariance or "").removeprefix("unequal-")
    if name not in NEEDS_ORDER or len(slots) < 3:
        return
    if not ordered:
        raise FitError(
            f"covariance='{covariance}' depends on the order of the visits, and {', '.join(map(str, slots))} is only "
            "the order of the letters. Give the order: a numeric visit column, or "
            "pd.Categorical(column, categories=[first, second, ...], ordered=True)."
        )
    numbers = [slot for slot in slots if isinstance(slot, float) and not slot.is_integer()]
    if name == "ar1" and numbers:
        raise FitError(
            f"covariance='{covariance}' takes one step from each visit to the next, and visits such as {numbers[0]} "
            "are no counts. Use covariance='exponential', whose correlation falls with the distance in time, or number "
            "the visits 1, 2, 3."
        )


def visit_times(slots: tuple) -> np.ndarray:
    """Numeric values of the visits; FitError where they are words."""
    try:
        return np.array([float(slot) for slot in slots])
    except (TypeError, ValueError):
        raise FitError(
            f"Exponential decay needs the days of the visits; found {', '.join(map(str, slots))}. "
            "Give a numeric visit column."
        ) from None
