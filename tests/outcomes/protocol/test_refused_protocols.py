"""A study.toml that cannot be meant is refused with found and allowed; a lock that does not fit its folder likewise."""

import datetime
import json

import pytest

from outcomes import StudyError, lock_plan, unblind
from outcomes.lock.analysis_plan import in_words
from outcomes.lock.lock_file import NAME, DamagedLock, read_lock
from outcomes.movement.recordings import rows_of
from outcomes.movement.smoothness import smoothness_of_angles
from outcomes.movement.together import two_hands
from outcomes.new_study.blank_folder import new_study
from outcomes.protocol.study_toml import read_protocol
from outcomes.scoring.angles import total_active_motion
from tests.outcomes.protocol.test_study_toml import GOOD

WHEN = datetime.datetime(2025, 5, 1, 12, tzinfo=datetime.UTC)
EVENT = '[[events]]\nid = "e"\ntable = "adverse_events"\ncolumn = "term"\nvalues = ["x"]\nstrategy = '
VISITS = GOOD[GOOD.index("[[visits]]") : GOOD.index("[thresholds]")]
MORE = {
    "a primary visit that is the first": ('treatment = "as assigned"', 'visit = "w0"', "'w0'"),
    "a stratum nobody sees": (None, f'{EVENT}"principal stratum"', "principal stratum"),
    "an event without values": (None, EVENT.replace('["x"]', "[]") + '"composite"', "needs id"),
    "people who are no number": (None, "[randomisation]\nassessed = true", "True|true"),
    "more excluded than assessed": (None, "[randomisation]\nassessed = 3\nexcluded = {refused = 5}", "found 5 people"),
    "cells of one person": (None, "[privacy]\nsmallest_cell = 1", "smallest_cell"),
    "a check switched off without a reason": (None, '[checks]\noff = {"missing value" = " "}', "reason"),
    "ages upside down": (None, "[eligibility]\nage = [80, 18]", r"\[80, 18\]"),
    "grades of degrees against the other hand": (
        None, '[total_motion]\nsystem = "degrees"\nreference = "other hand"', "other hand"
    ),
    "a grade twice": (None, '[passive_motion]\ngrades = ["soft", "soft"]', "each once"),
    "a random effect nobody named": ('random = "1 + time"', 'random = "1 + height"', "height"),
    "codes of no table": (None, '[values.moon.phase]\n1 = "new"', "moon"),
    "codes that are none": (None, '[values.participants]\nsex = "f"', "codes and words"),
    "blinded with one arm": ("[[arms]]\nid = \"b\"\nlabel = \"Arm B\"", "", "2 or more|arm"),
    "no visit at all": (VISITS, "visits = []\n", "plans no visit"),
    "one arm dealt by chance": (None, "[randomisation]\nrandomised = true", "single-arm study"),
    "half a person assessed": (None, "[randomisation]\nassessed = 2.5", "2.5"),
    "less than nobody excluded": (None, "[randomisation]\nassessed = 9\nexcluded = {refused = -1}", "found -1"),
    "arms in words": ('[[arms]]\nid = "a"\nreference = true\n\n[[arms]]\nid = "b"\nlabel = "Arm B"\n',
                      'arms = ["a", "b"]\n', "one .*arms.* table each"),
    "a model in a word": ('[model]\ntime = "linear"\nrandom = "1 + time"\ncovariates = ["age"]\n', 'model = "linear"\n',
                          "allowed a table"),
    "a channel in a word": (None, '[series.channels]\n"wheel L" = "left"', "a table of keys and values"),
    "channels beside a column of values": (
        None, '[series]\ncolumns = { degrees = "angle" }\n[series.channels."wheel L"]\nhand = "left"\njoint = "wheel"',
        "channels and a column of values"),
    "a power of nothing": ('random = "1 + time"', 'random = "1 + power(time, age)"', "number"),
    "a list that is a word": ('[[arms]]\nid = "b"\nlabel = "Arm B"', "", "arm"),
}  # fmt: skip


