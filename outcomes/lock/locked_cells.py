"""The cells of a study as short digests, kept in a lock, so that a cell that was changed later can be named.

A digest shows that a cell is not what it was; it does not say what it was. But who tries out the few values a cell can
have finds the right one, so a lock is handled like the data it was made of.
"""

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import pandas as pd

from outcomes.findings import as_text

# What makes a row the same row; a second one of the same kind is counted (#2).
KEYS = {
    "participants": ("participant",),
    "visits": ("participant", "visit"),
    "items": ("participant", "visit", "instrument", "item", "side", "condition"),
    "totals": ("participant", "visit", "instrument", "scale", "side", "condition"),
    "trials": ("participant", "visit", "instrument", "side", "condition", "trial"),
    "angles": ("participant", "visit", "side", "digit", "joint", "movement", "mode"),
    "sessions": ("participant", "session"),
    "adverse_events": ("participant", "date", "term"),
    "device_deficiencies": ("deficiency", "date"),
    "wear_log": ("participant", "date"),
    "skin_checks": ("participant", "date", "when", "site", "side"),
    "device_ratings": ("participant", "visit", "respondent"),
    "motion_grades": ("participant", "visit", "side", "digit", "condition", "system"),
}
WHERE_FILLED = ("repetition", "velocity")  # of angles: part of the key of the rows that have them
MOST_ROWS = 50_000  # of a table whose cells are kept; of larger ones the lock has the number of rows and the hash
_BLANK = "-"
_APART = ("row", "file", "header", "code")
_LENGTH = 8  # hexadecimal digits: one changed cell in four thousand million is missed


@dataclass(frozen=True)
class CellChange:
    """A cell that is not as it was locked. now: what it holds; place: index in the table of today."""

    column: str
    place: object
    now: str
    filled: bool  # it was blank


@dataclass(frozen=True)
class TableChanges:
    """What became of the locked rows of a table: cells changed, keys of rows that are gone, number of rows added."""

    cells: tuple[CellChange, ...]
    gone: tuple[tuple[str, ...], ...]
    added: int


def cells_of(tables: Mapping[str, pd.DataFrame]) -> dict[str, dict]:
    """Digests of every cell: table -> columns, and rows by their key, one digest per column in one text."""
    kept = {}
    for name, keys in KEYS.items():
        frame = tables[name]
        if not 0 < len(frame) <= MOST_ROWS:
            continue
        columns = _columns(frame, keys)
        rows = {}
        for key, texts, _ in _rows(frame, keys, columns):
            digests = [_digest(name, key, column, text) for column, text in zip(columns, texts, strict=True)]
            rows["\t".join(key)] = " ".join(digests)
        kept[name] = {"columns": columns, "rows": rows}
    return kept


def changes(locked: Mapping[str, Mapping], name: str, frame: pd.DataFrame) -> TableChanges | None:
    """What has changed in a table since its cells were locked; None where they were not kept."""
    if name not in locked:
        return None
    columns, rows = list(locked[name]["columns"]), dict(locked[name]["rows"])
    found: list[CellChange] = []
    added = 0
    for key, texts, place in _rows(frame, KEYS[name], columns):
        digests = rows.pop("\t".join(key), None)
        if digests is None:
            added += 1
            continue
        for column, text, digest in zip(columns, texts, digests.split(" "), strict=True):
            if digest != _digest(name, key, column, text):
                found.append(CellChange(column, place, text, digest == _BLANK))
    return TableChanges(tuple(found), tuple(tuple(key.split("\t")) for key in rows), added)


def _columns(frame: pd.DataFrame, keys: tuple[str, ...]) -> list[str]:
    return [str(name) for name in frame.columns if name not in (*keys, *_APART, "typed")]


def _rows(
    frame: pd.DataFrame, keys: tuple[str, ...], columns: list[str]
) -> Iterator[tuple[tuple[str, ...], tuple[str, ...], object]]:
    """Key, texts and index of every row; a measured value that is no number is its cell as typed."""
    more = WHERE_FILLED if keys == KEYS["angles"] else ()
    written = {name: _texts(frame, name) for name in (*keys, *columns, *more)}
    seen: dict[tuple[str, ...], int] = {}
    for number, place in enumerate(frame.index):
        key = tuple(written[name][number].replace("\t", " ") for name in keys)
        key += tuple(f"{name} {written[name][number]}" for name in more if written[name][number])
        seen[key] = seen.get(key, 0) + 1
        if seen[key] > 1:
            key = (*key, f"#{seen[key]}")
        yield key, tuple(written[name][number] for name in columns), place


def _texts(frame: pd.DataFrame, name: str) -> list[str]:
    if name not in frame:
        return [""] * len(frame)
    column = frame[name]
    if pd.api.types.is_datetime64_any_dtype(column.dtype):
        return list(column.dt.strftime("%Y-%m-%d").fillna(""))
    if name in ("value", "degrees") and "typed" in frame:
        column = column.astype(object).where(column.notna(), frame["typed"])
    return [as_text(value) for value in column]


def _digest(table: str, key: tuple[str, ...], column: str, text: str) -> str:
    if not text:
        return _BLANK
    return hashlib.sha256("\n".join((table, *key, column, text)).encode()).hexdigest()[:_LENGTH]
