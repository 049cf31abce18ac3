"""Sites and partitions on growing work: pooling against reading, fitting, and memory, in one run.

    OMP_NUM_THREADS=1 python tests/benchmarks/sites_speed.py [--people 300000] [--sites 300]
    ... [--partitions FOLDER --largest PEOPLE --file PEOPLE], [--agree ROWS], [--lme4 PEOPLE]

pooling: processor time of reading the rows from Parquet (text ids, categories) and of pooling a mean per arm and visit
with site and treatment by site; fits: site and treatment by site over random slopes and over an unstructured
covariance, each with a Kenward-Roger test. partitions: a folder of Parquet files of --file people, grown from one file
on, pooled out of core, one process a size, with the peak of memory that pooling adds to a process that has pooled a
file of 1,000 people (libraries loaded, readers started), beside the size of a partition, which is that of one file's
rows as the frame that pandas reads, and that of the sums that are handed back. agree: that many rows as one frame, as
20 sites merged, as a folder of Parquet files and as 20 sites' files of the federated analysis, with the largest
differences of estimates and df.
lme4: the same rows by lme4 (R and its package must be installed), its fit alone against pooling, fit and
Kenward-Roger here; the two log-likelihoods show that one model was fitted.
"""

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from functools import reduce
from operator import add
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.protocol.trial import Arm, ModelChoice, PlannedVisit, Protocol, Randomisation
from stats import fit_change, fit_moments, pool_moments
from stats.federated.added_sums import together_sums
from stats.federated.moments_file import from_plain, to_plain
from stats.federated.outcome_sums import outcome_sums
from stats.federated.sums_fit import fit_sums
from stats.mixed.fit import MixedFit

FORMULA = "value ~ 0 + visit:arm"
ABOVE = {"participant": "participant", "visit": "visit", "site": "site", "site_random": "1 + arm"}
COLUMNS = ["participant", "visit", "arm", "site", "value"]


