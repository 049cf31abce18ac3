"""Files as tables of text: every cell as typed, before anything is read into it."""

import csv
import io
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from xml.etree.ElementTree import ParseError
from zipfile import BadZipFile

import pandas as pd

from outcomes.errors import StudyError
from outcomes.findings import as_text, flag

TEXT_FORMATS = (".csv", ".tsv", ".txt")
FORMATS = (*TEXT_FORMATS, ".xlsx", ".parquet", ".sav", ".dta")
_DELIMITERS = ("\t", ";", ",")
_LINES_LOOKED_AT = 20
_CHARACTERS_LOOKED_AT = 100_000


@dataclass(frozen=True)
class Grid:
    """A table as it lies in a file: cells as text, no header read yet; grid row 0 is row 1 of the file.

    formal: the first row is known to hold the column names (Parquet, SPSS, Stata).
    merged: column spans of merged cells, as (row, first column, last column), all counted from 0.
    """

    file: str
    cells: pd.DataFrame
    formal: bool = False
    merged: tuple[tuple[int, int, int], ...] = ()


def load(path: Path, sheet: str | None = None) -> tuple[Grid, list[pd.DataFrame]]:
    """The cells of one file (of one sheet of a workbook) and what was noted while reading it.

    Raises:
        StudyError: where the file is not what its ending says.
    """
    name = path.name if sheet is None else f"{path.name}, sheet {sheet}"
    try:
        if path.suffix.lower() in TEXT_FORMATS:
            return _text(path, name)
        if path.suffix.lower() == ".xlsx":
            return _workbook(path, name, sheet), []
        return _typed(path, name), []
    except _unreadable() as error:
        if isinstance(error, StudyError):
            raise
        raise StudyError(
            f"{name}: the file cannot be read as {path.suffix.lower()[1:]}: found {error}; allowed is a readable table "
            f"in one of {', '.join(FORMATS)}. Save it again from the program it came from."
        ) from error


def _unreadable() -> tuple[type[Exception], ...]:
    """What the readers raise on a file that is not what its ending says."""
    from pyreadstat import PyreadstatError, ReadstatError

    return (OSError, ValueError, KeyError, csv.Error, BadZipFile, ParseError, PyreadstatError, ReadstatError)


def sheet_names(path: Path) -> list[str]:
    """Names of the sheets of a workbook."""
    from openpyxl import load_workbook

    try:
        book = load_workbook(path, read_only=True)
    except _unreadable() as error:
        raise StudyError(f"{path.name}: not a readable workbook: found {error}. Save it again as .xlsx.") from error
    try:
        return list(book.sheetnames)
    finally:
        book.close()


def _text(path: Path, name: str) -> tuple[Grid, list[pd.DataFrame]]:
    raw = path.read_bytes()
    found: list[pd.DataFrame] = []
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = raw.decode("utf-16")
        found.append(flag("encoding converted", file=name, found="UTF-16", allowed="UTF-8"))
    else:
        try:
            text = raw.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = raw.decode("cp1252", errors="replace")
            found.append(flag("encoding converted", file=name, found="Windows (Western European)", allowed="UTF-8"))
    if "\x00" in text:
        raise StudyError(f"{name}: this is not a text table. Save it again as .csv, or give it its right file ending.")
    lines = [line for line in text[:_CHARACTERS_LOOKED_AT].splitlines() if line.strip()][:_LINES_LOOKED_AT]
    # The title lines above a header have no delimiter: the line with the most decides.
    often = {mark: max((line.count(mark) for line in lines), default=0) for mark in _DELIMITERS}
    delimiter = max(_DELIMITERS, key=lambda mark: often[mark]) if path.suffix.lower() != ".tsv" else "\t"
    if delimiter == ";":
        found.append(flag("semicolons between cells", file=name, found=";", allowed=", or tab"))
    if not text.strip():
        return Grid(name, pd.DataFrame()), found
    try:
        cells = pd.read_csv(
            io.StringIO(text),
            sep=delimiter,
            header=None,
            dtype="str",
            keep_default_na=False,
            na_filter=False,
            skip_blank_lines=False,
        )
    except pd.errors.ParserError:  # a row with more cells than the first, or an unclosed quotation mark
        rows = list(csv.reader(io.StringIO(text), delimiter=delimiter))
        longest = max(len(row) for row in rows)
        width = Counter(len(row) for row in rows).most_common(1)[0][0]
        cells = pd.DataFrame([row + [""] * (longest - len(row)) for row in rows], dtype="str")
        longer = pd.DataFrame({"row": [n + 1 for n, row in enumerate(rows) if len(row) > width]})
        found.append(flag("too many cells in a row", longer, file=name, allowed=f"{width} cells"))
    return Grid(name, cells.fillna("")), found


def _workbook(path: Path, name: str, sheet: str | None) -> Grid:
    from openpyxl import load_workbook

    book = load_workbook(path, data_only=True)
    page = book[sheet] if sheet is not None else book.worksheets[0]
    rows = [[_cell(value) for value in row] for row in page.iter_rows(values_only=True)]
    merged = tuple((span.min_row - 1, span.min_col - 1, span.max_col - 1) for span in page.merged_cells.ranges)
    book.close()
    return Grid(name, pd.DataFrame(rows, dtype="str").fillna(""), merged=merged)


def _typed(path: Path, name: str) -> Grid:
    """Formats that know their column names and types; labelled codes of SPSS and Stata come as their labels."""
    if path.suffix.lower() == ".parquet":
        frame = pd.read_parquet(path)
    else:
        import pyreadstat

        read = pyreadstat.read_sav if path.suffix.lower() == ".sav" else pyreadstat.read_dta
        frame, _ = read(str(path), apply_value_formats=False)
        labelled, facts = read(str(path), apply_value_formats=True)
        for column in facts.variable_value_labels:
            # A measured number keeps its number: its labels ("none", "partial", "full") describe the levels.
            if column.lower() not in ("value", "score", "total", "degrees", "trial", "age"):
                frame[column] = labelled[column].astype(object)
    body = pd.DataFrame({column: frame[column].map(_cell).astype("str") for column in frame}, columns=frame.columns)
    head = pd.DataFrame([[str(column) for column in frame.columns]], columns=frame.columns, dtype="str")
    cells = pd.concat([head, body], ignore_index=True)
    return Grid(name, cells.set_axis(range(cells.shape[1]), axis=1), formal=True)


def _cell(value: object) -> str:
    """A typed cell as text: dates year first, whole numbers without a decimal point."""
    if value is None or value is pd.NaT:
        return ""
    if hasattr(value, "isoformat"):
        text = value.isoformat()
        return text[:10] if text[10:] in ("", "T00:00:00") else text
    if isinstance(value, bool):
        return "yes" if value else "no"
    return as_text(float(value)) if isinstance(value, (int, float)) else as_text(value)
