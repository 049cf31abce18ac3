"""What every column of a shared data set holds: the code book, from which tables and files take their labels."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from outcomes.columns import NOT_A_NUMBER
from outcomes.library.known import find_instrument, find_measure
from outcomes.sharing.shared_tables import DAYS
from outcomes.sheets import SHEETS
from outcomes.study import Study

HEADER = ("table", "column", "label", "type", "unit", "values", "missing", "rows", "filled")
_DAY = "day, counted from the participant's own baseline visit (day 0)"
_UNITS = {
    "age": "years",
    **dict.fromkeys(DAYS.values(), "days"),
    "minutes_prescribed": "min",
    "minutes_performed": "min",
    "onset": "months",
    "degrees": "degrees",
}
_ONSET = "months from onset to the baseline visit"
_DATES = {day: date for date, day in DAYS.items()}
_CODED = ("participant", "rater")


@dataclass(frozen=True)
class Described:
    """One column. kind: "string", "integer" or "number". values: what may stand there -> what it means."""

    name: str
    label: str
    kind: str
    unit: str = ""
    values: Mapping[str, str] = field(default_factory=dict)
    missing: tuple[str, ...] = ()  # words in place of a number
    required: bool = False


def described(study: Study, name: str, table: pd.DataFrame) -> tuple[Described, ...]:
    """The columns of a shared table, in order."""
    sheet = SHEETS[name]
    columns = []
    for column in table.columns:
        known = sheet.column(_DATES.get(str(column), str(column)))
        label = known.says if known else f"{column}, a column of this study's own"
        values: dict[str, str] = {}
        if column in _DATES:
            label = f"{known.says.partition(',')[0]}: {_DAY}" if known else _DAY
        elif column == "onset":
            label = _ONSET
        elif column in _CODED:
            label = f"code of the {'participant' if column == 'participant' else 'assessor'}, drawn anew for sharing"
        elif column == "arm":
            label = "arm of the study"
            values = {arm.id: arm.label for arm in study.protocol.arms}
        elif column == "visit":
            label = "planned visit"
            values = {visit.id: visit.label for visit in study.protocol.visits}
        elif known and known.kind == "choice":
            values = {word: word for word in known.allowed}
        elif column in ("instrument", "scale"):
            values = _named(study, table, str(column))
        measured = known is not None and known.kind == "measure"
        numeric = measured or _numeric(table[column])
        kind = "string" if not numeric else "integer" if _whole(table[column]) and not measured else "number"
        columns.append(
            Described(
                str(column),
                label,
                kind,
                _UNITS.get(str(column), ""),
                values,
                NOT_A_NUMBER if measured else (),
                str(column) in sheet.required,
            )
        )
    return tuple(columns)


def _named(study: Study, table: pd.DataFrame, column: str) -> dict[str, str]:
    """Labels of the instruments or scales that occur."""
    words: dict[str, str] = {}
    for row in table[[name for name in ("instrument", "scale") if name in table]].drop_duplicates().itertuples():
        found = find_instrument(row.instrument)
        if column == "instrument":
            words[row.instrument] = found.name if found else row.instrument
            continue
        scale = str(getattr(row, "scale", ""))
        measure = find_measure(study.protocol, row.instrument, scale)
        known = found.scale(scale) if found else None
        if scale:
            words[scale] = measure.label if measure else known.label if known else scale
    return words


def _numeric(values: pd.Series) -> bool:
    return pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values)


def _whole(values: pd.Series) -> bool:
    return _numeric(values) and bool((values.dropna() % 1 == 0).all())


def code_book(books: Mapping[str, tuple[Described, ...]], tables: Mapping[str, pd.DataFrame]) -> list[list[str]]:
    """The code book as rows of text, the header first."""
    rows = [list(HEADER)]
    for name, columns in books.items():
        for column in columns:
            cells = tables[name][column.name]
            filled = int((cells.notna() & (cells.astype("str") != "")).sum())
            values = "; ".join(
                f"{value} = {label}" if label != value else value for value, label in column.values.items()
            )
            rows.append([name, column.name, column.label, column.kind, column.unit, values, ", ".join(column.missing),
                         str(len(cells)), str(filled)])  # fmt: skip
    return rows
