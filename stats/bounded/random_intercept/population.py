"""Averages over people of a model with a random intercept, with standard errors by the delta method.

A coefficient of these models compares people with the same random intercept; a trial asks for the average over people.
The average integrates over the fitted law of the random intercept; its standard error takes the uncertainty of that
law's SD along. Covariates that are constant within people are averaged over the people as they are.
"""

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import pandas as pd
from numpy.polynomial.hermite_e import hermegauss
from scipy.special import expit

from stats.errors import FitError
from stats.mixed.inference.fit_estimates import Estimates
from stats.mixed.model.design_matrix import right_columns
from stats.mixed.model.layout import Layout

NODES, WEIGHTS = hermegauss(101)
WEIGHTS = WEIGHTS / WEIGHTS.sum()
MANY_CELLS = 60
Average = Callable[[np.ndarray], np.ndarray]


class Fitted(Protocol):
    """What an average asks of a fit: parameters (p,) and their covariance (p, p)."""

    @property
    def point(self) -> np.ndarray: ...
    @property
    def point_covariance(self) -> np.ndarray: ...
    @property
    def n_participants(self) -> int: ...
    @property
    def n_rows(self) -> int: ...
    @property
    def notes(self) -> tuple[str, ...]: ...


@dataclass(frozen=True)
class Cells:
    """Rows of the model matrix X (n, q) by cell (n,), and what each cell is: `keys`, `between` first."""

    keys: pd.DataFrame
    X: np.ndarray
    cell: np.ndarray
    between: str
    levels: tuple

    def pooled(self, values: np.ndarray) -> np.ndarray:
        """Mean over the rows of each cell."""
        sums = np.zeros((len(self.keys), *values.shape[1:]))
        np.add.at(sums, self.cell, values)
        counts = np.bincount(self.cell, minlength=len(self.keys))
        return sums / counts.reshape(-1, *([1] * (values.ndim - 1)))

    def repeated(self, name: str, values: Sequence) -> "Cells":
        """Every cell once per value, for averages with several numbers a cell."""
        keys = self.keys.loc[self.keys.index.repeat(len(values))].reset_index(drop=True)
        return Cells(keys.assign(**{name: list(values) * len(self.keys)}), self.X, self.cell, self.between, self.levels)


def average_logit(eta: np.ndarray, sd: float) -> np.ndarray:
    """Mean of 1 / (1 + exp(-(eta + u))) over u ~ N(0, sd^2), 101 nodes."""
    return expit(eta[..., None] + sd * NODES) @ WEIGHTS if sd else expit(eta)


def cells_of(layout: Layout, between: str | None, by: str | Sequence[str] | None) -> Cells:
    """Groups of `between` within the cells of `by`, found from the formula where they are not named."""
    columns = [name for name in right_columns(_formula(layout)) if name in layout.frame]
    first = layout.frame.iloc[layout.starts()[:-1]]
    within = [name for name in columns if layout.frame.groupby(layout.person)[name].nunique().max() > 1]
    if between is None:
        words = [n for n in columns if n not in within and not pd.api.types.is_float_dtype(first[n].dtype)
                 and (not pd.api.types.is_numeric_dtype(first[n].dtype) or first[n].nunique() == 2)]  # fmt: skip
        if len(words) != 1:
            raise FitError(f"Which column holds the groups? Pass between=; there are {', '.join(columns) or 'none'}.")
        between = words[0]
    cells = within if by is None else [by] if isinstance(by, str) else list(by)
    cells = [name for name in cells if name != between]
    for name in (between, *cells):
        if name not in columns:
            raise FitError(f"Column {name!r} is not in the formula; there are {', '.join(columns)}.")
    missing = [name for name in within if name not in (*cells, between)]
    if missing:
        raise FitError(f"{', '.join(missing)} changes within people: name it in by=, or there is no one average.")
    levels = [_levels(layout.frame[name]) for name in (between, *cells)]
    if np.prod([len(one) for one in levels]) > MANY_CELLS:
        raise FitError(f"More than {MANY_CELLS} cells of {', '.join((between, *cells))}: name fewer columns in by=.")
    covariates = [name for name in columns if name not in (between, *cells)]
    people = first[covariates].drop_duplicates() if not covariates else first[covariates]
    people = first.iloc[:1] if not covariates else first
    keys, blocks = [], []
    for combination in itertools.product(*levels):
        keys.append(dict(zip((between, *cells), combination, strict=True)))
        blocks.append(people.assign(**{name: _constant(layout.frame[name], value, len(people), people.index)
                                       for name, value in keys[-1].items()}))  # fmt: skip
    rows = pd.concat(blocks, ignore_index=True)
    for name in columns:
        if isinstance(layout.frame[name].dtype, pd.CategoricalDtype):
            rows[name] = pd.Categorical(rows[name], dtype=layout.frame[name].dtype)
    X = np.asarray(layout.spec.get_model_matrix(rows), dtype=float)
    return Cells(pd.DataFrame(keys), X, np.repeat(np.arange(len(keys)), len(people)), between, tuple(levels[0]))


