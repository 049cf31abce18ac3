"""The recordings of a study: files of its folder `series`, cut into recordings on an even grid, with what was found.

A recording is what one combination of participant, visit, hand, digit, joint, motion, role and repetition has of one
quantity. Rows stay in the order of the file: time that runs back is a finding, not something to sort away.
"""

import hashlib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import StudyError
from outcomes.findings import flag
from outcomes.movement.recordings import Floats
from outcomes.movement.time_stamps import LARGEST_STEP_S, dropped_samples, even_series
from outcomes.protocol.series_tables import COLUMNS, QUANTITIES, TIME_UNITS, SeriesFolder
from outcomes.protocol.trial import Protocol
from outcomes.words import MODES, RELATIVE_SIDES, SIDES

FOLDER = "series"
FORMATS = (".csv", ".tsv", ".txt", ".parquet")
KEYS = ("participant", "visit", "hand", "digit", "joint", "motion", "role", "repetition")
ABOUT = (
    *KEYS,
    "quantity",
    "file",
    "rate",
    "start",
    "samples",
    "filled",
    "dropped",
    "longest_gap_s",
    "uneven",
    "against_rate",
    "reason",
)
# A rate this close to that of most recordings is the same clock, read from rounded time stamps.
SAME_RATE = 1e-4
ALMOST_EVEN = 0.02  # of the step
_MOTIONS = {**MODES, "": "active", "unassisted": "active"}


@dataclass(frozen=True)
class Recordings:
    """about: one row a recording, columns `ABOUT`; `reason` says why it cannot be used, `against_rate` by how many
    seconds its time stamps take longer than its samples do at the stated rate (0 where no rate is stated). values: its
    samples on an even grid (degrees, newtons or the study's unit of force, N m), empty where it cannot be used."""

    about: pd.DataFrame
    values: tuple[Floats, ...]
    hashes: Mapping[str, str] = field(default_factory=dict)  # file -> SHA-256
    rows_read: int = 0


def series_files(folder: Path) -> list[Path]:
    """The files of recordings of a study folder, by name; none where it has no folder `series`."""
    place = folder / FOLDER
    return sorted(path for path in place.iterdir() if path.suffix.lower() in FORMATS) if place.is_dir() else []


