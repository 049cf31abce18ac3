"""How long the demo's report takes, and how much of it a second report costs: seconds and ratios of one run.

Run from the top of the repository:

    python tests/benchmarks/report_speed.py [--no-pictures] [--before FOLDER] [--rounds N]

It wants an idle machine and takes some minutes. Each report is a process of its own on two cores, as a user starts it;
the time starts before Python does. Raced: a first report; the same again after a changed title, after a changed
parameter of a notebook, after one changed cell of an outcome that is not the primary one. --before: another copy of
the kit, whose first report is raced against this one's, in turn. Beside the seconds stands the processor time of the
report and of every process it started: on a busy machine only that can be compared. Exit status 1 where a limit is
missed by both.
"""

import argparse
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("outcomes", "stats", "notebooks", "synthetic_cohort")
CORES = 2
LIMITS = {"against before": 0.45, "changed title": 1 / 3, "changed parameter": 1 / 3, "changed cell": 2 / 3}


def timed(tree: Path, *arguments: str | Path) -> tuple[float, float]:
    """Seconds on the clock and of the processors of one command of the kit in `tree`."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    command = [sys.executable, "-m", "notebooks", *map(str, arguments)]
    subprocess.run(command, cwd=tree, env=os.environ | {"PYTHONPATH": str(tree)}, capture_output=True, check=True)
    wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def changed_title(study: Path) -> None:
    """Another title in study.toml."""
    path = study / "study.toml"
    lines = path.read_text(encoding="utf-8").splitlines()
    place = next(k for k, line in enumerate(lines) if line.startswith("title"))
    lines[place] = 'title = "Another title"'
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def changed_parameter(tree: Path) -> None:
    """Another index in the notebook of effect sizes."""
    path = tree / "notebooks" / "5_effect_sizes.ipynb"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('index = \\"g_av\\"', 'index = \\"d_z\\"'), encoding="utf-8")


def changed_cell(study: Path) -> None:
    """One block more or fewer in one administration of the Box and Block Test."""
    path = study / "items.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    head = lines[0].split(",")
    value, instrument = head.index("value"), head.index("instrument")
    for place, line in enumerate(lines[1:], 1):
        cells = line.split(",")
        if cells[instrument] == "bbt" and cells[value].isdigit():
            cells[value] = str(int(cells[value]) + 1)
            lines[place] = ",".join(cells)
            break
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def race(scratch: Path, before: Path | None, more: list[str]) -> dict[str, tuple[float, float]]:
    """One round: what each report took."""
    tree, study, report = scratch / "kit", scratch / "study", scratch / "report"
    for package in PACKAGES:
        shutil.copytree(ROOT / package, tree / package, ignore=shutil.ignore_patterns("__pycache__"))
    timed(tree, "demo", study)  # also writes the byte code, as installing does
    timed(tree, "report", study, "--to", scratch / "warm", "--only", "1", "--no-pictures")
    took = {}
    if before is not None:
        timed(before, "demo", scratch / "study_before")  # its own: an older kit knows fewer keys of study.toml
        took["before"] = timed(before, "report", scratch / "study_before", "--to", scratch / "report_before", *more)
    took["first"] = timed(tree, "report", study, "--to", report, *more)
    megabytes = sum(path.stat().st_size for path in report.rglob("*") if path.is_file()) / 1e6
    print(f"the folder of the first report: {megabytes:.1f} MB")
    for name, change, where in (
        ("changed title", changed_title, study),
        ("changed parameter", changed_parameter, tree),
        ("changed cell", changed_cell, study),
    ):
        change(where)
        took[name] = timed(tree, "report", study, "--to", report, *more)
    return took


def main() -> int:
    """Race, print the best of each, and say which limit was missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--before", type=Path)
    parser.add_argument("--no-pictures", action="store_true")
    parser.add_argument("--rounds", type=int, default=1)
    options = parser.parse_args()
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[:CORES])
    more = ["--no-pictures"] if options.no_pictures else []
    rounds = []
    for _ in range(options.rounds):
        with tempfile.TemporaryDirectory() as scratch:
            rounds.append(race(Path(scratch), options.before and options.before.resolve(), more))
    best = {name: tuple(min(one[name][k] for one in rounds) for k in (0, 1)) for name in rounds[0]}
    missed = []
    for name, (wall, cpu) in best.items():
        base = "before" if name == "first" else "first"
        ratios = [mine / other for mine, other in zip((wall, cpu), best.get(base, (wall, cpu)), strict=True)]
        told = f", {ratios[0]:.2f} ({ratios[1]:.2f}) of {base}" if base in best and base != name else ""
        print(f"{name:18} {wall:7.1f} s, processors {cpu:7.1f} s{told}")
        limit = LIMITS.get("against before" if name == "first" else name)
        if told and limit is not None and min(ratios) > limit:
            missed.append(f"{name}: more than {limit:.2f} of {base}")
    if hasattr(os, "getloadavg"):
        print(f"Load of the last five minutes: {os.getloadavg()[1]:.1f} on {os.cpu_count()} cores.")
    print("\n".join(missed) if missed else "Every limit was kept.")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