def _formula(layout: Layout) -> str:
    return f"{layout.response} ~ {' + '.join(t for t in layout.term_columns if t != 'Intercept') or '1'}"


def _levels(column: pd.Series) -> list:
    if isinstance(column.dtype, pd.CategoricalDtype):
        used = set(column.dropna().unique())
        return [one for one in column.cat.categories if one in used]
    return sorted(column.dropna().unique().tolist())


def _constant(column: pd.Series, value: object, n: int, index: pd.Index) -> pd.Series:
    return pd.Series([value] * n, index=index, dtype=column.dtype)


def _slope(function: Average, at: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """Jacobian (m, p) by central differences of fourth order."""
    columns = []
    for k in range(len(at)):
        step = np.zeros(len(at))
        step[k] = 1e-3 * max(scale[k], 1e-8)
        ends = [function(at + m * step) for m in (-2, -1, 1, 2)]
        columns.append((-ends[3] + 8 * ends[2] - 8 * ends[1] + ends[0]) / (12 * step[k]))
    return np.stack(columns, axis=1)


def _with_error(fit: Fitted, function: Average, keys: pd.DataFrame, labels: Sequence[str], unit: str) -> Estimates:
    covariance = fit.point_covariance
    slope = _slope(function, fit.point, np.sqrt(np.diag(covariance)))
    variance = ((slope @ covariance) * slope).sum(axis=1)
    df = float(max(fit.n_participants - 2, 1))
    notes = (*fit.notes, "Averaged over people by the fitted law of their differences; standard errors by the delta "
             "method, t with participants - 2 df (our choice; there is no agreed one).")  # fmt: skip
    return Estimates(tuple(labels), function(fit.point), np.sqrt(variance), np.full(len(labels), df),
                     "between-within", unit, fit.n_participants, fit.n_rows, notes, keys)  # fmt: skip


def _labels(keys: pd.DataFrame) -> list[str]:
    return [", ".join(f"{name} {value}" for name, value in row.items()) for _, row in keys.iterrows()]


def estimates(fit: Fitted, cells: Cells, average: Average, unit: str) -> Estimates:
    """The averages themselves, one row a cell."""
    return _with_error(fit, average, cells.keys, _labels(cells.keys), unit)


def differences(fit: Fitted, cells: Cells, average: Average, unit: str, reference: object = None) -> Estimates:
    """Differences of averages from those of the reference group, in each cell of the other columns."""

    def gap(parameters: np.ndarray, first: np.ndarray, second: np.ndarray) -> np.ndarray:
        values = average(parameters)
        return values[first] - values[second]

    return compared(fit, cells, gap, unit, reference)


def compared(
    fit: Fitted,
    cells: Cells,
    function: Callable[[np.ndarray, np.ndarray, np.ndarray], np.ndarray],
    unit: str,
    reference: object = None,
) -> Estimates:
    """Any comparison of two groups, `function(parameters, cells of one, cells of the reference)`."""
    base = cells.levels[0] if reference is None else reference
    if base not in cells.levels or len(cells.levels) < 2:
        raise FitError(f"Reference {base!r} of {cells.between}: allowed one of {', '.join(map(str, cells.levels))} "
                       "where there are two or more.")  # fmt: skip
    others = [name for name in cells.keys.columns if name != cells.between]
    first, second, rows, labels = [], [], [], []
    for level in cells.levels:
        if level == base:
            continue
        for at in np.flatnonzero((cells.keys[cells.between] == level).to_numpy()):
            place = cells.keys.iloc[at][others]
            same = (cells.keys[others] == place).all(axis=1) & (cells.keys[cells.between] == base)
            first.append(at)
            second.append(int(np.flatnonzero(same.to_numpy())[0]))
            rows.append({"comparison": f"{level} - {base}", **place.to_dict()})
            labels.append(", ".join([f"{level} - {base}", *(f"{k} {v}" for k, v in place.items())]))
    one, other = np.array(first), np.array(second)
    return _with_error(fit, lambda p: function(p, one, other), pd.DataFrame(rows), labels, unit)
