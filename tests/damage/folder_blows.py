"""Damages to a study folder as they happen to files that tired people type, mail and save, and as somebody means harm.

Each blow changes the folder and says what it did. `told` blows change the table as a whole: where the scores come out
different, or rows differ, the kit must say something it did not say of the good folder. The others change what a cell
holds; whether the kit reads the cell as it now stands is checked row by row, by another reader (`verdicts`).
"""

import os
import random
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

JUNK = (
    "", " ", "abc", "-1", "1e9", "999", "-99", "n/a", "refused", "unable", "3,5", "1.234", "1,234", "1.234,5", "0",
    "66", "2025-02-31", "31.12.2024", "12/31/2024", "2/3/85", "2025-03-04T10:30", "2025-03-04 or 5", "45000", "45000.5",
    "P01", "P99", "w99", "left", "affected", "lbf", "NaN", "inf", "1_000", "½", "ü", '"', '""', "a,b", "x" * 300,
    "1\u200b2",
    "\ufeff7", "P0\u200d1", "１２", "−3", "–", "=1+1", "@x", "'5", "5'", "1 2", "1\u00a02", "\x0b", "\x1a", "#N/A",
    "#DIV/0!", "9" * 400, "1e400", "0x10", "true", "5\n6", "a\tb", "\\", "{np}", "<b>5</b>", "%s", "None", "null",
)  # fmt: skip


@dataclass(frozen=True)
class Blow:
    """What was done. told: the kit must say something new where tables or scores come out different."""

    says: str
    told: bool


def strike(folder: Path, form: str, rng: random.Random) -> Blow:
    """One damage to one file of the folder."""
    tables = sorted(path for path in folder.iterdir() if path.name != "study.toml")
    path = rng.choice(tables)
    text = path.suffix in (".csv", ".tsv")
    blows: list[Callable] = [_bytes, _cut, _file]
    if text:
        blows += [_cell, _cell, _cell, _column, _quote, _quotes, _delimiter, _lines, _lines, _whole]
    elif path.suffix == ".xlsx":
        blows += [_archive, _archive, _archive, _part]
    return rng.choice(blows)(path, form, rng)


def _text(path: Path, form: str) -> tuple[list[str], str, str]:
    code = {"utf-16": "utf-16", "windows": "cp1252"}.get(form, "utf-8")
    mark = {"semicolon": ";", "tsv": "\t"}.get(form, ",")
    return path.read_bytes().decode(code).splitlines(), mark, code


def _write(path: Path, lines: list[str], code: str, end: str = "\n") -> None:
    path.write_bytes((end.join(lines) + end).encode(code, errors="replace"))


def _cell(path: Path, form: str, rng: random.Random) -> Blow:
    lines, mark, code = _text(path, form)
    row = rng.randrange(len(lines))
    cells = lines[row].split(mark)
    column, junk = rng.randrange(len(cells)), rng.choice(JUNK)
    quoted = '"' + junk.replace('"', '""') + '"' if set(junk) & {mark, '"', "\n"} else junk
    cells[column] = quoted
    lines[row] = mark.join(cells)
    _write(path, lines, code)
    return Blow(f"{path.name}, line {row + 1}, cell {column + 1}: {junk[:20]!r}", False)


def _column(path: Path, form: str, rng: random.Random) -> Blow:
    """A way of writing numbers through a whole column: decimal commas, a sign in front, blanks around."""
    lines, mark, code = _text(path, form)
    column = rng.randrange(len(lines[0].split(mark)))
    way = rng.choice([lambda text: text.replace(".", ","), lambda text: f" {text} ", lambda text: f"{text}\u00a0",
                      lambda text: f"\u200b{text}", lambda text: text + ",0", lambda text: f"'{text}"])  # fmt: skip
    for row in range(1, len(lines)):
        cells = lines[row].split(mark)
        if column < len(cells):
            cell = way(cells[column])
            cells[column] = f'"{cell}"' if mark in cell else cell
            lines[row] = mark.join(cells)
    _write(path, lines, code)
    return Blow(f"{path.name}, column {column + 1} written another way", False)


