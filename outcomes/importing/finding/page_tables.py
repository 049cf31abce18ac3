"""Tables and other regions of a page; a table is seen through a view, so that people across columns read like rows."""

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

from outcomes.importing.opening.pages import Cell, Page


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


def ids_of(table: Table) -> list[str]:
    assert table.key is not None  # asked of tables with a column of codes only
    return [text for line in table.lines if (text := table.view.text(line, table.key))]


def shape(text: str) -> str:
    """The look of an id: letters A, digits 9."""
    return re.sub(r"\d+", "9", re.sub(r"[^\W\d_]+", "A", re.sub(r"[\s_\-./]+", "", text)))


def looks_like(text: str, ids: list[str]) -> bool:
    """Whether a text has the look of one of the ids."""
    return shape(text) in Counter(map(shape, ids))
