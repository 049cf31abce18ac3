"""Files as tables of text: every cell as typed, before anything is read into it."""

import io
import zipfile
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from outcomes.errors import StudyError
from outcomes.findings import as_text, flag
from outcomes.reading.archives import check_cells, check_workbook
from outcomes.reading.quoted_lines import QuotedLines, quoted_lines

TEXT_FORMATS = (".csv", ".tsv", ".txt")
FORMATS = (*TEXT_FORMATS, ".xlsx", ".parquet", ".sav", ".dta")
DEEPEST_HEADER = 6  # rows looked at for the column names: titles and merged group headings may stand above them
_DELIMITERS = ("\t", ";", ",")
_LINES_LOOKED_AT = 20
_CHARACTERS_LOOKED_AT = 100_000
_LARGEST_TEXT = 1_000_000_000  # bytes
_SPARSE = 1_000_000  # cells of a page, above which stray cells far out are looked for


@dataclass(frozen=True)
class Grid:
    """A table as it lies in a file: cells as text, no header read yet; grid row 0 is row 1 of the file.

    formal: the first row is known to hold the column names (Parquet, SPSS, Stata).
    merged: column spans of merged cells, as (row, first column, last column), all counted from 0.
    lines: of the file, or rows of the page. joined: lines that continue a cell of the line before.
    widths: cells in each row of a text as they were typed; empty where every row has the same.
    before: rows of the table that stand in the file before these, where a file is read in parts.
    """

    file: str
    cells: pd.DataFrame
    formal: bool = False
    merged: tuple[tuple[int, int, int], ...] = ()
    lines: int = 0
    joined: int = 0
    widths: tuple[int, ...] = ()
    before: int = 0

    @cached_property
    def filled(self) -> NDArray[np.bool_]:
        """Which cells hold more than blanks: rows x columns."""
        columns = [(self.cells[name].str.strip() != "").to_numpy(dtype=bool) for name in self.cells]
        return np.column_stack(columns) if columns else np.zeros(self.cells.shape, dtype=bool)

    @cached_property
    def top(self) -> list[list[str]]:
        """The cells of the first rows, in which the header is looked for."""
        return self.cells.head(DEEPEST_HEADER).to_numpy(dtype=object).tolist()


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
            return _workbook(path, name, sheet)
        return _typed(path, name), []
    except StudyError:
        raise
    except Exception as error:  # a damaged file leads its reader anywhere: no list of its errors would be whole
        raise StudyError(
            f"{name}: the file cannot be read as {path.suffix.lower()[1:]}: found {_said(error)}; allowed is a "
            f"readable table in one of {', '.join(FORMATS)}. Save it again from the program it came from."
        ) from error


def sheet_names(path: Path) -> list[str]:
    """Names of the sheets of a workbook."""
    from openpyxl import load_workbook

    try:
        check_workbook(path, path.name)
        book = load_workbook(path, read_only=True)
        try:
            return list(book.sheetnames)
        finally:
            book.close()
    except StudyError:
        raise
    except Exception as error:  # as in `load`
        raise StudyError(
            f"{path.name}: not a readable workbook: found {_said(error)}; allowed is a workbook as a spreadsheet "
            "program writes it. Save it again as .xlsx."
        ) from error


def _said(error: Exception) -> str:
    """What a reader says, in one line that is not too long."""
    text = " ".join(str(error).split()) or type(error).__name__
    return text if len(text) <= 200 else f"{text[:200]}..."


def _text(path: Path, name: str) -> tuple[Grid, list[pd.DataFrame]]:
    if path.stat().st_size > _LARGEST_TEXT:
        raise StudyError(
            f"{name}: the file is too large: found {path.stat().st_size} bytes, allowed {_LARGEST_TEXT}. "
            "Is it a table of a study?"
        )
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
        raise StudyError(
            f"{name}: this is not a text table: found zero bytes, allowed is text. Save it again as .csv, or give it "
            "its right file ending."
        )
    lines = [line for line in text[:_CHARACTERS_LOOKED_AT].splitlines() if line.strip()][:_LINES_LOOKED_AT]
    # The title lines above a header have no delimiter: the line with the most decides.
    often = {mark: max((line.count(mark) for line in lines), default=0) for mark in _DELIMITERS}
    delimiter = max(_DELIMITERS, key=lambda mark: often[mark]) if path.suffix.lower() != ".tsv" else "\t"
    if delimiter == ";":
        found.append(flag("semicolons between cells", file=name, found=";", allowed=", or tab"))
    if "\ufffd" in text:
        lost = f"{text.count(chr(0xFFFD))} replaced"
        found.append(flag("characters unreadable", file=name, found=lost, allowed="text in UTF-8"))
    if not text.strip():
        return Grid(name, pd.DataFrame(), lines=len(text.splitlines()), joined=0), found
    rows = quoted_lines(text, delimiter)
    check_cells(len(rows.widths), max(rows.widths), name)
    found += _quotes_told(rows, name)
    return Grid(name, _cells_of(text, rows, delimiter), lines=rows.lines, joined=rows.joined, widths=rows.widths), found


def _cells_of(text: str, rows: QuotedLines, delimiter: str) -> pd.DataFrame:
    """The cells of a text, short rows filled up with blanks; as many rows as were counted before."""
    width = max(rows.widths)
    if rows.cells is not None:
        return pd.DataFrame([row + [""] * (width - len(row)) for row in rows.cells], dtype="str")
    cells = pd.read_csv(
        io.StringIO(text),
        sep=delimiter,
        header=None,
        names=range(width),
        index_col=False,
        dtype="str",
        keep_default_na=False,
        na_filter=False,
        skip_blank_lines=False,
    ).fillna("")
    if len(cells) != len(rows.widths):
        raise ValueError(f"{len(cells)} rows in {len(rows.widths)} lines")
    return cells


