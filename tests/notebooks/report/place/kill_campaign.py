"""Reports that are killed at every stage: is the earlier report whole, and does the next run leave nothing behind?

Run from the top of the repository:

    python -m tests.notebooks.report.place.kill_campaign [--kills 100] [--seed 1] [--copy REPORT]

Each kill is one report on the five-person study in a process of its own. Most are killed by the process itself just
before one of its operations on files, found by an audit hook, so that the steps of putting a report into its place are
hit one by one; the rest at a random moment from outside. After each the report must be the earlier one, byte for byte,
or the new one, whole by its hashes; the next run must end well and leave no draft, lock, scratch folder or process.
Besides: two writers at once, Ctrl-C and a request to end, files that may not grow (a full disk), a read-only folder.
Linux only. Exit status 1 where anything was damaged or left behind.
"""

import argparse
import contextlib
import ctypes
import hashlib
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from notebooks.report import record as records
from notebooks.report.make import make_report
from notebooks.report.place.draft import placed
from notebooks.report.place.ending import ends_cleanly
from notebooks.report.place.scratch import PREFIX, own_scratch
from notebooks.report.proof.environment import indirect_versions
from notebooks.report.proof.file_hashes import hashes, verify
from notebooks.report.proof.recorded import read_record
from outcomes import StudyError

STUDY = Path(__file__).resolve().parents[3] / "studies" / "five_person_cohort"
PHASES = ("beginning", "computing", "writing", "placing", "clearing")
LEAST = 5  # kills a phase
WATCHED = {"open", "os.rename", "os.mkdir", "os.rmdir", "os.remove", "os.chmod", "os.truncate", "os.scandir",
           "os.listdir", "shutil.copyfile", "shutil.rmtree", "ctypes.dlsym", "tempfile.mkdtemp"}  # fmt: skip
OPTIONS = {"only": ["7"], "pictures": (), "processes": 1}
WAIT_S = 60
SUBREAPER = 36  # PR_SET_CHILD_SUBREAPER: workers that outlive their parent become ours, and are counted


@dataclass
class Steps:
    """The operations on files of one process, each with its phase; the process ends itself before the one named."""

    base: Path
    last: int | None = None
    phase: str = PHASES[0]
    seen: list[str] = field(default_factory=list)

    def say(self, line: str) -> None:
        """A line of progress: the phases follow it."""
        if ": running" in line:
            self.phase = "computing"
        elif line.startswith("writing tables"):
            self.phase = "writing"
        elif line.startswith("putting the report"):
            self.phase = "placing"

    def hook(self, event: str, arguments: tuple) -> None:
        """An audit hook: called before each operation."""
        if event not in WATCHED or os.getpid() != self.process or not self._ours(event, arguments):
            return
        self.seen.append(self.phase)
        if len(self.seen) - 1 == self.last:
            os.kill(os.getpid(), signal.SIGKILL)
        if event == "ctypes.dlsym" and self.phase == "placing":
            self.phase = "clearing"  # the next step is behind the swap

    def start(self) -> None:
        """Watch this process from now on."""
        self.process = os.getpid()
        sys.addaudithook(self.hook)

    def _ours(self, event: str, arguments: tuple) -> bool:
        """Whether an operation is on files of the trial. A folder is removed by names inside it, which are relative."""
        if event.startswith("ctypes"):
            return True
        named = os.fsdecode(arguments[0]) if isinstance(arguments[0], (str, bytes, os.PathLike)) else ""
        return str(self.base) in named or (event in ("os.remove", "os.rmdir") and not os.path.isabs(named))


def forked(work: Callable[[], None]) -> int:
    """Start a child that does this and ends; its process number."""
    child = os.fork()
    if child:
        return child
    status = 1
    signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell in the background hands it on as ignored
    with open(os.devnull, "w") as nothing:
        os.dup2(nothing.fileno(), 2)
    try:
        work()
        status = 0
    except StudyError:
        status = 3
    except KeyboardInterrupt:
        status = 4
    except OSError:
        status = 5
    finally:
        os._exit(status)


