"""The lock of the analysis plan: what it freezes, what departs from it, and that nobody can miss the departures."""

import datetime
import hashlib
import json
import re
import shutil
from pathlib import Path

import pytest
from docx import Document

from notebooks.commands import main
from notebooks.report.make import make_report
from notebooks.report.rerun import rerun
from outcomes import StudyError, check, lock_plan, read_study
from outcomes.lock.lock_file import NAME

COHORT = Path(__file__).resolve().parents[1] / "studies" / "five_person_cohort"
WHEN = datetime.datetime(2025, 3, 1, 12, 30, tzinfo=datetime.UTC)
LATER = WHEN + datetime.timedelta(days=10)
CHANGED = (
    '\nlevel = 0.9\n\n[[departures]]\nkey = "level"\ndate = 2025-04-02\nreason = "The ethics board asked for it."\n'
)


@pytest.fixture
def cohort(tmp_path) -> Path:
    folder = tmp_path / "study"
    shutil.copytree(COHORT, folder)
    return folder


def edit(path: Path, change) -> None:
    path.write_text(change(path.read_text(encoding="utf-8")), encoding="utf-8")


def toml(folder: Path, old: str, new: str) -> None:
    def change(text: str) -> str:
        assert old in text
        return text.replace(old, new, 1)

    edit(folder / "study.toml", change)


def notes(folder: Path, rule: str) -> list[str]:
    frame = check(read_study(folder)).frame()
    return frame.loc[frame["rule"] == rule, "column"].tolist()


def departed(folder: Path) -> dict[str, tuple[str, str]]:
    return {each.key: (each.locked, each.now) for each in read_study(folder).departures}


def test_the_hash_is_that_of_the_plan_as_sorted_json(cohort):
    """A second way to the hash: the plan as the file shows it, through the standard library alone."""
    lock_plan(cohort, now=WHEN)
    content = json.loads((cohort / NAME).read_text(encoding="utf-8"))
    event = content["events"][0]
    text = json.dumps(event["plan"], sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert hashlib.sha256(text.encode()).hexdigest() == event["plan_sha256"]
    assert event["date"] == "2025-03-01T12:30:00+00:00"
    assert event["rows"]["participants"] == 5
    assert event["files"]["totals.csv"] == hashlib.sha256((cohort / "totals.csv").read_bytes()).hexdigest()


def test_comments_blanks_order_labels_and_written_defaults_do_not_matter(cohort):
    lock_plan(cohort)

    def rewritten(text: str) -> str:
        text = re.sub(r"^title = .*$", 'title = "Another title"', text, count=1, flags=re.MULTILINE)
        text = re.sub(r"^label = .*$", 'label = "other words"', text, count=1, flags=re.MULTILINE)
        return "# a comment\n\n" + text.replace("\n[", "\n\n\n[").replace(" = ", "   =   ")

    before = read_study(cohort).plan_sha256
    edit(cohort / "study.toml", rewritten)
    assert read_study(cohort).plan_sha256 == before
    assert not read_study(cohort).departures


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('primary = "fma_ue.motor"', 'primary = "bbt.blocks"', "primary"),
        ("level = 0.95", "level = 0.9", "level"),
        ('id = "post"', 'id = "after"', "visits.post"),
    ],
)
def test_a_key_that_decides_the_analysis_is_a_departure(cohort, old, new, key):
    lock_plan(cohort)
    toml(cohort, old, new)
    assert key in departed(cohort)
    assert key in notes(cohort, "departure from the locked plan")


def test_a_departure_has_both_values_the_reason_and_the_date(cohort):
    lock_plan(cohort, now=WHEN)
    toml(cohort, "level = 0.95", CHANGED)
    (each,) = read_study(cohort).departures
    assert (each.key, each.locked, each.now) == ("level", "0.95", "0.9")
    assert (each.date, each.reason, each.explained) == ("2025-04-02", "The ethics board asked for it.", True)
    findings = check(read_study(cohort))
    assert "The ethics board asked for it." in str(findings)
    assert not findings.blocking


