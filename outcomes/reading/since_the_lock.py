"""What became of the data since the plan was locked: told file by file, and for locked rows cell by cell."""

from collections.abc import Iterator, Mapping

import pandas as pd

from outcomes.findings import flag
from outcomes.lock.lock_file import Lock, of_another_study
from outcomes.lock.locked_cells import KEYS, TableChanges, changes


def data_since_the_lock(
    lock: Lock | None,
    tables: Mapping[str, pd.DataFrame],
    files: Mapping[str, str],
    headers: Mapping[str, Mapping[str, str]],
    hashes: Mapping[str, str],
) -> Iterator[pd.DataFrame]:
    """Findings against the last lock: data may grow, and a blank cell may be filled in; everything else is named.

    tables: as they are read, before anything is masked. hashes: file -> SHA-256.
    """
    if lock is None or of_another_study(lock, set(tables["participants"]["participant"])):
        return
    last = lock.locks[-1]
    if not last.participants:  # locked before the first row
        return
    told: dict[str, list[str]] = {}
    for name in KEYS:
        made = changes(last.cells, name, tables[name])
        if made is None:
            continue
        yield from _of_table(made, name, tables[name], files.get(name, ""), headers.get(name, {}), last.day)
        words = _counted(made)
        for file in files.get(name, "").split(", sheet ")[0].split(", ") if words else ():
            told.setdefault(file, []).append(f"{name}: {words}")
    for file, digest in hashes.items():
        if file == "study.toml" or last.files.get(file) == digest:
            continue
        what = "not there when the plan was locked" if file not in last.files else "; ".join(
            told.get(file) or ["the bytes only, no cell of a locked row" if last.cells else "its content"]
        )  # fmt: skip
        allowed = f"as locked on {last.day}, or more rows"
        yield flag("data changed since the lock", file=file, found=what, allowed=allowed)


def _of_table(
    made: TableChanges, name: str, frame: pd.DataFrame, file: str, headers: Mapping[str, str], day: str
) -> Iterator[pd.DataFrame]:
    arms = [cell for cell in made.cells if (name, cell.column) == ("participants", "arm") and not cell.filled]
    others = [cell for cell in made.cells if not cell.filled and cell not in arms]
    for rule, cells in (("arm changed since the lock", arms), ("cell changed since the lock", others)):
        if cells:
            rows = frame.loc[[cell.place for cell in cells]].reset_index(drop=True)
            measured = rows["header"].astype("str") if "header" in rows else None
            columns = [
                str(measured[number]) if measured is not None and cell.column in ("value", "degrees")
                else headers.get(cell.column, cell.column)
                for number, cell in enumerate(cells)
            ]  # fmt: skip
            now = pd.Series([cell.now or "blank" for cell in cells], dtype="str")
            yield flag(rule, rows, file=file, column=pd.Series(columns, dtype="str"), found=now,
                       allowed=f"as locked on {day}")  # fmt: skip
    if made.gone:
        visits = [dict(zip(KEYS[name], key, strict=False)).get("visit", "") for key in made.gone]
        for key, visit in zip(made.gone, visits, strict=True):
            rest = ", ".join(part for part in key[1:] if part and part != visit)
            yield flag("locked row gone", file=file, participant=key[0], visit=visit,
                       found=f"no row {rest}".strip(), allowed=f"as locked on {day}")  # fmt: skip


def _counted(made: TableChanges) -> str:
    filled = sum(cell.filled for cell in made.cells)
    parts = [
        (made.added, "more row", "more rows"),
        (len(made.cells) - filled, "cell changed", "cells changed"),
        (filled, "blank cell filled in", "blank cells filled in"),
        (len(made.gone), "row gone", "rows gone"),
    ]
    return ", ".join(f"{count} {one if count == 1 else more}" for count, one, more in parts if count)