def ended(child: int) -> int:
    """How a child ended: its status, negative for a signal."""
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def reaped() -> int:
    """Wait for the workers of killed children; how many did not end by themselves."""
    end = time.monotonic() + WAIT_S
    while time.monotonic() < end:
        try:
            if os.waitpid(-1, os.WNOHANG) == (0, 0):
                time.sleep(0.05)
        except ChildProcessError:
            return 0
    return 1


def state(folder: Path) -> str | None:
    """Digest of every byte of a folder; None where it is not there."""
    if not folder.exists():
        return None
    digest = hashlib.sha256()
    for path in sorted(folder.rglob("*")):
        digest.update(path.relative_to(folder).as_posix().encode())
        digest.update(path.read_bytes() if path.is_file() else b"")
    return digest.hexdigest()


def whole(report: Path, before: str | None) -> bool:
    """Whether a report is the earlier one or a new one, and nothing between."""
    if state(report) == before:
        return True
    try:
        return verify(report, read_record(report)) == []
    except StudyError:
        return False


def copied(source: Path) -> Callable[..., None]:
    """A maker of reports that computes nothing: it copies one, by the same steps that make_report takes."""

    def make(study: Path, to: Path, *, say: Callable[[str], None], **options: object) -> None:
        with ends_cleanly(), placed(to, study, say) as (draft, _), own_scratch() as scratch:
            (scratch / "data.csv").write_text("while it computes")
            say("7: running")
            shutil.copytree(source, draft, dirs_exist_ok=True, ignore=shutil.ignore_patterns("record.json"))
            say("writing tables and pages")
            record = records.read(source / "record.json")
            record["hashes"] = hashes(draft, record)
            records.write(record, draft / "record.json")
            say("putting the report into its place")

    return make


@dataclass
class Place:
    """A folder for trials: the report in `out`, temporary files in `tmp`. maker: `make_report`, or one like it."""

    base: Path
    maker: Callable[..., object] = make_report

    def __post_init__(self) -> None:
        (self.base / "tmp").mkdir(exist_ok=True)
        (self.base / "out").mkdir(exist_ok=True)
        tempfile.tempdir = str(self.base / "tmp")

    @property
    def report(self) -> Path:
        """Where the report goes."""
        return self.base / "out" / "report"

    def make(self, last: int | None = None, say: Callable[[str], None] | None = None) -> Callable[[], None]:
        """A report as a child makes it."""

        def work() -> None:
            steps = Steps(self.base, last)
            steps.start()
            self.maker(STUDY, self.report, say=say or steps.say, **OPTIONS)
            (self.base / "steps").write_text("\n".join(steps.seen))

        return work

    def forget(self) -> None:
        """Without what the earlier report kept, the next one computes."""
        shutil.rmtree(self.report / "kept", ignore_errors=True)

    def left_over(self) -> list[str]:
        """What lies beside the report, and scratch folders."""
        beside = [path.name for path in self.report.parent.iterdir() if path != self.report]
        return beside + [path.name for path in (self.base / "tmp").glob(f"{PREFIX}*")]

    def steps(self) -> list[str]:
        """The phases of the operations of one whole run that replaces a report."""
        assert ended(forked(self.make())) == 0
        self.forget()
        assert ended(forked(self.make())) == 0
        return (self.base / "steps").read_text().split()


def chosen(steps: list[str], kills: int, generator: random.Random) -> list[int]:
    """Operations to be killed at: the same number in each phase, spread over it."""
    each, picked = kills // len(PHASES), []
    for phase in PHASES:
        places = [k for k, name in enumerate(steps) if name == phase]
        picked += [places[int((k + generator.random()) * len(places) / each)] for k in range(each)]
    return picked


def trials(place: Place, kills: int, seed: int) -> Iterator[tuple[str, list[str]]]:
    """Each kill: its phase, and what was found wrong after it."""
    generator = random.Random(seed)
    steps = place.steps()
    place.forget()
    start = time.monotonic()
    assert ended(forked(place.make())) == 0
    length = time.monotonic() - start
    inside = kills - kills // 5
    for count, last in enumerate([*chosen(steps, inside, generator), *[None] * (kills - inside)]):
        if count % 4 == 3 and (last is None or steps[last] in PHASES[:2]):  # a first report has no earlier one
            shutil.rmtree(place.report)
        if count % 2:
            place.forget()
        before = state(place.report)
        child = forked(place.make(last))
        if last is None:
            time.sleep(generator.random() * length)
            with contextlib.suppress(ProcessLookupError):
                os.kill(child, signal.SIGKILL)
        status = ended(child)
        phase = steps[last] if last is not None else "any moment"
        if last is not None and status != -signal.SIGKILL:
            phase = "ended before"
        wrong = [] if whole(place.report, before) else ["the report is damaged"]
        wrong += after(place)
        yield phase, wrong


