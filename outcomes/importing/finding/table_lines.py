"""The lines of a table that are no people: repeated headers, visits and groups of the lines below, means, notes."""

import re

from outcomes.importing.finding.page_tables import Region, Table, View, ids_of, looks_like
from outcomes.importing.language.cell_values import reason_of
from outcomes.importing.language.visit_words import read_visit
from outcomes.importing.language.vocabulary import phrases, simple, tokens
from outcomes.importing.opening.pages import Page

_SAME_HEADER = 0.8  # share of the header's texts from which a row repeats it


def sort_lines(table: Table) -> None:
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


def part_groups(table: Table) -> list[Region]:
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


def continued(tables: list[Table], page: Page, band: Region) -> list[Region] | None:
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
