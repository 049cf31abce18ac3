"""What an input file holds: pages of cells with everything that carries meaning, and the accounting of each cell."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from openpyxl.utils import get_column_letter


@dataclass
class Cell:
    """One cell that holds something. Rows and columns count from 1.

    text: as a person reads it (dates year first). formula: what is typed where the value is computed; `unsaved` where
    the file keeps no value for it. fill: colour of the cell, "" for none. struck: struck through.
    """

    row: int
    column: int
    value: object
    text: str
    formula: str = ""
    unsaved: bool = False
    comment: str = ""
    struck: bool = False
    fill: str = ""
    date_format: str = ""


@dataclass(frozen=True)
class Variable:
    """What a statistics file or a data dictionary says of a column.

    codes: code as text -> label; missing: the codes that are declared as missing. low, high: declared limits.
    """

    label: str = ""
    codes: Mapping[str, str] = field(default_factory=dict)
    missing: tuple[str, ...] = ()
    unit: str = ""
    kind: str = ""
    form: str = ""
    low: float | None = None
    high: float | None = None


@dataclass
class Page:
    """A sheet of a workbook, or a whole file that has no sheets."""

    file: str
    sheet: str
    cells: dict[tuple[int, int], Cell]
    hidden: bool = False
    hidden_rows: frozenset[int] = frozenset()
    hidden_columns: frozenset[int] = frozenset()
    merged: tuple[tuple[int, int, int, int], ...] = ()  # first row, first column, last row, last column
    fills: dict[tuple[int, int], str] = field(default_factory=dict)  # colours of blank cells
    variables: dict[int, Variable] = field(default_factory=dict)  # of a statistics file, by column
    formal: bool = False  # row 1 is known to hold the names of the columns
    notes: list[str] = field(default_factory=list)  # how the file was read
    shared: bool = False  # another file has a sheet of this name
    people: str = ""  # the heading of the participants' codes, where somebody had to name it

    @property
    def name(self) -> str:
        """The sheet, or the file where it has none; both where two files have a sheet of this name."""
        return f"{self.file} {self.sheet}".strip() if self.shared else self.sheet or self.file

    @property
    def subject(self) -> str:
        """What the page is about, going by its name: the sheet, or the file without its ending."""
        return self.sheet or self.file.rsplit(".", 1)[0]

    @property
    def last_row(self) -> int:
        return max((row for row, _ in self.cells), default=0)

    @property
    def last_column(self) -> int:
        return max((column for _, column in self.cells), default=0)

    def text(self, row: int, column: int) -> str:
        """The text of a cell, "" where it is blank."""
        cell = self.cells.get((row, column))
        return cell.text if cell else ""

    def row(self, row: int) -> Iterator[Cell]:
        for column in range(1, self.last_column + 1):
            if cell := self.cells.get((row, column)):
                yield cell

    def address(self, row: int, column: int) -> str:
        """Where a cell is, as a spreadsheet names it."""
        return f"{self.name}!{get_column_letter(column)}{row}"


class Ledger:
    """What became of every cell that holds something: its status, and why.

    Statuses: "converted", "key", "code", "heading", "remark", "held" (waits for an answer), "set aside", "finding".
    """

    def __init__(self, pages: tuple[Page, ...]):
        self.pages = pages
        self.entries: dict[tuple[int, int, int], tuple[str, str]] = {}
        self.number = {id(page): number for number, page in enumerate(pages)}

    def put(self, page: Page, row: int, column: int, status: str, why: str = "", *, over: bool = True) -> None:
        """Notes a status; cells that hold nothing are passed over. over: replaces an earlier status."""
        if (row, column) in page.cells:
            key = (self.number[id(page)], row, column)
            if over or key not in self.entries:
                self.entries[key] = (status, why)

    def status(self, page: Page, row: int, column: int) -> str:
        return self.entries.get((self.number[id(page)], row, column), ("", ""))[0]

    def close(self) -> None:
        """Every cell that nobody has accounted for becomes a finding of its own."""
        for page in self.pages:
            for row, column in page.cells:
                self.put(page, row, column, "finding", "not understood: no part of a table that was found", over=False)

    def rows(self) -> list[dict[str, str]]:
        """One record per cell, in the order of the files."""
        lines = []
        for (number, row, column), (status, why) in sorted(self.entries.items()):
            page = self.pages[number]
            cell = page.cells[row, column]
            lines.append(
                {"file": page.file, "cell": page.address(row, column), "found": cell.text or cell.formula}
                | {"status": status, "why": why}
            )
        return lines

    def counts(self) -> dict[str, int]:
        """How many cells have each status."""
        tally: dict[str, int] = {}
        for status, _ in self.entries.values():
            tally[status] = tally.get(status, 0) + 1
        return tally
