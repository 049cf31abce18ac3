"""What a report shows, file by file, as lists of texts and numbers, and where two reports show something else.

Read are tables, the numbers of figures, the executed notebooks, the page and the document. All of it may have been
written by anyone: it is taken apart as data and never run. Pictures are compared by `drawn_again`; of the document it
is read here which picture of the report stands where.
"""

import base64
import csv
import difflib
import json
import re
import zipfile
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from pathlib import Path

import numpy as np

from notebooks.report.compare import close, without_versions
from notebooks.report.proof.document_texts import PICTURE, document_items
from notebooks.report.proof.file_hashes import MAY_GO, RECORD
from outcomes import StudyError

MOST = 300_000_000  # bytes of a file that is taken apart
NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
PICTURES = (".svg", ".png", ".pdf")
PACKED = {"f8", "f4", "i4", "i2", "i1", "u4", "u2", "u1"}  # kinds of numbers a figure may hold packed
Item = tuple[str, object]  # where it stands, and what stands there


def texts_that_differ(recorded: Path, now: Path, record: dict, record_now: dict) -> Iterator[dict]:
    """One row per place at which two reports show something else: section (the file), name, what, recorded, now.

    Versions of packages are told of elsewhere.
    """
    drawn = any((now / "figures").glob("*.png"))
    yield from _of_one_side(recorded, now)
    for kind, pattern, items in KINDS:
        for path in sorted(now.glob(pattern)):
            name = path.relative_to(now).as_posix()
            if not _plain_file(recorded / name):
                continue
            try:
                old, new = (
                    [(place, _said(value, one, drawn)) for place, value in items(folder / name)]
                    for folder, one in ((recorded, record), (now, record_now))
                )
            except (OSError, ValueError, KeyError, TypeError, RecursionError, zipfile.BadZipFile, StudyError) as error:
                yield _row(name, name, kind, f"cannot be read ({type(error).__name__})", "can be read")
                continue
            yield from (_row(name, *row) for row in _differing(old, new, kind))


def _plain_file(path: Path) -> bool:
    return path.is_file() and not path.is_symlink() and path.stat().st_size <= MOST


def _row(section: str, name: str, what: str, recorded: object, now: object) -> dict:
    return {"section": section, "name": name, "what": what, "recorded": recorded, "now": now}


def _said(value: object, record: dict, drawn: bool) -> object:
    if isinstance(value, str) and value.startswith(PICTURE) and not drawn:
        return PICTURE  # one that was not drawn again stands as its title
    return without_versions(value, record) if isinstance(value, str) else value


def _of_one_side(recorded: Path, now: Path) -> Iterator[dict]:
    """Files that only one of two reports has: an edited report may have more, or less, and hashes that agree with it.

    Data and what is kept for the next report are looked at elsewhere; so are pictures.
    """
    names = [
        {
            name
            for path in folder.rglob("*")
            if (path.is_symlink() or not path.is_dir())
            and not (name := path.relative_to(folder).as_posix()).startswith(("inputs/", MAY_GO))
            and name != RECORD
            and not name.endswith(PICTURES)
        }
        for folder in (recorded, now)
    ]
    yield from (_row(name, name, "file", "is there", "not written") for name in sorted(names[0] - names[1]))
    yield from (_row(name, name, "file", "is not there", "written") for name in sorted(names[1] - names[0]))


def _differing(old: list[Item], new: list[Item], what: str) -> Iterator[tuple[str, str, object, object]]:
    if len(old) == len(new):
        for (place, before), (_, after) in zip(old, new, strict=True):
            if not _same(before, after):
                yield place, what, before, after
        return
    before, after = ([str(value) for _, value in items] for items in (old, new))
    for step, i, j, k, m in difflib.SequenceMatcher(None, before, after, autojunk=len(before) > 5000).get_opcodes():
        if step != "equal":
            place = old[i][0] if i < len(old) else new[k][0] if k < len(new) else "end"
            yield place, what, " ".join(before[i:j]), " ".join(after[k:m])


def _same(before: object, after: object) -> bool:
    if before == after:
        return True
    numbers = [_number(value) for value in (before, after)]
    # Both are numbers once neither is None, which the type checker does not see of a list.
    return None not in numbers and close(*numbers)  # type: ignore[arg-type]


