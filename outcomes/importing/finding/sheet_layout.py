"""Where the tables lie on a page: header rows, records, repeated headers, rows of means, notes below.

A table is seen through a view, so that people across columns or one form a person read like rows.
"""

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache

from outcomes.importing.language.cell_values import reason_of, status_of
from outcomes.importing.language.headings import Around, recognise
from outcomes.importing.language.visit_words import read_visit
from outcomes.importing.language.vocabulary import phrases, simple, tokens
from outcomes.importing.opening.pages import Cell, Page

_SAME_HEADER = 0.8  # share of the header's texts from which a row repeats it


@dataclass
class View:
    """A page as it is, or with rows and columns exchanged (`turned`). Lines and places count from 1."""

    page: Page
    turned: bool = False

    def at(self, line: int, place: int) -> tuple[int, int]:
        """Row and column of the page."""
        return (place, line) if self.turned else (line, place)

    def cell(self, line: int, place: int) -> Cell | None:
        return self.page.cells.get(self.at(line, place))

    def text(self, line: int, place: int) -> str:
        return self.page.text(*self.at(line, place)).strip()

    def merges(self) -> Iterator[tuple[int, int, int, int]]:
        """First line, first place, last line, last place of every merged range."""
        for top, left, bottom, right in self.page.merged:
            yield (left, top, right, bottom) if self.turned else (top, left, bottom, right)

    def merged_at(self, line: int, place: int) -> tuple[int, int, int, int] | None:
        return next((m for m in self.merges() if m[0] <= line <= m[2] and m[1] <= place <= m[3]), None)


@dataclass
class Table:
    """One table. heads: place -> heading texts from top to bottom. key: place of the participant, None if elsewhere.

    form: labels with one value each. aside: lines that are no records, with the reason.
    """

    view: View
    header: tuple[int, ...]
    heads: dict[int, tuple[str, ...]]
    lines: list[int]
    key: int | None
    form: bool = False
    title: str = ""
    aside: dict[int, str] = field(default_factory=dict)
    visits: dict[int, str] = field(default_factory=dict)  # line -> visit named on a line of its own above it
    over: dict[int, str] = field(default_factory=dict)  # place -> visit named on a row of its own over it
    groups: dict[int, str] = field(default_factory=dict)  # line -> words on a line of their own above it
    lone: list[int] = field(default_factory=list)  # lines below a blank one that hold a text alone

    @property
    def page(self) -> Page:
        return self.view.page

    def name(self, place: int) -> str:
        """The heading of a column in one text."""
        return " | ".join(self.heads[place])

    @property
    def first(self) -> tuple[int, int]:
        """Row and column of the page where the table starts."""
        return self.view.at(min(self.header), min(self.heads, default=1))


@dataclass(frozen=True)
class Region:
    """A rectangle of a page: first and last row and column."""

    top: int
    left: int
    bottom: int
    right: int

    def turned(self) -> "Region":
        return Region(self.left, self.top, self.right, self.bottom)


def find_tables(page: Page) -> tuple[list[Table], list[Region]]:
    """The tables of a page in reading order, and the regions that are none (notes, legends, code books)."""
    if page.formal:
        table = _down(View(page), Region(1, 1, page.last_row, page.last_column), anchor=1)
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
        if tables and (rest := _continued(tables, page, band)) is not None:
            loose += rest
            continue
        loose.append(band)
    for table in tables:
        loose += _part_groups(table)
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
    return any(_is_people(page, text) for text in texts) and sum(bool(known_heading(text)) for text in texts) >= 2


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


@cache
def known_heading(text: str) -> str:
    """The role a heading text would have, "" for none."""
    return recognise([text], Around()).role if text else ""


