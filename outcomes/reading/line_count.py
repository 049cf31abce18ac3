"""How the lines of a file became rows: the first half of the accounting, from lines to rows."""

from outcomes.reading.files import Grid
from outcomes.reading.typed_tables import Table
from outcomes.study import LineCount


def line_count(table: str, grid: Grid, read: Table) -> LineCount:
    """Counts the lines of a grid and the rows that were made of them, each by itself."""
    filled = grid.filled[read.header.body :]
    blank = grid.lines if grid.cells.empty else int((~filled.any(axis=1)).sum())
    return LineCount(
        table, grid.file, grid.lines, read.header.body, grid.joined, blank, int(read.frame["row"].nunique())
    )