def _quote(path: Path, form: str, rng: random.Random) -> Blow:
    lines, mark, code = _text(path, form)
    row = rng.randrange(len(lines))
    cells = lines[row].split(mark)
    column = rng.randrange(len(cells))
    cells[column] = rng.choice(['"' + cells[column], cells[column] + '"', '"'])
    lines[row] = mark.join(cells)
    _write(path, lines, code)
    return Blow(f"{path.name}, line {row + 1}, cell {column + 1}: a stray quotation mark", True)


def _quotes(path: Path, form: str, rng: random.Random) -> Blow:
    lines, mark, code = _text(path, form)
    rows = sorted(rng.sample(range(1, len(lines)), min(2, len(lines) - 1)))
    for row in rows:
        cells = lines[row].split(mark)
        column = rng.randrange(len(cells))
        cells[column] = rng.choice(['"' + cells[column], cells[column] + '"'])
        lines[row] = mark.join(cells)
    _write(path, lines, code)
    return Blow(f"{path.name}, lines {[row + 1 for row in rows]}: quotation marks apart", True)


def _delimiter(path: Path, form: str, rng: random.Random) -> Blow:
    lines, mark, code = _text(path, form)
    row = rng.randrange(1, len(lines))
    places = [place for place, sign in enumerate(lines[row]) if sign == mark]
    place = rng.choice(places)
    other = rng.choice(["", " ", mark + mark, {",": ";", ";": ",", "\t": " "}[mark]])
    lines[row] = lines[row][:place] + other + lines[row][place + 1 :]
    _write(path, lines, code)
    return Blow(f"{path.name}, line {row + 1}: a delimiter became {other!r}", True)


def _lines(path: Path, form: str, rng: random.Random) -> Blow:
    lines, mark, code = _text(path, form)
    row = rng.randrange(1, len(lines))
    what = rng.choice(["twice", "blank", "joined", "title", "header again", "commas", "ends"])
    if what == "twice":
        lines.insert(row, lines[row])
    elif what == "blank":
        lines.insert(row, rng.choice(["", mark * lines[0].count(mark), "   "]))
    elif what == "joined" and row + 1 < len(lines):
        lines[row] += lines.pop(row + 1)
    elif what == "title":
        lines.insert(0, "Export")
    elif what == "header again":
        lines.insert(row, lines[0])
    elif what == "commas":
        lines[row] += mark * rng.randrange(1, 4)
    _write(path, lines, code, rng.choice(["\n", "\r\n", "\r"]) if what == "ends" else "\n")
    return Blow(f"{path.name}, line {row + 1}: {what}", what in ("twice", "joined", "header again"))


def _whole(path: Path, form: str, rng: random.Random) -> Blow:
    lines, mark, code = _text(path, form)
    what = rng.choice(["order", "header gone", "other code", "no end", "empty", "header only", "columns"])
    if what == "order":
        body = lines[1:]
        rng.shuffle(body)
        _write(path, [lines[0], *body], code)
    elif what == "header gone":
        _write(path, lines[1:], code)
    elif what == "other code":
        _write(path, lines, rng.choice(["cp1252", "utf-16", "utf-8-sig", "utf-16-le", "utf-32", "latin-1"]))
    elif what == "no end":
        path.write_bytes("\n".join(lines).encode(code))
    elif what == "empty":
        path.write_bytes(b"")
    elif what == "header only":
        _write(path, lines[:1], code)
    else:
        order = list(range(len(lines[0].split(mark))))
        rng.shuffle(order)
        _write(
            path, [mark.join(line.split(mark)[k] for k in order if k < line.count(mark) + 1) for line in lines], code
        )
    return Blow(f"{path.name}: {what}", what not in ("order", "no end", "columns"))


