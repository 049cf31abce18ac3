"""Model matrices from Wilkinson formulas, read by formulaic; plain formulas are replayed from a cached recipe.

A formula of products of columns and categories has the same recipe for every frame with the same columns and levels:
which column, or which level of which category, is multiplied into each column of the matrix. The recipe is read off
formulaic's own column names, kept only if it reproduces formulaic's matrix exactly, and saves its overhead in a refit.
"""

import ast
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from formulaic import Formula, ModelSpec

from stats.errors import FitError

RECIPES: dict[tuple, "Recipe | None"] = {}
Factor = tuple[str, object]  # column and level; level None for a number
NUMBER = None
TERMINAL = re.compile(r"\x1b\[[0-9;]*m|[⧛⧚]")  # colours of a terminal and marks in the parser's messages
NO_OFFSET = "There is no offset here: subtract it from the outcome beforehand and say so."
NO_WEIGHTS = (
    "There are no weights here: give unequal precision a covariance of its own (by= a column, or an 'unequal-' "
    "structure over visits), or keep what was averaged as rows."
)


@dataclass(frozen=True)
class Recipe:
    """Factors of every column of a matrix, and what formulaic said of it."""

    columns: tuple[tuple[Factor, ...], ...]
    terms: tuple[str, ...]
    term_columns: dict[str, list[int]]
    spec: ModelSpec


@dataclass(frozen=True)
class Design:
    """A model matrix X (N, q), its column names, the columns of each term and formulaic's specification."""

    X: np.ndarray
    terms: tuple[str, ...]
    term_columns: dict[str, list[int]]
    spec: ModelSpec

    @property
    def coding(self) -> str:
        """What transformations such as splines took from the data (knots, centres); empty where nothing."""
        return repr(self.spec.transform_state) if self.spec.transform_state else ""


@lru_cache(maxsize=256)
def parse(formula: str) -> Formula:
    """Parse a formula once; FitError where it cannot be read, or asks for what is no fixed effect."""
    refuse_foreign(formula)
    try:
        return Formula(formula)
    except Exception as error:  # the parser's own errors share no base class below Exception
        said = " ".join(TERMINAL.sub("", str(error)).split()).rstrip(".")
        raise FitError(f"Formula '{formula}' cannot be read: {said}. Write it like 'score ~ visit * arm'.") from error


def refuse_foreign(formula: str) -> None:
    """FitError for random effects, offsets and weights written inside a formula, with where they go instead."""
    plain = re.sub(r"`[^`]*`", "quoted", formula)
    effects = re.search(r"\(?([^()|+~]*(?:\+[^()|~]*)?)\|{1,2}([^()|]*)\)?", plain)
    if effects is not None:
        inner, group = effects.group(1).strip() or "1", effects.group(2).strip()
        raise FitError(
            f"Formula '{formula}' names random effects, '{inner}' by '{group}'. A formula holds fixed effects only: "
            f"random effects per participant are random='{inner}' with participant='{group}'. For sites or therapists "
            f"add {group} to the formula as a fixed effect where they are few."
        )
    named = re.search(r"\b(offset|weights?)\s*\(", plain)
    if named is not None:
        instead = NO_OFFSET if named.group(1) == "offset" else NO_WEIGHTS
        raise FitError(f"Formula '{formula}' uses {named.group(1)}(). {instead}")


@lru_cache(maxsize=256)
def required_columns(formula: str) -> set[str]:
    """Columns a formula uses."""
    parsed = parse(formula)
    sides = [parsed.lhs, parsed.rhs] if hasattr(parsed, "rhs") else [parsed]
    return {name for side in sides for name in _columns_in(side)}


def _columns_in(side) -> set[str]:
    """Columns of one side: those that formulaic names, and arguments of splines and the like, which it leaves out."""
    found = {str(name) for name in side.required_variables}
    for text in {factor.expr for term in side for factor in term.factors}:
        try:
            tree = ast.parse(text, mode="eval")
        except SyntaxError:  # a quoted column name, which formulaic has named
            continue
        calls = {id(node.func) for node in ast.walk(tree) if isinstance(node, ast.Call)}
        roots = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
        names = (node for node in ast.walk(tree) if isinstance(node, ast.Name))
        found |= {node.id for node in names if id(node) not in calls | roots}
    return found


def _right(formula: str):
    parsed = parse(formula)
    return parsed.rhs if hasattr(parsed, "rhs") else parsed


def _left(formula: str):
    parsed = parse(formula)
    if not hasattr(parsed, "lhs"):
        raise FitError(f"Formula '{formula}' names no response. Write it like 'score ~ visit * arm'.")
    return parsed.lhs


@lru_cache(maxsize=256)
def response_name(formula: str) -> str:
    """The response as written."""
    return " + ".join(str(term) for term in _left(formula))


