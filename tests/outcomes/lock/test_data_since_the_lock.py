"""Data after a lock: more rows are a note, a changed cell is named, swapped arms are an error, dates never fall."""

import datetime
import json

import pytest

from outcomes import StudyError, check, lock_plan, read_study, unblind
from outcomes.blinding.letters import draw_letters
from outcomes.lock.analysis_plan import canonical, text_digest
from outcomes.lock.lock_file import NAME, DamagedLock, read_lock

WHEN = datetime.datetime(2025, 5, 1, 12, tzinfo=datetime.UTC)


@pytest.fixture
def draft(make_draft):
    return make_draft(small=True)


@pytest.fixture
def locked(draft, tmp_path):
    """Writes the good study, locks it, and gives back the draft and a function that writes it again and checks it."""
    lock_plan(draft.write(tmp_path), now=WHEN)

    def again():
        return check(read_study(draft.write(tmp_path)))

    return draft, again


def told(findings, rule: str) -> list[tuple]:
    frame = findings.frame()
    rows = frame[frame["rule"] == rule].fillna({"row": 0})
    return list(zip(rows["file"], rows["row"], rows["column"], rows["participant"], rows["found"], strict=True))


def test_nothing_is_told_where_nothing_changed(locked):
    _, again = locked
    assert not [rule for rule in again().frame()["rule"] if "since the lock" in rule]


def test_swapped_arms_are_an_error(locked):
    draft, again = locked
    draft.set("participants", 2, "arm", "usual").set("participants", 3, "arm", "practice")
    findings = again()
    assert findings.blocking
    assert [row[1:4] for row in told(findings, "arm changed since the lock")] == [(2, "arm", "P01"), (3, "arm", "P02")]
    assert told(findings, "data changed since the lock") == [
        ("participants.csv", 0, "", "", "participants: 2 cells changed")
    ]


def test_a_changed_score_is_named(locked):
    draft, again = locked
    draft.set("totals", 4, "value", "39").set("participants", 4, "age", "81").set("visits", 5, "date", "2025-03-30")
    findings = again()
    assert {row[:3] for row in told(findings, "cell changed since the lock")} == {
        ("totals.csv", 4, "value"), ("participants.csv", 4, "age"), ("visits.csv", 5, "date"),
    }  # fmt: skip
    assert not findings.blocking


def test_another_way_of_writing_the_same_is_no_change_of_a_cell(locked):
    draft, again = locked
    draft.set("totals", 2, "value", " 20.0 ").set("totals", 2, "visit", "Baseline")
    draft.tables["visits"] = draft.tables["visits"].sample(frac=1, random_state=1).reset_index(drop=True)
    findings = again()
    assert not told(findings, "cell changed since the lock")
    assert {row[0] for row in told(findings, "data changed since the lock")} == {"totals.csv", "visits.csv"}


def test_more_rows_and_filled_blanks_are_expected(draft, tmp_path):
    draft.set("participants", 2, "diagnosis", "").change("participants", "arm", "", participant="P03")
    whole = draft.tables["totals"]
    draft.tables["totals"] = whole.iloc[:-2]
    lock_plan(draft.write(tmp_path), now=WHEN)
    draft.tables["totals"] = whole
    draft.set("participants", 2, "diagnosis", "stroke").change("participants", "arm", "usual", participant="P03")
    findings = check(read_study(draft.write(tmp_path)))
    assert not told(findings, "cell changed since the lock")
    assert not told(findings, "arm changed since the lock")
    assert {row[0]: row[4] for row in told(findings, "data changed since the lock")} == {
        "participants.csv": "participants: 2 blank cells filled in",
        "totals.csv": "totals: 2 more rows",
    }


def test_a_row_that_is_gone_is_named(locked):
    draft, again = locked
    draft.drop("totals", participant="P02", visit="w4", instrument="bbt")
    findings = again()
    hit = findings.frame().query("rule == 'locked row gone'")
    assert hit[["participant", "visit"]].to_numpy().tolist() == [["P02", "w4"]]
    assert "bbt, blocks" in hit["found"].item()