def after(place: Place) -> list[str]:
    """What is wrong once the next run is done."""
    wrong = []
    status = ended(forked(place.make()))
    if status != 0:
        wrong.append(f"the next run ended with {status}")
    elif verify(place.report, read_record(place.report)):
        wrong.append("the next report is not whole")
    if reaped():
        wrong.append("a process was left")
    if place.left_over():
        wrong.append(f"left over: {', '.join(place.left_over())}")
    return wrong


def two_writers(place: Place) -> list[str]:
    """While one writes, another is refused; the first ends well."""
    reader, writer = os.pipe()
    holds = place.make(say=lambda line: os.write(writer, b".") and time.sleep(0.5))
    first = forked(holds)
    os.read(reader, 1)
    second = ended(forked(place.make()))
    wrong = [] if second == 3 else [f"a second writer ended with {second}"]
    wrong += [] if ended(first) == 0 else ["the first writer failed"]
    return wrong + after(place)


def asked_to_end(place: Place, number: int) -> list[str]:
    """Ctrl-C and a request to end clear up at once."""
    before = state(place.report)
    reader, writer = os.pipe()
    child = forked(place.make(say=lambda line: os.write(writer, b".") and time.sleep(0.2)))
    os.read(reader, 2)
    os.kill(child, number)
    status = ended(child)
    wrong = [] if status == 4 else [f"it ended with {status}"]
    wrong += [] if state(place.report) == before else ["the earlier report changed"]
    wrong += [f"left over: {name}" for name in place.left_over()]
    return wrong + after(place)


def full_disk(place: Place, most: int) -> list[str]:
    """No file may grow beyond a size: the run fails, the earlier report stays."""
    before = state(place.report)

    def work() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
        place.make()()

    status = ended(forked(work))
    wrong = [] if status == 5 else [f"it ended with {status}"]
    wrong += [] if state(place.report) == before else ["the earlier report changed"]
    wrong += [f"left over: {name}" for name in place.left_over()]
    return wrong + after(place)


def others(place: Place) -> dict[str, list[str]]:
    """What else can come between, and what was found wrong after it."""
    return {
        "two writers": two_writers(place),
        "Ctrl-C": asked_to_end(place, signal.SIGINT),
        "asked to end": asked_to_end(place, signal.SIGTERM),
        "a full disk, page": full_disk(place, 1_000_000),
        "a full disk, notebook": full_disk(place, 20_000),
    }


def as_parent_of_orphans() -> None:
    """Let the orphans of our children become our children."""
    ctypes.CDLL(None).prctl(SUBREAPER, 1, 0, 0, 0)


def main() -> int:
    """Run all, print the table of counts."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--copy", type=Path, help="a finished report: the children copy it in place of computing one")
    options = parser.parse_args()
    as_parent_of_orphans()
    indirect_versions()  # once here, not in every child
    counts, bad = Counter(), []
    with tempfile.TemporaryDirectory(prefix="kills-") as folder:
        place = Place(Path(folder), copied(options.copy.resolve()) if options.copy else make_report)
        for phase, wrong in trials(place, options.kills, options.seed):
            counts[phase] += 1
            bad += [f"{phase}: {line}" for line in wrong]
        rest = others(place)
    for phase, count in counts.items():
        print(f"{phase:20} {count} kills")
    for name, wrong in rest.items():
        print(f"{name:24} {'; '.join(wrong) or 'as it should be'}")
        bad += wrong
    few = [phase for phase in PHASES if counts[phase] < LEAST]
    print(f"{sum(counts.values())} kills; wrong: {len(bad)}; phases hit too seldom: {', '.join(few) or 'none'}")
    print("\n".join(bad))
    return 1 if bad or few else 0


if __name__ == "__main__":
    sys.exit(main())