def _bytes(path: Path, form: str, rng: random.Random) -> Blow:
    raw = bytearray(path.read_bytes())
    for _ in range(rng.randrange(1, 4)):
        place = rng.randrange(len(raw))
        what = rng.choice(["flip", "out", "in"])
        if what == "flip":
            raw[place] ^= 1 << rng.randrange(8)
        elif what == "out":
            del raw[place]
        else:
            raw.insert(place, rng.randrange(256))
        if not raw:
            break
    path.write_bytes(bytes(raw))
    return Blow(f"{path.name}: bytes changed", path.suffix == ".xlsx")


def _cut(path: Path, form: str, rng: random.Random) -> Blow:
    raw = path.read_bytes()
    if path.suffix in (".csv", ".tsv"):  # in the middle of a line: whole lines that are missing cannot be seen
        ends = [place for place in range(1, len(raw) - 1) if raw[place - 1 : place] != b"\n" and raw[place : place + 1]]
        kept = raw[: rng.choice(ends)]
    else:
        kept = raw[: rng.randrange(len(raw))]
    path.write_bytes(kept)
    return Blow(f"{path.name}: cut to {len(kept)} of {len(raw)} bytes", path.suffix == ".xlsx")


def _file(path: Path, form: str, rng: random.Random) -> Blow:
    what = rng.choice(["folder", "link", "gone", "other ending", "copy", "unreadable name"])
    if what == "folder":
        path.unlink()
        path.mkdir()
    elif what == "link":
        outside = path.parent.parent / f"outside_{path.name}"
        path.rename(outside)
        os.symlink(outside, path)
    elif what == "gone":
        path.unlink()
    elif what == "other ending":
        path.rename(path.with_suffix(rng.choice([".csv", ".xlsx", ".parquet", ".sav", ".dta", ".tsv", ".txt"])))
    elif what == "copy":
        path.with_suffix(rng.choice([".csv", ".tsv", ".xlsx"])).write_bytes(path.read_bytes())
    else:
        path.rename(path.with_name(f"{path.stem} (1){path.suffix}"))
    return Blow(f"{path.name}: {what}", what == "link")


def _archive(path: Path, form: str, rng: random.Random) -> Blow:
    """A workbook written again with one part changed, as if it had been so when it was packed."""
    with zipfile.ZipFile(path) as book:
        parts = {name: book.read(name) for name in book.namelist()}
    name = rng.choice(sorted(parts))
    what = rng.choice(["empty", "gone", "flip", "doctype", "deep", "junk", "swapped"])
    content = bytearray(parts[name])
    if what == "empty":
        parts[name] = b""
    elif what == "gone":
        del parts[name]
    elif what == "flip" and content:
        content[rng.randrange(len(content))] ^= 1 << rng.randrange(8)
        parts[name] = bytes(content)
    elif what == "doctype":
        head = b'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b "' + b"c" * 1000 + b'">]>'
        parts[name] = head + parts[name].partition(b"?>")[2]
    elif what == "deep":
        parts[name] = b"<a>" * 5000 + b"</a>" * 5000
    elif what == "junk":
        parts[name] = bytes(rng.randrange(256) for _ in range(200))
    else:
        other = rng.choice(sorted(parts))
        parts[name], parts[other] = parts[other], parts[name]
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as book:
        for part, written in parts.items():
            book.writestr(part, written)
    return Blow(f"{path.name}, {name}: {what}", False)


def _part(path: Path, form: str, rng: random.Random) -> Blow:
    """Bits of the archive's own records: encryption, method, sizes."""
    raw = bytearray(path.read_bytes())
    heads = [place for place in range(len(raw) - 4) if raw[place : place + 4] in (b"PK\x01\x02", b"PK\x03\x04")]
    place = rng.choice(heads)
    central = raw[place : place + 4] == b"PK\x01\x02"
    offset = (8 if central else 6) + rng.choice([0, 0, 2, 12])
    raw[place + offset] ^= rng.choice([1, 8, 64])
    path.write_bytes(bytes(raw))
    return Blow(f"{path.name}: a bit of its records", True)
