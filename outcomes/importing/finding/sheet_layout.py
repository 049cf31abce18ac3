"""Where the tables lie on a page, and which way round each of them stands."""

import re
from collections import Counter

from outcomes.importing.finding.page_tables import Region, Table, View, shape
from outcomes.importing.finding.table_headers import is_people, known_heading, table_below
from outcomes.importing.finding.table_lines import continued, part_groups
from outcomes.importing.language.headings import Around, recognise
from outcomes.importing.language.visit_words import read_visit
from outcomes.importing.language.vocabulary import simple, tokens
from outcomes.importing.opening.pages import Page


def find_tables(page: Page) -> tuple[list[Table], list[Region]]:
    """The tables of a page in reading order, and the regions that are none (notes, legends, code books)."""
    if page.formal:
        table = table_below(View(page), Region(1, 1, page.last_row, page.last_column), anchor=1)
        return ([table], []) if table else ([], [Region(1, 1, page.last_row, page.last_column)])
    tables: list[Table] = []
    loose: list[Region] = []
    for band in _bands(page):
        own = [table for part in _segments(page, band) for table in [_table(page, part)] if table]
        parts = _segments(page, band)
        if len(own) == 1 and len(parts) > 1 and not own[0].view.turned:
            whole_band = _table(page, band)  # columns left blank inside one table
            if whole_band and not whole_band.view.turned:
                own, parts = [whole_band], [band]
        if own:
            tables += own
            loose += [part for part in parts if not any(_covers(table, part) for table in own)]
            continue
        if tables and (rest := continued(tables, page, band)) is not None:
            loose += rest
            continue
        loose.append(band)
    for table in tables:
        loose += part_groups(table)
    return tables, loose


def _bands(page: Page) -> list[Region]:
    """Runs of rows without a blank row between them."""
    rows = sorted(
        {row for row, _ in page.cells} | {row for row, _ in page.fills if any(r == row for r, _ in page.cells)}
    )
    bands: list[list[int]] = []
    for row in rows:
        if bands and (row == bands[-1][-1] + 1 or (len(bands[-1]) == 1 and _heads_only(page, bands[-1][0]))):
            bands[-1].append(row)
        else:
            bands.append([row])
    found = []
    for band in bands:
        columns = [column for row, column in page.cells if band[0] <= row <= band[-1]]
        found.append(Region(band[0], min(columns), band[-1], max(columns)))
    return found


def _heads_only(page: Page, row: int) -> bool:
    """Whether a row before a blank one holds the headings of what comes after it."""
    texts = [cell.text for cell in page.row(row)]
    return any(is_people(page, text) for text in texts) and sum(bool(known_heading(text)) for text in texts) >= 2


def _segments(page: Page, band: Region) -> list[Region]:
    """Parts of a band between columns that are blank in all its rows."""
    columns = sorted({column for row, column in page.cells if band.top <= row <= band.bottom})
    parts: list[list[int]] = []
    for column in columns:
        if parts and column == parts[-1][-1] + 1:
            parts[-1].append(column)
        else:
            parts.append([column])
    return [Region(band.top, part[0], band.bottom, part[-1]) for part in parts]


def _covers(table: Table, part: Region) -> bool:
    row, column = table.first
    return part.top <= row <= part.bottom and part.left <= column <= part.right


def people_headings(page: Page) -> list[str]:
    """Headings that may be the one of the participants' codes: over a column of short texts without a gap."""
    found: list[str] = []
    for row in range(1, min(page.last_row, 10) + 1):
        heads = list(page.row(row))
        if sum(bool(known_heading(head.text)) for head in heads) < 2:
            continue
        blank = (line for line in range(row + 1, page.last_row + 1) if not any(True for _ in page.row(line)))
        end = next(blank, page.last_row + 1)  # notes stand below a blank line
        for head in heads:
            below = [page.text(line, head.column).strip() for line in range(row + 1, end)]
            below = below[: max((n for n, text in enumerate(below, 1) if text), default=0)]
            short = all(text and len(text) <= 15 and not re.search(r"[.,]", text) for text in below)
            free = known_heading(head.text) in ("", "sequence")  # a running number may be all the code there is
            if len(below) >= 3 and short and len(set(below)) > len(below) / 6 and free:
                found.append(head.text)
        break
    return list(dict.fromkeys(found))