def _number(value: object) -> float | None:
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return float(value)
    return float(value) if isinstance(value, str) and len(value) < 40 and NUMBER.fullmatch(value) else None


def _table(path: Path) -> Iterator[Item]:
    with path.open(encoding="utf-8", newline="") as file:
        rows = csv.reader(file)
        head = next(rows, [])
        yield from ((f"{path.name} head", name) for name in head)
        for line, row in enumerate(rows, 2):
            named = [*head, *[""] * (len(row) - len(head))]
            yield from ((f"{path.name} line {line} {column}", cell) for column, cell in zip(named, row, strict=False))


def _notebook(path: Path) -> Iterator[Item]:
    content = json.loads(path.read_text(encoding="utf-8"))
    for count, cell in enumerate(content["cells"], 1):
        shown = {key: value for key, value in cell.items() if key != "execution_count"}
        yield from _leaves(shown, f"{path.name} cell {count}")
    yield from _leaves({key: value for key, value in content.items() if key != "cells"}, f"{path.name} head")


def _leaves(value: object, place: str) -> Iterator[Item]:
    """The texts and numbers inside a JSON value; the numbers a figure holds packed are unpacked."""
    if isinstance(value, dict):
        if set(value) >= {"dtype", "bdata"} and value["dtype"] in PACKED:
            yield from ((place, number) for number in _unpacked(value))
            return
        for key in sorted(value):
            yield (place, key)
            yield from _leaves(value[key], f"{place} {key}")
    elif isinstance(value, list):
        for part in value:
            yield from _leaves(part, place)
    else:
        yield (place, value)


def _unpacked(value: dict) -> list[float]:
    return np.frombuffer(base64.b64decode(value["bdata"], validate=True), dtype=value["dtype"]).tolist()


class _Page(HTMLParser):
    """The texts of a page, its tags and comments, and the data of its figures; a program is taken as one text."""

    def __init__(self, name: str) -> None:
        super().__init__(convert_charrefs=True)
        self.items: list[Item] = []
        self._name = name
        self._heading, self._figure, self._is_heading = "top", "", False
        self._text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._flush()
        self._figure = (dict(attrs).get("id") or "data") if ("type", "application/json") in attrs else ""
        self._is_heading = re.fullmatch(r"h[1-6]", tag) is not None
        self._mark(f"<{tag} {attrs}>")

    def handle_endtag(self, tag: str) -> None:
        self._flush()
        self._figure, self._is_heading = "", False
        self._mark(f"</{tag}>")  # one that is gone can take what follows out of sight

    def handle_comment(self, data: str) -> None:
        self._flush()
        self._mark(f"<!--{data}-->")

    def handle_decl(self, decl: str) -> None:
        self._mark(f"<!{decl}>")

    def handle_pi(self, data: str) -> None:
        self._mark(f"<?{data}>")

    def unknown_decl(self, data: str) -> None:
        self._mark(f"<![{data}]>")

    def _mark(self, said: str) -> None:
        self.items.append((f"{self._name}, {self._heading}", said))

    def handle_data(self, data: str) -> None:
        self._text.append(data)

    def close(self) -> None:
        super().close()
        self._flush()

    def _flush(self) -> None:
        text, self._text = " ".join("".join(self._text).split()), []
        if text and self._figure:
            self.items.extend(_leaves(json.loads(text), f"{self._name}, figure {self._figure}"))
        elif text:
            self._heading = text if self._is_heading else self._heading
            self.items.append((f"{self._name}, {self._heading}", text))


def _page(path: Path) -> list[Item]:
    page = _Page("page" if path.stem == "report" else path.stem)
    page.feed(path.read_text(encoding="utf-8"))
    page.close()
    return page.items


def _lines(path: Path) -> Iterator[Item]:
    yield from ((path.name, line) for line in path.read_text(encoding="utf-8").splitlines())


KINDS: tuple[tuple[str, str, Callable], ...] = (
    ("table", "tables/*.csv", _table),
    ("figure", "figures/*.csv", _table),
    ("notebook", "notebooks/*.ipynb", _notebook),
    ("caption", "figures/*.txt", _lines),
    ("page", "*.html", _page),
    ("document", "report.docx", document_items),
    ("instruments", "instruments.md", _lines),
    ("note", "about_this_folder.txt", _lines),
)
