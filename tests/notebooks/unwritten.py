"""Finds numbers that a person should never meet: nan, inf and None in a text, a table, a figure, a whole report.

A report folder is searched as it lies on disk: the page and the document as read, every cell of its tables and of the
numbers of its figures (an empty cell is fine), the texts and numbers of figures as the page and the notebooks hold
them, the texts drawn in SVG files, the record, the outputs of the notebooks. PNG and PDF files are drawn from the same
figures and the same page. The copy of the data and the store of kept results are not the report's own words.
"""

import base64
import csv
import hashlib
import json
import re
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from html import unescape
from pathlib import Path

import numpy as np
import plotly.graph_objects as go

from notebooks.report.record import PLOTLY
from notebooks.show.exhibits import Prose
from notebooks.show.tables import Table, cells, printed

# "None of", "None found" begin a sentence; a bare None is a value that was never written.
UNWRITTEN = re.compile(
    r"(?<![\w.])(?:[-\N{MINUS SIGN}+]?inf|[Nn]a[Nn]|NaT|<NA>|None(?! (?:of|is|was|were|has|had|that|found)\b))"
    r"(?![\w.]*\w)"
)
CODE = re.compile(r"<(script|style|pre|code)\b.*?</\1>", re.DOTALL)
TAGS = re.compile(r"<[^<>]*>")  # "<NA>" typed as text is written &lt;NA&gt;
DATA = re.compile(r'<script type="application/json"[^>]*>(.*?)</script>', re.DOTALL)
DRAWN = re.compile(r"<text\b[^>]*>(.*?)</text>", re.DOTALL)
PARAGRAPH = re.compile(r"<w:p\b.*?</w:p>", re.DOTALL)
RUN = re.compile(r"<w:t\b[^>]*>(.*?)</w:t>", re.DOTALL)
APART = ("inputs", "kept")


def in_text(text: str) -> list[str]:
    """The places in a text, each with the words around it."""
    return [text[max(0, hit.start() - 60) : hit.end() + 30] for hit in UNWRITTEN.finditer(text)]


def in_exhibit(shown: object) -> list[str]:
    """The places in a paragraph, a printed table (all of its rows) or a figure."""
    if isinstance(shown, Prose):
        return in_text("\n".join(shown.paragraphs))
    if isinstance(shown, Table):
        body = cells(printed(shown))
        return in_text("\n".join([shown.caption, *shown.notes, *map(str, body.to_numpy().ravel())]))
    if isinstance(shown, go.Figure):
        return _in_json(shown.to_json())
    return []


def in_report(report: Path, seen: dict[tuple[str, bytes], list[str]] | None = None) -> list[str]:
    """The places in a report folder: "file: the words around". seen: what was found in files of the same bytes."""
    found, seen = [], {} if seen is None else seen
    for path in sorted(report.rglob("*")):
        search = SEARCHED.get(path.suffix)
        if search is not None and path.is_file() and path.relative_to(report).parts[0] not in APART:
            same = (path.suffix, hashlib.sha256(path.read_bytes()).digest())
            if same not in seen:
                seen[same] = search(path)
            found += [f"{path.relative_to(report).as_posix()}: {place}" for place in seen[same]]
    return found


def reports_in(base: Path) -> list[Path]:
    """Every folder at or under `base` that holds a report."""
    return sorted({path.parent for name in ("report.html", "record.json") for path in base.rglob(name)})


def in_reports(bases: Iterable[Path]) -> list[str]:
    """The places in every report at or under some folders; what two of them share is searched once."""
    seen: dict[tuple[str, bytes], list[str]] = {}
    return [
        f"{report.name}/{place}" for base in bases for report in reports_in(base) for place in in_report(report, seen)
    ]


def _in_page(path: Path) -> list[str]:
    page = path.read_text(encoding="utf-8")
    figures = [place for data in DATA.findall(page) for place in _in_json(data)]
    return figures + in_text(_plain(CODE.sub(" ", page)))


def _in_document(path: Path) -> list[str]:
    with zipfile.ZipFile(path) as parts:
        body = parts.read("word/document.xml").decode("utf-8")
    return in_text("\n".join(unescape("".join(RUN.findall(paragraph))) for paragraph in PARAGRAPH.findall(body)))


def _in_table(path: Path) -> list[str]:
    with path.open(encoding="utf-8", newline="") as file:
        return [place for row in csv.reader(file) for place in in_text("\n".join(row))]


def _in_drawing(path: Path) -> list[str]:
    drawn = DRAWN.findall(path.read_text(encoding="utf-8"))
    return in_text("\n".join(_plain(text) for text in drawn))


def _in_notebook(path: Path) -> list[str]:
    found = []
    for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]:
        for output in cell.get("outputs", []):
            found += in_text(_joined(output.get("text", "")))
            for kind, shown in output.get("data", {}).items():
                if kind == "text/html":
                    found += in_text(_plain(CODE.sub(" ", _joined(shown))))
                elif kind == PLOTLY or kind.endswith("json"):
                    found += _in_json(json.dumps(shown))
                else:
                    found += in_text(_joined(shown))
    return found


def _in_words(path: Path) -> list[str]:
    return in_text(path.read_text(encoding="utf-8"))


def _in_json(text: str) -> list[str]:
    """The places in the texts, numbers and typed arrays of a JSON file, a figure or a table as a notebook keeps it."""
    found: list[str] = []
    content = json.loads(text, parse_constant=lambda name: found.append(f"the number {name}"))
    for way, value in _leaves(content, ""):
        if isinstance(value, str):
            found += [f"{way}: {place}" for place in in_text(value)]
        elif not np.isfinite(value).all():
            found.append(f"{way}: {int((~np.isfinite(value)).sum())} of {value.size} numbers")
    return found


def _leaves(part: object, way: str) -> Iterator[tuple[str, str | np.ndarray]]:
    """Texts and typed arrays, each with the way to it."""
    if isinstance(part, str):
        yield way, part
    elif isinstance(part, Mapping):
        if set(part) >= {"dtype", "bdata"}:
            values = np.frombuffer(base64.b64decode(part["bdata"]), dtype=np.dtype(part["dtype"]))
            yield way, values
            return
        for key, value in part.items():
            yield from _leaves(value, f"{way}/{key}")
    elif isinstance(part, list):
        for value in part:
            yield from _leaves(value, way)


def _plain(markup: str) -> str:
    return unescape(TAGS.sub(" ", markup))


def _joined(lines: str | list[str]) -> str:
    return lines if isinstance(lines, str) else "".join(lines)


def _in_json_file(path: Path) -> list[str]:
    """Of a record that a test has damaged on purpose nothing is read: the kit writes whole ones."""
    try:
        return _in_json(path.read_text(encoding="utf-8"))
    except (json.JSONDecodeError, UnicodeDecodeError, RecursionError):
        return []


SEARCHED: Mapping[str, Callable[[Path], list[str]]] = {
    ".html": _in_page,
    ".docx": _in_document,
    ".csv": _in_table,
    ".svg": _in_drawing,
    ".json": _in_json_file,
    ".ipynb": _in_notebook,
    ".md": _in_words,
    ".txt": _in_words,
}
