"""Terms of a protocol as plain columns of the model's frame, under names that the formula library takes as names only.

What study.toml and the headers of its tables say is data: it is read by `protocol.model_terms`, functions of columns
are computed here, and the formula that is fitted names nothing but columns made in this module.
"""

import keyword
import re
import unicodedata
from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd
from formulaic.transforms import TRANSFORMS

from outcomes.protocol.model_terms import GRAMMAR, BadTerms, Factor, Terms, read_factor, read_terms
from stats.errors import FitError

OWN = (
    "participant", "arm", "visit", "day", "planned_day", "value", "time", "cell", "baseline", "baseline_visit", "site",
)  # fmt: skip
_TAKEN = {*OWN, *keyword.kwlist, *TRANSFORMS, "Intercept"}


def plain_name(label: str) -> str:
    """A label as a name of letters, digits and underscores that stands for nothing else in a formula."""
    name = re.sub(r"\W+", "_", unicodedata.normalize("NFKC", label)).strip("_")
    if not name or not name.isidentifier():
        name = f"column_{name}"
    return f"{name}_" if name in _TAKEN else name


def covariate_columns(table: pd.DataFrame, names: Iterable[str]) -> dict[str, np.ndarray | pd.Series]:
    """Covariates as columns: their names in a formula -> values (one per row of `table`).

    table: the participants. A name is a header of it as it stands, or log, sqrt, power or spline of one.

    Raises:
        FitError: where a name is neither, a function has no value, or two names become one.
    """
    columns: dict[str, np.ndarray | pd.Series] = {}
    for name in dict.fromkeys(names):
        if name in table.columns:
            made: Mapping[str, np.ndarray | pd.Series] = {plain_name(name): table[name]}
        else:
            factor = _factor(name)
            if factor.column not in table.columns:
                raise FitError(
                    f"Covariates not in the participants table: {factor.column}. "
                    f"Columns there: {', '.join(map(str, table.columns))}."
                )
            made = _computed(factor, table[factor.column])
        twice = [column for column in made if column in columns]
        if twice:
            raise FitError(f"Two covariates are both called {twice[0]} in the model. Rename one of the columns.")
        columns |= made
    return columns


def covariate_names(frame: pd.DataFrame, names: Iterable[str]) -> tuple[str, ...]:
    """Which columns of the frame of a fit stand for these covariates."""
    found: list[str] = []
    for name in dict.fromkeys(names):
        whole = plain_name(name)
        found += [whole] if whole in frame else [column for column in _spline_names(whole, 6) if column in frame]
    return tuple(found)


def random_part(frame: pd.DataFrame, text: str | None) -> tuple[pd.DataFrame, str | None]:
    """Random effects as study.toml writes them: the frame with the columns they need, and their formula.

    Raises:
        FitError: where the text is not of the grammar, or names a column that the model does not have.
    """
    if text is None or text.strip() == "1":
        return frame, text
    try:
        terms = read_terms(text)
    except BadTerms as found:
        raise FitError(f"random = {text!r}: found {found}; allowed are {GRAMMAR}. Write it like '1 + time'.") from found
    return _with_columns(frame, terms, text)


def _with_columns(frame: pd.DataFrame, terms: Terms, text: str) -> tuple[pd.DataFrame, str]:
    made: dict[str, np.ndarray | pd.Series] = {}
    products = []
    for product in terms.products:
        factors = []
        for factor in product:
            column = factor.column if factor.column in OWN else plain_name(factor.column)
            if column not in frame or column in ("participant", "value"):
                known = [name for name in frame if name not in ("participant", "value", "baseline_visit")]
                raise FitError(
                    f"random = {text!r}: found {factor.column!r}, allowed columns of the model: {', '.join(known)}."
                )
            own = _computed(factor, frame[column]) if factor.function else {column: frame[column]}
            made |= {name: values for name, values in own.items() if name not in frame}
            factors.append(list(own))
        products += _joined(factors)
    formula = " + ".join(["1" if terms.intercept else "0", *products])
    return (frame.assign(**made) if made else frame), formula


def _joined(factors: list[list[str]]) -> list[str]:
    """Every product of one column of each factor; a spline has several columns."""
    joined = [""]
    for names in factors:
        joined = [f"{before}:{name}" if before else name for before in joined for name in names]
    return joined


def _factor(name: str) -> Factor:
    try:
        return read_factor(name)
    except BadTerms as found:
        raise FitError(
            f"Covariate {name!r} is no column of the participants table: found {found}; allowed is a header as it "
            "stands, or log, sqrt, power or spline of one."
        ) from found


def _computed(factor: Factor, typed: pd.Series) -> dict[str, np.ndarray | pd.Series]:
    """A function of a column of numbers: one column, of a spline several."""
    whole = plain_name(factor.label)
    if not factor.function:
        return {whole: typed}
    if not pd.api.types.is_numeric_dtype(typed.dtype):
        raise FitError(f"{factor.label} needs a column of numbers; {factor.column} has words.")
    values = typed.to_numpy(dtype=float)
    if factor.function == "spline":
        columns = natural_spline(values, int(factor.number), factor.label)
        return dict(zip(_spline_names(whole, columns.shape[1]), columns.T, strict=True))
    with np.errstate(all="ignore"):  # what is not finite is refused below
        if factor.function == "power":
            made = np.power(values, factor.number)
        else:
            made = {"log": np.log, "sqrt": np.sqrt}[factor.function](values)
    bad = ~np.isfinite(made) & np.isfinite(values)
    if bad.any():
        raise FitError(f"{factor.label} has no value at {values[bad][0]}. Take another function, or the column itself.")
    return {whole: made}


def _spline_names(whole: str, columns: int) -> list[str]:
    return [f"{whole}_{number}" for number in range(1, columns + 1)]


def natural_spline(values: np.ndarray, columns: int, label: str = "spline") -> np.ndarray:
    """Natural cubic spline of values (N,): columns (N, columns), without an intercept; the first is the value itself.

    Knots at the lowest and highest value and at equal quantiles between them; straight lines beyond the outer ones.
    Poor with few distinct values: each column wants several of them.

    Source: Hastie, Tibshirani, Friedman, The Elements of Statistical Learning, 2nd ed. 2009, equations 5.4 and 5.5.

    Raises:
        FitError: where the values are too alike for so many columns.
    """
    seen = values[np.isfinite(values)]
    knots = np.quantile(seen, np.linspace(0, 1, columns + 1)) if len(seen) else np.zeros(columns + 1)
    if (np.diff(knots) <= 0).any():
        raise FitError(f"{label}: too few distinct values for {columns} columns. Take fewer, or the column itself.")
    span = knots[-1] - knots[0]
    x, t = (values - knots[0]) / span, (knots - knots[0]) / span  # cubes of large numbers lose digits
    above = np.clip(x[:, None] - t, 0, None) ** 3
    above[np.isnan(x)] = np.nan
    slopes = (above[:, :-1] - above[:, -1:]) / (t[-1] - t[:-1])
    return np.column_stack([values, slopes[:, :-1] - slopes[:, -1:]])
