"""Lines and quotation marks of a text table, counted before anything is parsed, so that no row can be swallowed.

A quotation mark at the beginning of a cell opens it; the next single one closes it (two stand for one of the text).
What opens and never closes, closes in the middle of a cell of another line, or holds lines that look like rows, is
taken as a mark of the text: every line stays a row, and the finding names the line where the mark stands.
"""

import csv
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

_LONGEST_CELL = 1000  # lines
_LINE_ENDS = re.compile(r"\r\n|\n|\r")


@dataclass(frozen=True)
class OpenQuote:
    """A quotation mark that does not hold a cell. row: of the table, counted from 0. line: of the file, from 1."""

    row: int
    line: int
    why: str


@dataclass(frozen=True)
class QuotedLines:
    """The rows of a text. lines: lines in the file. joined: lines that continue a cell of the line before.

    cells: the rows as cells, None where nothing in the text needs more than a plain parser. widths: cells per row.
    odd: rows with text after a closing quotation mark, which is read with the mark taken out.
    """

    lines: int
    joined: int
    widths: tuple[int, ...]
    cells: list[list[str]] | None
    opened: tuple[OpenQuote, ...] = ()
    odd: tuple[int, ...] = ()
    broken_lines: tuple[int, ...] = ()  # rows with a cell of several lines


def quoted_lines(text: str, delimiter: str) -> QuotedLines:
    """The rows of a text table, each line in exactly one of them."""
    lines = _LINE_ENDS.split(text)
    if lines[-1] == "":
        lines.pop()
    if '"' not in text:
        return QuotedLines(len(lines), 0, tuple(line.count(delimiter) + 1 for line in lines), None)
    return _walk(lines, delimiter)


def _walk(lines: list[str], delimiter: str) -> QuotedLines:
    widths_alone = list(_widths_of_whole_lines(lines, delimiter))
    known = Counter(width for width in widths_alone if width is not None)
    usual = known.most_common(1)[0][0] if known else 1
    whole: list[list[str]] | None = None
    widths, opened, odd, broken = [], [], [], []
    rows: list[tuple[int, int, bool]] = []  # first line, line after the last, marks taken as text
    at = 0
    while at < len(lines):
        width = widths_alone[at]
        if width is not None:
            rows.append((at, at + 1, False))
            widths.append(width)
            at += 1
            continue
        end, stray, swallowed = _until_closed(lines, at, delimiter)
        continues = range(at + 1, end)
        if end > len(lines):
            much = len(lines) - at > _LONGEST_CELL
            why = f"more than {_LONGEST_CELL} lines inside the cell" if much else "the end of the file inside the cell"
        elif stray and len(continues):
            why = f"the cell closed in line {end} before other text"
        elif (
            continues
            and swallowed >= usual - 1
            and any(lines[line].count(delimiter) >= usual - 1 for line in continues)
        ):
            why = f"{len(continues)} more line{'s' if len(continues) > 1 else ''} like rows inside the cell"
        elif continues and len(_cells(lines, (at, end, False), delimiter)) > usual:
            why = "more cells after it than a row has"
        else:
            why = ""
        if why and usual > 1:
            opened.append(OpenQuote(len(rows), at + 1, why))
            rows.append((at, at + 1, True))
            widths.append(lines[at].count(delimiter) + 1)
            at += 1
            continue
        end = min(end, len(lines))
        if why:  # a table of one column has no rows to be told from lines; only an end without a mark is wrong
            opened.append(OpenQuote(len(rows), at + 1, why))
        if len(continues):
            broken.append(len(rows))
        elif stray:
            odd.append(len(rows))
        rows.append((at, end, bool(why)))
        widths.append(0)
        at = end
    if opened or any(width == 0 for width in widths):
        whole = [_cells(lines, row, delimiter) for row in rows]
        widths = [len(cells) for cells in whole]
    joined = len(lines) - len(rows)
    return QuotedLines(len(lines), joined, tuple(widths), whole, tuple(opened), tuple(odd), tuple(broken))


def _widths_of_whole_lines(lines: Sequence[str], delimiter: str) -> Iterator[int | None]:
    """Cells of every line whose quotation marks open and close within it, each at the edge of a cell; else None."""
    mark = re.escape(delimiter)
    cell = rf'(?:"(?>[^"]|"")*+"|[^"{mark}][^{mark}]*+|)'
    whole = re.compile(rf"{cell}(?:{mark}{cell})*+")
    for line in lines:
        if '"' not in line:
            yield line.count(delimiter) + 1
        elif whole.fullmatch(line):
            yield len(next(csv.reader([line], delimiter=delimiter)))
        else:
            yield None


def _until_closed(lines: Sequence[str], at: int, delimiter: str) -> tuple[int, bool, int]:
    """From a line on: the line after the one where no cell is open, whether text follows a closing mark, delimiters
    swallowed by cells of several lines. The line number is beyond the file where a cell does not end in time."""
    inside, stray, swallowed = False, False, 0
    for number in range(at, min(len(lines), at + _LONGEST_CELL)):
        line, place, at_start = lines[number], 0, not inside
        while place < len(line):
            sign = line[place]
            if inside:
                if sign == '"' and line[place + 1 : place + 2] == '"':
                    place += 1
                elif sign == '"':
                    inside, at_start = False, False
                    stray |= line[place + 1 : place + 2] not in ("", delimiter)
                else:
                    swallowed += sign == delimiter
            elif sign == '"' and at_start:
                inside = True
            else:
                at_start = sign == delimiter
            place += 1
        if not inside:
            return number + 1, stray, swallowed
    return len(lines) + 1, stray, swallowed


def _cells(lines: list[str], row: tuple[int, int, bool], delimiter: str) -> list[str]:
    first, end, as_text = row
    if as_text:
        return [cell for line in lines[first:end] for cell in line.split(delimiter)]
    return next(csv.reader(["\n".join(lines[first:end])], delimiter=delimiter), [""])
