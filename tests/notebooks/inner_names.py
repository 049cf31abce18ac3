"""Finds names that only the kit uses where people read or paste: ids of outcomes and visits, keys, names of files.

Searched: the first page and the sheet made of it, the texts to paste, what stands in figures and under them (page,
appendix, pictures and the caption beside each), the word-processor document up to its list of sources. Tables of the
appendix and the part on how a report was made name files on purpose.
"""

import json
import re
import sys
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import nbformat
from docx import Document

from notebooks.report import record as records
from outcomes.library.registry import references
from outcomes.protocol.study_toml import read_protocol

KEYS = [key for key in references() if "-" in key]
LIKE_A_NAME = re.compile(r".{0,40}(?:\w_\w|\.toml|\.csv|record\.json|\[\[).{0,40}")
PASTED = re.compile(r'<div class="prose">(.*?)</div>', re.DOTALL)
CAPTION = re.compile(r"<figcaption\b[^>]*>(.*?)</figcaption>", re.DOTALL)
DATA = re.compile(r'<script type="application/json"[^>]*>(.*?)</script>', re.DOTALL)
APART = re.compile(r"<(style|script|svg|details)\b.*?</\1>", re.DOTALL)
DRAWN = re.compile(r"<text\b[^>]*>(.*?)</text>", re.DOTALL)


def visible(markup: str) -> str:
    """The words of a piece of HTML; the numbers of a figure, folded away as a table with its columns, are left out."""
    return unescape(re.sub(r"<[^>]+>", " ", APART.sub(" ", markup)))


def in_report(report: Path) -> list[str]:
    """Every such name with the words around it: "where: words"."""
    protocol = read_protocol(report / "inputs" / "study.toml")
    ids = [*protocol.outcomes, *(visit.id for visit in protocol.visits if not visit.id.isalpha()), *KEYS]
    named = re.compile("|".join(rf"(?<![\w.-]){re.escape(one)}(?![\w-]|\.\w)" for one in ids))
    codes = re.compile("|".join(rf"\b{re.escape(one)}\b" for one in _people(report)) or r"(?!)")
    found = []
    for where, text in _texts(report):
        found += [f"{where}: {around(text, hit)}" for hit in named.finditer(text)]
        found += [f"{where}: {hit.group()}" for hit in LIKE_A_NAME.finditer(text)]
        if where != "first page":  # which may say whose data need a look
            found += [f"{where}: {around(text, hit)}" for hit in codes.finditer(text)]
    return found


def around(text: str, hit: re.Match) -> str:
    """What was found with a few words on either side."""
    return text[max(0, hit.start() - 40) : hit.end() + 40].replace("\n", " ")


def _people(report: Path) -> list[str]:
    table = next((report / "inputs").glob("participants.csv"), None)
    rows = table.read_text(encoding="utf-8").splitlines()[1:] if table else []
    # A code of digits alone is no word to look for: every number of a page would be one.
    return [code for code in (row.partition(",")[0] for row in rows) if code and not code.isdigit()]


def _texts(report: Path) -> Iterator[tuple[str, str]]:
    page = (report / "report.html").read_text(encoding="utf-8")
    yield "first page", visible(page.partition('<section id="answer"')[2].partition("</section>")[0])
    notebook = nbformat.read(report / "notebooks" / "0_the_answer.ipynb", 4)
    yield "sheet", visible(next(one for one in records.contents(notebook) if one["kind"] == "answer")["sheet"])
    for name in ("report.html", "appendix.html"):
        page = (report / name).read_text(encoding="utf-8") if (report / name).exists() else ""
        for kind, pattern in (("captions", CAPTION), ("to paste", PASTED)):
            yield f"{name}, {kind}", "\n".join(visible(text) for text in pattern.findall(page))
        for data in DATA.findall(page):
            spec = json.loads(data)
            yield f"{name}, {spec['layout'].get('meta', {}).get('name', 'a figure')}", "\n".join(_drawn(spec, ""))
    for path in sorted((report / "figures").glob("*.txt")):
        yield path.name, path.read_text(encoding="utf-8")
    for path in sorted((report / "figures").glob("*.svg")):
        yield path.name, "\n".join(visible(text) for text in DRAWN.findall(path.read_text(encoding="utf-8")))
    document = Document(str(report / "report.docx"))
    told = "\n".join(one.text for one in document.paragraphs).partition("\nSources\n")[0]
    cells = [cell.text for table in document.tables for row in table.rows for cell in row.cells]
    yield "document", "\n".join([told.partition("\nHow this report was made\n")[0], *cells])


def _drawn(part: object, key: str) -> Iterator[str]:
    """Texts of a figure that a reader sees; what it carries for the record (meta, the numbers beside it) is not."""
    if isinstance(part, str) and key in ("text", "name", "title", "ticktext", "hovertemplate"):
        yield part
    elif isinstance(part, dict):
        for name, value in part.items():
            if name != "meta":
                yield from _drawn(value, name)
    elif isinstance(part, list):
        for value in part:
            yield from _drawn(value, key)


if __name__ == "__main__":
    left = {folder: in_report(Path(folder)) for folder in sys.argv[1:]}
    for folder, places in left.items():
        print(f"{folder}: {len(places)} found", *places[:40], sep="\n  ")
    sys.exit(1 if any(left.values()) else 0)
