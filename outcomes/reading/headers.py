"""Which column of a file is which of ours: header rows, header map, synonyms."""

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from outcomes.findings import flag
from outcomes.reading.cells import plain, tidy
from outcomes.reading.files import DEEPEST_HEADER, Grid
from outcomes.sheets import Sheet


@dataclass(frozen=True)
class Header:
    """Where the data start and what each column is called.

    names: our name, or the file's own name for a column that is none of ours, one per column, none twice.
    typed: the header as it stands in the file.
    """

    body: int  # first grid row of the data
    names: tuple[str, ...]
    typed: tuple[str, ...]

    def in_file(self, name: str) -> str:
        """The header in the file of one of our columns; our own name where the file has none."""
        return self.typed[self.names.index(name)] if name in self.names else name


def find_header(
    grid: Grid, sheet: Sheet, mapped: Mapping[str, str], wanted: tuple[str, ...]
) -> tuple[Header, list[pd.DataFrame]]:
    """The header of a grid.

    mapped: our name -> header in the file, from `[columns.<sheet>]` of study.toml.
    wanted: our columns that must be there; the header is the first row in which all of them are recognised.
    """
    cells = grid.cells
    if cells.empty:
        return Header(0, (), ()), [flag("empty file", file=grid.file)]
    depth = 1 if grid.formal else min(DEEPEST_HEADER, len(cells))
    best, best_score = 0, -1
    for row in range(depth):
        known = {name for name in _recognise(_typed_header(grid, row), sheet, mapped) if name}
        score = len(known.intersection(wanted))
        if score > best_score:
            best, best_score = row, score
    typed = _typed_header(grid, best)
    ours = _recognise(typed, sheet, mapped)
    found = []
    if best:
        found.append(
            flag("header below row 1", file=grid.file, found=f"column names in row {best + 1}", allowed="row 1")
        )
    names: list[str] = []
    for index, (name, text) in enumerate(zip(ours, typed, strict=True)):
        label = name or text or f"column {index + 1}"
        if label in names:
            found.append(
                flag("header twice", file=grid.file, column=text or label, found=f"columns {names.index(label) + 1} "
                     f"and {index + 1} are both {label}", allowed="one column each")
            )  # fmt: skip
            label = f"{label} ({index + 1})"
        elif name and plain(name) != plain(text):
            found.append(flag("header read as", file=grid.file, column=text, found=text, allowed=name))
        names.append(label)
    for name, text in mapped.items():
        if plain(text) not in [plain(header) for header in typed]:
            found.append(
                flag("mapped header missing", file=grid.file, column=name, found=f"no column {text!r}",
                     allowed=", ".join(header for header in typed if header))
            )  # fmt: skip
    return Header(best + 1, tuple(names), tuple(typed)), found


def _typed_header(grid: Grid, row: int) -> list[str]:
    """The header texts when `row` holds the column names; a blank one takes the heading merged over it."""
    texts = [tidy(text) for text in grid.top[row]]
    above = [tidy(text) for text in grid.top[row - 1]] if row else [""] * len(texts)
    for merged_row, first, last in grid.merged:
        if merged_row == row - 1:
            above[first : last + 1] = [above[first]] * (last + 1 - first)
    return [text or heading for text, heading in zip(texts, above, strict=True)]


def _recognise(typed: list[str], sheet: Sheet, mapped: Mapping[str, str]) -> list[str]:
    """Our name of each header, "" where it is none of ours. The header map wins, then exact names, then synonyms."""
    by_map = {plain(text): name for name, text in mapped.items()}
    exact = {plain(name): name for name in sheet.names if name not in mapped}
    synonyms = {
        plain(text): column.name for column in sheet.columns if column.name not in mapped for text in column.synonyms
    }
    keys = [plain(text) for text in typed]
    taken = {by_map.get(key) or exact.get(key) for key in keys} - {None}
    names = []
    for key in keys:
        name = by_map.get(key) or exact.get(key, "")
        if not name and synonyms.get(key) and synonyms[key] not in taken:
            name = synonyms[key]
            taken.add(name)
        names.append(name)
    return names
