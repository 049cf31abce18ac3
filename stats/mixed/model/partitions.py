"""Pooled moments of data that are not in memory: Parquet files, folders of them, and Dask data frames.

Piece by piece the rows become sums. On one machine a piece is about ROWS rows, however large the files and their row
groups are, and its sums are added to one total in place (`summed_in_place`): what is in memory is a piece, its sums and
the total. (A tree of sums, as on a cluster, would keep one copy of them a level.) Several pieces at a time are read
under `joblib`, so that the same call runs on a cluster; a Dask data frame is pooled where its partitions are, and there
the sums are added as a tree. The people of a piece are whole: the last participant of one waits for the next of the
same file. A participant whose rows lie in two files, or apart from each other, is an error.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.dataset as ds
import pyarrow.parquet as pq
from joblib import Parallel, delayed

from stats.errors import FitError
from stats.mixed.model.layout import columns_used
from stats.mixed.model.moments import Moments
from stats.mixed.model.site_rows import site_columns_used
from stats.mixed.model.summed_in_place import SummedInPlace

ROWS = 65_536  # of a piece
BATCH = 32_768  # rows that are decoded at a time
BUFFER = 65_536  # bytes of a column read from a file at a time, where the columns of a row group are more than
WHOLE = 8_000_000  # bytes; up to here they are read at once, for Arrow keeps more than that behind such buffers
SLOT = "__visit"
Pool = Callable[..., Moments]
Progress = Callable[[int, int], None]


def is_partitioned(data: object) -> bool:
    """Whether data is a path or a Dask data frame."""
    return isinstance(data, str | Path) or type(data).__module__.startswith("dask")


def pool_partitions(
    data: Any, formula: str, pool: Pool, *, progress: Progress | None, workers: int | None, **model: Any
) -> Moments:
    """Moments of all partitions; `pool` pools one frame, `model` are the keywords of `pool_moments`."""
    named = (model["participant"], model.get("visit"), model.get("by"))
    used = columns_used(formula, model.get("random"), *named)
    used |= site_columns_used(model.get("site"), model.get("site_random"), model.get("crossed"))
    if isinstance(data, str | Path):
        with _system_memory():
            return _of_parquet(Path(data), formula, pool, sorted(used), progress, workers, model)
    return _of_dask(data, formula, pool, sorted(used), model)


def _of_parquet(
    path: Path, formula: str, pool: Pool, used: list[str], progress: Progress | None, workers: int | None, model: dict
) -> Moments:
    source = ds.dataset(path, format="parquet")
    _there(used, source.schema.names, str(path))
    files = list(source.get_fragments())
    total = sum(file.metadata.num_rows for file in files)
    levels = _levels_of(source.schema, files, _categories(source.schema, used, model))
    site = model.get("site")
    sums, done, seen = SummedInPlace(tuple(levels[site]) if site in levels else ()), 0, People()
    run = Parallel(n_jobs=workers, return_as="generator", pre_dispatch="2*n_jobs")
    parts = _whole_people(files, used, model["participant"], seen)
    for rows, held in run(_jobs(parts, pool, formula, levels, model)):
        if held:
            sums.add(held.pop())  # nobody keeps the sums of this piece beside those of the next
        pa.default_memory_pool().release_unused()
        done += rows
        if progress is not None:
            progress(done, total)
    if seen.overlap():
        who = model["participant"]
        _refuse_twice(_whole_people(files, [who], who, People()), who)
    return sums.total()


def _of_dask(data: Any, formula: str, pool: Pool, used: list[str], model: dict) -> Moments:
    import dask

    _there(used, list(data.columns), "the Dask data frame")
    data, who = data[used], model["participant"]
    text = [name for name in used if name != who and (
        isinstance(data.dtypes[name], pd.CategoricalDtype) or data.dtypes[name].kind not in "iufb"
        or name == model.get("visit"))]  # fmt: skip
    found = dask.compute(*(data[name].dropna().drop_duplicates() for name in text))
    levels = {name: _declared(data.dtypes[name], values) for name, values in zip(text, found, strict=True)}
    parts = [dask.delayed(_pooled)(pool, part, formula, levels, model) for part in data.to_delayed()]
    spans = [dask.delayed(_span)(part, who) for part in data.to_delayed()]
    sums = [dask.delayed(_second)(part) for part in parts]
    while len(sums) > 1:  # as a tree
        pairs = [sums[k : k + 2] for k in range(0, len(sums), 2)]
        sums = [dask.delayed(_added)(*pair) if len(pair) == 2 else pair[0] for pair in pairs]
    total, edges = dask.compute(sums[0], spans)
    edges = sorted(edge for edge in edges if edge is not None)
    overlap = any(edges[k][1] >= edges[k + 1][0] for k in range(len(edges) - 1))
    if overlap and sum(edge[2] for edge in edges) > int(data[who].nunique().compute()):
        raise _split(who)
    if total is None:
        raise FitError("The Dask data frame has no row.")
    return total


def _second(pair: tuple[int, Moments | None]) -> Moments | None:
    return pair[1]


def _added(one: Moments | None, other: Moments | None) -> Moments | None:
    return other if one is None else one if other is None else one + other


def _span(part: pd.DataFrame, who: str) -> tuple | None:
    """Lowest and highest participant and how many there are."""
    ids = part[who]
    plain = ids.to_numpy()
    return None if not len(ids) else (plain.min(), plain.max(), int(ids.nunique()))


def _pooled(
    pool: Pool, frame: pd.DataFrame, formula: str, levels: dict[str, pd.Index], model: dict
) -> tuple[int, Moments | None]:
    """Rows and moments of one partition, with the categories of all."""
    if not len(frame):
        return 0, None
    made, visit = {}, model.get("visit")
    for name, values in levels.items():
        if name == visit and values.dtype.kind in "iuf":
            made[SLOT] = pd.Categorical(frame[name], categories=values, ordered=True)
        else:
            made[name] = pd.Categorical(frame[name], categories=values)
    asked = model | ({"visit": SLOT} if SLOT in made else {})
    return len(frame), pool(frame.assign(**made), formula, **asked)


def _jobs(
    parts: Iterator[pd.DataFrame], pool: Pool, formula: str, levels: dict[str, pd.Index], model: dict
) -> Iterator[tuple]:
    """One call a partition. Each is handed on in a list that is emptied, so that nobody on the way keeps its rows."""
    for frame in parts:
        held = [frame]
        del frame
        yield delayed(_emptied)(pool, held, formula, levels, model)


def _emptied(
    pool: Pool, held: list[pd.DataFrame], formula: str, levels: dict[str, pd.Index], model: dict
) -> tuple[int, list[Moments]]:
    rows, moments = _pooled(pool, held.pop(), formula, levels, model)
    return rows, [] if moments is None else [moments]


@contextmanager
def _system_memory() -> Iterator[None]:
    """Arrow's memory from the system's own store.

    Arrow's own keeps 15 MB that a few small columns do not need. `release_unused` of the system's gives back what NumPy
    let go, too, which would otherwise be full of holes after a few pieces.
    """
    before = pa.default_memory_pool()
    pa.set_memory_pool(pa.system_memory_pool())
    try:
        yield
    finally:
        pa.set_memory_pool(before)


def _categories(schema: pa.Schema, used: list[str], model: dict) -> list[str]:
    """Columns of words, and the visits whatever they are: partitions must agree on their levels."""
    words = [name for name in used if name != model["participant"] and not _is_number(schema.field(name).type)]
    visit = model.get("visit")
    return words if visit is None or visit in words else [*words, visit]


def _is_number(kind: pa.DataType) -> bool:
    return bool(pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_boolean(kind))


def _batches(file: ds.ParquetFileFragment, columns: list[str]) -> Iterator[pa.RecordBatch]:
    """Rows of a file, some at a time: nothing is decoded before it is asked for."""
    buffer = 0 if _packed(file.metadata, columns) <= WHOLE else BUFFER
    with pq.ParquetFile(file.path, filesystem=file.filesystem, buffer_size=buffer, pre_buffer=False) as opened:
        yield from opened.iter_batches(batch_size=min(BATCH, ROWS), columns=columns, use_threads=False)


def _packed(facts: pq.FileMetaData, columns: list[str]) -> int:
    """Bytes of these columns in the largest row group, as they lie in the file."""
    groups = (facts.row_group(k) for k in range(facts.num_row_groups))
    chunks = ([group.column(k) for k in range(group.num_columns)] for group in groups)
    return max((sum(c.total_compressed_size for c in own if c.path_in_schema.split(".")[0] in columns)
                for own in chunks), default=0)  # fmt: skip


def _levels_of(schema: pa.Schema, files: list[ds.ParquetFileFragment], names: list[str]) -> dict[str, pd.Index]:
    """Levels of columns over all files: as declared where it is a category, else in order."""
    found: dict[str, pa.Array] = {}
    for file in files if names else ():
        for batch in _batches(file, names):
            for name in names:
                column = batch.column(name)
                if pa.types.is_dictionary(column.type):
                    column = column.dictionary
                own, before = pc.unique(column.drop_null()), found.get(name)
                if before is None or len(own) != len(before) or not own.equals(before):
                    both = [own] if before is None else [before, own.cast(before.type)]
                    found[name] = pc.unique(pa.concat_arrays(both))
    levels = {}
    for name in names:
        if name not in found or not len(found[name]):
            raise FitError(f"Column {name} has no value.")
        values = pd.Index(found[name].to_pandas())
        levels[name] = values if pa.types.is_dictionary(schema.field(name).type) else values.sort_values()
    return levels


def _declared(dtype: Any, values: pd.Series) -> pd.Index:
    """Levels of a column of a Dask data frame."""
    if isinstance(dtype, pd.CategoricalDtype) and isinstance(values.dtype, pd.CategoricalDtype):
        return pd.Index(values.dtype.categories)
    return pd.Index(values.unique()).sort_values()


def _there(used: list[str], names: list[str], where: str) -> None:
    unknown = [name for name in used if name not in names]
    if unknown:
        raise FitError(f"Columns not in {where}: {', '.join(unknown)}. Found: {', '.join(names)}.")


def _whole_people(
    files: list[ds.ParquetFileFragment], used: list[str], who: str, seen: "People"
) -> Iterator[pd.DataFrame]:
    """Frames of about ROWS rows; the last participant of one waits for the next, where their rows may go on."""
    for file in files:
        waiting: list[pa.RecordBatch] = []
        left = file.metadata.num_rows
        for batch in _batches(file, used):
            waiting.append(batch)
            left -= batch.num_rows
            if sum(one.num_rows for one in waiting) < ROWS and left > 0:
                continue
            table = pa.Table.from_batches(waiting)
            waiting = []
            if left > 0:
                ids = _decoded(table.column(who))
                others = pc.fill_null(pc.not_equal(ids, ids[-1]), True).to_numpy()
                cut = int(np.flatnonzero(others)[-1]) + 1 if others.any() else 0
                waiting = table.slice(cut).to_batches()
                table = table.slice(0, cut)
            del batch
            if table.num_rows:
                seen.add(table.column(who))
                held = [table.to_pandas()]
                del table
                yield held.pop()


def _decoded(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """A column of categories as what they stand for."""
    return column.cast(column.type.value_type) if pa.types.is_dictionary(column.type) else column


class People:
    """Whether a participant comes twice: no two pieces' ids overlap in their order, or else none is in both."""

    def __init__(self) -> None:
        self.spans: list[tuple[Any, Any]] = []

    def add(self, ids: pa.ChunkedArray) -> None:
        """The ids of one piece's rows; categories are compared as what they stand for."""
        ends = pc.min_max(_decoded(ids)).as_py()
        if ends["min"] is not None:
            self.spans.append((ends["min"], ends["max"]))

    def overlap(self) -> bool:
        """Whether ids of two pieces lie between each other."""
        spans = sorted(self.spans)
        return any(one[1] >= other[0] for one, other in pairwise(spans))


def _refuse_twice(frames: Iterator[pd.DataFrame], who: str) -> None:
    """FitError where a participant is in two frames; every id is kept as a hash of eight bytes."""
    hashes = [np.unique(pd.util.hash_array(frame[who].drop_duplicates().to_numpy())) for frame in frames]
    if len(np.unique(np.concatenate(hashes))) < sum(map(len, hashes)):
        raise _split(who)


def _split(who: str) -> FitError:
    return FitError(
        f"Rows of one {who} lie in two partitions. Sort the data by {who} before it is written, so that everybody's "
        "rows are together."
    )
