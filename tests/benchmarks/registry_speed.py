"""A registry of totals on growing rows: read, checked, scored, modelled and counted in parts, against reading alone.

    OMP_NUM_THREADS=1 python tests/benchmarks/registry_speed.py FOLDER [--sites 10 100] [--each 50]

Sites of `each` people, 20 visits, 5 instruments; 1 total in 1,000 of four of them is above its maximum, 1 in 100 is not
there. The primary outcome is complete: with a mean for each of 20 visits every pattern of visits takes 20 MB of sums,
and gaps make hundreds of them (refused then, not tried; 6 visits have no such trouble). For each number of sites, every
line a process of its own: `columns`, the bare columns of the file into frames; `read_study`, the whole folder, without
checks (up to MOST rows: above it `read_study` refuses); `parts read`, the same reading part by part, each let go
before the next; `in parts`, everything.
Processor seconds and the peak of memory. The model is that of the primary outcome; its fit takes the same time for any
number of rows, which is most of what 10^5 rows take.

What was measured stands in DEVELOPERS.md.
"""

import argparse
import resource
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from outcomes import read_study
from outcomes.reading.study_parts import study_parts
from stats.federated import analyse_in_parts

VISITS, MOST, GROUP = 20, 3_000_000, 500
FORMS = (("fma_ue", "motor", 66, 1), ("arat", "total", 57, 1), ("bbt", "blocks", 80, 1), ("sis", "hand", 100, 5),
         ("sus", "total", 100, 2.5))  # fmt: skip
SIDED = 3  # of these forms
TOML = """
title = "Registry"
design = "parallel"
primary = "fma_ue.motor"
outcomes = ["fma_ue.motor", "arat.total", "bbt.blocks", "sis.hand", "sus.total"]
arms = [{ id = "usual", label = "Usual", reference = true }, { id = "extra", label = "Extra" }]

[estimand]
visit = "v19"

[randomisation]
randomised = true

[model]
site = "site"
covariance = "unequal-ar1"

[thresholds]
"bbt.blocks" = ["bbt-chen-2009-more-affected"]
"""


def make(folder: Path, sites: int, each: int, rng: np.random.Generator) -> None:
    """A study folder, sorted by participant, written group of people by group of people."""
    folder.mkdir(parents=True)
    people = sites * each
    names = np.char.add("P", np.char.zfill(np.arange(people).astype(str), 7))
    side = rng.integers(0, 2, people)
    pd.DataFrame({
        "participant": names, "arm": np.where(np.arange(people) % 2, "usual", "extra"),
        "site": np.char.add("site ", (np.arange(people) // each).astype(str)), "age": rng.integers(30, 85, people),
        "sex": np.where(rng.random(people) < 0.5, "female", "male"), "affected_side": np.where(side, "right", "left"),
    }).to_parquet(folder / "participants.parquet")  # fmt: skip
    top, step = (np.array([form[k] for form in FORMS], dtype=float) for k in (2, 3))
    writer = None
    for start in range(0, people, GROUP):
        own = np.arange(start, min(start + GROUP, people))
        person = np.repeat(own, VISITS * len(FORMS))
        visit, form = np.tile(np.repeat(np.arange(VISITS), len(FORMS)), len(own)), np.tile(
            np.arange(len(FORMS)), len(own) * VISITS)  # fmt: skip
        level = rng.normal(0, 0.1, len(own))[person - start]
        share = 0.4 + level + 0.01 * visit + rng.normal(0, 0.05, len(person))
        value = np.clip(np.round(share * top[form] / step[form]) * step[form], 0, top[form])
        value[(form > 0) & (rng.random(len(value)) < 0.001)] = 131.0
        hand = np.where(form < SIDED, side[person], 2)
        frame = pd.DataFrame({
            "participant": names[person],
            "visit": pd.Categorical.from_codes(visit, [f"v{k:02d}" for k in range(VISITS)]),
            "instrument": pd.Categorical.from_codes(form, [name for name, *_ in FORMS]),
            "scale": pd.Categorical.from_codes(np.array([0, 1, 2, 3, 1])[form], ["motor", "total", "blocks", "hand"]),
            "side": pd.Categorical.from_codes(hand, ["left", "right", ""]), "value": value,
        })  # fmt: skip
        kept = (form == 0) | (rng.random(len(frame)) > 0.01)
        table = pa.Table.from_pandas(frame[kept], preserve_index=False)
        writer = writer or pq.ParquetWriter(folder / "totals.parquet", table.schema)
        writer.write_table(table)
    assert writer is not None
    writer.close()
    visits = "".join(f'[[visits]]\nid = "v{k:02d}"\nlabel = "Visit {k}"\nday = {14 * k}\n' for k in range(VISITS))
    (folder / "study.toml").write_text(TOML + visits)


def highest() -> float:
    """Largest memory of this process so far, MB; what `getrusage` says of a new process is its parent's, on Linux."""
    status = Path("/proc/self/status")
    if not status.exists():
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return float(status.read_text().split("VmHWM:")[1].split()[0]) / 1024


def line(folder: Path, what: str, part: int) -> None:
    """One measurement: seconds, peak of memory in MB, and what came out."""
    start, told = time.process_time(), ""
    if what == "columns":
        told = f"{len(pd.read_parquet(folder / 'totals.parquet'))} rows"
    elif what == "read_study":
        told = f"{read_study(folder).rows_read['totals']} rows"
    elif what == "parts read":
        told = f"{sum(len(study.totals) for study in study_parts(folder, rows=part))} rows"
    else:
        made = analyse_in_parts(folder, rows=part, outcomes=["fma_ue.motor"])
        told = (
            f"{made.rows} rows in {made.parts} parts, {len(made.findings)} findings, models of {', '.join(made.fits)}"
        )
        told += "".join(f"; {name}: {why}" for name, why in made.failed.items())
    seconds, peak = time.process_time() - start, highest()
    print(f"  {what}: {seconds:.1f} s, {peak:.0f} MB; {told}", flush=True)


def main() -> None:
    """Run what was asked."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--sites", type=int, nargs="+", default=[10, 100])
    parser.add_argument("--each", type=int, default=100, help="people of a site")
    parser.add_argument("--part", type=int, default=500_000, help="rows of a part")
    parser.add_argument("--line", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.line:
        line(asked.folder, asked.line, asked.part)
        return
    for sites in asked.sites:
        own = asked.folder / f"{sites}_sites"
        if not own.exists():
            make(own, sites, asked.each, np.random.default_rng(sites))
        rows = pq.read_metadata(own / "totals.parquet").num_rows
        print(f"{sites} sites, {sites * asked.each} people, {rows} rows", flush=True)
        for what in ("columns", *(("read_study",) if rows <= MOST else ()), "parts read", "in parts"):
            subprocess.run([sys.executable, __file__, str(own), "--line", what, "--part", str(asked.part)],
                           check=True)  # fmt: skip


if __name__ == "__main__":
    main()
