"""From a study folder to a `Study`: every table read, ids resolved, the arms masked where the study is blinded."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd

from outcomes.blinding.letters import NAME as LETTERS_FILE
from outcomes.blinding.letters import is_masked
from outcomes.blinding.masking import mask
from outcomes.device_sheets import DEVICE_TABLES
from outcomes.errors import StudyError
from outcomes.findings import Findings, flag
from outcomes.library.known import find_instrument, find_measure
from outcomes.lock.analysis_plan import plan_digest, plan_of
from outcomes.lock.departures import departures
from outcomes.lock.lock_file import NAME as LOCK_FILE
from outcomes.lock.lock_file import DamagedLock, Lock, read_lock
from outcomes.protocol.study_toml import read_protocol
from outcomes.protocol.trial import Protocol
from outcomes.reading.cells import over_distinct, plain, tidy
from outcomes.reading.files import Grid, load
from outcomes.reading.folder_files import file_hash, hashes_of, listed_files
from outcomes.reading.ids import (
    read_answer_words,
    resolve_arms,
    resolve_instruments,
    resolve_items,
    resolve_sides,
    resolve_visits,
)
from outcomes.reading.line_count import line_count
from outcomes.reading.since_the_lock import data_since_the_lock
from outcomes.reading.sources import Source, find_sources, sheet_of
from outcomes.reading.typed_tables import Cells, Table, read_cells, under_header
from outcomes.reading.wide import is_wide, unfold_declared, unfold_items
from outcomes.sheets import MEASUREMENTS, SHEETS, empty
from outcomes.study import LineCount, Study
from outcomes.text_storage import texts_of_files


def read_study(path: str | Path, *, masked: bool = True) -> Study:
    """Reads a study folder: `study.toml`, `participants` and at least one sheet of measurements.

    A study that is blinded, and not yet unblinded, is read with letters for its arms and without what would tell them
    apart; masked=False reads it as it is, for those who are not blinded.

    Cells are kept as typed beside what they were read as; every conversion and every cell that could not be read is
    in `study.findings`; no row is left out.

    Raises:
        StudyError: where there is no folder, no study.toml, a broken study.toml, no participants or no measurements.

    Example:
        >>> read_study("no/such/folder")
        Traceback (most recent call last):
        outcomes.errors.StudyError: ...
    """
    folder, listed = listed_files(path)
    protocol = read_protocol(folder / "study.toml")
    found: list[pd.DataFrame] = []
    sources = find_sources(folder, listed, protocol, found)
    read = Read()
    with texts_of_files(source.path for source in sources):
        for source in sources:
            grid, noted = load(source.path, source.page)
            found += noted
            read.add(source, grid, protocol, found)
        return assembled(folder, protocol, read, found, masked=masked, hashes=hashes_of(folder, sources))


@dataclass
class Read:
    """Tables as they were read so far, by sheet, and where their lines went."""

    tables: dict[str, list[Table]] = field(default_factory=dict)
    lines: list[LineCount] = field(default_factory=list)

    def add(self, source: Source, grid: Grid, protocol: Protocol, found: list[pd.DataFrame]) -> None:
        """One more source; `found` takes what is noted on the way."""
        table = _read_grid(source, grid, protocol)
        found += table.found
        self.tables.setdefault(source.table, []).append(table)
        self.lines.append(line_count(source.table, grid, table))


def assembled(
    folder: Path, protocol: Protocol, read: Read, found: list[pd.DataFrame], *, masked: bool, hashes: dict[str, str]
) -> Study:
    """The study of tables that were read: ids resolved, ratings split, masked where it is blinded."""
    recorded = list((folder / "series").glob("*")) if protocol.series_outcomes else []
    tables = read.tables
    _need_rows(tables, folder, bool(recorded))
    frames = {name: _joined(tables[name]) if name in tables else empty(sheet) for name, sheet in SHEETS.items()}
    headers = {
        name: {ours: parts[0].header.in_file(ours) for ours in SHEETS[name].names} for name, parts in tables.items()
    }
    files = {name: ", ".join(dict.fromkeys(part.file for part in parts)) for name, parts in tables.items()}
    _join_mode_and_condition(frames["angles"])
    _resolve_ids(frames, files, headers, protocol, found)
    all_tables = dict(frames)
    items, second = _split_ratings(frames.pop("items"), protocol, found)
    series = _series(folder, protocol, frames["participants"], found) if protocol.series_outcomes else {}
    recorded_hashes = series.pop("hashes", {})
    lock = _lock(folder, found)
    letters = (LETTERS_FILE,) if masked and is_masked(protocol, lock) else ()
    found += data_since_the_lock(lock, all_tables, files, headers, hashes)
    own = {name: file_hash(entry) for name in (LOCK_FILE, *letters) if (entry := folder / name).is_file()}
    study = Study(
        folder=folder,
        protocol=protocol,
        items=items,
        second_ratings=second,
        **frames,
        files=files,
        headers=headers,
        **series,
        hashes=dict(sorted((hashes | own).items())) | recorded_hashes,
        rows_read={name: sum(part.rows_read for part in parts) for name, parts in tables.items()},
        lines=tuple(read.lines),
        findings=Findings(found),
        plan_sha256=plan_digest(plan_of(protocol)),
        lock=lock,
        departures=departures(protocol, lock),
    )
    return mask(study, folder) if letters else study


def _join_mode_and_condition(angles: pd.DataFrame) -> None:
    """Active motion with the device on is the mode "assisted", and the mode "assisted" is with the device on."""
    with_device = (angles["mode"] == "active") & (angles["condition"] == "assisted")
    angles.loc[with_device, "mode"] = "assisted"
    angles.loc[angles["mode"] == "assisted", "condition"] = "assisted"


def _series(folder: Path, protocol: Protocol, participants: pd.DataFrame, found: list[pd.DataFrame]) -> dict[str, Any]:
    """Fields of the study that come from its recordings; the samples themselves are not kept."""
    # Filters and spectra take a while to load, and most studies have no recordings.
    from outcomes.movement.series_files import read_recordings
    from outcomes.movement.series_quality import with_quality
    from outcomes.movement.series_values import series_values

    recordings = read_recordings(folder, protocol, found)
    return {
        "series": with_quality(recordings, protocol.series),
        "series_values": series_values(recordings, protocol, participants),
        "hashes": dict(recordings.hashes),
    }


def _lock(folder: Path, found: list[pd.DataFrame]) -> Lock | None:
    try:
        return read_lock(folder)
    except DamagedLock as damage:
        found.append(flag("lock damaged", file=LOCK_FILE, found=str(damage)))
        return None


def _read_grid(source: Source, grid: Grid, protocol: Protocol) -> Table:
    sheet, mapped = sheet_of(source.table, protocol), protocol.columns.get(source.table, {})
    wanted = sheet.required
    if source.table == "participants" and len(protocol.arms) > 1:
        wanted = (*wanted, "arm")
    if source.wide:
        cells, wanted = unfold_declared(grid, sheet, mapped, source.wide, protocol.visits)
    else:
        cells = under_header(grid, sheet, mapped, wanted)
        cells = (is_wide(cells, sheet) and unfold_items(cells, source.instrument)) or cells
        if source.instrument and "instrument" not in cells.frame:
            cells.frame["instrument"] = source.instrument
    _put_words(cells, protocol.values.get(source.table, {}))
    return read_cells(cells, sheet, wanted)


def _put_words(cells: Cells, values: Mapping[str, Mapping[str, str]]) -> None:
    """Words in place of codes, as [values] of study.toml declares them; other cells stay as they are."""
    for column, codes in values.items():
        if column in cells.frame:
            words = {plain(code): word for code, word in codes.items()}

            def decoded(text: str, words: Mapping[str, str] = words) -> str:
                return words.get(_code(text), text)

            cells.frame[column] = over_distinct(cells.frame[column], decoded).astype("str")


def _code(text: str) -> str:
    """A cell as a code is written: 1.0 is 1."""
    cell = plain(tidy(text))
    return cell[:-2] if cell.endswith(".0") and cell[:-2].lstrip("-").isdigit() else cell


def _joined(parts: list[Table]) -> pd.DataFrame:
    if len(parts) == 1:
        return parts[0].frame
    frame = pd.concat([part.frame for part in parts], ignore_index=True)
    return frame.assign(**{name: frame[name].astype("str").astype("category") for name in ("file", "header")})


def _need_rows(tables: Mapping[str, list[Table]], folder: Path, recorded: bool) -> None:
    if not any(len(part.frame) for part in tables["participants"]):
        raise StudyError(
            f"{tables['participants'][0].file} in {folder}: no participant: found 0 rows, allowed one row per "
            "participant. Fill in the sheet."
        )
    measured = [part for name in MEASUREMENTS for part in tables.get(name, [])]
    if not recorded and not any(len(part.frame) for part in measured):
        names = ", ".join(part.file for part in measured)
        raise StudyError(f"{names} in {folder}: no measurement: found 0 rows, allowed 1 or more. Fill in the sheet.")


def _split_ratings(
    items: pd.DataFrame, protocol: Protocol, found: list[pd.DataFrame]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Items that are scored, and those of raters who rated only to be compared (`scored_raters` of study.toml)."""
    if not protocol.scored_raters:
        return items, items.iloc[:0]
    second = ~items["rater"].isin(protocol.scored_raters)
    allowed = "scored: " + ", ".join(protocol.scored_raters)
    found.append(
        flag("second rating", items[second], column="rater", found=items.loc[second, "rater"], allowed=allowed)
    )
    return items[~second].reset_index(drop=True), items[second].reset_index(drop=True)


