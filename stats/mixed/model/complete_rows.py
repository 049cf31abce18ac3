"""The complete rows of an analysis: which are left out and why, and integer codes of participants, visits, groups."""

import re
from collections.abc import Mapping

import numpy as np
import pandas as pd

from outcomes.columns import ARM
from stats.errors import FitError
from stats.mixed.model.masks import every, some


def check_columns(frame: pd.DataFrame, used: set[str]) -> None:
    """FitError where a column is not in the frame."""
    unknown = sorted(name for name in used if name not in frame.columns)
    if unknown:
        raise FitError(
            f"Columns not in the frame: {', '.join(unknown)}. Found: {', '.join(map(str, frame.columns))}. "
            "Correct the name in the formula or the call."
        )


def complete_rows(
    frame: pd.DataFrame, used: set[str], *, keep_levels: bool
) -> tuple[pd.DataFrame, dict[str, pd.Series], list[str]]:
    """Rows with a value in every used column, those columns, and notes.

    Truth values become 0 and 1; categories without a row are dropped unless kept.
    """
    columns = columns_of(frame, used)
    incomplete, notes = incomplete_rows(columns)
    data = frame if incomplete is None else frame.loc[~incomplete]
    for name, whole in columns.items():
        if isinstance(whole.dtype, pd.CategoricalDtype) and not keep_levels:
            column = whole if incomplete is None else data[name]
            seen = np.bincount(column.array.codes, minlength=len(column.dtype.categories)) > 0
            if not every(seen):
                unused = ", ".join(map(str, column.dtype.categories[~seen]))
                data = data.assign(**{name: column.cat.remove_unused_categories()})
                notes.append(f"No row for {name} {unused}: left out of the model.")
        elif whole.dtype.kind == "b":
            data = data.assign(**{name: data[name].astype(float)})
    return data, columns if data is frame else columns_of(data, used), notes


def arm_known(frame: pd.DataFrame, used: set[str], participant: str, arm: str = ARM) -> None:
    """FitError where some rows have no value in the column called `arm`, blank or missing, and others have one.

    A row without an arm is no row to leave out: it is somebody whom the trial dealt to an arm that is not written here.
    """
    if arm not in used or arm == participant:
        return
    missing = _missing(frame[arm])
    blank = np.zeros(len(frame), dtype=bool) if missing is None else missing
    if frame[arm].dtype.kind not in "iufb":
        labels = pd.Index(frame[arm].unique())
        if (labels == "").any():
            blank = blank | (frame[arm] == "").to_numpy(dtype=bool, na_value=False)
    if some(blank) and not every(blank):
        people = list(dict.fromkeys(frame.loc[blank, participant].astype(str)))
        raise FitError(
            f"Column {arm} is missing in {int(blank.sum())} of {len(frame)} rows, of participants "
            f"{', '.join(people[:5])}{', ...' if len(people) > 5 else ''}. Fill it in: everybody belongs to the {arm} "
            "they were given, or take those who never had one out of the frame and say so."
        )


def columns_of(frame: pd.DataFrame, used: set[str]) -> dict[str, pd.Series]:
    """The used columns by name, in the order of the frame."""
    return {name: frame[name] for name in sorted(used, key=frame.columns.get_loc)}


def incomplete_rows(columns: dict[str, pd.Series]) -> tuple[np.ndarray | None, list[str]]:
    """Mask of rows without a value in one of the columns (None where there is none), and a note that counts them."""
    masks = {name: mask for name, column in columns.items() if (mask := _missing(column)) is not None and some(mask)}
    incomplete = np.logical_or.reduce(list(masks.values())) if masks else None
    total = len(next(iter(columns.values())))
    if total == 0 or (incomplete is not None and incomplete.all()):
        raise FitError(
            "No row has a value in every column the model uses. Check the columns " + ", ".join(columns) + "."
        )
    if incomplete is None:
        return None, []
    where = ", ".join(f"{name} ({int(mask.sum())})" for name, mask in masks.items())
    return incomplete, [f"{int(incomplete.sum())} of {total} rows have no value and are left out: {where}."]


def _missing(column: pd.Series) -> np.ndarray | None:
    if isinstance(column.dtype, pd.CategoricalDtype):
        return column.array.codes < 0
    if isinstance(column.dtype, np.dtype) and column.dtype.kind in "iub":
        return None
    if isinstance(column.dtype, np.dtype) and column.dtype.kind == "f":
        return np.isnan(column.to_numpy())
    return column.isna().to_numpy()