def trial(people: int, sites: int, rng: np.random.Generator, first: int = 0, visits: int = 6) -> pd.DataFrame:
    """Rows of a trial, 12 % of later visits missing, sorted by participant and visit; ids are text."""
    person, visit = np.repeat(np.arange(people), visits), np.tile(np.arange(visits), people)
    site = (np.arange(people) * sites // people)[person]
    arm = (np.arange(people) % 2)[person]
    level = rng.normal(0, 3, sites)[site] + rng.normal(0, 2, sites)[site] * (arm - 0.5)
    own = rng.normal(0, [5, 0.8], (people, 2))
    value = 30 + level + own[person, 0] + own[person, 1] * visit + rng.normal(0, 3, len(person))
    ids = np.char.add("P", np.char.zfill((first + np.arange(people)).astype(str), 9))
    frame = pd.DataFrame({
        "participant": ids[person],
        "visit": pd.Categorical.from_codes(visit, [f"week{2 * k:02d}" for k in range(visits)], ordered=True),
        "arm": pd.Categorical.from_codes(arm, ["active", "usual"]),
        "site": pd.Categorical.from_codes(site, [f"site {k:03d}" for k in range(sites)]), "value": value,
        "week": visit * 2.0,
    })  # fmt: skip
    return frame[(rng.random(len(frame)) > 0.12) | (frame["visit"].cat.codes == 0)].reset_index(drop=True)


def processor(call):
    """What a call gives, and its processor seconds."""
    start = time.process_time()
    made = call()
    return made, time.process_time() - start


def pooling(people: int, sites: int) -> None:
    """Reading, pooling and fitting."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "trial.parquet"
        trial(people, sites, np.random.default_rng(1)).to_parquet(path)
        rows, read = processor(lambda: pd.read_parquet(path, columns=[*COLUMNS, "week"]))
        means, pool = processor(lambda: pool_moments(rows, FORMULA, **ABOVE))
        lines, pool_lines = processor(lambda: pool_moments(rows, "value ~ week * arm", random="1 + week", **ABOVE))
    print(f"{sites} sites, {people} people, {len(rows)} rows: read {read:.2f} s, pool a mean per arm and visit "
          f"{pool:.2f} s ({pool / read:.2f} times), lines {pool_lines:.2f} s")  # fmt: skip
    for name, moments, how in (("lines, random slopes", lines, {}),
                               ("unstructured, means", means, {"covariance": "unstructured"})):  # fmt: skip
        fit, taken = processor(lambda m=moments, h=how: fit_moments(m, **h))
        _, asked = processor(lambda f=fit: f.fixed("kenward-roger"))
        print(f"  {name}: fit {taken:.2f} s, {fit.solution.iterations} steps, Kenward-Roger {asked:.2f} s, "
              f"{fit.n_parameters} covariance parameters")  # fmt: skip


def grow(folder: Path, largest: int, each: int) -> None:
    """A folder of files to `largest` people, pooled at one file, ten, a hundred, ... by a process of its own."""
    folder.mkdir(parents=True, exist_ok=True)
    size, made = each, 0
    while size <= largest:
        while made < size:
            to = folder / f"{made // each:05d}.parquet"
            if not to.exists():
                trial(each, 300, np.random.default_rng(made), first=made).to_parquet(to)
            made += each
        print(subprocess.run([sys.executable, __file__, "--one", str(folder)], capture_output=True, text=True,
                             check=True).stdout.strip(), flush=True)  # fmt: skip
        size *= 10


def peak() -> float:
    """Largest memory of this process so far, MB; what `getrusage` says of a new process is its parent's, on Linux."""
    status = Path("/proc/self/status")
    if not status.exists():
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return float(status.read_text().split("VmHWM:")[1].split()[0]) / 1024


def one(folder: Path) -> None:
    """Pool a folder; print people, rows, seconds and the growth of peak memory."""
    with tempfile.TemporaryDirectory() as small:
        make = f"import sites_speed as s; s.trial(1000, 20, s.np.random.default_rng(1)).to_parquet('{small}/a.parquet')"
        subprocess.run([sys.executable, "-c", make], cwd=Path(__file__).parent, check=True)
        pool_moments(small, FORMULA, **ABOVE)  # imports, caches, readers
    before, start = peak(), time.process_time()
    moments = pool_moments(folder, FORMULA, **ABOVE, workers=1)
    taken, more = time.process_time() - start, peak() - before
    sums = sum(made.nbytes for made in (moments.A, moments.B, moments.C, moments.sites.n, moments.sites.x,
                                        moments.sites.y)) / 2**20  # fmt: skip
    start = time.process_time()
    for path in sorted(folder.glob("*.parquet")):
        pd.read_parquet(path, columns=COLUMNS)
    read = time.process_time() - start
    _, fitted = processor(lambda: fit_moments(moments, covariance="unstructured"))
    part = pd.read_parquet(next(folder.glob("*.parquet")), columns=COLUMNS)
    size = part.memory_usage(deep=True).sum() / 2**20
    print(f"{moments.n_participants} people, {moments.n_rows} rows: read {read:.1f} s, pooled out of core "
          f"{taken:.1f} s ({taken / read:.2f} times), {more:.0f} MB more memory, {more / size:.2f} partitions of "
          f"{size:.0f} MB; the sums alone {sums:.0f} MB; fit {fitted:.2f} s")  # fmt: skip


def agree(rows: int, parts: int = 20) -> None:
    """Whole, merged, partitioned and federated fits of the same rows."""
    frame = trial(int(rows / 5.4), 300, np.random.default_rng(7))
    group = frame["site"].cat.codes.to_numpy() % parts
    how = {"covariance": "unstructured"}
    whole = fit_moments(pool_moments(frame, FORMULA, **ABOVE), **how)
    sites = (frame[group == k] for k in range(parts))
    _told(f"{len(frame)} rows, {parts} sites merged", whole,
          fit_moments(reduce(add, [pool_moments(one, FORMULA, **ABOVE) for one in sites]), **how))  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        for k in range(parts):
            frame[group == k].to_parquet(Path(folder) / f"{k:02d}.parquet")
        _told("as files", whole, fit_moments(pool_moments(folder, FORMULA, **ABOVE), **how))


def federated(rows: int, parts: int = 20) -> None:
    """The model of change of all rows against that of the files of all sites."""
    frame = trial(int(rows / 5.4), 300, np.random.default_rng(7))
    visits = list(frame["visit"].cat.categories)
    people = frame.drop_duplicates("participant")[["participant", "arm", "site"]].astype("str").reset_index(drop=True)
    scores = frame[["participant", "visit", "arm", "value"]].astype({"visit": "str", "arm": "str"}).assign(
        day=frame["visit"].cat.codes * 14.0, instrument="made", scale="total", outcome="made.total", side="", hand="",
        condition="unassisted", unit="points", better="higher", answered=1, items=1, complete=True, reason="",
    )  # fmt: skip
    design = Protocol(
        title="Made up", design="parallel", arms=(Arm("usual", "", reference=True), Arm("active", "")),
        visits=tuple(PlannedVisit(v, v, 14.0 * k) for k, v in enumerate(visits)), outcomes=("made.total",),
        primary="made.total", randomisation=Randomisation(randomised=True), model=ModelChoice(site="site"),
    )  # fmt: skip
    group = frame["site"].cat.codes.to_numpy() % parts
    del frame
    sums = []
    for k in range(parts):
        own = scores[group == k]
        here = people[people["participant"].isin(own["participant"])]
        made = outcome_sums(own, "made.total", design, here, profiles=False).sums  # no guard is asked
        sums.append(from_plain("made.total", json.loads(json.dumps(to_plain(made)))))
    merged = fit_sums(together_sums(sums), design)
    whole = fit_change(scores, "made.total", design=design, participants=people)
    one, other = whole.between().frame(), merged.between().frame()
    apart = np.abs(one["estimate"] - other["estimate"]).max() / one["std_error"].min()
    print(f"{len(scores)} rows, files of {parts} sites: estimates differ by {apart:.1e} standard errors, df by "
          f"{np.abs(other['df'] / one['df'] - 1).max():.1e} of themselves", flush=True)  # fmt: skip


def _told(what: str, whole: MixedFit, other: MixedFit) -> None:
    one, two = whole.fixed(), other.fixed()
    print(f"{what}: estimates differ by {np.abs(two['estimate'] / one['estimate'] - 1).max():.1e} of themselves, df by "
          f"{np.abs(two['df'] / one['df'] - 1).max():.1e}, log-likelihood by {abs(whole.loglik - other.loglik):.1e}",
          flush=True)  # fmt: skip


LME4 = """
library(lme4)
d <- read.csv(commandArgs(TRUE)[1], stringsAsFactors = TRUE)
d$armc <- (d$arm == "active") - 0.5
t <- system.time(f <- lmer(value ~ week * arm + (1 + week | participant) + (1 | site) + (0 + armc | site), data = d))
cat(t[1] + t[2], format(as.numeric(logLik(f)), digits = 12), as.character(packageVersion("lme4")), "\\n")
"""


def against_lme4(people: int, sites: int = 100) -> None:
    """Random slopes of people, site and treatment by site: seconds of the processor and log-likelihoods."""
    frame = trial(people, sites, np.random.default_rng(3))

    def ours() -> float:
        fit = fit_moments(pool_moments(frame, "value ~ week * arm", **ABOVE, random="1 + week"))
        fit.fixed("kenward-roger")
        return fit.loglik

    pool_moments(trial(1000, 20, np.random.default_rng(1)), "value ~ week * arm", **ABOVE, random="1 + week")
    likelihood, seconds = processor(ours)
    with tempfile.TemporaryDirectory() as place:
        frame.to_csv(f"{place}/rows.csv", index=False)
        Path(f"{place}/fit.R").write_text(LME4)
        theirs = subprocess.run(["Rscript", f"{place}/fit.R", f"{place}/rows.csv"], capture_output=True, text=True,
                                check=True, env=os.environ | {"OMP_NUM_THREADS": "1"}).stdout.split()  # fmt: skip
    print(
        f"{people} people, {len(frame)} rows: here {seconds:.3f} s with Kenward-Roger, loglikelihood {likelihood:.6f}; "
        f"lme4 {theirs[2]} {theirs[0]} s, {theirs[1]}"
    )


def main() -> None:
    """Run what was asked."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--people", type=int, default=300_000)
    parser.add_argument("--sites", type=int, default=300)
    parser.add_argument("--partitions", type=Path, help="folder for the files of the growing trial")
    parser.add_argument("--largest", type=int, default=1_000_000)
    parser.add_argument("--file", type=int, default=100_000, help="people of a file")
    parser.add_argument("--agree", type=int, help="rows to fit whole, merged, from files and federated")
    parser.add_argument("--lme4", type=int, metavar="PEOPLE")
    parser.add_argument("--one", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.one:
        one(asked.one)
    elif asked.lme4:
        against_lme4(asked.lme4)
    elif asked.agree:
        agree(asked.agree)
        federated(asked.agree)
    elif asked.partitions:
        grow(asked.partitions, asked.largest, asked.file)
    else:
        pooling(asked.people, asked.sites)


if __name__ == "__main__":
    main()