def test_data_may_grow_after_the_lock(cohort):
    lock_plan(cohort)
    edit(cohort / "totals.csv", lambda text: text + text.splitlines()[-1] + "\n")
    assert notes(cohort, "rows gone since the lock") == []
    assert not read_study(cohort).departures


def test_a_second_lock_is_refused_and_with_a_reason_keeps_the_first(cohort, capsys):
    assert main(["lock", str(cohort)]) == 0
    assert read_study(cohort).plan_sha256 in capsys.readouterr().out
    assert main(["lock", str(cohort)]) == 1
    error = capsys.readouterr().err
    assert "--again" in error
    assert "Traceback" not in error
    toml(cohort, "level = 0.95", "level = 0.9")
    assert main(["lock", str(cohort), "--again", "amendment 1"]) == 0
    lock = read_study(cohort).lock
    assert [event.reason for event in lock.locks] == ["", "amendment 1"]
    # The first plan is kept, so a later lock hides nothing.
    (each,) = read_study(cohort).departures
    assert (each.key, each.locked, each.now, each.reason) == ("level", "0.95", "0.9", "amendment 1")


def test_locking_again_without_a_first_lock_is_refused(cohort):
    with pytest.raises(StudyError, match="not locked yet"):
        lock_plan(cohort, again="why")
    assert not (cohort / NAME).exists()


def test_a_plan_can_be_locked_before_the_first_participant(tmp_path, capsys):
    folder = tmp_path / "new"
    shutil.copytree(COHORT, folder)
    for name in ("participants.csv", "totals.csv"):
        edit(folder / name, lambda text: text.splitlines()[0] + "\n")
    assert main(["lock", str(folder)]) == 0
    assert "no data yet" in capsys.readouterr().out
    for name in ("participants.csv", "totals.csv"):
        shutil.copyfile(COHORT / name, folder / name)
    assert not check(read_study(folder)).blocking
    assert read_study(folder).departures == ()


def test_a_lock_of_the_protocol_alone_says_that_there_are_no_data_and_not_where_the_folder_lies(tmp_path, capsys):
    shutil.copyfile(COHORT / "study.toml", tmp_path / "study.toml")
    assert main(["lock", str(tmp_path)]) == 0
    assert "holds no data yet" in capsys.readouterr().out
    assert str(tmp_path) not in (tmp_path / NAME).read_text(encoding="utf-8")


def test_a_plan_with_an_error_is_not_locked(cohort):
    toml(cohort, 'primary = "fma_ue.motor"', 'primary = "fma_ue.moter"')
    with pytest.raises(StudyError, match=r"fma_ue\.moter"):
        lock_plan(cohort)
    assert not (cohort / NAME).exists()


def test_an_edited_lock_is_an_error_that_blocks_the_report_and_a_further_lock(cohort, tmp_path, capsys):
    lock_plan(cohort, now=WHEN)
    lock_plan(cohort, again="amendment", now=LATER)
    whole = (cohort / NAME).read_text(encoding="utf-8")
    content = json.loads(whole)
    last_gone = json.dumps(content | {"events": content["events"][:1]})
    for damaged in (
        whole.replace("2025-03-01", "2024-03-01", 1),
        whole.replace("0.95", "0.9", 1),
        whole.replace("amendment", "other words", 1),
        last_gone,
        whole[:-40],
        "[]",
        "{}",
    ):
        assert damaged != whole
        (cohort / NAME).write_text(damaged, encoding="utf-8")
        assert main(["check", str(cohort)]) == 1
        assert NAME in capsys.readouterr().out
        assert main(["lock", str(cohort), "--again", "x"]) == 1
        assert "hashes" in capsys.readouterr().err
    assert main(["report", str(cohort), "--to", str(tmp_path / "out")]) == 1
    assert not (tmp_path / "out").exists()