def _table(page: Page, part: Region) -> Table | None:
    """The table in a region, however it is turned; None where there is none."""
    anchors = [
        (row, column)
        for row in range(part.top, part.bottom + 1)
        for column in range(part.left, part.right + 1)
        if is_people(page, page.text(row, column))
    ]
    for row, column in anchors[:3]:
        title = _title_over(page, part, row)
        beside = [(row, place) for place in range(part.left, part.right + 1)]
        across = max(_known(page, beside), _known(page, beside, above=title))
        top = row if title else part.top  # a title that names a test is no heading of a line
        down = _known(page, [(line, column) for line in range(top, part.bottom + 1)])
        if across < 2 and down < 2:  # visits alone, on the sheet of one test
            across = max(_known(page, beside, above=page.subject), _known_below(page, part, row))
        if across >= 2 and across >= down and row < part.bottom:
            return table_below(View(page), part, anchor=row)
        if down >= 2 and column < part.right:
            return table_below(View(page, turned=True), part.turned(), anchor=column)
    if (found := _by_shapes(page, part)) is not None:
        return found
    for row in range(part.top, part.bottom):
        visits = [c for c in range(part.left + 1, part.right + 1) if read_visit(page.text(row, c), bare=False)]
        labels = _known(
            page, [(line, part.left) for line in range(row + 1, part.bottom + 1)], above=page.text(row, part.left)
        )
        filled = [c for c in range(part.left + 1, part.right + 1) if page.text(row, c)]
        if visits and len(visits) == len(filled) and labels >= max(1, (part.bottom - row) // 2):
            return table_below(
                View(page, turned=True), Region(part.left, row, part.right, part.bottom), anchor=part.left
            )
    for row in range(part.top, part.bottom):
        roles = [known_heading(page.text(row, c)) for c in range(part.left, part.right + 1)]
        if "visit" in roles and "measure" in roles:
            return table_below(View(page), part, anchor=row)
    named = [known_heading(page.text(row, part.left)) for row in range(part.top, part.bottom + 1)]
    if part.right == part.left + 1 and sum(map(bool, named)) >= 2:
        return table_below(View(page, turned=True), part.turned(), anchor=part.left)
    return None


def _known_below(page: Page, part: Region, row: int) -> int:
    """How many different headings the lines down to a row make together: a test, below it visits, below them hands."""
    found, over = set(), dict.fromkeys(range(part.top, row), "")
    for place in range(part.left, part.right + 1):
        for line in over:
            over[line] = page.text(line, place) or over[line]
        if text := page.text(row, place):
            found.add(" ".join(filter(None, (*over.values(), text))))
    return sum(known_heading(text) not in ("", "visit only", "derived") for text in found)


def _title_over(page: Page, part: Region, row: int) -> str:
    """The only text of the line above a row, "" where there is none or more."""
    texts = [page.text(row - 1, place) for place in range(part.left, part.right + 1)] if row > part.top else []
    texts = [text for text in texts if text]
    return texts[0] if len(texts) == 1 else ""


def _by_shapes(page: Page, part: Region) -> Table | None:
    """A table whose participants have no heading, known by codes of one look beside headings that are known."""
    for row in range(part.top, min(part.bottom, part.top + 4)):
        texts = [page.text(row, c).strip() for c in range(part.left + 1, part.right + 1)]
        # A column of units, and one of means at the end, are no people.
        texts = [text for text in texts if known_heading(text) not in ("unit", "derived")]
        labels = _known(page, [(line, part.left) for line in range(row + 1, part.bottom + 1)])
        if labels >= 2 and _codes([text for text in texts if text]):
            return table_below(
                View(page, turned=True), Region(part.left, part.top, part.right, part.bottom), anchor=part.left, key=row
            )
    for row in range(part.top, min(part.bottom, part.top + 4)):
        heads = _known(page, [(row, c) for c in range(part.left + 1, part.right + 1)])
        codes = [text for line in range(row + 1, part.bottom + 1) if (text := page.text(line, part.left).strip())]
        if heads >= 2 and _codes(codes[: max(4, len(codes) * 3 // 4)]):
            return table_below(View(page), part, anchor=row, key=part.left)
    return None


def _codes(texts: list[str]) -> bool:
    """Whether texts look like codes of people: three or more, of one look with letters and a number."""
    if any(len(tokens(text)) > 3 or recognise([text], Around()).role for text in texts):
        return False
    looks = Counter(map(shape, texts))
    usual, often = looks.most_common(1)[0] if looks else ("", 0)
    return (
        len(texts) >= 3
        and often >= 0.75 * len(texts)
        and bool(re.fullmatch(r"A9|A9A|A9A9", usual))
        and not any(read_visit(text, bare=False) for text in texts[:3])
    )


def _known(page: Page, places: list[tuple[int, int]], above: str = "") -> int:
    """How many different headings stand in these places; ids may look like visits, so visits alone do not count."""
    texts = {page.text(*place) for place in places} - {""}
    named = [known_heading(f"{above} {text}".strip()) not in ("", "visit only", "derived") for text in texts]
    return sum(named) + any(page.people and simple(text) == page.people for text in texts)
