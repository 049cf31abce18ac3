"""A study too large to read at once, some of its people at a time.

For a folder whose one sheet of measurements is `totals` in Parquet, sorted by participant. Each part is a `Study` of
its own with the totals and the visits of some people, all of them whole; every other table, the participants too,
stands in each part as it is, so that what is said of a code, an arm or a word is said with everybody in view. Rows keep
the numbers they have in the file.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from outcomes.blinding.letters import is_masked
from outcomes.errors import StudyError
from outcomes.lock.lock_file import NAME as LOCK_FILE
from outcomes.protocol.study_toml import read_protocol
from outcomes.protocol.trial import Protocol
from outcomes.reading.files import load, typed_grid
from outcomes.reading.folder_files import hashes_of, listed_files
from outcomes.reading.headers import find_header
from outcomes.reading.sources import Source, find_sources, sheet_of
from outcomes.reading.study_folder import Read, assembled
from outcomes.sheets import MEASUREMENTS
from outcomes.study import Study

ROWS = 500_000  # of a part
BATCH = 65_536  # rows read at a time, of which parts are made
_CUT = "totals"  # the sheet that is cut


def study_parts(path: str | Path, *, rows: int = ROWS) -> Iterator[Study]:
    """The parts of a study folder, about `rows` rows of totals each, whole people.

    Raises:
        StudyError: as `read_study`; where the totals are not in Parquet or not sorted by participant; where a value
        holds a comma (which mark is the decimal one is decided for a whole column); and for what is judged over all
        rows at once: other sheets of measurements, a lock, a blinded study.
    """
    folder, listed = listed_files(path)
    protocol = read_protocol(folder / "study.toml")
    found: list[pd.DataFrame] = []
    sources = find_sources(folder, listed, protocol, found)
    large = _large(folder, protocol, sources)
    small = Read()
    for source in sources:
        if source is not large:
            grid, noted = load(source.path, source.page)
            found += noted
            small.add(source, grid, protocol, found)
    hashes = hashes_of(folder, sources)
    file = pq.ParquetFile(large.path)
    who = _header_of(large, file, protocol, "participant")
    _no_commas(large, file, _header_of(large, file, protocol, "value"))
    people = _People(large.path.name)
    left, before = small.tables["participants"][0].frame["participant"], 0
    for frame in _whole_people(file, who, rows):
        people.add(frame[who])
        part, told = Read(dict(small.tables), list(small.lines)), list(found)
        part.add(large, typed_grid(frame, large.path.name, before), protocol, told)
        before += len(frame)
        study = assembled(folder, protocol, part, told, masked=True, hashes=hashes)
        here = study.totals["participant"].unique()
        left = left[~left.isin(here)]
        last = before == file.metadata.num_rows
        mine = study.visits["participant"].isin(here if not last else [*here, *left, ""])
        if last:  # visits of codes that are nobody's
            mine |= ~study.visits["participant"].isin(study.participants["participant"])
        yield replace(study, visits=study.visits[mine].reset_index(drop=True))


def _large(folder: Path, protocol: Protocol, sources: list[Source]) -> Source:
    """The source that is cut; StudyError where the folder is not of this kind."""
    measured = [source for source in sources if source.table in MEASUREMENTS]
    own = [source for source in measured if source.table == _CUT and source.path.suffix.lower() == ".parquet"]
    reasons = []
    if len(own) != 1 or len(measured) > 1 or own[0].wide:
        names = ", ".join(source.path.name for source in measured)
        reasons.append(f"found measurements in {names}; allowed is one long table {_CUT}.parquet")
    if protocol.series_outcomes:
        reasons.append("found outcomes of recordings, which are read with their samples")
    if (folder / LOCK_FILE).exists():
        reasons.append("found a lock, which is compared with all rows at once")
    if is_masked(protocol, None):
        reasons.append("found a blinded study, whose words are masked in all rows at once")
    if reasons:
        raise StudyError(f"{folder}: the study cannot be read in parts: {'; '.join(reasons)}. Read it as a whole.")
    return own[0]


def _header_of(source: Source, file: pq.ParquetFile, protocol: Protocol, name: str) -> str:
    """The header in the file of one of our columns."""
    empty = typed_grid(file.schema_arrow.empty_table().to_pandas(), source.path.name)
    sheet = sheet_of(source.table, protocol)
    header, _ = find_header(empty, sheet, protocol.columns.get(source.table, {}), sheet.required)
    if name not in header.names:
        raise StudyError(
            f"{source.path.name}: no column {name}: found {', '.join(header.typed)}; allowed is a column {name}. "
            "Name it so, or map its header in study.toml."
        )
    return header.in_file(name)


def _no_commas(source: Source, file: pq.ParquetFile, value: str) -> None:
    kind = file.schema_arrow.field(value).type
    if pa.types.is_integer(kind) or pa.types.is_floating(kind):
        return
    for batch in file.iter_batches(columns=[value]):
        column = pc.cast(batch.column(0), pa.string())
        if pc.any(pc.match_substring(column, ",")).as_py():
            raise StudyError(
                f"{source.path.name}, column {value}: found a comma in a number; allowed in a study that is read in "
                "parts are decimal points alone, because the mark is decided for a whole column. Write numbers as "
                "numbers."
            )


def _whole_people(file: pq.ParquetFile, who: str, rows: int) -> Iterator[pd.DataFrame]:
    """Frames of about `rows` rows; the last person of one waits for the next, where their rows may go on."""
    waiting: list[pa.RecordBatch] = []
    total, done, held = file.metadata.num_rows, 0, 0
    for batch in file.iter_batches(batch_size=min(rows, BATCH)):  # a batch ends where a row group does
        waiting.append(batch)
        done += batch.num_rows
        held += batch.num_rows
        if done < total and (held < rows or total < done + rows // 2):
            continue  # no part yet, or what is left is too little for one of its own
        table = pa.Table.from_batches(waiting)
        waiting = []
        if done < total:
            ids = table.column(who).to_pandas().astype("str").fillna("").to_numpy()
            others = np.flatnonzero(ids != ids[-1])
            cut = int(others[-1]) + 1 if len(others) else 0
            waiting = table.slice(cut).to_batches()
            held = table.num_rows - cut
            table = table.slice(0, cut)
        if table.num_rows:
            yield table.to_pandas()


@dataclass
class _People:
    """Nobody may come back in a later part. Keeps a hash of eight bytes of every code."""

    file: str
    seen: np.ndarray | None = None

    def add(self, codes: pd.Series) -> None:
        """The codes of one more part."""
        distinct = np.asarray(codes.astype("str").fillna("").unique(), dtype=object)
        distinct = distinct[distinct != ""]  # rows of nobody may stand anywhere
        own = pd.util.hash_array(distinct)
        seen = np.empty(0, dtype=own.dtype) if self.seen is None else self.seen
        again = np.isin(own, seen)
        if again.any():
            raise StudyError(
                f"{self.file}: the rows are not sorted by participant: found {distinct[again][0]} again after others; "
                "allowed in a study that is read in parts is everybody's rows together. Sort the file."
            )
        self.seen = np.concatenate([seen, own])
