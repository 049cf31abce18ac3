"""Finds numbers that a person should never meet: nan, inf and None in a text, a printed table or a figure."""

import json
import re
from html import unescape
from pathlib import Path

import plotly.graph_objects as go

from notebooks.show.exhibits import Prose
from notebooks.show.tables import Table, cells, printed

# "None of", "None is" begin a sentence; a bare None is a value that was never written.
UNWRITTEN = re.compile(r"(?<![\w.])(?:-?inf|[Nn]a[Nn]|None(?! (?:of|is|was|were|has|had)\b))(?![\w.]*\w)")
CODE = re.compile(r"<(script|style|pre|code)\b.*?</\1>", re.DOTALL)


def in_text(text: str) -> list[str]:
    """The places in a text, each with the words around it."""
    return [text[max(0, hit.start() - 60) : hit.end() + 30] for hit in UNWRITTEN.finditer(text)]


def in_exhibit(shown: object) -> list[str]:
    """The places in a paragraph, a printed table (all of its rows) or the texts of a figure."""
    if isinstance(shown, Prose):
        return in_text("\n".join(shown.paragraphs))
    if isinstance(shown, Table):
        body = cells(printed(shown))
        return in_text("\n".join([shown.caption, *shown.notes, *map(str, body.to_numpy().ravel())]))
    if isinstance(shown, go.Figure):
        return in_text("\n".join(_texts(json.loads(shown.to_json()))))
    return []


def in_page(report: Path) -> list[str]:
    """The places in the page of a report, code cells left out."""
    page = CODE.sub(" ", (report / "report.html").read_text(encoding="utf-8"))
    return in_text(unescape(re.sub(r"<[^>]+>", " ", page)))


def _texts(part: object) -> list[str]:
    if isinstance(part, str):
        return [part]
    if isinstance(part, dict):
        return [text for value in part.values() for text in _texts(value)]
    if isinstance(part, list):
        return [text for value in part for text in _texts(value)]
    return []
