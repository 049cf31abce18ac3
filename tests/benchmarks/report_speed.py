"""How long the demo's whole report takes: all notebooks, every figure in three formats and two widths, page, document.

Run from the top of the repository: python tests/benchmarks/report_speed.py   (about a minute; it wants an idle machine)
Prints the seconds of each part, of the best of two runs, and exits with 1 where the best took 60 s or more. Each run is
a process of its own on two cores, into a new folder, as a user starts it; the time starts before Python does. Nothing
is kept between the runs but the byte code that installing or a first run leaves behind.
"""

import os
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
LIMIT_S = 60
CORES = 2
STEP = re.compile(r"^\[ *([\d.]+) s\] (.*)$")


def run(study: Path, to: Path) -> dict[str, float]:
    """Seconds of each part of one report, and of the whole."""
    start = time.perf_counter()
    command = [sys.executable, "-m", "notebooks", "report", str(study), "--to", str(to)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    whole = time.perf_counter() - start
    steps = [(float(match[1]), match[2]) for line in done.stderr.splitlines() if (match := STEP.match(line))]
    took = float(re.search(r"It took (\d+) s", done.stdout)[1])
    marks = {
        "notebooks": next(second for second, text in steps if text.endswith(": running")),
        "pictures": next((second for second, text in steps if text.startswith("writing ") and "figures" in text), None),
        "page, document, record": next(second for second, text in steps if text.startswith("writing the page")),
    }
    ends = [*[mark for mark in marks.values() if mark is not None][1:], None]
    parts = {"start, imports, checks": marks["notebooks"] + max(0.0, whole - took)}
    for (name, began), end in zip(((n, b) for n, b in marks.items() if b is not None), ends, strict=True):
        parts[name] = (took if end is None else end) - began
    for _, text in steps:
        if match := re.match(r"(\d_\w+): done in ([\d.]+) s", text):
            parts[f"  {match[1]}"] = float(match[2])
    return parts | {"whole": whole}


def main() -> int:
    """Run twice, print the better run; 1 where it took too long."""
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[:CORES])
    with tempfile.TemporaryDirectory() as scratch:
        study = Path(scratch) / "study"
        subprocess.run([sys.executable, "-m", "notebooks", "demo", str(study)], cwd=ROOT, check=True, stdout=-3)
        runs = [run(study, Path(scratch) / f"report{number}") for number in (1, 2)]
        pictures = len([path for path in (Path(scratch) / "report1" / "figures").iterdir() if path.suffix != ".csv"])
    best = min(runs, key=lambda parts: parts["whole"])
    for name, seconds in best.items():
        print(f"{name:32} {seconds:6.1f} s")
    both = ", ".join(f"{parts['whole']:.1f} s" for parts in runs)
    print(f"{pictures} picture files. Both runs: {both}.")
    if hasattr(os, "getloadavg"):
        print(f"Load of the last five minutes: {os.getloadavg()[1]:.1f} on {os.cpu_count()} cores.")
    return 0 if best["whole"] < LIMIT_S else 1


if __name__ == "__main__":
    sys.exit(main())