def _resolve_ids(frames, files, headers, protocol: Protocol, found: list[pd.DataFrame]) -> None:
    def place(name: str, column: str) -> tuple[str, str]:
        return files.get(name, ""), headers.get(name, {}).get(column, column)

    found += resolve_arms(frames["participants"], protocol, *place("participants", "arm"))
    every = frames["costs"]["arm"] == ""  # of every arm, also in a single-arm study
    found += resolve_arms(frames["costs"], protocol, *place("costs", "arm"))
    frames["costs"].loc[every, "arm"] = ""
    people = frames["participants"]

    @cache
    def affected() -> dict[str, str]:  # many thousand people of a registry, and rarely asked for
        return dict(zip(people["participant"].tolist(), people["affected_side"].tolist(), strict=True))

    for name in ("visits", *MEASUREMENTS, *(name for name in DEVICE_TABLES if "visit" in SHEETS[name].names)):
        found += resolve_visits(frames[name], protocol, *place(name, "visit"))
    for name in ("items", "totals"):
        found += resolve_instruments(frames[name], protocol, *place(name, "instrument"))
    found += resolve_items(frames["items"], *place("items", "item"))
    for name in MEASUREMENTS:
        frame = frames[name]
        if frame.empty:
            continue
        sided = _sided(frame, protocol)
        found += resolve_sides(frame, affected, *place(name, "side"), sided)
    for name in ("skin_checks", "motion_grades"):
        of_one_hand = pd.Series(True, index=frames[name].index)
        found += resolve_sides(frames[name], affected, *place(name, "side"), of_one_hand)
    read = read_answer_words(frames["items"])
    if read.any():
        _take_back(found, frames["items"][read])


def _take_back(found: list[pd.DataFrame], answers: pd.DataFrame) -> None:
    """Words of an instrument are answers: what was found about them as numbers is taken back."""
    cells = set(zip(answers["file"], answers["row"], answers["header"], strict=True))
    for number, part in enumerate(found):
        wordy = part["rule"].isin(("text in a number", "word read as missing"))
        if wordy.any():
            at = zip(part["file"], part["row"], part["column"], strict=True)
            found[number] = part[~(wordy & pd.Series([cell in cells for cell in at], index=part.index))]


def _sided(frame: pd.DataFrame, protocol: Protocol) -> pd.Series:
    """Whether each row is of an instrument that is scored for a left or right hand."""
    if "instrument" not in frame:
        return pd.Series(True, index=frame.index)  # a joint angle
    sided = {}
    for name in frame["instrument"].unique():
        instrument = find_instrument(name)
        of_hand = bool(instrument and instrument.sided and not find_measure(protocol, name, ""))
        sided[name] = of_hand or protocol.channel(name) is not None
    return over_distinct(frame["instrument"], sided.__getitem__).astype(bool)