def test_the_lock_of_another_study_is_an_error(cohort, tmp_path):
    other = tmp_path / "other"
    shutil.copytree(COHORT, other)
    for name in ("participants.csv", "totals.csv"):
        edit(other / name, lambda text: re.sub(r"^(?!participant)", "X", text, flags=re.MULTILINE))
    lock_plan(cohort)
    shutil.copyfile(cohort / NAME, other / NAME)
    findings = check(read_study(other))
    assert findings.blocking
    assert "lock of another study" in set(findings.frame()["rule"])
    with pytest.raises(StudyError, match="another study folder"):
        lock_plan(other, again="mine now")


@pytest.fixture(scope="module")
def locked_report(tmp_path_factory) -> tuple[Path, Path]:
    """A study locked and changed in two keys, one with a reason, and its report (one notebook)."""
    base = tmp_path_factory.mktemp("locked")
    shutil.copytree(COHORT, base / "study")
    lock_plan(base / "study", now=WHEN)
    toml(base / "study", "level = 0.95", CHANGED.lstrip())
    edit(base / "study" / "study.toml", lambda text: text.replace("seed = 1", "seed = 2", 1))
    make_report(base / "study", base / "report", only=["5"], pictures=(), processes=1)
    return base / "study", base / "report"


def test_page_document_and_record_list_the_departures_by_themselves(locked_report):
    _, report = locked_report
    page = (report / "report.html").read_text(encoding="utf-8")
    assert re.search(r"<h2[^>]*>Departures from the locked plan</h2>", page)
    section = page.partition('<h2 id="s-departures">')[2].partition("</section>")[0]
    document = Document(str(report / "report.docx"))
    words = "\n".join(paragraph.text for paragraph in document.paragraphs)
    words += "\n".join(cell.text for table in document.tables for row in table.rows for cell in row.cells)
    plan = json.loads((report / "record.json").read_text(encoding="utf-8"))["plan"]
    for text in (section, words):
        assert "locked on 2025-03-01 12:30 UTC" in text
        assert "The ethics board asked for it." in text
        assert "no reason given" in text
        assert "without a reason: 1" in text
    assert {each["key"]: (each["locked"], each["now"]) for each in plan["departures"]} == {
        "level": ("0.95", "0.9"),
        "seed": ("1", "2"),
    }
    assert plan["events"][0]["date"].startswith("2025-03-01")


def test_the_lock_travels_with_the_report_and_a_rerun_elsewhere_gives_the_same(locked_report, tmp_path):
    _, report = locked_report
    assert (report / "inputs" / NAME).is_file()
    shutil.copytree(report, tmp_path / "elsewhere")
    compared = rerun(tmp_path / "elsewhere", processes=1)
    assert compared.unchanged
    assert not [line for line in compared.differences if "protocol" in line or line.startswith("Input")]


def test_a_study_that_was_not_locked_says_so(cohort_report):
    page = (cohort_report / "report.html").read_text(encoding="utf-8")
    assert "The plan was not locked." in page
    plan = json.loads((cohort_report / "record.json").read_text(encoding="utf-8"))["plan"]
    assert plan["locked"] is False
    assert plan["departures"] == []


def test_a_locked_study_without_departures_says_none(cohort, tmp_path):
    lock_plan(cohort)
    made = make_report(cohort, tmp_path / "out", only=["5"], pictures=(), processes=1)
    assert "Departures from the locked plan: none." in made.record["sentences"]["departures/lock"]


def test_a_long_hash_does_not_widen_the_page_on_a_phone(browser, locked_report):
    context = browser.new_context(viewport={"width": 375, "height": 800}, offline=True)
    page = context.new_page()
    page.goto((locked_report[1] / "report.html").as_uri())
    page.wait_for_selector("body[data-drawn=yes]", timeout=60_000)
    page.wait_for_function("document.documentElement.scrollWidth <= 375", timeout=15_000)
    context.close()