def person_codes(column: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Integer codes and labels of participants, in order of appearance."""
    if isinstance(column.dtype, np.dtype) and column.dtype.kind in "iuf":
        values = column.to_numpy()
        new = np.ones(len(values), dtype=bool)
        np.not_equal(values[1:], values[:-1], out=new[1:])
        if every(values[1:] >= values[:-1]):  # sorted: a new value is another participant
            return np.cumsum(new) - 1, values[new]
    codes, labels = pd.factorize(column)
    return codes, np.asarray(labels)


def visit_order(column: pd.Series) -> tuple[np.ndarray, tuple]:
    """Integer codes and labels of visits: by category order, by value for numbers, else by sorted text.

    Whether that order means anything is for `order_known` to say.
    """
    if isinstance(column.dtype, pd.CategoricalDtype):
        return column.array.codes.astype(int), tuple(column.dtype.categories)
    if isinstance(column.dtype, np.dtype) and column.dtype.kind in "iuf":
        labels, codes = np.unique(column.to_numpy(), return_inverse=True)
        return codes, tuple(labels.tolist())
    codes, labels = pd.factorize(column, sort=True)
    return codes, tuple(labels)


def order_known(column: pd.Series) -> bool:
    """Whether the order of visits is given: by numbers, dates, an ordered category, or categories put in an order.

    Text is sorted by letters ("week16" before "week2"), and so are categories made from text without saying an order:
    such an order means nothing unless it is that of the numbers in the names.
    """
    if isinstance(column.dtype, pd.CategoricalDtype):
        if column.dtype.ordered or column.dtype.categories.dtype.kind in "iufM":
            return True
        names = [str(value) for value in column.dtype.categories]
        numbers = [[float(part) for part in re.findall(r"\d+(?:\.\d+)?", name)] for name in names]
        return names != sorted(names) or (all(numbers) and numbers == sorted(numbers))
    return isinstance(column.dtype, np.dtype) and column.dtype.kind in "iufM"


def once_per_visit(columns: Mapping[str, pd.Series], participant: str, visit: str, place: np.ndarray) -> None:
    """FitError where a participant has two rows at a visit; `place` numbers participant and visit, sorted.

    Where the two rows differ in a category of the model, such as the arm, ids seem to be used again in another one.
    """
    twice = place[1:] == place[:-1]
    if some(twice):
        row = int(np.flatnonzero(twice)[0]) + 1
        who, when = columns[participant].iloc[row], columns[visit].iloc[row]
        for name in categories(columns, participant, visit):
            one, other = columns[name].iloc[row - 1], columns[name].iloc[row]
            if one != other:
                raise FitError(
                    f"Participant {who} has two rows at {visit} {when}, one with {name} {one} and one with {name} "
                    f"{other}. Ids that start again in another {name} stand for different people: make them unique, "
                    f"for example '{one}-{who}' and '{other}-{who}'. If it is one person, choose the row to analyse."
                )
        raise FitError(
            f"Participant {who} has two rows at visit {when}; one is allowed. "
            "Choose the side, condition or rater to analyse, or average the rows."
        )


def categories(columns: Mapping[str, pd.Series], *but: str) -> list[str]:
    """Columns of words among those of a model."""
    return [
        name
        for name, column in columns.items()
        if name not in but and (isinstance(column.dtype, pd.CategoricalDtype) or column.dtype.kind not in "iufb")
    ]


def same_arm(columns: Mapping[str, pd.Series], person: np.ndarray, arm: str = ARM) -> None:
    """FitError where the column called `arm` changes within a few participants, or at the same moment within one.

    An arm is what a participant was given for good. Where it changes in half of them or more, it is taken as the
    treatments of a crossover, which are no mistake, unless two rows of a participant differ in nothing else.
    """
    if arm not in columns:
        return
    codes = visit_order(columns[arm])[0]
    low, high = np.full(int(person.max()) + 1, codes.max()), np.zeros(int(person.max()) + 1, dtype=int)
    np.minimum.at(low, person, codes)
    np.maximum.at(high, person, codes)
    changed, several = np.flatnonzero(low != high), np.bincount(person) > 1
    if not len(changed):
        return
    rows = np.flatnonzero(person == changed[0])
    found = " and ".join(map(str, dict.fromkeys(columns[arm].iloc[rows])))
    if len(changed) < several.sum() / 2 or _same_moment(columns, person, rows):
        raise FitError(
            f"Column {arm} changes within {len(changed)} of {len(low)} participants (row {rows[0] + 1} of those "
            f"analysed is the first of one: {found}). Everybody has one {arm}: correct the column, make ids unique "
            "where they start again in another arm, or give a treatment that changes a name of its own."
        )


def _same_moment(columns: Mapping[str, pd.Series], person: np.ndarray, rows: np.ndarray) -> bool:
    """Whether two of a participant's rows agree in every number that changes within participants, and there is one."""
    numbers = [column.to_numpy() for column in columns.values() if column.dtype.kind in "iuf"]
    within = [v for v in numbers if _steps(v, person) and len(np.unique(v)) < len(v) / 2]
    return bool(within) and len(np.unique(np.column_stack([v[rows] for v in within]), axis=0)) < len(rows)


def _steps(values: np.ndarray, person: np.ndarray) -> bool:
    """Whether a number changes from one row to the next of a participant."""
    return bool(((np.diff(person) == 0) & (np.diff(values) != 0)).any())


def group_codes(column: pd.Series, person: np.ndarray) -> tuple[np.ndarray, tuple]:
    """Codes and labels of the covariance group; FitError where it changes within a participant."""
    group, labels = visit_order(column)
    changes = (np.diff(person) == 0) & (np.diff(group) != 0)
    if changes.any():
        raise FitError(
            f"Column {column.name} changes within a participant. A covariance by it needs one value per participant."
        )
    return group, labels


def times_of(column: pd.Series, name: str) -> np.ndarray:
    """A column of times as numbers; FitError where it is none or is not finite."""
    if not pd.api.types.is_numeric_dtype(column.dtype):
        raise FitError(f"time='{name}' holds {column.dtype}; allowed are numbers, such as days. Convert the column.")
    values = column.to_numpy(dtype=float)
    if not np.isfinite(values).all():
        raise FitError(f"time='{name}' holds infinite values; allowed are numbers, such as days. Correct the column.")
    return values
