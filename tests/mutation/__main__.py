"""Mutation testing of scoring, thresholds, responders and accounting: are there tests that see a small change?

    python -m tests.mutation --to FILE                    # 200 changes, drawn with a recorded seed
    python -m tests.mutation --to FILE --sample 0         # every change; a night

Each change is put in place of its module in a process of its own, and the tests of its room are run until one fails:
those that run the changed lines. A change that no test sees is a survivor. Libraries are loaded once: every process is
a fork of the first. With --to a stopped run goes on where it was, and which test runs which line is noted beside it.
"""

import argparse
import contextlib
import hashlib
import io
import json
import os
import random
import signal
import sys
import tempfile
import time
import warnings
from collections.abc import Sequence
from importlib.abc import Loader, MetaPathFinder
from importlib.machinery import ModuleSpec
from importlib.util import spec_from_loader
from pathlib import Path

import numpy  # noqa: F401  what every test needs is loaded before the forks
import openpyxl  # noqa: F401
import pandas  # noqa: F401
import pyarrow.parquet  # noqa: F401
import pytest
import scipy.stats  # noqa: F401

from tests.mutation.changes import Change, changes
from tests.mutation.which_tests import WhichTests, which_tests

ROOT = Path(__file__).resolve().parents[2]
SECONDS = 60  # of the processor, at least: a change can make a loop without end
# What is changed, and the tests that have to see it: those of the room, the most to the point first.
ROOMS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "scoring": (
        ("outcomes/scoring/kinds.py", "outcomes/scoring/answers.py", "outcomes/scoring/totals.py",
         "outcomes/scoring/angles.py", "outcomes/scoring/administrations.py", "outcomes/scoring/score.py"),
        ("tests/outcomes/scoring", "tests/structure/test_frozen_records.py"),
    ),
    "thresholds": (
        ("outcomes/library/registry.py", "stats/responders/criteria.py", "stats/responders/published_criteria.py"),
        ("tests/outcomes/library/test_thresholds.py", "tests/stats/responders/test_published_thresholds.py",
         "tests/outcomes/library", "tests/stats/responders", "tests/structure/test_frozen_records.py"),
    ),
    "responders": (
        ("stats/responders/count.py", "stats/responders/responder_counts.py", "stats/responders/improvements.py",
         "stats/responders/between_arms.py"),
        ("tests/stats/responders/test_count.py", "tests/stats/responders", "tests/stats/proportions",
         "tests/structure/test_frozen_records.py"),
    ),
    "accounting": (
        ("outcomes/checks/accounting.py", "outcomes/reading/line_count.py"),
        ("tests/outcomes/checks/test_accounting.py", "tests/outcomes/reading/test_lines.py"),
    ),
}  # fmt: skip


OPTIONS = ["-q", "-p", "no:randomly", "-p", "no:cacheprovider", "--no-header", f"--rootdir={ROOT}"]


class _Instead(MetaPathFinder, Loader):
    """Loads one module from a text in place of its file."""

    def __init__(self, file: str, source: str):
        self.name, self.file, self.source = file.removesuffix(".py").replace("/", "."), file, source

    def find_spec(self, name: str, path: object, target: object = None) -> ModuleSpec | None:
        return spec_from_loader(name, self, origin=str(ROOT / self.file)) if name == self.name else None

    def exec_module(self, module) -> None:
        module.__file__ = str(ROOT / self.file)
        exec(compile(self.source, module.__file__, "exec"), module.__dict__)


def of_room(room: str, beside: Path) -> WhichTests:
    """Which test of a room runs which line."""
    files, tests = ROOMS[room]
    code = sorted(path for package in ("outcomes", "stats", "tests") for path in (ROOT / package).rglob("*.py"))
    code = [path for path in code if path.parent != Path(__file__).parent]
    digest = hashlib.sha256(b"".join(path.read_bytes() for path in code)).hexdigest()[:12]
    return which_tests(ROOT, files, tests, OPTIONS, beside / f"{room}-{digest}.lines.json")