@pytest.mark.parametrize("what", MORE)
def test_what_cannot_be_meant_is_refused(what, tmp_path):
    old, new, words = MORE[what]
    text = f"{GOOD}\n{new}\n" if old is None else GOOD.replace(old, new, 1)
    assert text != GOOD
    if new.startswith(("visits =", "arms =", "model =")):
        text = f"{new}{GOOD.replace(old, '', 1)}"  # before the first table
    if what.startswith("one arm dealt"):
        text = text.replace('design = "parallel"', 'design = "single-arm"')
    if what.startswith("blinded"):
        text = f"blinded = true\n{text}"
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    with pytest.raises(StudyError, match=words):
        read_protocol(tmp_path / "study.toml")


def test_a_value_of_the_plan_in_words():
    said = {None: "not set", True: "true", "": "empty", 5: "5"}
    assert {value: in_words(value) for value in said} == said
    assert in_words(["a", None]) == "a, not set"
    assert in_words([]) == in_words({}) == "empty"
    assert in_words({"a": 1, "b": [True]}) == "a = 1; b = true"


@pytest.fixture
def locked(make_draft, tmp_path):
    folder = make_draft(small=True).write(tmp_path)
    lock_plan(folder, now=WHEN)
    return folder


def test_a_plan_is_locked_once_and_again_only_with_a_reason(locked, make_draft, tmp_path):
    with pytest.raises(StudyError, match="was locked on 2025-05-01"):
        lock_plan(locked, now=WHEN)
    (locked / NAME).unlink()
    with pytest.raises(StudyError, match="not locked yet"):
        lock_plan(locked, again="a mistake", now=WHEN)
    with pytest.raises(StudyError, match="no such"):
        lock_plan(tmp_path / "nowhere", now=WHEN)


def test_what_was_never_blinded_is_not_unblinded(locked):
    with pytest.raises(StudyError, match="not blinded"):
        unblind(locked, now=WHEN)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda lock: lock.update(events=[]), "no lock"),
        (lambda lock: lock.update(events="all"), "no lock"),
        (lambda lock: lock.update(sha256="0" * 64), "last entry"),
        (lambda lock: lock.update(format=99), "format|99"),
        (lambda lock: lock.update(events=lock["events"] * 2), "entry 2 does not follow"),
    ],
)
def test_a_lock_that_was_changed_is_damaged(locked, change, words):
    content = json.loads((locked / NAME).read_text(encoding="utf-8"))
    key = next(name for name, value in content.items() if isinstance(value, list))
    assert key == "events"
    change(content)
    (locked / NAME).write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(DamagedLock, match=words):
        read_lock(locked)


REFUSED = {
    "samples in a row": (lambda: rows_of([[[1.0, 2.0]]], 10.0, "x"), "x"),
    "a smoothness nobody knows": (lambda: smoothness_of_angles([1.0] * 50, 10.0, kind="x"), "'x'"),
    "hands of two dimensions": (lambda: two_hands([[1.0, 2.0]], [[1.0, 2.0]], 10.0), "2 dimen"),
    "hands of other lengths": (lambda: two_hands([1.0] * 30, [1.0] * 20, 10.0), "30"),
    "a digit nobody has": (lambda: total_active_motion({"mcp": 80.0}, digit="tail"), "'tail'"),
}


@pytest.mark.parametrize("what", REFUSED)
def test_what_cannot_be_measured_is_refused(what):
    call, words = REFUSED[what]
    with pytest.raises(ValueError, match=words):  # every error of the kit is one
        call()


def test_a_new_folder_of_nothing_is_refused(tmp_path):
    with pytest.raises(StudyError, match="'paper'"):
        new_study(tmp_path / "a", sheets="paper")
    with pytest.raises(StudyError, match="visits"):
        new_study(tmp_path / "b", visits=())