def _is_people(page: Page, text: str) -> bool:
    """Whether a heading is the one of the participants' codes."""
    return bool(text) and (simple(text) == page.people if page.people else known_heading(text) == "participant")


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
        if _is_people(page, page.text(row, column))
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
            return _down(View(page), part, anchor=row)
        if down >= 2 and column < part.right:
            return _down(View(page, turned=True), part.turned(), anchor=column)
    if (found := _by_shapes(page, part)) is not None:
        return found
    for row in range(part.top, part.bottom):
        visits = [c for c in range(part.left + 1, part.right + 1) if read_visit(page.text(row, c), bare=False)]
        labels = _known(
            page, [(line, part.left) for line in range(row + 1, part.bottom + 1)], above=page.text(row, part.left)
        )
        filled = [c for c in range(part.left + 1, part.right + 1) if page.text(row, c)]
        if visits and len(visits) == len(filled) and labels >= max(1, (part.bottom - row) // 2):
            return _down(View(page, turned=True), Region(part.left, row, part.right, part.bottom), anchor=part.left)
    for row in range(part.top, part.bottom):
        roles = [known_heading(page.text(row, c)) for c in range(part.left, part.right + 1)]
        if "visit" in roles and "measure" in roles:
            return _down(View(page), part, anchor=row)
    named = [known_heading(page.text(row, part.left)) for row in range(part.top, part.bottom + 1)]
    if part.right == part.left + 1 and sum(map(bool, named)) >= 2:
        return _down(View(page, turned=True), part.turned(), anchor=part.left)
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
            return _down(
                View(page, turned=True), Region(part.left, part.top, part.right, part.bottom), anchor=part.left, key=row
            )
    for row in range(part.top, min(part.bottom, part.top + 4)):
        heads = _known(page, [(row, c) for c in range(part.left + 1, part.right + 1)])
        codes = [text for line in range(row + 1, part.bottom + 1) if (text := page.text(line, part.left).strip())]
        if heads >= 2 and _codes(codes[: max(4, len(codes) * 3 // 4)]):
            return _down(View(page), part, anchor=row, key=part.left)
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


def _down(view: View, part: Region, anchor: int, key: int | None = None) -> Table | None:
    """A table whose header is around line `anchor`. key: place of the participant where no heading says so."""
    key = (
        key
        if key is not None
        else next(
            (place for place in range(part.left, part.right + 1) if _is_people(view.page, view.text(anchor, place))),
            None,
        )
    )
    header, title = _header(view, part, anchor, key)
    if view.turned and key is not None and known_heading(view.text(header[-1] + 1, key)) == "unit":
        header = (*header, header[-1] + 1)  # the unit of each row stands beside its name
    heads: dict[int, tuple[str, ...]] = {}
    over: dict[int, str] = {}
    visit = ""
    for place in range(part.left, part.right + 1):
        texts = _texts(view, header, place, part)
        blank = not any(view.text(line, place) for line in range(header[-1] + 1, part.bottom + 1))
        if view.turned and len(texts) == 1 and blank and read_visit(texts[0], bare=False):
            visit = texts[0]  # a row that names the visit of the rows below it
            continue
        if visit and texts:
            texts, over[place] = (visit, *texts), visit
        if texts or any(view.cell(line, place) for line in range(header[-1] + 1, part.bottom + 1)):
            heads[place] = texts or (f"column {place} without a heading",)
    lines = list(range(header[-1] + 1, part.bottom + 1))
    table = Table(view, header, heads, lines, key, title=title, over=over)
    if view.turned and len(header) == 1 and not title:
        table.form = key is not None and sum(bool(view.text(line, key)) for line in lines) <= 1
        table.form = table.form or (key is None and part.bottom == anchor + 1)
    _sort_lines(table)
    return table


def _header(view: View, part: Region, anchor: int, key: int | None) -> tuple[tuple[int, ...], str]:
    """The lines of the header around the anchor, and the title above it."""
    first, last, title = anchor, anchor, ""
    if view.page.formal:
        return (anchor,), ""
    while first > part.top:
        above = [place for place in range(part.left, part.right + 1) if view.text(first - 1, place)]
        merged = view.merged_at(first - 1, above[0]) if above else None
        wide = merged and merged[3] - merged[1] + 1 >= 0.6 * (part.right - part.left + 1)
        if not above:
            break
        if len(above) == 1 and (wide or (above[0] == part.left and not merged and key in (None, part.left))):
            title = view.text(first - 1, above[0])
            break
        first -= 1
    place = key if key is not None else part.left
    merged = view.merged_at(anchor, place)
    if merged:
        first, last = min(first, merged[0]), max(last, merged[2])
    while (
        last < part.bottom
        and key is not None
        and not view.text(last + 1, key)
        and _sub_heading(view, part, last + 1, key)
    ):
        last += 1
    return tuple(range(first, last + 1)), title


def _sub_heading(view: View, part: Region, line: int, key: int) -> bool:
    """Whether a line without a participant holds headings, not values."""
    texts = [view.text(line, place) for place in range(part.left, part.right + 1) if view.text(line, place)]
    merged = view.merged_at(line, key)
    if not texts or (merged and merged[0] != line and view.text(merged[0], key) and merged[0] > part.top + 3):
        return False
    named = sum(bool(known_heading(text)) or text.isdigit() or bool(read_visit(text)) for text in texts)
    numbers = sum(bool(re.fullmatch(r"[\d.,]+", text)) for text in texts)
    words = not numbers and len(texts) > 1 and not any(reason_of(text)[0] or status_of(text)[0] for text in texts)
    if words and line == part.top + 1 and view.text(line + 1, key) and not view.text(line + 1, key).isspace():
        return True  # units, hands or trials below the headings
    return named >= 0.5 * len(texts) and (numbers < len(texts))


def _texts(view: View, header: tuple[int, ...], place: int, part: Region) -> tuple[str, ...]:
    """The heading texts over one place; a merged or forward-filled heading counts for every place it spans."""
    texts: list[str] = []
    for line in header:
        merged = view.merged_at(line, place)
        text = view.text(merged[0], merged[1]) if merged else view.text(line, place)
        if not text and not merged and line != header[-1] and view.text(header[-1], place):
            text = _carried(view, line, place, part, header)
        text = " ".join(text.split())
        if text and (not texts or texts[-1] != text):
            texts.append(text)
    return tuple(texts)


def _carried(view: View, line: int, place: int, part: Region, header: tuple[int, ...]) -> str:
    """The last heading to the left on an upper line, where the line is not merged at all."""
    if any(merge[0] <= line <= merge[2] and merge[3] > merge[1] for merge in view.merges()):
        return ""
    for other in range(place, part.left - 1, -1):
        if text := view.text(line, other):
            return text
        if not any(view.text(lower, other) for lower in header):
            return ""
    return ""


def _sort_lines(table: Table) -> None:
    """Takes repeated headers, rows of means and notes out of the records."""
    view = table.view
    heading = {place: simple(view.text(table.header[-1], place)) for place in table.heads}
    visit = ""
    for line in list(table.lines):
        if named := _visit_line(table, line):
            visit = named
            _put_aside(table, line, VISIT_LINE)
            continue
        if visit:
            table.visits[line] = visit
        texts = {place: simple(view.text(line, place)) for place in table.heads}
        filled = [place for place in texts if texts[place]]
        if not filled:
            table.lines.remove(line)
            continue
        same = sum(texts[place] == heading[place] for place in filled)
        if same >= 2 and same >= _SAME_HEADER * len(filled):
            _put_aside(table, line, "header repeated")
        elif _statistic(view, line, filled, table.key):
            _put_aside(table, line, "row of means, spreads or counts, not a person")
    _notes_below(table)


def _part_groups(table: Table) -> list[Region]:
    """Takes lines that name the group of the lines below them ("Device", "Control") out of the people.

    They are such lines where two or more stand alone, unlike any code, the first above everybody, each above two people
    or more. Returns what stands alone otherwise, as notes.
    """
    if table.key is None or table.form or table.view.turned or len(table.heads) < 3:
        return [Region(line, min(table.heads), line, max(table.heads)) for line in table.lone]
    full = [line for line in table.lines if not _text_alone(table, line)]
    codes = [table.view.text(line, table.key) for line in full]
    heads = [line for line in sorted({*table.lines, *table.lone}) if (text := _text_alone(table, line))
             and not looks_like(text, codes) and not read_visit(text) and not reason_of(text)[0]]  # fmt: skip
    below = [
        [line for line in full if line > head and not any(head < other < line for other in heads)] for head in heads
    ]
    if len(heads) < 2 or min(map(len, below)) < 2 or min(full) < heads[0]:
        return [Region(line, min(table.heads), line, max(table.heads)) for line in table.lone]
    for head, lines in zip(heads, below, strict=True):
        table.groups |= dict.fromkeys(lines, _text_alone(table, head))
        table.aside[head] = "header: the group of the lines below"
    table.lines = [line for line in table.lines if line not in heads]
    return [Region(line, min(table.heads), line, max(table.heads)) for line in table.lone if line not in heads]


def _text_alone(table: Table, line: int) -> str:
    """The only text of a line, in the column of the codes; "" for other lines."""
    filled = [place for place in table.heads if table.view.text(line, place)]
    return table.view.text(line, filled[0]) if filled == [table.key] else ""


VISIT_LINE = "header: the visit of the lines below"


def _visit_line(table: Table, line: int) -> str:
    """The visit that a line names and nothing else: "Week 4" above the lines of that visit; "" for other lines."""
    filled = [text for place in table.heads if (text := table.view.text(line, place))]
    alone = len(filled) == 1 and len(table.heads) > 2 and not table.form
    return filled[0] if alone and read_visit(filled[0], bare=False) else ""


def _put_aside(table: Table, line: int, why: str) -> None:
    table.lines.remove(line)
    table.aside[line] = why


def _statistic(view: View, line: int, filled: list[int], key: int | None) -> bool:
    """Whether a line begins with the name of a mean, spread or count; "m" in a column of sexes is none."""
    first = view.text(line, filled[0])
    if len(first) == 1 and key is not None and filled[0] > key:
        return False
    words = tokens(re.sub(r"\(.*?\)|±|\+/-", " ", first))
    known = phrases("statistics")
    return bool(words) and not first.isdigit() and (words in known or all((word,) in known for word in words))


def _notes_below(table: Table) -> None:
    """Lines at the end that hold one long text or lie outside the participant's column are notes."""
    if table.key is None or table.form:
        return
    view = table.view
    # Two notes may look alike: only a line that holds something beside its code shows what a code looks like.
    full = [line for line in table.lines if sum(bool(view.text(line, place)) for place in table.heads) > 1]
    for line in reversed(list(table.lines)):
        filled = [place for place in table.heads if view.text(line, place)]
        text = view.text(line, table.key)
        others = [view.text(other, table.key) for other in full or table.lines if other != line]
        only = (
            len(filled) == 1
            and filled[0] == table.key
            and (len(text) > 15 or " " in text.strip() or ":" in text or "=" in text)
        )
        legend = (
            not text
            and len(filled) <= 2
            and all(view.cell(line, p) and not _numeric(view.text(line, p)) for p in filled)
        )
        spans_over = view.merged_at(line, table.key) is not None
        if (only and not looks_like(text, others)) or (legend and not spans_over):
            _put_aside(table, line, "note below the table")
        else:
            break


def _numeric(text: str) -> bool:
    return bool(re.fullmatch(r"[-+]?[\d.,]+", text))


def ids_of(table: Table) -> list[str]:
    assert table.key is not None  # asked of tables with a column of codes only
    return [text for line in table.lines if (text := table.view.text(line, table.key))]


def shape(text: str) -> str:
    """The look of an id: letters A, digits 9."""
    return re.sub(r"\d+", "9", re.sub(r"[^\W\d_]+", "A", re.sub(r"[\s_\-./]+", "", text)))


def looks_like(text: str, ids: list[str]) -> bool:
    """Whether a text has the look of one of the ids."""
    return shape(text) in Counter(map(shape, ids))


def _continued(tables: list[Table], page: Page, band: Region) -> list[Region] | None:
    """Adds a band below a table to it: more people, or means and notes. None: the band has nothing to do with it.

    Returns the regions that are left over, as notes.
    """
    above = [table for table in tables if table.page is page and not table.view.turned and not table.form]
    table = above[-1] if above else None
    if table is None or table.key is None:
        return None
    lines = range(band.top, band.bottom + 1)
    ids = ids_of(table)
    people = [line for line in lines if looks_like(table.view.text(line, table.key), ids)]
    people = [line for line in people if sum(bool(table.view.text(line, place)) for place in table.heads) > 1]
    statistic = [
        line
        for line in lines
        if (filled := [place for place in table.heads if table.view.text(line, place) or table.view.cell(line, place)])
        and table.view.text(line, filled[0])
        and _statistic(table.view, line, filled, table.key)
    ]
    if not people and not statistic:
        return None
    table.lone += [line for line in lines if line + 1 in people and _text_alone(table, line) and line not in statistic]
    visit = next(reversed(table.visits.values()), "")  # a blank row ends no visit
    for line in lines:
        if named := _visit_line(table, line):
            visit = named
            table.aside[line] = VISIT_LINE
            statistic.append(line)
        elif visit and line in people:
            table.visits[line] = visit
        if line in table.aside:
            continue
        if line in statistic:
            table.aside[line] = "row of means, spreads or counts, not a person"
        elif line in people:
            table.lines.append(line)
    used = {*statistic, *people, *table.lone}
    return [Region(line, band.left, line, band.right) for line in lines if line not in used]
