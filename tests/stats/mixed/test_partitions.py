"""Data in partitions: Parquet folders and Dask data frames give the sums of the whole frame."""

import weakref
from functools import reduce
from operator import add
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from stats import fit_moments, pool_moments
from stats.errors import FitError
from stats.mixed.model import partitions, summed_in_place
from stats.mixed.model.summed_in_place import SummedInPlace
from tests.stats.mixed.test_sites import trial

MODEL = {"participant": "participant", "visit": "visit", "site": "site", "site_random": "1 + arm"}
FORMULA = "y ~ 0 + C(t):arm"


@pytest.fixture(scope="module")
def rows() -> pd.DataFrame:
    data = trial(3, sites=8, each=10)
    data["participant"] = data["participant"].map("P{:04d}".format)
    data["visit"] = data["visit"] + 0.0
    data["t"] = data["visit"].map("week {:.0f}".format)
    return data


def same(one, other) -> None:
    a, b = (fit_moments(m, covariance="unequal-compound-symmetry") for m in (one, other))
    assert b.loglik == pytest.approx(a.loglik, abs=1e-8)
    np.testing.assert_allclose(b.fixed()["estimate"], a.fixed()["estimate"], rtol=1e-9)
    np.testing.assert_allclose(b.fixed()["df"], a.fixed()["df"], rtol=1e-6)


def folder(rows: pd.DataFrame, to: Path, cuts: list[int], group: int = 37) -> Path:
    """Files of a folder; row groups cut through people, files do not."""
    to.mkdir()
    for k, (start, end) in enumerate(zip([0, *cuts], [*cuts, len(rows)], strict=True)):
        rows.iloc[start:end].to_parquet(to / f"part {k}.parquet", row_group_size=group, index=False)
    return to


