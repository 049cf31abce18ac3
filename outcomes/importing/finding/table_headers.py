"""The lines of a table's header, and the heading texts over each of its columns."""

import re
from functools import cache

from outcomes.importing.finding.page_tables import Region, Table, View
from outcomes.importing.finding.table_lines import sort_lines
from outcomes.importing.language.cell_values import reason_of, status_of
from outcomes.importing.language.headings import Around, recognise
from outcomes.importing.language.visit_words import read_visit
from outcomes.importing.language.vocabulary import simple
from outcomes.importing.opening.pages import Page


@cache
def known_heading(text: str) -> str:
    """The role a heading text would have, "" for none."""
    return recognise([text], Around()).role if text else ""


def is_people(page: Page, text: str) -> bool:
    """Whether a heading is the one of the participants' codes."""
    return bool(text) and (simple(text) == page.people if page.people else known_heading(text) == "participant")


def table_below(view: View, part: Region, anchor: int, key: int | None = None) -> Table | None:
    """A table whose header is around line `anchor`. key: place of the participant where no heading says so."""
    key = (
        key
        if key is not None
        else next(
            (place for place in range(part.left, part.right + 1) if is_people(view.page, view.text(anchor, place))),
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
    sort_lines(table)
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
    if line == part.top + 1 and _counted(texts):
        return True  # trials or items below the visits
    words = not numbers and len(texts) > 1 and not any(reason_of(text)[0] or status_of(text)[0] for text in texts)
    if words and line == part.top + 1 and view.text(line + 1, key) and not view.text(line + 1, key).isspace():
        return True  # units, hands or trials below the headings
    return named >= 0.5 * len(texts) and (numbers < len(texts))


def _counted(texts: list[str]) -> bool:
    """Whether texts are 1, 2, 3 and so on, once or again and again."""
    if not all(text.isdigit() for text in texts):
        return False
    numbers = [int(text) for text in texts]
    return max(numbers) > 1 and numbers == [1 + place % max(numbers) for place in range(len(numbers))]


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
