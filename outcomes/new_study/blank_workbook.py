"""The workbook of a new study: a page per sheet, with lists to choose from and limits that warn."""

from collections.abc import Sequence
from pathlib import Path

from openpyxl import Workbook
from openpyxl.comments import Comment
from openpyxl.styles import Alignment, Font
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet

from outcomes.new_study.forms import Field, Form
from outcomes.spreadsheet_cells import like_a_formula

_ROWS = 2000  # rows below the header that get a list or a limit
_LONGEST_LIST = 255  # characters a list inside a cell rule may have; longer ones stand on their own page
_LONGEST_PAGE_NAME = 31
LISTS = "lists"
DICTIONARY = "data_dictionary"


def write_workbook(path: Path, forms: Sequence[Form], dictionary: Sequence[Sequence[str]]) -> None:
    """Writes the forms, each on its own page, with the data dictionary and the page of long lists behind them."""
    book = Workbook()
    book.remove(book.active)
    lists = _Lists()
    for form in forms:
        page = book.create_sheet(form.name[:_LONGEST_PAGE_NAME])
        _fill(page, form, lists)
    page = book.create_sheet(DICTIONARY)
    for row in dictionary:
        page.append(list(row))
    _head(page, [18, 24, 60, 10, 50, 12])
    lists.write(book.create_sheet(LISTS))
    for page in book.worksheets:
        _as_text(page)
    book.save(path)


def _as_text(page: Worksheet) -> None:
    """Texts like formulas are marked as texts: what the program writes is never computed."""
    for row in page.iter_rows():
        for cell in row:
            if isinstance(cell.value, str) and like_a_formula(cell.value):
                cell.data_type, cell.quotePrefix = "s", True


class _Lists:
    """Lists too long for a cell rule; each becomes a column of the page of lists."""

    def __init__(self) -> None:
        self.known: list[tuple[str, ...]] = []

    def formula(self, choices: tuple[str, ...]) -> str:
        inside = ",".join(choices).replace('"', '""')
        if len(inside) <= _LONGEST_LIST and not any("," in choice for choice in choices):
            return f'"{inside}"'
        if choices not in self.known:
            self.known.append(choices)
        letter = get_column_letter(self.known.index(choices) + 1)
        return f"{LISTS}!${letter}$1:${letter}${len(choices)}"

    def write(self, page: Worksheet) -> None:
        for column, choices in enumerate(self.known, 1):
            for row, choice in enumerate(choices, 1):
                page.cell(row, column, choice)
        page.sheet_state = "hidden"


def _fill(page: Worksheet, form: Form, lists: _Lists) -> None:
    page.append([field.name for field in form.fields])
    for cells in form.rows:
        page.append(list(cells))
    _head(page, [max(12, min(28, len(field.name) + 2)) for field in form.fields])
    for number, field in enumerate(form.fields, 1):
        letter = get_column_letter(number)
        about = f"{field.says}. Allowed: {field.allowed}" + (f" ({field.unit})" if field.unit else "")
        page.cell(1, number).comment = Comment(about, "data dictionary", height=120, width=320)
        rule = _rule(form, field, lists)
        if rule is not None:
            rule.add(f"{letter}2:{letter}{_ROWS + 1}")
            page.add_data_validation(rule)
        if field.kind == "date":
            for line in range(2, len(form.rows) + 2):
                page.cell(line, number).number_format = "yyyy-mm-dd"


def _head(page: Worksheet, widths: Sequence[int]) -> None:
    for number, width in enumerate(widths, 1):
        cell = page.cell(1, number)
        cell.font = Font(bold=True)
        cell.alignment = Alignment(wrap_text=True, vertical="top")
        page.column_dimensions[get_column_letter(number)].width = width
    page.freeze_panes = "A2"


def _rule(form: Form, field: Field, lists: _Lists) -> DataValidation | None:
    """A list to choose from, or limits. Limits only warn: a word for a missing number must be possible."""
    if field.name == "participant" and form.name != "participants":
        rule = DataValidation(type="list", formula1=f"participants!$A$2:$A${_ROWS + 1}", errorStyle="warning")
        rule.error = "This code is not in the sheet participants."
    elif field.choices:
        rule = DataValidation(type="list", formula1=lists.formula(field.choices))
        rule.error = f"Allowed: {field.allowed}"[:_LONGEST_LIST]
    elif field.kind == "number" and field.low is not None:
        bounded = field.high is not None and field.high != float("inf")
        rule = DataValidation(
            type="decimal",
            operator="between" if bounded else "greaterThanOrEqual",
            formula1=str(field.low),
            formula2=str(field.high) if bounded else None,
            errorStyle="warning",
        )
        rule.error = f"Usually {field.allowed}. A word is right where there is no number: not done, unable, refused."
    else:
        return None
    rule.errorTitle = field.name[:_LONGEST_PAGE_NAME]
    rule.allow_blank = True
    rule.showErrorMessage = True
    return rule
