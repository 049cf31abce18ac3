"""What a notebook shows besides tables: paragraphs, and groups of exhibits, each carrying its full-precision content.

Every exhibit puts a machine-readable copy of itself beside the readable one (a MIME type of its own, ignored by
JupyterLab). The report and the record are built from those copies, so what is recorded is what was shown.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from IPython.display import display

from notebooks.show.content import MIME
from notebooks.show.numbers import MINUS

HYPHENS = re.compile(r"(?<![\w.-])-(?=\d)")


def _signed(text: str) -> str:
    """A text with a minus sign before its negative numbers, as journals print them."""
    return HYPHENS.sub(MINUS, text)


@dataclass(frozen=True)
class Prose:
    """Paragraphs for a report. `items` are the reporting-guideline items the text serves."""

    name: str
    paragraphs: tuple[str, ...]
    items: tuple[str, ...] = ()
    heading: str = ""

    def content(self) -> dict:
        """The paragraphs for the report and the record."""
        return {"kind": "prose", "name": self.name, "heading": self.heading} | {
            "paragraphs": [_signed(text) for text in self.paragraphs],
            "items": list(self.items),
        }

    def _repr_mimebundle_(self, include=None, exclude=None) -> dict:
        heading = f"**{self.heading}**\n\n" if self.heading else ""
        text = heading + "\n\n".join(_signed(text) for text in self.paragraphs)
        return {"text/markdown": text, "text/plain": text, MIME: self.content()}


@dataclass(frozen=True)
class Exhibits:
    """Several exhibits shown one below the other, and in plain words what was left out."""

    shown: tuple = ()
    left_out: tuple[str, ...] = field(default=())

    def __iter__(self):
        return iter(self.shown)

    def __len__(self) -> int:
        return len(self.shown)

    def _ipython_display_(self) -> None:
        for exhibit in self.shown:
            display(exhibit)
        if self.left_out:
            display(Prose("left out", ("Left out here: " + " ".join(self.left_out),)))


def together(*parts) -> Exhibits:
    """What several calls returned as one group: exhibits, groups of them, or None where there is nothing."""
    shown: list = []
    left_out: list[str] = []
    for part in parts:
        if isinstance(part, Exhibits):
            shown += part.shown
            left_out += part.left_out
        elif part is not None:
            shown.append(part)
    return Exhibits(tuple(shown), tuple(left_out))


def gather(made: Iterable, left_out: Iterable[str] = ()) -> Exhibits:
    """Exhibits from what was made (None is skipped) and the reasons for what was not."""
    return Exhibits(tuple(exhibit for exhibit in made if exhibit is not None), tuple(left_out))