def test_a_parquet_folder(rows: pd.DataFrame, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr(partitions, "ROWS", 60)
    new = np.flatnonzero(rows["participant"] != rows["participant"].shift())
    source = folder(rows, tmp_path / "trial", [int(new[30]), int(new[31])])
    whole = pool_moments(rows, FORMULA, **MODEL)
    told = []
    same(whole, pool_moments(source, FORMULA, **MODEL, progress=lambda done, total: told.append((done, total))))
    assert told[-1] == (len(rows), len(rows))
    assert len(told) > 3
    lines = {"participant": "participant", "visit": "visit", "random": "1 + visit"}  # visits are numbers here
    one, other = (pool_moments(data, "y ~ visit * arm", **lines) for data in (rows, source))
    assert fit_moments(other).loglik == pytest.approx(fit_moments(one).loglik, abs=1e-8)
    same(whole, pool_moments(tmp_path / "trial" / "part 0.parquet", FORMULA, **MODEL)
         + pool_moments(folder(rows.iloc[new[30]:], tmp_path / "rest", []), FORMULA, **MODEL))  # fmt: skip


def test_one_partition_at_a_time_is_in_memory(rows: pd.DataFrame, tmp_path: Path, monkeypatch) -> None:
    """When the rows of the next partition were read, those of the one before are gone."""
    monkeypatch.setattr(partitions, "ROWS", 60)
    pooled, alive, real, note = [], [], partitions._pooled, partitions.People.add

    def watched(pool, frame: pd.DataFrame, *rest):
        pooled.append(weakref.ref(frame))
        return real(pool, frame, *rest)

    def read(self, ids) -> None:
        alive.append(sum(frame() is not None for frame in pooled))
        note(self, ids)

    monkeypatch.setattr(partitions, "_pooled", watched)
    monkeypatch.setattr(partitions.People, "add", read)
    pool_moments(folder(rows, tmp_path / "one", []), FORMULA, **MODEL)
    assert len(pooled) > 3
    assert alive == [0] * len(pooled)


def test_people_in_two_partitions_are_refused(rows: pd.DataFrame, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr(partitions, "ROWS", 60)
    mixed = rows.sort_values(["visit", "participant"])
    with pytest.raises(FitError, match="lie in two partitions"):
        pool_moments(folder(mixed, tmp_path / "mixed", []), FORMULA, **MODEL)
    with pytest.raises(FitError, match="Columns not in"):
        pool_moments(tmp_path / "mixed", "y ~ nothing", participant="participant")


def test_progress_can_stop(rows: pd.DataFrame, tmp_path: Path) -> None:
    def stop(done: int, total: int) -> None:
        raise KeyboardInterrupt

    before = pa.default_memory_pool().backend_name
    with pytest.raises(KeyboardInterrupt):
        pool_moments(folder(rows, tmp_path / "one", []), FORMULA, **MODEL, progress=stop)
    assert pa.default_memory_pool().backend_name == before


def test_a_running_total_is_the_sum(rows: pd.DataFrame, monkeypatch) -> None:
    """In any order, patterns and sites new on the way: the sums of `+`, and of no site without people."""
    monkeypatch.setattr(summed_in_place, "ROOM", 1)  # it grows on the way
    new = np.flatnonzero(rows["participant"] != rows["participant"].shift())
    typed = rows.assign(site=pd.Categorical(rows["site"]), t=pd.Categorical(rows["t"]), arm=pd.Categorical(rows["arm"]))
    parts = [pool_moments(typed.iloc[new[a] : new[b]], FORMULA, **MODEL) for a, b in ((0, 20), (20, 45), (45, 61))]
    whole = reduce(add, parts)
    for order in ((0, 1, 2), (2, 0, 1)):
        for blocks in (tuple(typed["site"].cat.categories), ()):  # without blocks all of it is merged with `+`
            running = SummedInPlace(blocks)
            for k in order:
                running.add(parts[k])
            total = running.total()
            same(whole, total)
            assert set(total.sites.blocks) == set(whole.sites.blocks)
            assert (total.n_rows, total.n_participants) == (whole.n_rows, whole.n_participants)
    with pytest.raises(FitError, match="no row"):
        SummedInPlace().total()


def test_large_row_groups_are_read_in_pieces(rows: pd.DataFrame, tmp_path: Path, monkeypatch) -> None:
    """What is in memory does not depend on how large the row groups of a file are."""
    monkeypatch.setattr(partitions, "ROWS", 60)
    sizes, real = [], partitions._pooled

    def watched(pool, frame: pd.DataFrame, *rest):
        sizes.append(len(frame))
        return real(pool, frame, *rest)

    monkeypatch.setattr(partitions, "_pooled", watched)
    whole = pool_moments(rows, FORMULA, **MODEL)
    same(whole, pool_moments(folder(rows, tmp_path / "one", [], group=len(rows)), FORMULA, **MODEL))
    assert sum(sizes) == len(rows)
    assert max(sizes) < 2 * 60 + 10


def test_a_dask_data_frame(rows: pd.DataFrame) -> None:
    dd = pytest.importorskip("dask.dataframe")
    frame = dd.from_pandas(rows.set_index("participant", drop=False).rename_axis("index"), npartitions=5)
    same(pool_moments(rows, FORMULA, **MODEL), pool_moments(frame, FORMULA, **MODEL))
    split = dd.from_pandas(rows.sort_values("visit").reset_index(drop=True), npartitions=3)
    with pytest.raises(FitError, match="lie in two partitions"):
        pool_moments(split, FORMULA, **MODEL)


def test_a_killed_worker_of_a_cluster_changes_nothing(rows: pd.DataFrame, tmp_path: Path) -> None:
    """Two worker processes; whoever reads a partition first dies of it, and the other does its work as well."""
    distributed, dd, dask = (pytest.importorskip(n) for n in ("distributed", "dask.dataframe", "dask"))
    new = np.flatnonzero(rows["participant"] != rows["participant"].shift())
    folder(rows, tmp_path / "trial", [int(new[20]), int(new[50])])
    dead = tmp_path / "dead"

    def read(path: str) -> pd.DataFrame:
        import os
        import signal

        try:
            os.close(os.open(dead, os.O_CREAT | os.O_EXCL))
            os.kill(os.getpid(), signal.SIGKILL)
        except FileExistsError:
            pass
        return pd.read_parquet(path)

    patience = {"distributed.comm.timeouts.connect": "300s", "distributed.nanny.pre-spawn-environ.OMP_NUM_THREADS": 1}
    with (
        dask.config.set(patience),
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None, local_directory=tmp_path / "scratch"
        ) as cluster,
        distributed.Client(cluster, timeout="300s") as client,
    ):
        before = set(client.run(lambda: __import__("os").getpid()).values())
        files = sorted(str(path) for path in (tmp_path / "trial").glob("*.parquet"))
        pooled = pool_moments(dd.from_map(read, files, meta=rows.iloc[:0]), FORMULA, **MODEL)
        after = set(client.run(lambda: __import__("os").getpid()).values())
    assert dead.exists()
    assert len(before) == 2
    assert not before <= after  # one of them is gone
    same(pool_moments(rows, FORMULA, **MODEL), pooled)
