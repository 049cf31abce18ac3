"""From words to weights: terms, cells of the design and text such as "week 8 - baseline" become rows of L."""

import itertools
import re
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from stats.errors import FitError
from stats.mixed.model.layout import Layout


def combination(text: str, names: Sequence[str]) -> np.ndarray | None:
    """Weights (len(names),) of a text like "2 * a - b + 0.5 * c"; None where a part is not among the names.

    Names may hold spaces and signs: the longest name that fits is taken.
    """
    weights = np.zeros(len(names))
    rest = text.strip()
    by_length = sorted(range(len(names)), key=lambda k: -len(names[k]))
    sign = 1.0
    while rest:
        lead = re.match(r"([+-]?)\s*(?:(\d+(?:\.\d+)?)\s*\*\s*)?", rest)
        assert lead is not None  # all of it may be absent
        sign = -1.0 if lead.group(1) == "-" else 1.0
        factor = float(lead.group(2)) if lead.group(2) else 1.0
        tail = rest[lead.end() :]
        for k in by_length:
            after = tail[len(names[k]) :]
            if tail.startswith(names[k]) and (not after.strip() or re.match(r"\s+[+-]\s", after)):
                weights[k] += sign * factor
                rest = after.strip()
                break
        else:
            return None
    return weights


def term_rows(
    terms: str | Sequence[str], layout_terms: Sequence[str], term_columns: Mapping[str, list[int]]
) -> np.ndarray:
    """Rows of L that pick every coefficient of the named terms (formula terms or single coefficients)."""
    wanted = [terms] if isinstance(terms, str) else list(terms)
    columns: list[int] = []
    for name in wanted:
        if name in term_columns:
            columns += term_columns[name]
        elif name in layout_terms:
            columns.append(list(layout_terms).index(name))
        else:
            known = ", ".join([*term_columns, *(t for t in layout_terms if t not in term_columns)])
            raise FitError(f"Term '{name}' is not in the model. Terms: {known}.")
    return np.eye(len(layout_terms))[columns]


def reference_grid(
    layout: Layout, by: Sequence[str], at: Mapping[str, Sequence] | None = None
) -> tuple[pd.DataFrame, np.ndarray]:
    """Cells of the columns `by` and the weights (cells, q) of their estimated means.

    Categories not in `by` are averaged with equal weights, numbers are held at their mean over the rows analysed
    (the usual convention; poor where a category is rare). `at` fixes values of a column; a number in `by` without
    `at` takes its distinct values.
    """
    at = dict(at or {})
    variables = [name for name in layout.frame.columns if name in layout.spec.variables_by_source.get("data", set())]
    unknown = [name for name in (*by, *at) if name not in variables]
    if unknown:
        raise FitError(f"{', '.join(unknown)} is not in the formula. Columns there: {', '.join(variables)}.")
    values = {name: _values(layout.frame[name], name in by, at.get(name)) for name in variables}
    order = [*by, *(name for name in variables if name not in by)]
    grid = pd.DataFrame(list(itertools.product(*(values[name] for name in order))), columns=order)
    for name in order:
        if isinstance(layout.frame[name].dtype, pd.CategoricalDtype):
            grid[name] = pd.Categorical(grid[name], dtype=layout.frame[name].dtype)
    X = np.asarray(layout.spec.get_model_matrix(grid), dtype=float)
    if not by:
        return pd.DataFrame(index=[0]), X.mean(axis=0, keepdims=True)
    cells = int(np.prod([len(values[name]) for name in by]))
    L = X.reshape(cells, -1, X.shape[1]).mean(axis=1)
    keys = grid[list(by)].iloc[:: len(grid) // cells].reset_index(drop=True)
    return keys, L


def _values(column: pd.Series, wanted: bool, fixed: Sequence | None) -> list:
    if fixed is not None:
        return list(np.atleast_1d(np.asarray(fixed, dtype=object)))
    if isinstance(column.dtype, pd.CategoricalDtype):
        return list(column.cat.categories)
    if pd.api.types.is_numeric_dtype(column):
        return sorted(column.unique()) if wanted else [float(column.mean())]
    return sorted(column.unique())


def cell_contrasts(
    layout: Layout, text: str, by: Sequence[str], at: Mapping[str, Sequence] | None = None
) -> tuple[pd.DataFrame, np.ndarray]:
    """Rows of L for a text over the levels of one column ("week 8 - baseline"), once per cell of `by`.

    The column is the one whose levels the text names.
    """
    frame = layout.frame
    for name in frame.columns:
        if name in by or name not in layout.spec.variables_by_source.get("data", set()):
            continue
        levels = _values(frame[name], True, (at or {}).get(name))
        weights = combination(text, [str(level) for level in levels])
        if weights is not None:
            keys, L = reference_grid(layout, [*by, name], at)
            L = L.reshape(-1, len(levels), L.shape[1])
            cells = keys[list(by)].iloc[:: len(levels)].reset_index(drop=True)
            return cells, np.einsum("cvq,v->cq", L, weights)
    known = "; ".join(
        f"{name}: {', '.join(map(str, _values(frame[name], True, None)))}"
        for name in frame.columns
        if name in layout.spec.variables_by_source.get("data", set()) and not pd.api.types.is_float_dtype(frame[name])
    )
    raise FitError(
        f"Contrast '{text}' names neither coefficients nor levels of one column. Levels: {known}. "
        f"Coefficients: {', '.join(layout.terms)}. Write it like 'week 8 - baseline'."
    )


def independent_rows(L: np.ndarray) -> np.ndarray:
    """Rows of L, in their order, that the rows before them do not span; FitError where none is."""
    if not np.abs(L).max(initial=0.0) > 0:
        raise FitError("The contrast is zero for every coefficient: nothing is tested.")
    kept: list[int] = []
    basis = np.empty((0, L.shape[1]))
    for place, row in enumerate(L / np.maximum(np.linalg.norm(L, axis=1, keepdims=True), 1e-300)):
        rest = row - basis.T @ (basis @ row)
        rest -= basis.T @ (basis @ rest)  # twice: what rounding left of the span the first time
        size = float(np.linalg.norm(rest))
        if size > 1e-9:
            kept.append(place)
            basis = np.vstack([basis, rest / size])
    return L[kept]
