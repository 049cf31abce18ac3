"""A study as read from its folder: the protocol and every table, with what was noted on the way."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from outcomes.errors import StudyError
from outcomes.findings import Findings, flag
from outcomes.known import find_instrument, find_measure
from outcomes.protocol import Protocol
from outcomes.protocol_file import read_protocol
from outcomes.reading.files import FORMATS, load, sheet_names
from outcomes.reading.ids import (
    read_answer_words,
    resolve_arms,
    resolve_instruments,
    resolve_items,
    resolve_sides,
    resolve_visits,
)
from outcomes.reading.tables import Table, empty, typed_table
from outcomes.sheets import MEASUREMENTS, SHEETS


@dataclass(frozen=True)
class Study:
    """What `read_study` returns. Tables without a file are empty, with the right columns.

    Every table has `row`, the row number in its file (the header is row 1). A measured value has three columns:
    `value` (`degrees` in angles; NaN where there is no number), `typed` (the cell as typed) and `code` (one of
    `columns.NOT_A_NUMBER` where the cell says why there is no number; "" for a number or an unreadable cell).
    """

    folder: Path
    protocol: Protocol
    participants: pd.DataFrame
    visits: pd.DataFrame
    items: pd.DataFrame
    totals: pd.DataFrame
    trials: pd.DataFrame
    angles: pd.DataFrame
    sessions: pd.DataFrame
    adverse_events: pd.DataFrame
    files: Mapping[str, str] = field(default_factory=dict)  # table -> file it was read from
    headers: Mapping[str, Mapping[str, str]] = field(default_factory=dict)  # table -> our column -> header in the file
    hashes: Mapping[str, str] = field(default_factory=dict)  # file -> SHA-256
    rows_read: Mapping[str, int] = field(default_factory=dict)  # table -> rows in the file
    findings: Findings = field(default_factory=Findings)  # what was converted or unreadable; `check` adds the rest

    def table(self, name: str) -> pd.DataFrame:
        """A table by the name of its sheet."""
        return getattr(self, name)

    def header(self, table: str, column: str) -> str:
        """The header in the file of one of our columns."""
        return self.headers.get(table, {}).get(column, column)


def read_study(path: str | Path) -> Study:
    """Reads a study folder: `study.toml`, `participants` and at least one sheet of measurements.

    Cells are kept as typed beside what they were read as; every conversion and every cell that could not be read is
    in `study.findings`; no row is left out.

    Raises:
        StudyError: where there is no folder, no study.toml, a broken study.toml, no participants or no measurements.

    Example:
        >>> read_study("no/such/folder")
        Traceback (most recent call last):
        outcomes.errors.StudyError: ...
    """
    folder = Path(path)
    if not folder.is_dir():
        raise StudyError(
            f"{folder}: there is no such study folder; allowed is a folder with study.toml, participants and a sheet "
            "of measurements. Correct the path, or make a folder to fill in with 'outcomes new'."
        )
    listed = sorted(entry for entry in folder.iterdir() if entry.is_file() and not entry.name.startswith((".", "~")))
    if not listed:
        raise StudyError(
            f"{folder}: the study folder is empty: found no file; allowed are study.toml, participants and one of "
            f"{', '.join(MEASUREMENTS)}. Put the tables there, or make a folder to fill in with 'outcomes new'."
        )
    protocol = read_protocol(folder / "study.toml")
    found: list[pd.DataFrame] = []
    places = _places(listed, protocol, found)
    _need(places, folder)
    tables = {name: _read_sheet(name, places[name], protocol, found) for name in SHEETS if name in places}
    _need_rows(tables, folder)
    frames = {name: tables[name].frame if name in tables else empty(sheet) for name, sheet in SHEETS.items()}
    headers = {
        name: {ours: table.header.in_file(ours) for ours in SHEETS[name].names} for name, table in tables.items()
    }
    files = {name: table.file for name, table in tables.items()}
    _resolve_ids(frames, files, headers, protocol, found)
    used = {place[0] for name, place in places.items() if name in tables} | {folder / "study.toml"}
    return Study(
        folder=folder,
        protocol=protocol,
        **frames,
        files=files,
        headers=headers,
        hashes={entry.name: hashlib.sha256(entry.read_bytes()).hexdigest() for entry in sorted(used)},
        rows_read={name: table.rows_read for name, table in tables.items()},
        findings=Findings(found),
    )


def _places(listed: list[Path], protocol: Protocol, found: list[pd.DataFrame]) -> dict[str, tuple[Path, str | None]]:
    """Where each table is: a file named like it, or a sheet named like it in any workbook."""
    places: dict[str, list[tuple[Path, str | None]]] = {}
    mapped = {wide.file for wide in protocol.wide}
    for entry in listed:
        name, ending = entry.stem.lower(), entry.suffix.lower()
        if entry.name == "study.toml" or entry.name in mapped:
            continue
        if ending in FORMATS and name in SHEETS:
            places.setdefault(name, []).append((entry, None))
        elif ending == ".xlsx":
            sheets = [sheet for sheet in sheet_names(entry) if sheet.strip().lower() in SHEETS]
            for sheet in sheets:
                places.setdefault(sheet.strip().lower(), []).append((entry, sheet))
            if not sheets:
                found.append(_not_read(entry))
        elif ending in FORMATS or name in SHEETS:
            found.append(_not_read(entry))
    return {name: _one(name, choices, found) for name, choices in places.items()}


def _not_read(entry: Path) -> pd.DataFrame:
    return flag(
        "file not read", file=entry.name, found=entry.name, allowed=f"{', '.join(SHEETS)}; {', '.join(FORMATS)}"
    )


def _one(name: str, choices: list[tuple[Path, str | None]], found: list[pd.DataFrame]) -> tuple[Path, str | None]:
    """The one place of a table; of several the only one with rows, and an error where several have some."""
    if len(choices) == 1:
        return choices[0]
    filled = [place for place in choices if len(load(*place)[0].cells) > 1]
    if len(filled) > 1:
        names = ", ".join(path.name for path, _ in filled)
        found.append(flag("table in two files", file=filled[0][0].name, found=names, allowed=f"one file for {name}"))
    return (filled or choices)[0]


def _need(places: Mapping[str, object], folder: Path) -> None:
    if "participants" not in places:
        raise StudyError(
            f"{folder}: participants is missing: found {', '.join(places) or 'no table'}; allowed is a file "
            f"participants ({', '.join(FORMATS)}) with one row per participant. Add it."
        )
    if not any(name in places for name in MEASUREMENTS):
        raise StudyError(
            f"{folder}: there are no measurements: found {', '.join(places)}; allowed is one or more of "
            f"{', '.join(MEASUREMENTS)}. Add the sheet that holds the scores."
        )


def _need_rows(tables: Mapping[str, Table], folder: Path) -> None:
    if tables["participants"].frame.empty:
        raise StudyError(
            f"{tables['participants'].file} in {folder}: no participant: found 0 rows, allowed one row per "
            "participant. Fill in the sheet."
        )
    if not any(len(tables[name].frame) for name in MEASUREMENTS if name in tables):
        files = ", ".join(tables[name].file for name in MEASUREMENTS if name in tables)
        raise StudyError(f"{files} in {folder}: no measurement: found 0 rows, allowed 1 or more. Fill in the sheet.")


def _read_sheet(name: str, place: tuple[Path, str | None], protocol: Protocol, found: list[pd.DataFrame]) -> Table:
    grid, noted = load(*place)
    sheet = SHEETS[name]
    wanted = sheet.required
    if name == "participants" and len(protocol.arms) > 1:
        wanted = (*wanted, "arm")
    table = typed_table(grid, sheet, protocol.columns.get(name, {}), wanted)
    found += noted
    found += table.found
    return table


def _resolve_ids(frames, files, headers, protocol: Protocol, found: list[pd.DataFrame]) -> None:
    def place(name: str, column: str) -> tuple[str, str]:
        return files.get(name, ""), headers.get(name, {}).get(column, column)

    found += resolve_arms(frames["participants"], protocol, *place("participants", "arm"))
    affected = dict(zip(frames["participants"]["participant"], frames["participants"]["affected_side"], strict=True))
    for name in ("visits", *MEASUREMENTS):
        found += resolve_visits(frames[name], protocol, *place(name, "visit"))
    for name in ("items", "totals"):
        found += resolve_instruments(frames[name], protocol, *place(name, "instrument"))
    found += resolve_items(frames["items"], *place("items", "item"))
    for name in MEASUREMENTS:
        frame = frames[name]
        sided = _sided(frame, protocol)
        found += resolve_sides(frame, affected, *place(name, "side"), sided)
    read = read_answer_words(frames["items"])
    if read.any():  # words of an instrument are answers, neither text in a number nor missing
        rows = set(frames["items"].loc[read, "row"])
        for place_in_list, part in enumerate(found):
            words = part["rule"].isin(("text in a number", "word read as missing")) & (part["file"] == files["items"])
            found[place_in_list] = part[~(words & part["row"].isin(rows))]


def _sided(frame: pd.DataFrame, protocol: Protocol) -> pd.Series:
    """Whether each row is of an instrument that is scored for a left or right hand."""
    if "instrument" not in frame:
        return pd.Series(True, index=frame.index)  # a joint angle
    sided = {}
    for name in frame["instrument"].unique():
        instrument = find_instrument(name)
        sided[name] = bool(instrument and instrument.sided and not find_measure(protocol, name, ""))
    return frame["instrument"].map(sided).fillna(False).astype(bool)