def response_of(formula: str, data: pd.DataFrame, columns: Mapping[str, pd.Series] | None = None) -> np.ndarray:
    """The response (N,); FitError where it is not one column of numbers. `columns` as in `design_of`."""
    name = response_name(formula)
    if name in data.columns:
        column = data[name] if columns is None else columns[name]
        if pd.api.types.is_numeric_dtype(column.dtype):
            return column.to_numpy(dtype=float)
    matrix = _matrix(_left(formula), data, formula)
    if matrix.shape[1] != 1:
        raise FitError(f"The response of '{formula}' has {matrix.shape[1]} columns; one number per row is needed.")
    return np.asarray(matrix, dtype=float)[:, 0]


def design_of(formula: str, data: pd.DataFrame, columns: Mapping[str, pd.Series] | None = None) -> Design:
    """The model matrix of the right-hand side; `columns` are those of `data` where they are at hand already."""
    columns = data if columns is None else columns
    key = _recipe_key(formula, columns)
    recipe = RECIPES.get(key)
    if recipe is not None:
        return Design(_cook(recipe, columns, len(data)), recipe.terms, recipe.term_columns, recipe.spec)
    matrix = _matrix(_right(formula), data, formula)
    spec = matrix.model_spec
    design = Design(
        np.asarray(matrix, dtype=float),
        tuple(map(str, matrix.columns)),
        {str(term): list(index) for term, index in spec.term_indices.items()},
        spec,
    )
    if key not in RECIPES:
        if len(RECIPES) > 512:
            RECIPES.clear()
        RECIPES[key] = _recipe(design, data)
    return design


def is_plain(formula: str, data: pd.DataFrame) -> bool:
    """Whether the model matrix of `design_of` was made of products of columns and categories, row by row."""
    return RECIPES.get(_recipe_key(formula, data)) is not None


def _recipe_key(formula: str, data: Mapping[str, pd.Series]) -> tuple:
    return (formula, *(_kind(name, data[name]) for name in right_columns(formula)))


@lru_cache(maxsize=256)
def right_columns(formula: str) -> tuple[str, ...]:
    """Columns that the right-hand side uses."""
    return tuple(sorted(_columns_in(_right(formula))))


def _matrix(formula, data: pd.DataFrame, text: str):
    """formulaic raises many unrelated classes; each becomes a FitError with its reason."""
    try:
        return formula.get_model_matrix(data, na_action="raise")
    except Exception as error:  # evaluation runs the user's expressions: any error is about the formula
        said = " ".join(TERMINAL.sub("", str(error)).split())
        raise FitError(f"Formula '{text}' cannot be evaluated on these rows: {said}") from error


def _kind(name: str, column: pd.Series) -> tuple:
    if isinstance(column.dtype, pd.CategoricalDtype):
        return (name, "category", tuple(column.dtype.categories))
    if pd.api.types.is_numeric_dtype(column.dtype):
        return (name, "number")
    return (name, "text", tuple(sorted(column.unique())))


def _recipe(design: Design, data: pd.DataFrame) -> Recipe | None:
    """The recipe read off the column names; None unless it gives formulaic's matrix to the last bit."""
    columns = []
    for name in design.terms:
        factors: list[Factor] = []
        for part in [] if name == "Intercept" else name.split(":"):
            level = re.fullmatch(r"(.+?)\[(?:T\.)?(.*)\]", part)
            if level is not None and level.group(1) in data.columns:
                column = data[level.group(1)]
                levels = column.dtype.categories if isinstance(column.dtype, pd.CategoricalDtype) else column.unique()
                known = {str(value): value for value in levels}
                if level.group(2) not in known:
                    return None
                factors.append((level.group(1), known[level.group(2)]))
            elif part in data.columns and pd.api.types.is_numeric_dtype(data[part].dtype):
                factors.append((part, NUMBER))
            else:
                return None
        columns.append(tuple(factors))
    recipe = Recipe(tuple(columns), design.terms, design.term_columns, design.spec)
    return recipe if np.array_equal(_cook(recipe, data, len(data)), design.X) else None


def _cook(recipe: Recipe, data: Mapping[str, pd.Series], rows: int) -> np.ndarray:
    pieces: dict[Factor, np.ndarray] = {}
    X = np.ones((rows, len(recipe.columns)))
    for k, factors in enumerate(recipe.columns):
        for factor in factors:
            if factor not in pieces:
                name, level = factor
                column = data[name]
                if level is NUMBER:
                    pieces[factor] = column.to_numpy(dtype=float)
                elif isinstance(column.dtype, pd.CategoricalDtype):
                    pieces[factor] = column.array.codes == column.dtype.categories.get_loc(level)
                else:
                    pieces[factor] = (column == level).to_numpy()
            X[:, k] *= pieces[factor]
    return X