def read_recordings(
    folder: Path,
    protocol: Protocol,
    found: list[pd.DataFrame],
    *,
    only: Mapping[str, str] | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Recordings:
    """Every recording of a study folder.

    only: column -> value of the recordings wanted, e.g. one participant. progress: called with files read and their
    number. Adds to `found` what is wrong with files and columns. Raises StudyError for a file that is not what its
    ending says.
    """
    files = series_files(folder)
    tables, hashes, rows = [], {}, 0
    for number, path in enumerate(files, 1):
        table = _table(path, protocol.series, found)
        rows += len(table)
        for column, value in (only or {}).items():
            if column in table:
                table = table[table[column].astype(str) == value]
        hashes[f"{FOLDER}/{path.name}"] = hashlib.sha256(path.read_bytes()).hexdigest()
        tables.append(_recordings_of(table, protocol.series, f"{FOLDER}/{path.name}"))
        if progress is not None:
            progress(number, len(files))
    about = pd.concat([part for part, _ in tables], ignore_index=True) if tables else _nothing()
    values = tuple(series for _, parts in tables for series in parts)
    about["rate"] = _same_rates(about["rate"].to_numpy(dtype=float))
    about["visit"] = _visits(about["visit"], protocol)
    return Recordings(about, values, hashes, rows)


def _table(path: Path, series: SeriesFolder, found: list[pd.DataFrame]) -> pd.DataFrame:
    """One file under our column names, with the columns its name stands for."""
    name = f"{FOLDER}/{path.name}"
    try:
        frame = pd.read_parquet(path) if path.suffix.lower() == ".parquet" else _text(path)
    except (OSError, ValueError) as error:
        raise StudyError(
            f"{name}: the file cannot be read as {path.suffix.lower()[1:]}: found {error}; allowed is a table of "
            "recordings with a header. Save it again from the program it came from."
        ) from error
    headers = {str(header).strip().lower(): header for header in frame.columns}
    ours = {column: series.columns.get(column, column) for column in COLUMNS}
    there = {column: headers[header.lower()] for column, header in ours.items() if header.lower() in headers}
    lost = [header for column, header in series.columns.items() if column not in there]
    channels = {header: about for header, about in series.channels.items() if header.lower() in headers}
    table = frame[list(there.values())].set_axis(list(there), axis=1)
    for column, text in _from_name(path.stem, series.file_names).items():
        if column not in table:
            table[column] = text
    if channels:
        table = _unfolded(table, frame, channels, headers)
    missing = [column for column in ("participant", "visit", "time") if column not in table]
    if not set(table.columns) & set(QUANTITIES):
        missing.append(" or ".join(QUANTITIES))
    if lost or missing:
        found.append(
            flag("series column missing", file=name, found=", ".join(map(str, frame.columns)),
                 allowed=", ".join([*lost, *missing]))
        )  # fmt: skip
    if missing:
        return pd.DataFrame(columns=[*COLUMNS])
    for quantity in (*QUANTITIES, "time"):
        if quantity in table and not pd.api.types.is_numeric_dtype(table[quantity]):
            numbers = pd.to_numeric(table[quantity], errors="coerce")
            words = numbers.isna() & table[quantity].notna()
            if words.any():
                text = f"{int(words.sum())} of {len(table)}, e.g. {table[quantity][words].iloc[0]}"
                found.append(flag("series text in a number", file=name, column=ours[quantity], found=text))
            table[quantity] = numbers
    return table


def _text(path: Path) -> pd.DataFrame:
    with path.open(encoding="utf-8-sig") as file:
        first, second = file.readline(), file.readline()
    delimiter = max("\t;,", key=first.count)
    decimal = "," if delimiter != "," and re.search(r"\d,\d", second) else "."
    return pd.read_csv(path, sep=delimiter, decimal=decimal, encoding="utf-8-sig", skipinitialspace=True)


def _from_name(stem: str, pattern: str) -> dict[str, str]:
    """What the pattern reads from a file's name; nothing where it does not fit."""
    parts = re.split(r"\{(\w+)\}", pattern)
    expression = "".join(f"(?P<{part}>.+?)" if place % 2 else re.escape(part) for place, part in enumerate(parts))
    match = re.fullmatch(expression, stem) if pattern else None
    return {} if match is None else {name: text for name, text in match.groupdict().items() if name in COLUMNS}


def _unfolded(
    table: pd.DataFrame, frame: pd.DataFrame, channels: Mapping[str, Mapping[str, str]], headers: Mapping[str, str]
) -> pd.DataFrame:
    """One part a channel, below each other."""
    parts = []
    for header, about in channels.items():
        quantity = about.get("quantity", "degrees")
        facts = {name: text for name, text in about.items() if name != "quantity"}
        parts.append(table.assign(**facts, **{quantity: frame[headers[header.lower()]]}))
    return pd.concat(parts, ignore_index=True)


def _recordings_of(table: pd.DataFrame, series: SeriesFolder, file: str) -> tuple[pd.DataFrame, list[Floats]]:
    """The recordings of one file."""
    if table.empty:
        return _nothing(), []
    key = np.zeros(len(table), dtype=np.int64)
    levels: dict[str, list[str]] = {}
    codes: dict[str, NDArray[np.int64]] = {}
    for column in KEYS:
        if column not in table:
            levels[column], codes[column] = [_word(column, None)], np.zeros(1, dtype=np.int64)
            continue
        own, distinct = pd.factorize(table[column], use_na_sentinel=False)
        levels[column], codes[column] = [_word(column, text) for text in distinct.tolist()], own
        key = key * len(distinct) + own
    order = np.argsort(key, kind="stable")
    starts = np.flatnonzero(np.concatenate(([True], np.diff(key[order]) != 0)))
    ends = np.append(starts[1:], len(order))
    time = table["time"].to_numpy(dtype=float)[order] * TIME_UNITS[series.time_unit]
    quantities = [quantity for quantity in QUANTITIES if quantity in table]
    numbers = {quantity: table[quantity].to_numpy(dtype=float)[order] for quantity in quantities}
    if series.angle_unit == "radians" and "degrees" in numbers:
        numbers["degrees"] = np.degrees(numbers["degrees"])
    even = _even(time, starts, ends)
    rows, values = [], []
    for number, (start, end) in enumerate(zip(starts.tolist(), ends.tolist(), strict=True)):
        first = order[start]
        facts = [levels[column][codes[column][first if len(codes[column]) > 1 else 0]] for column in KEYS]
        for quantity in quantities:
            samples = numbers[quantity][start:end]
            known = np.isfinite(samples)
            if not known.any():
                continue  # of another quantity
            about, series_values = _one(time[start:end], samples, bool(even[number] and known.all()), series)
            rows.append([*facts, quantity, file, *about])
            values.append(series_values)
    about = pd.DataFrame(rows, columns=list(ABOUT)).astype(dict.fromkeys((*KEYS, "quantity", "file", "reason"), "str"))
    return about, values


def _even(time: Floats, starts: NDArray[np.int64], ends: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which recordings have a clock that is even as it is."""
    if len(time) < 2:
        return np.zeros(len(starts), dtype=bool)
    steps = np.append(np.diff(time), 0.0)
    inner = steps.copy()
    inner[ends - 1] = np.nan  # from one recording to the next
    low, high = np.fmin.reduceat(inner, starts), np.fmax.reduceat(inner, starts)
    with np.errstate(invalid="ignore"):
        return (low > 0) & (high - low <= ALMOST_EVEN * low) & (low < LARGEST_STEP_S)


def _one(time: Floats, samples: Floats, even: bool, series: SeriesFolder) -> tuple[list[object], Floats]:
    """rate, start, samples, filled, dropped, longest gap, unevenness, time against the stated rate and reason of one
    recording, and its values."""
    if even:
        span = time[-1] - time[0]
        step = span / (len(time) - 1)
        against = span - (len(time) - 1) / series.rate if series.rate else 0.0
        return [series.rate or 1 / step, time[0], len(time), 0, 0, step, 0.0, against, ""], samples
    found = even_series(time, samples, longest_filled_s=series.longest_gap_s, rate=series.rate)
    known = time[np.isfinite(samples) & np.isfinite(time)]
    lost = dropped_samples(known) if (np.diff(known) > 0).all() else None
    dropped, gap = (lost.missing, lost.longest_gap_s) if lost else (0, np.nan)
    against = 0.0
    if lost and series.rate and len(known) > 1:
        # Steps lost for good take time too: each is as many samples as its length has median steps.
        against = float(known[-1] - known[0]) - (lost.expected - 1) / series.rate
    about = [found.rate, found.start, len(known), found.filled, dropped, gap, found.uneven, against, found.reason]
    return about, found.values[:, 0] if not found.reason else np.empty(0)


def _word(column: str, text: object) -> str:
    """A cell of a key column as the study writes it."""
    if text is None or text is pd.NA or text != text:
        return "1" if column == "repetition" else "active" if column == "motion" else ""
    word = str(int(text)) if isinstance(text, float) and text.is_integer() else str(text).strip()
    if column == "hand":
        return {**SIDES, **RELATIVE_SIDES}.get(word.lower(), word)
    if column == "motion":
        return _MOTIONS.get(word.lower(), word)
    return word.lower() if column in ("digit", "joint", "role") else word


def _visits(typed: pd.Series, protocol: Protocol) -> pd.Series:
    """Ids of the visits, where the files write them in another case or by their label."""
    known = {visit.label.lower(): visit.id for visit in protocol.visits}
    known |= {visit.id.lower(): visit.id for visit in protocol.visits}
    return typed.map(lambda text: known.get(str(text).lower(), text)).astype("str")


def _same_rates(rates: Floats) -> Floats:
    """Rates that differ from that of most recordings by no more than rounded time stamps make them differ."""
    known = rates[np.isfinite(rates)]
    if not len(known):
        return rates
    usual = float(np.median(known))
    usual = next(
        (
            float(np.rint(usual * by) / by)
            for by in (1, 100)
            if abs(np.rint(usual * by) / by - usual) < SAME_RATE * usual
        ),
        usual,
    )
    return np.where(np.abs(rates - usual) < SAME_RATE * usual, usual, rates)


def _nothing() -> pd.DataFrame:
    return pd.DataFrame(
        {name: pd.Series(dtype="str" if name in (*KEYS, "quantity", "file", "reason") else float) for name in ABOUT}
    )
