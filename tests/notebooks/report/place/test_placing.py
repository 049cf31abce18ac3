"""A report takes its place whole or not at all: locks, refusals, kills, Ctrl-C, a full disk."""

import os
import stat
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from notebooks.commands import main
from notebooks.report.place import draft as place
from notebooks.report.place.draft import MARK, placed, swap
from notebooks.report.place.one_writer import Busy, only_one
from notebooks.report.place.scratch import PREFIX, own_scratch
from outcomes import StudyError
from tests.notebooks.report.place import kill_campaign as campaign

ROOT = Path(__file__).resolve().parents[4]
COHORT = ROOT / "tests" / "studies" / "five_person_cohort"
HOLD = (
    "import sys, time; from pathlib import Path; from notebooks.report.place.one_writer import only_one\n"
    "with only_one(Path(sys.argv[1])): print('held', flush=True); time.sleep(60)"
)


@pytest.fixture
def study(tmp_path) -> Path:
    folder = tmp_path / "study"
    folder.mkdir()
    return folder


@pytest.fixture
def report(tmp_path) -> Path:
    """A folder like an earlier report."""
    folder = tmp_path / "report"
    folder.mkdir()
    for name in (MARK, "report.html", "record.json"):
        (folder / name).write_text("earlier")
    return folder


def write(draft: Path) -> None:
    for name in (MARK, "report.html"):
        (draft / name).write_text("new")


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


@pytest.mark.parametrize("swaps", [True, False])
def test_a_new_report_replaces_the_earlier_one_and_keeps_what_is_not_a_report(study, report, monkeypatch, swaps):
    if not swaps:
        monkeypatch.setattr(place, "swap", lambda one, other: False)
    (report / "my notes.txt").write_text("mine")
    (report / "tables").mkdir()
    with placed(report, study) as (draft, target):
        assert (report / "report.html").read_text() == "earlier"
        assert target == report
        write(draft)
    assert names(report) == {MARK, "report.html", "my notes.txt"}
    assert (report / "report.html").read_text() == "new"
    assert names(report.parent) == {"study", "report"}


def test_a_failure_leaves_the_earlier_report_and_nothing_else(study, report):
    def fail() -> None:
        with placed(report, study) as (draft, _):
            write(draft)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail()
    assert (report / "report.html").read_text() == "earlier"
    assert names(report.parent) == {"study", "report"}


def test_a_failure_of_a_first_report_leaves_no_folder_above_it(study, tmp_path):
    with pytest.raises(ZeroDivisionError), placed(tmp_path / "a" / "b" / "report", study):
        raise ZeroDivisionError
    assert names(tmp_path) == {"study"}


def test_a_run_killed_between_two_steps_of_a_swap_is_put_right(study, report):
    """Where a system has no single step for it."""
    report.rename(report.parent / ".report.outcomes-earlier")
    lines: list[str] = []
    with placed(report, study, lines.append) as (draft, _):
        assert (report / "report.html").read_text() == "earlier"
        write(draft)
    assert "the earlier report is back" in lines[0]
    assert names(report.parent) == {"study", "report"}


def test_swap_changes_two_folders_or_says_it_cannot(study, report):
    if swap(study, report):
        assert (study / "report.html").exists()
        assert names(report) == set()
    else:
        assert sys.platform not in ("linux", "darwin")


def test_another_writer_is_refused_and_a_dead_one_is_taken_over(tmp_path):
    lock = tmp_path / "lock"
    holder = subprocess.Popen([sys.executable, "-c", HOLD, lock], cwd=ROOT, stdout=subprocess.PIPE)
    holder.stdout.readline()
    with pytest.raises(Busy, match=f"process {holder.pid}"), only_one(lock):
        pass
    holder.kill()
    holder.wait()
    holder.stdout.close()
    lines: list[str] = []
    with only_one(lock, lines.append):
        assert f"process {holder.pid}" in lines[0]
        assert "taken over" in lines[0]
        with pytest.raises(Busy), only_one(lock):  # nor another thread of this process
            pass
    assert not lock.exists()


