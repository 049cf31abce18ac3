"""How the lines of a file became rows: the first half of the accounting, from lines to rows."""

from outcomes.reading.files import Grid
from outcomes.reading.typed_tables import Table
from outcomes.study import LineCount


def line_count(table: str, grid: Grid, read: Table) -> LineCount:
    """Counts the lines of a grid and the rows that were made of them, each by itself."""
    body = grid.cells.iloc[read.header.body :]
    blank = int((body.apply(lambda column: column.str.strip()) == "").all(axis=1).sum()) if len(body) else 0
    if grid.cells.empty:
        blank = grid.lines
    return LineCount(
        table, grid.file, grid.lines, read.header.body, grid.joined, blank, int(read.frame["row"].nunique())
    )