def seen(room: str, file: str, change: Change, asked: WhichTests) -> str:
    """ "failed" or "stopped" where the tests see the change, "survived" where they pass."""
    first = asked.of(file, range(change.line, change.last_line + 1))
    end = _end(file, change.source, first, asked) if first else "stopped"
    # Stopped by the change, or because a test of another name is collected with it, or a line outside functions: then
    # its whole room is asked.
    return end if end != "stopped" else _end(file, change.source, ROOMS[room][1], asked)


def _end(file: str, source: str, tests: Sequence[str], asked: WhichTests) -> str:
    child = os.fork()
    if not child:
        # Of the processor; and six times that on the clock for one that waits.
        signal.setitimer(signal.ITIMER_PROF, max(SECONDS, 3 * asked.seconds))
        _in_child(file, source, tests)
    deadline = time.monotonic() + 6 * max(SECONDS, 3 * asked.seconds)
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            code = os.waitstatus_to_exitcode(status)
            return "survived" if code == 0 else "failed" if code == 1 else "stopped"
        if time.monotonic() > deadline:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return "stopped"
        time.sleep(0.02)


def _in_child(file: str, source: str, tests: Sequence[str]) -> None:
    sys.meta_path.insert(0, _Instead(file, source))
    warnings.simplefilter("ignore")
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        code = int(pytest.main(["-x", *OPTIONS, *_paths(tests)]))
    os._exit(code)


def _paths(tests: Sequence[str]) -> list[str]:
    return [str(ROOT / test) for test in dict.fromkeys(tests)]


def drawn(sample: int, seed: int) -> list[tuple[str, str, Change]]:
    """Changes of every room, the same number of each as far as there are so many; all of them where sample is 0."""
    rng, chosen = random.Random(seed), []
    for room, (files, _) in ROOMS.items():
        every = [
            (room, file, change) for file in files for change in changes((ROOT / file).read_text(encoding="utf-8"))
        ]
        rng.shuffle(every)
        chosen.append(every if not sample else every[: max(1, sample // len(ROOMS))])
    # In turns, so that a run that is stopped has some of every room.
    return [room[place] for place in range(max(map(len, chosen))) for room in chosen if place < len(room)]


def main() -> int:
    """Run; exit status 1 where fewer than 90 % of the changes are seen."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sample", type=int, default=200, help="changes in all; 0: every one")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rooms", nargs="+", choices=ROOMS, default=list(ROOMS), help="of them, at most these")
    parser.add_argument("--to", type=Path, metavar="FILE", help="journal, one change a line")
    options = parser.parse_args()
    known = {}
    if options.to and options.to.exists():
        lines = map(json.loads, options.to.read_text(encoding="utf-8").splitlines())
        known = {(line["file"], line["line"], line["says"]): line["end"] for line in lines}
    asked: dict[str, WhichTests] = {}
    ends: dict[str, list[str]] = {room: [] for room in options.rooms}
    with tempfile.TemporaryDirectory(prefix="outcomes-") as scratch:
        for room, file, change in drawn(options.sample, options.seed):
            if room not in options.rooms:
                continue
            key = (file, change.line, change.says)
            if key not in known:
                if room not in asked:
                    asked[room] = of_room(room, options.to.parent if options.to else Path(scratch))
                known[key] = seen(room, file, change, asked[room])
                if options.to:
                    with options.to.open("a", encoding="utf-8") as journal:
                        told = {"room": room, "file": file, "line": change.line, "says": change.says, "end": known[key]}
                        journal.write(json.dumps(told) + "\n")
            ends[room].append(known[key])
            if known[key] == "survived":
                print(f"survived: {file}, line {change.line}, {change.says}", flush=True)
    for room, found in ends.items():
        print(f"{room}: {sum(end != 'survived' for end in found)} of {len(found)} seen")
    total = [end for found in ends.values() for end in found]
    share = sum(end != "survived" for end in total) / len(total)
    print(f"all: {share:.1%} of {len(total)}; seed {options.seed}")
    return 0 if share >= 0.9 else 1


if __name__ == "__main__":
    raise SystemExit(main())