def _quotes_told(rows: QuotedLines, name: str) -> list[pd.DataFrame]:
    def at(numbers) -> pd.DataFrame:
        return pd.DataFrame({"row": [number + 1 for number in numbers]})

    opened = [f"opened in line {quote.line}, {quote.why}" for quote in rows.opened]
    return [
        flag("quotation mark never closed", at(quote.row for quote in rows.opened), file=name,
             found=pd.Series(opened, dtype="str"), allowed="a mark at both ends of a cell"),
        flag("quotation mark inside a cell", at(rows.odd), file=name),
        flag("line break in a cell", at(rows.broken_lines), file=name),
    ]  # fmt: skip


def _workbook(path: Path, name: str, sheet: str | None) -> tuple[Grid, list[pd.DataFrame]]:
    from openpyxl import load_workbook

    check_workbook(path, name)
    book = load_workbook(path, data_only=True)
    page = book[sheet] if sheet is not None else book.worksheets[0]
    height, width = _filled(page)
    check_cells(height, width, name)
    rows = [[_cell(value) for value in row] for row in page.iter_rows(1, height, 1, width, True)] if height else []
    merged = tuple((span.min_row - 1, span.min_col - 1, span.max_col - 1) for span in page.merged_cells.ranges)
    found = _without_result(path, page, name) if _has_formulas(path) else []
    book.close()
    return Grid(name, pd.DataFrame(rows, dtype="str").fillna(""), merged=merged, lines=len(rows)), found


def _filled(page) -> tuple[int, int]:
    """Height and width up to the last filled cell; a page may be said to end at the last cell that was ever touched."""
    height, width = page.max_row or 0, page.max_column or 0
    if height * width <= _SPARSE:
        return height, width
    filled = [(cell.row, cell.column) for cell in page._cells.values() if cell.value is not None]
    return max((row for row, _ in filled), default=0), max((column for _, column in filled), default=0)


def _has_formulas(path: Path) -> bool:
    with zipfile.ZipFile(path) as book:
        pages = [part for part in book.namelist() if part.startswith("xl/worksheets/") and part.endswith(".xml")]
        return any(b"<f>" in content or b"<f " in content for content in map(book.read, pages))


def _without_result(path: Path, page, name: str) -> list[pd.DataFrame]:
    """Formulas that no spreadsheet program has computed: their cells look blank, and are not."""
    from openpyxl import load_workbook

    book = load_workbook(path, data_only=False)
    typed = book[page.title]
    places = [
        (cell.row, cell.column_letter)
        for row in typed.iter_rows()
        for cell in row
        if cell.data_type == "f" and page[cell.coordinate].value is None
    ]
    book.close()
    rows = pd.DataFrame({"row": [row for row, _ in places]})
    columns = pd.Series([f"column {letter}" for _, letter in places], dtype="str")
    return [flag("formula without a result", rows, file=name, column=columns, allowed="a value")]


def _typed(path: Path, name: str) -> Grid:
    """Formats that know their column names and types; labelled codes of SPSS and Stata come as their labels."""
    if path.suffix.lower() == ".parquet":
        from pyarrow.parquet import read_metadata

        facts = read_metadata(path)
        check_cells(facts.num_rows, facts.num_columns, name)
        frame = pd.read_parquet(path)
    else:
        import pyreadstat

        read = pyreadstat.read_sav if path.suffix.lower() == ".sav" else pyreadstat.read_dta
        _, facts = read(str(path), metadataonly=True)
        check_cells(facts.number_rows or 0, facts.number_columns or 0, name)
        frame, _ = read(str(path), apply_value_formats=False)
        labelled, facts = read(str(path), apply_value_formats=True)
        for column in facts.variable_value_labels:
            # A measured number keeps its number: its labels ("none", "partial", "full") describe the levels.
            if column.lower() not in ("value", "score", "total", "degrees", "trial", "age"):
                frame[column] = labelled[column].astype(object)
    return typed_grid(frame, name)


def typed_grid(frame: pd.DataFrame, name: str, before: int = 0) -> Grid:
    """A frame with typed columns as a grid of text under its names."""
    body = pd.DataFrame({column: _texts(frame[column]) for column in frame}, columns=frame.columns)
    head = pd.DataFrame([[str(column) for column in frame.columns]], columns=frame.columns, dtype="str")
    cells = pd.concat([head, body], ignore_index=True)
    cells = cells.set_axis(range(cells.shape[1]), axis=1)
    return Grid(name, cells, formal=True, lines=len(cells), before=before)


def _texts(column: pd.Series) -> pd.Series:
    """Every cell of a typed column as text; each distinct value is written once."""
    if column.dtype == object or column.dtype == "boolean":  # True and 1 are one value to a table of distinct ones
        return column.map(_cell).astype("str")
    codes, distinct = pd.factorize(column)
    if codes.min(initial=0) >= 0 and isinstance(column.dtype, pd.StringDtype):
        return column.astype("str")  # texts are texts already
    texts = pa.array([*map(_cell, distinct), ""], type=pa.large_string())
    return pd.Series(texts.take(pa.array(np.where(codes < 0, len(distinct), codes))), index=column.index, dtype="str")


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
