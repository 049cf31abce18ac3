"""Opening the input files: every sheet with its comments, colours, hidden rows, formulas and labels."""

import zipfile
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import date, datetime, time
from pathlib import Path

import pandas as pd

from outcomes.errors import StudyError
from outcomes.importing.opening.exchange import exchange_pages
from outcomes.importing.opening.pages import Cell, Page, Variable
from outcomes.reading.files import TEXT_FORMATS, load

FORMATS = (*TEXT_FORMATS, ".xlsx", ".xlsm", ".parquet", ".sav", ".zsav", ".dta", ".xml", ".xpt", ".sas7bdat")
_NO_COLOUR = ("00000000", "00FFFFFF", "FFFFFFFF")
_TOO_MANY_CELLS = 5_000_000
_TEXT_BLANKS = {"\u00a0": " ", "\u200b": "", "\ufeff": ""}


def open_files(files: Sequence[str | Path]) -> tuple[Page, ...]:
    """The pages of the input files, in their order.

    Raises:
        StudyError: a file is missing, of another kind, or not what its ending says.
    """
    if not files:
        raise StudyError(f"No file to import: found none, allowed one or more of {', '.join(FORMATS)}. Name the files.")
    pages: list[Page] = []
    for name in files:
        path = Path(name)
        if not path.is_file():
            raise StudyError(f"{path}: the file to import is missing. Correct its name.")
        ending = path.suffix.lower()
        if ending == ".xls":
            raise StudyError(f"{path.name}: the old workbook format .xls. Save it as .xlsx and import that.")
        if ending not in FORMATS:
            raise StudyError(
                f"{path.name}: found {ending or 'no ending'}, allowed {', '.join(FORMATS)}. Save it as one."
            )
        pages += _open(path, ending)
    names = Counter(page.name for page in pages)
    for page in pages:
        page.shared = names[page.sheet or page.file] > 1
    return tuple(pages)


def _open(path: Path, ending: str) -> list[Page]:
    try:
        if ending in (".xlsx", ".xlsm"):
            return _workbook(path)
        if ending in (".sav", ".zsav", ".dta", ".xpt", ".sas7bdat"):
            return [_statistics(path, ending)]
        if ending == ".xml":
            return exchange_pages(path)
        if ending == ".parquet":
            return [_parquet(path)]
        grid, found = load(path)
        rows = grid.cells.to_numpy(dtype=object).tolist() if len(grid.cells) else []
        page = _page(path.name, "", rows)
        page.notes = [str(note["rule"].iloc[0]) for note in found if len(note)]
        return [page]
    except StudyError:
        raise
    except RecursionError as error:  # pragma: no cover - a file made to harm
        raise StudyError(f"{path.name}: the file is nested too deeply to be read.") from error
    except Exception as error:
        # Readers of four formats raise whatever they like on damaged files; what they say is passed on, none is hidden.
        raise StudyError(
            f"{path.name}: the file cannot be read: {type(error).__name__}: {' '.join(str(error).split())[:200]}. "
            "Open it in the program it came from and save it again."
        ) from error


def _page(file: str, sheet: str, rows: Sequence[Sequence[object]]) -> Page:
    cells = {}
    for number, row in enumerate(rows, 1):
        for column, value in enumerate(row, 1):
            text = cell_text(value)
            if text:
                cells[number, column] = Cell(number, column, value, text)
    return Page(file, sheet, cells)


def cell_text(value: object) -> str:
    """A cell as a person reads it: dates year first, whole numbers without a decimal point."""
    if value is None or value is pd.NaT:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (datetime, date)):
        text = value.isoformat()
        return text[:10] if text[10:] in ("", "T00:00:00") else text
    if isinstance(value, time):
        return value.isoformat("minutes")
    if isinstance(value, float):
        if value != value:
            return ""
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    text = str(value)
    for mark, plain in _TEXT_BLANKS.items():
        text = text.replace(mark, plain)
    return text if text.strip() else ""