def test_the_data_are_never_replaced_by_their_report(tmp_path, capsys):
    """The study inside the target, the target inside the study, by any way of writing them."""
    inside = tmp_path / "report" / "inputs"
    inside.parent.mkdir()
    (inside.parent / MARK).write_text("")
    inside.symlink_to(COHORT)  # a link inside leads out of it: nothing of the study would be lost
    place.refuse(inside.parent, inside)
    inside.unlink()
    subprocess.run([sys.executable, "-c", "import shutil, sys; shutil.copytree(*sys.argv[1:])", COHORT, inside])
    before = campaign.state(tmp_path)
    (tmp_path / "link").symlink_to(inside.parent)
    for target in (inside.parent, tmp_path, tmp_path / "link", inside / ".." / "..", inside / "out", inside):
        assert main(["report", str(inside), "--to", str(target), "--quiet"]) == 1
        assert "--to" in capsys.readouterr().err
    (tmp_path / "link").unlink()
    assert campaign.state(tmp_path) == before


def test_a_place_that_cannot_be_written_is_refused_in_words(study):
    base = Path(tempfile.mkdtemp())
    base.chmod(0o755)
    (base / "report").mkdir()
    (base / "report" / MARK).write_text("")
    for folder in (base / "report", base):
        folder.chmod(0o555)
    other = os.geteuid() == 0
    if other:
        os.seteuid(65534)  # root may write anywhere
    try:
        with pytest.raises(StudyError, match="is read-only"), placed(base / "report", base / "no study"):
            pass
        with pytest.raises(StudyError, match="is read-only"), placed(base / "new", base / "no study"):
            pass
    finally:
        if other:
            os.seteuid(0)
        for folder in (base, base / "report"):
            folder.chmod(stat.S_IRWXU)
        (base / "report" / MARK).unlink()
        (base / "report").rmdir()
        base.rmdir()


def test_scratch_folders_of_killed_runs_are_removed_and_those_of_others_are_not(tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    dead = subprocess.run([sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True, text=True)
    for name, lock in ((f"{PREFIX}{dead.stdout.strip()}-abc", False), (f"{PREFIX}1-locked", True)):
        (tmp_path / name).mkdir()
        if lock:
            (tmp_path / name / "lock").write_text("process 0")
    (tmp_path / f"{PREFIX}mine").mkdir()
    (tmp_path / f"{PREFIX}{os.getpid()}-new").mkdir()
    with own_scratch() as scratch:
        assert Path(tempfile.gettempdir()) == scratch
        assert names(tmp_path) == {scratch.name, f"{PREFIX}mine", f"{PREFIX}{os.getpid()}-new"}
    assert not scratch.exists()
    assert tempfile.gettempdir() == str(tmp_path)


SMALL = """
import sys, tempfile; from pathlib import Path
from tests.notebooks.report.place import kill_campaign as campaign
campaign.as_parent_of_orphans()
with tempfile.TemporaryDirectory(prefix="kills-") as folder:
    place = campaign.Place(Path(folder), campaign.copied(Path(sys.argv[1])))
    found = [*campaign.trials(place, 15, 1), *campaign.others(place).items()]
print(*found, sep="\\n")
hit = [phase for phase, _ in found]
sys.exit(any(wrong for _, wrong in found) or min(map(hit.count, campaign.PHASES)) < 2)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="the campaign takes its steps from Linux")
def test_killed_reports_leave_the_earlier_one_and_nothing_behind(cohort_report, tmp_path):
    """Two kills in each phase of a copied report; the command in kill_campaign kills a hundred that compute."""
    home = {"HOME": str(tmp_path), "PYTHONPATH": str(ROOT), "PATH": os.environ["PATH"], "OMP_NUM_THREADS": "1",
            "OPENBLAS_NUM_THREADS": "1"}  # fmt: skip
    command = [sys.executable, "-c", SMALL, str(cohort_report)]
    done = subprocess.run(command, env=home, cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr


def test_ctrl_c_is_one_line(monkeypatch, capsys):
    def stopped(*given, **named):
        raise KeyboardInterrupt

    monkeypatch.setattr("notebooks.report.make.make_report", stopped)
    assert main(["report", str(COHORT), "--to", "nowhere"]) == 1
    assert capsys.readouterr().err == "outcomes: Stopped. What was there before is as it was.\n"
