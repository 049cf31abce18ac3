"""One sheet of the study folder as a typed table: numbers, dates, words, with a finding for every conversion."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pandas.api.types import is_datetime64_any_dtype

from outcomes.columns import NOT_A_NUMBER
from outcomes.findings import flag, no_findings, texts
from outcomes.reading.cells import date_remarks, dates, has_unseen, numbers, over_distinct, plain, tidy
from outcomes.reading.day_counts import HEADER, counted
from outcomes.reading.files import Grid
from outcomes.reading.headers import Header, find_header
from outcomes.sheets import Column, Sheet
from outcomes.words import RELATIVE_SIDES

NUMBER_RULES = {
    "decimal comma": "decimal comma read",
    "thousands comma": "thousands comma read",
    "ambiguous": "comma ambiguous",
    "mixed marks": "decimal marks mixed",
    "other signs": "number in other signs",
    "unseen": "unseen sign in a number",
    "word": "word read as missing",
    "text": "text in a number",
}
DATE_RULES = {
    "day first": "date read day first",
    "month first": "date read month first",
    "order assumed": "date order assumed",
    "spreadsheet number": "date from a spreadsheet number",
    "mixed order": "date order mixed",
    "text": "not a date",
}


@dataclass(frozen=True)
class Table:
    """A table and where it came from.

    rows_read counts the rows of the file; of a wide sheet it counts the answers. Blank rows are among them.
    """

    frame: pd.DataFrame
    file: str
    rows_read: int
    header: Header
    found: list[pd.DataFrame]


@dataclass(frozen=True)
class Cells:
    """Cells as typed under their column names, with `row`; what was noted; the number of blank rows passed over."""

    frame: pd.DataFrame
    file: str
    header: Header
    blank_rows: int
    found: list[pd.DataFrame]


def typed_table(grid: Grid, sheet: Sheet, mapped: Mapping[str, str], wanted: tuple[str, ...]) -> Table:
    """The cells of a grid, read column by column. No row is left out except wholly blank ones, which are noted."""
    cells = under_header(grid, sheet, mapped, wanted)
    return read_cells(cells, sheet, wanted)


def under_header(grid: Grid, sheet: Sheet, mapped: Mapping[str, str], wanted: tuple[str, ...]) -> Cells:
    """Finds the header and puts the column names over the cells; blank rows are noted and passed over."""
    header, found = find_header(grid, sheet, mapped, wanted)
    cells = grid.cells.iloc[header.body :].copy()
    cells.columns = pd.Index(header.names)
    first = grid.before + header.body + 1
    cells.insert(0, "row", range(first, first + len(cells)))
    blanks = 0
    found += _uneven(grid, header)
    if header.names:
        filled: NDArray[np.bool_] = np.asarray(grid.filled[header.body :].any(axis=1))
        if not filled.all():
            inside = ~filled & (np.arange(len(cells)) < np.flatnonzero(filled).max(initial=-1))  # none below the last
            found.append(flag("blank row", cells.loc[inside, ["row"]], file=grid.file))
            cells, blanks = cells[filled], int(inside.sum())
        cells = cells.reset_index(drop=True)
    return Cells(cells, grid.file, header, blanks, found)


def _uneven(grid: Grid, header: Header) -> list[pd.DataFrame]:
    """Rows with more filled cells, or with fewer cells, than the header."""
    if not grid.widths or not header.names:
        return []
    wide = grid.widths[header.body - 1]
    widths = pd.Series(grid.widths[header.body :], dtype="int64")
    filled = grid.filled[header.body :]
    many, few = filled[:, wide:].any(axis=1), (widths < wide).to_numpy() & filled.any(axis=1)
    if not (many | few).any():
        return []
    rows = pd.DataFrame({"row": range(header.body + 1, header.body + 1 + len(widths))})
    facts = {"file": grid.file, "allowed": f"{wide} cells"}
    return [
        flag("too many cells in a row", rows[many], found=widths[many].astype("str") + " cells", **facts),
        flag("too few cells in a row", rows[few], found=widths[few].astype("str") + " cells", **facts),
    ]


def read_cells(cells: Cells, sheet: Sheet, wanted: tuple[str, ...]) -> Table:
    """Reads every column as the kind it is. `header` among the cells names the header of each measured cell."""
    header, typed_cells, found = cells.header, cells.frame, list(cells.found)
    for name in wanted:
        if name not in typed_cells and header.names:
            found.append(
                flag("missing column", file=cells.file, column=name, found=", ".join(header.typed),
                     allowed=f"a column {name}: {_says(sheet, name)}")
            )  # fmt: skip
    frame = pd.DataFrame({"row": typed_cells["row"].astype("int64")})
    if sheet.measure:
        frame["file"] = pd.Categorical.from_codes([0] * len(frame), [cells.file]) if len(frame) else cells.file
        frame["header"] = typed_cells["header"] if "header" in typed_cells else header.in_file(sheet.measure)
        frame["header"] = frame["header"].astype("category")
    for column in sheet.columns:
        there = column.name in typed_cells
        typed = typed_cells[column.name] if there else pd.Series("", index=typed_cells.index, dtype="str")
        in_file: str | pd.Series = header.in_file(column.name)
        if column.kind == "measure" and "header" in typed_cells:
            in_file = typed_cells["header"]
        _read_column(frame, typed, column, in_file, cells.file, found)
    for name in typed_cells.columns:
        if name not in sheet.names and name not in ("row", "header"):
            _own_column(frame, typed_cells[name], str(name), cells.file, found)
    return Table(frame, cells.file, len(frame) + cells.blank_rows, header, found)


def _says(sheet: Sheet, name: str) -> str:
    column = sheet.column(name)
    return column.says if column else ""


def _read_column(
    frame: pd.DataFrame,
    typed: pd.Series,
    column: Column,
    header: str | pd.Series,
    file: str,
    found: list[pd.DataFrame],
) -> None:
    """Adds one of our columns to `frame` and its conversions to `found`."""
    if column.kind not in ("number", "measure"):
        found.append(unseen_signs(frame, typed, header, file))
    if column.kind in ("number", "measure"):
        read = numbers(typed)
        frame[column.name] = read["value"]
        if column.kind == "measure":
            frame["typed"] = over_distinct(typed, tidy).astype("str")
            frame["code"] = read["code"]
            _flag_codes(frame, read, typed, header, file, found)
        found += flag_conversions(frame, read, typed, header, file)
    elif column.kind == "date":
        # The header tells which it is; of a measured sheet only the value has one header per row.
        by_day = isinstance(header, str) and plain(header).split(" ")[-1] == HEADER
        read = counted(typed) if by_day else dates(typed)
        frame[column.name] = read["value"]
        found += flag_conversions(frame, read, typed, header, file)
    elif column.kind == "choice":
        words = {**column.words, **(RELATIVE_SIDES if column.name == "side" else {})}
        # An unknown word stays as typed: the row stays, and nothing is guessed.
        frame[column.name] = over_distinct(typed, lambda text: words.get(plain(tidy(text)), tidy(text))).astype("str")
        if column.name == "unit":
            return  # units have their own check, with their own advice
        unknown = typed.isin([text for text in typed.unique() if plain(tidy(text)) not in words])
        if unknown.any():
            found.append(
                flag("word not allowed", frame[unknown], file=file, column=header, found=typed[unknown],
                     allowed=", ".join(column.allowed))
            )  # fmt: skip
    else:
        frame[column.name] = over_distinct(typed, tidy).astype("str")


def unseen_signs(frame: pd.DataFrame, typed: pd.Series, header: str | pd.Series, file: str) -> pd.DataFrame:
    """Findings of cells with signs that nobody sees, read without them; numbers have a finding of their own."""
    unseen = [text for text in typed.unique().tolist() if has_unseen(text)]
    if not unseen:
        return no_findings()
    rows = typed.isin(unseen)
    column = header if isinstance(header, str) else header[rows]
    return flag("unseen sign", frame[rows], file=file, column=column, found=texts(typed[rows].map(tidy)))


def _flag_codes(frame, read, typed, header, file, found) -> None:
    blank = (read["code"] != "") & (read["how"] == "")
    if blank.any():
        found.append(flag("blank value", frame[blank], file=file, column=header, allowed=", ".join(NOT_A_NUMBER)))


def flag_conversions(
    frame: pd.DataFrame, read: pd.DataFrame, typed: pd.Series, header: str | pd.Series, file: str
) -> list[pd.DataFrame]:
    """Findings of how cells were read as numbers or dates.

    frame: the rows (with `row` and who they are of). read: what `numbers` or `dates` returned. typed: the cells.
    """
    rules = DATE_RULES if is_datetime64_any_dtype(read["value"]) else NUMBER_RULES
    found: list[pd.DataFrame] = []
    done = set(read["how"].unique())
    for key, rule in rules.items():
        if key not in done:
            continue
        rows = read["how"] == key
        if key == "word":  # a word spelled out as one of the four codes needs no remark
            rows &= ~typed.str.strip().str.lower().isin(NOT_A_NUMBER)
        if not rows.any():
            continue
        if rule in _UNREAD:
            allowed: str | pd.Series = _UNREAD[rule]
        elif key == "word":
            allowed = "read as " + read.loc[rows, "code"]
        elif rules is DATE_RULES:
            allowed = "read as " + read.loc[rows, "value"].dt.strftime("%Y-%m-%d")
        else:
            allowed = "read as " + texts(read.loc[rows, "value"])
        column = header if isinstance(header, str) else header[rows]
        found.append(flag(rule, frame[rows], file=file, column=column, found=texts(typed[rows]), allowed=allowed))
    if rules is not DATE_RULES:
        return found
    remarks = date_remarks(typed)
    for name, rule in (("short", "two-digit year read"), ("timed", "time of day left out")):
        rows = read["value"].notna() & remarks[name]
        if rows.any():
            column = header if isinstance(header, str) else header[rows]
            allowed = "read as " + read.loc[rows, "value"].dt.strftime("%Y-%m-%d")
            found.append(flag(rule, frame[rows], file=file, column=column, found=texts(typed[rows]), allowed=allowed))
    return found


_UNREAD = {
    "comma ambiguous": "one decimal mark in the whole column, no thousands separator",
    "unseen sign in a number": "digits alone",
    "text in a number": "a number, or one of: " + ", ".join(NOT_A_NUMBER),
    "date order mixed": "one order for the whole column; best year-month-day",
    "not a date": "year-month-day",
}


_PLAINLY_READ = ("", "decimal comma", "word", "mixed marks", "other signs")


def _own_column(frame: pd.DataFrame, typed: pd.Series, name: str, file: str, found: list[pd.DataFrame]) -> None:
    """Adds a column of the study's own: numbers where every filled cell is one, text otherwise."""
    read = numbers(typed)
    found.append(unseen_signs(frame, typed, name, file))
    if read["how"].isin(_PLAINLY_READ).all() and read["value"].notna().any():
        found += flag_conversions(frame, read, typed, name, file)
        frame[name] = read["value"]
    else:
        frame[name] = over_distinct(typed, tidy).astype("str")