def _workbook(path: Path) -> list[Page]:
    from openpyxl import load_workbook

    if not zipfile.is_zipfile(path):
        raise StudyError(f"{path.name}: this is no workbook. Save it again as .xlsx.")
    book, stored = load_workbook(path), load_workbook(path, data_only=True)
    pages = []
    for sheet in book.worksheets:
        if (sheet.max_row or 0) * (sheet.max_column or 0) > _TOO_MANY_CELLS:
            raise StudyError(
                f"{path.name}, sheet {sheet.title}: {sheet.max_row} rows by {sheet.max_column} columns. Delete the "
                f"empty "
                "rows and columns that carry only formatting, and save it again."
            )
        values = stored[sheet.title]
        cells, fills = {}, {}
        # Only cells that exist: a stray cell in the last row makes no million blanks.
        for (row, column), entry in sorted(sheet._cells.items()):
            fill = _colour(entry)
            formula = entry.value if entry.data_type == "f" else None
            value = values.cell(row, column).value if formula is not None else entry.value
            text = cell_text(value)
            if not text and formula is None:
                if fill:
                    fills[row, column] = fill
                if entry.comment is None:
                    continue
            cells[row, column] = Cell(
                row,
                column,
                value,
                text,
                formula=str(getattr(formula, "text", formula)) if formula is not None else "",
                unsaved=formula is not None and not text,
                comment=" ".join(entry.comment.text.split()) if entry.comment else "",
                struck=bool(entry.font and entry.font.strike),
                fill=fill,
                date_format=str(entry.number_format) if entry.is_date else "",
            )
        pages.append(
            Page(
                path.name,
                sheet.title,
                cells,
                hidden=sheet.sheet_state != "visible",
                hidden_rows=frozenset(row for row, facts in sheet.row_dimensions.items() if facts.hidden),
                hidden_columns=_hidden_columns(sheet),
                merged=tuple((s.min_row, s.min_col, s.max_row, s.max_col) for s in sheet.merged_cells.ranges),
                fills=fills,
            )
        )
    return pages


def _hidden_columns(sheet) -> frozenset[int]:
    hidden: set[int] = set()
    for facts in sheet.column_dimensions.values():
        if facts.hidden and facts.min:
            hidden.update(range(facts.min, min(facts.max or facts.min, facts.min + 1000) + 1))
    return frozenset(hidden)


def _colour(entry) -> str:
    fill = entry.fill
    if fill is None or fill.fill_type is None:
        return ""
    colour = fill.fgColor
    if colour.type == "rgb":
        return "" if colour.rgb in _NO_COLOUR else str(colour.rgb)[-6:]
    return f"{colour.type} {getattr(colour, colour.type)} {colour.tint}"


def _statistics(path: Path, ending: str) -> Page:
    import pyreadstat

    readers: dict[str, Callable] = {
        ".sav": pyreadstat.read_sav,
        ".zsav": pyreadstat.read_sav,
        ".dta": pyreadstat.read_dta,
        ".xpt": pyreadstat.read_xport,
        ".sas7bdat": pyreadstat.read_sas7bdat,
    }
    # With user_missing, or the kinds of missing answers are lost.
    options = {"user_missing": True} if ending in (".sav", ".zsav", ".dta") else {}
    frame, facts = readers[ending](str(path), **options)
    names = list(map(str, frame.columns))
    page = _page(path.name, "", [names, *frame.astype(object).to_numpy(dtype=object).tolist()])
    page.formal = True
    for number, name in enumerate(frame.columns, 1):
        labels = {_code(code): str(label) for code, label in (facts.variable_value_labels or {}).get(name, {}).items()}
        declared = _declared(facts, name, frame[name], labels)
        label = (facts.column_names_to_labels or {}).get(name) or ""
        page.variables[number] = Variable(label, labels, declared)
    return page


def _declared(facts, name: str, column: pd.Series, labels: dict[str, str]) -> tuple[str, ...]:
    """Codes that the file declares as missing."""
    codes: list[str] = [_code(code) for code in (facts.missing_user_values or {}).get(name, [])]
    present = [*pd.unique(column.dropna()), *map(_number, labels)]
    for span in (facts.missing_ranges or {}).get(name, []):
        low, high = span["lo"], span["hi"]
        for value in present:
            if isinstance(value, str) or isinstance(low, str):
                inside = str(value).strip() == str(low).strip()
            else:
                inside = value is not None and low <= value <= high
            if inside:
                codes.append(_code(value))
    return tuple(dict.fromkeys(codes))


def _code(value: object) -> str:
    return cell_text(float(value) if isinstance(value, (int, float)) else value).strip()


def _number(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text


def _parquet(path: Path) -> Page:
    frame = pd.read_parquet(path)
    page = _page(path.name, "", [list(map(str, frame.columns)), *frame.astype(object).to_numpy(dtype=object).tolist()])
    page.formal = True
    return page