def test_locking_again_takes_a_correction_in(locked, tmp_path):
    draft, again = locked
    draft.set("participants", 2, "arm", "usual")
    assert again().blocking
    lock_plan(tmp_path, again="the allocation list had it so", now=WHEN + datetime.timedelta(days=1))
    assert not told(again(), "arm changed since the lock")


def test_a_blinded_study_does_not_give_the_arm_away(draft, tmp_path):
    draft.replace("seed = 1", "seed = 1\nblinded = true")
    folder = draft.write(tmp_path)
    draw_letters(folder, read_study(folder, masked=False).protocol, seed="0" * 32)
    lock_plan(folder, now=WHEN)
    assert not [rule for rule in check(read_study(folder)).frame()["rule"] if "since the lock" in rule]
    draft.set("participants", 2, "arm", "usual").write(tmp_path)
    findings = check(read_study(folder))
    assert findings.blocking
    hit = findings.frame().query("rule == 'arm changed since the lock'")
    assert hit["found"].to_list() == ["hidden while blinded"]


def test_dates_of_events_never_fall(locked, tmp_path):
    with pytest.raises(StudyError, match="found 2025-04-30 12:00 UTC, allowed 2025-05-01 12:00 UTC"):
        lock_plan(tmp_path, again="a reason", now=WHEN - datetime.timedelta(days=1))


def test_an_unblinding_before_the_lock_is_refused(draft, tmp_path):
    draft.replace("seed = 1", "seed = 1\nblinded = true")
    folder = draft.write(tmp_path)
    draw_letters(folder, read_study(folder, masked=False).protocol, seed="0" * 32)
    lock_plan(folder, now=WHEN)
    with pytest.raises(StudyError, match="cannot be: found"):
        unblind(folder, now=WHEN - datetime.timedelta(seconds=1))
    unblind(folder, now=WHEN)


def rewrite(folder, change) -> None:
    """Rewrites the lock with hashes that fit again, as somebody who knows how could."""
    content = json.loads((folder / NAME).read_text(encoding="utf-8"))
    change(content["events"])
    before = ""
    for event in content["events"]:
        event["before"] = before
        event.pop("sha256")
        event["sha256"] = before = text_digest(canonical(event))
    content["sha256"] = before
    (folder / NAME).write_text(json.dumps(content), encoding="utf-8")


def test_a_rewritten_date_is_seen(locked, tmp_path):
    lock_plan(tmp_path, again="a reason", now=WHEN + datetime.timedelta(days=1))
    rewrite(tmp_path, lambda events: None)
    assert len(read_lock(tmp_path).locks) == 2
    rewrite(tmp_path, lambda events: events[1].update(date="2025-04-01T00:00:00+00:00"))
    with pytest.raises(DamagedLock, match="before the entry it follows"):
        read_lock(tmp_path)
    assert "lock damaged" in set(check(read_study(tmp_path)).frame()["rule"])


@pytest.mark.parametrize(
    "change",
    [
        {"date": "soon"}, {"date": 5}, {"date": "2025-05-01"}, {"rows": {"totals": "many"}}, {"title": 5},
        {"files": [1]}, {"participants": [1]}, {"cells": {"totals": {"columns": ["a"], "rows": {"P01": "1 2"}}}},
        {"cells": {"totals": 3}},
    ],
)  # fmt: skip
def test_an_event_of_other_kinds_is_a_damaged_lock(change, locked, tmp_path):
    rewrite(tmp_path, lambda events: events[0].update(change))
    with pytest.raises(DamagedLock, match="entry 1"):
        read_lock(tmp_path)
    assert "lock damaged" in set(check(read_study(tmp_path)).frame()["rule"])


def test_brackets_without_end_are_a_damaged_lock(locked, tmp_path):
    (tmp_path / NAME).write_text("[" * 100_000, encoding="utf-8")
    with pytest.raises(DamagedLock, match="cannot be read"):
        read_lock(tmp_path)


def test_a_lock_without_cells_is_read_as_before(locked, tmp_path):
    draft, again = locked
    rewrite(tmp_path, lambda events: events[0].pop("cells"))
    assert not read_lock(tmp_path).locks[0].cells
    draft.set("totals", 4, "value", "39")
    assert told(again(), "data changed since the lock") == [("totals.csv", 0, "", "", "its content")]
