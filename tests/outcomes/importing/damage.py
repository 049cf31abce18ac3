"""Damaged workbooks: whatever is done to one, every cell that holds something is accounted for and nothing breaks.

    python -m tests.outcomes.importing.damage --workbooks 500 --seed 1

A damaged file may be refused with a StudyError that says why; any other error is a failure.
"""

import argparse
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import openpyxl
from openpyxl.comments import Comment
from openpyxl.styles import Font, PatternFill

from outcomes.errors import StudyError
from outcomes.importing import convert, propose
from tests.outcomes.importing.layouts import LANGUAGES, LAYOUTS, invent

_WORDS = (
    "999",
    "n/a",
    "-",
    "refused",
    "4O",
    "12 (tired)",
    "3-4",
    "?",
    "did not come",
    "18/17/19",
    "1:12",
    "=A1+B2",
    "x" * 300,
    "Mean",
    "T1",
    "left",
    "31.02.2024",
    "13/13/2023",
    "1,2,3",
    "-9",
    "1e400",
    "NaN",
    "\u2212 3",
    "\u200b",
    "<b>5</b>",
    "½",
)


def _random_cell(sheet, rng: random.Random):
    return sheet.cell(rng.randint(1, sheet.max_row), rng.randint(1, sheet.max_column))


def _words(book, rng: random.Random) -> None:
    for _ in range(rng.randint(1, 12)):
        cell = _random_cell(rng.choice(book.worksheets), rng)
        if not isinstance(cell, openpyxl.cell.cell.MergedCell):
            cell.value = rng.choice(_WORDS)


def _blanks(book, rng: random.Random) -> None:
    sheet = rng.choice(book.worksheets)
    for _ in range(rng.randint(1, 30)):
        cell = _random_cell(sheet, rng)
        if not isinstance(cell, openpyxl.cell.cell.MergedCell):
            cell.value = None


def _rows(book, rng: random.Random) -> None:
    sheet = rng.choice(book.worksheets)
    row = rng.randint(1, sheet.max_row)
    sheet.insert_rows(row, rng.randint(1, 3)) if rng.random() < 0.5 else sheet.delete_rows(row)


def _columns(book, rng: random.Random) -> None:
    sheet = rng.choice(book.worksheets)
    column = rng.randint(1, sheet.max_column)
    sheet.insert_cols(column) if rng.random() < 0.5 else sheet.delete_cols(column)


def _marks(book, rng: random.Random) -> None:
    sheet = rng.choice(book.worksheets)
    for _ in range(rng.randint(1, 6)):
        cell = _random_cell(sheet, rng)
        if isinstance(cell, openpyxl.cell.cell.MergedCell):
            continue
        kind = rng.randrange(4)
        if kind == 0:
            cell.fill = PatternFill("solid", fgColor=rng.choice(("FFFF00", "BFBFBF")))
        elif kind == 1:
            cell.font = Font(strike=True)
        elif kind == 2:
            cell.comment = Comment(rng.choice(("repeated: 33", "video", "?")), "x")
        else:
            sheet.row_dimensions[cell.row].hidden = True


def _merges(book, rng: random.Random) -> None:
    sheet = rng.choice(book.worksheets)
    row, column = rng.randint(1, sheet.max_row), rng.randint(1, sheet.max_column)
    sheet.merge_cells(
        start_row=row, end_row=row + rng.randint(0, 2), start_column=column, end_column=column + rng.randint(1, 3)
    )


def _twice(book, rng: random.Random) -> None:
    sheet = rng.choice(book.worksheets)
    copied = [cell.value for cell in sheet[rng.randint(1, sheet.max_row)]]
    sheet.append(copied)


def _sheets(book, rng: random.Random) -> None:
    sheet = rng.choice(book.worksheets)
    copy = book.copy_worksheet(sheet)
    copy.sheet_state = rng.choice(("visible", "hidden"))


def _shuffled(book, rng: random.Random) -> None:
    sheet = rng.choice(book.worksheets)
    row = rng.randint(1, sheet.max_row)
    cells = [cell for cell in sheet[row] if not isinstance(cell, openpyxl.cell.cell.MergedCell)]
    values = [cell.value for cell in cells]
    rng.shuffle(values)
    for cell, value in zip(cells, values, strict=True):
        cell.value = value


HARMS: tuple[Callable, ...] = (_words, _blanks, _rows, _columns, _marks, _merges, _twice, _sheets, _shuffled)


def damaged(seed: int, folder: Path) -> Path:
    """A workbook of an invented study with one to four damages."""
    rng = random.Random(seed)
    names = [name for name, (_, ending) in LAYOUTS.items() if ending == ".xlsx"]
    write, ending = LAYOUTS[rng.choice(names)]
    path = write(
        invent(seed, rng.choice(list(LANGUAGES)), people=rng.randint(2, 6)), folder / f"damaged_{seed}{ending}"
    )
    book = openpyxl.load_workbook(path)
    for harm in rng.choices(HARMS, k=rng.randint(1, 4)):
        harm(book, rng)
    book.save(path)
    if rng.random() < 0.05:  # a file that is cut off
        path.write_bytes(path.read_bytes()[: rng.randint(0, 4000)])
    return path


def filled_cells(path: Path) -> int:
    """How many cells of a workbook hold something, counted without the import."""
    book = openpyxl.load_workbook(path)
    marks = "\u200b\ufeff"
    return sum(
        cell.comment is not None or (cell.value is not None and bool(str(cell.value).strip().strip(marks).strip()))
        for sheet in book.worksheets
        for row in sheet.iter_rows()
        for cell in row
        if not isinstance(cell, openpyxl.cell.cell.MergedCell)
    )


def outcome_of(seed: int, folder: Path) -> str:
    """ "accounted", "refused", or what went wrong."""
    path = damaged(seed, folder)
    try:
        proposal = propose([path])
        convert(proposal, folder / f"study_{seed}")
    except StudyError:
        return "refused"
    except Exception as error:
        return f"seed {seed}: {type(error).__name__}: {error}"
    accounted, there = sum(proposal.ledger.counts().values()), filled_cells(path)
    return (
        "accounted" if accounted == there else f"seed {seed}: {accounted} cells accounted for, the workbook has {there}"
    )


def main() -> int:
    parser = argparse.ArgumentParser(description="Import damaged workbooks and check the account of their cells.")
    parser.add_argument("--workbooks", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    tally: Counter[str] = Counter()
    for seed in range(asked.seed, asked.seed + asked.workbooks):
        with tempfile.TemporaryDirectory() as folder:
            tally[outcome_of(seed, Path(folder))] += 1
    for what, number in tally.most_common():
        print(f"{number:5} {what}")
    return int(bool(set(tally) - {"accounted", "refused"}))


if __name__ == "__main__":
    sys.exit(main())
