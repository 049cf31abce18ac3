"""Tables that few studies have, read and checked: what is found, and what is passed over without a word.

The study is the tiny good one of this folder, changed; what is found is what was put there (arithmetic, no source).
"""

import datetime
from dataclasses import replace

import numpy as np
import pandas as pd
import pyreadstat
import pytest

from outcomes import StudyError, check, lock_plan, read_study, unblind
from outcomes.checks.grouping import looked_up
from outcomes.checks.scores.measurements import range_text
from outcomes.lock.lock_file import NAME, UNBLINDED, DamagedLock, Lock, read_lock, write_lock
from outcomes.scoring.motion_grades import graded_motion

WHEN = datetime.datetime(2025, 5, 1, 12, tzinfo=datetime.UTC)


def found(study, rule: str) -> list[str]:
    frame = check(study).frame()
    return frame.loc[frame["rule"] == rule, "found"].tolist()


def test_a_price_below_0_or_without_a_number_is_found(draft, tmp_path):
    draft.raw["costs.csv"] = b"item,price,currency,price_year\nbox,-5,EUR,2024\nvisit,,EUR,2024\nroom,3,EUR,2024\n"
    assert found(read_study(draft.write(tmp_path)), "prices do not add up") == ["-5", "blank"]


def test_two_arms_in_a_study_of_one_are_found_and_one_name_is_not(draft, tmp_path):
    start, end = draft.toml.index("[[arms]]"), draft.toml.index("[[visits]]")
    draft.toml = draft.toml[:start] + draft.toml[end:]
    draft.replace('design = "parallel"', 'design = "single-arm"').replace("randomised = true", "randomised = false")
    two = read_study(draft.write(tmp_path / "two"))
    assert found(two, "unknown arm") == draft.tables["participants"]["arm"].tolist()
    draft.change("participants", "arm", "usual", arm="practice")
    assert found(read_study(draft.write(tmp_path / "one")), "unknown arm") == []


def test_two_affected_hands_without_a_test_of_either_ask_for_no_rule(draft, tmp_path):
    draft.change("participants", "affected_side", "both", participant="P01")
    last = draft.where("totals", participant="P01", visit="w8", instrument="bbt")
    assert last
    draft.set("totals", last[0], "side", "right")
    whole = read_study(draft.write(tmp_path / "one"))
    nobody = {name: whole.table(name)[whole.table(name)["participant"] != "P01"] for name in
              ("items", "totals", "trials", "angles")}  # fmt: skip
    assert found(whole, "two affected hands")
    assert not found(replace(whole, **nobody), "two affected hands")


def test_answers_to_items_nobody_knows_make_no_grid(draft, tmp_path):
    """All answers of one instrument name items it has not: each is a finding, none is compared with the form."""
    study = read_study(draft.write(tmp_path))
    items = study.items.assign(item=study.items["item"].where(study.items["instrument"] != "arat", "moon"))
    rules = set(check(replace(study, items=items)).frame()["rule"])
    assert "unknown item" in rules


def test_angles_of_a_digit_entered_twice_or_without_a_number_have_no_total(draft, tmp_path):
    study = read_study(draft.write(tmp_path))
    angles = study.angles
    digit = angles[(angles["digit"] == "thumb") & angles["mode"].isin(("active", "assisted"))]
    first = digit.index[digit["movement"] == "flexion"][0]
    person, side = angles.loc[first, ["participant", "side"]]
    twice = pd.concat([angles, angles.loc[[first]]], ignore_index=True)
    gone = angles.assign(degrees=angles["degrees"].where(angles.index != first))
    for changed, words in ((twice, "there twice"), (gone, "was not measured")):
        rows = graded_motion(replace(study, angles=changed), system="degrees")
        mine = rows[(rows["participant"] == person) & (rows["side"] == side) & (rows["digit"] == "thumb")]
        assert mine["reason"].str.contains(words).any()
    assert graded_motion(replace(study, angles=angles.iloc[:0], motion_grades=study.motion_grades.iloc[:0]),
                         system="degrees").empty  # fmt: skip
    assert found(replace(study, angles=angles.iloc[:0]), "grade differs from the angles") == []


def test_a_range_in_words():
    assert range_text(0, 66) == "0 to 66"
    assert range_text(0, np.inf) == "0 or more"
    assert range_text(-np.inf, 5) == "5 or less"
    assert range_text(-np.inf, np.inf) == "any number"


def test_a_missing_key_has_no_value():
    assert looked_up(pd.Series(["a", None, "b"]), {"a": 1.0}).isna().tolist() == [False, True, True]


def test_codes_with_labels_and_truths_are_words(draft, tmp_path):
    """SPSS labels stand for codes; a label of a measured number does not. Arrow's truths are yes and no."""
    folder = draft.write(tmp_path / "study")
    people = draft.tables["participants"]
    coded = people.assign(sex=people["sex"].map({"female": 1.0, "male": 2.0}), age=people["age"].astype(float))
    labels = {"sex": {1.0: "female", 2.0: "male"}, "age": {60.0: "old"}}
    pyreadstat.write_sav(coded, str(folder / "participants.sav"), variable_value_labels=labels)
    (folder / "participants.csv").unlink()
    read = read_study(folder)
    assert read.participants["sex"].tolist() == people["sex"].tolist()
    assert read.participants["age"].tolist() == people["age"].astype(float).tolist()
    events = draft.tables["adverse_events"]
    truths = events.assign(serious=(events["serious"] == "yes").astype(object))
    truths.astype({"serious": bool}).to_parquet(folder / "adverse_events.parquet", index=False)
    (folder / "adverse_events.csv").unlink()
    assert read_study(folder).adverse_events["serious"].tolist() == events["serious"].tolist()


@pytest.fixture
def locked(make_draft, tmp_path):
    draft = make_draft(small=True)
    draft.toml = f"blinded = true\n{draft.toml}"
    folder = draft.write(tmp_path / "study")
    lock_plan(folder, now=WHEN)
    return draft, folder


def test_a_lock_of_another_study_unblinds_nothing(locked, tmp_path):
    draft, folder = locked
    for name, table in draft.tables.items():
        draft.tables[name] = table.assign(participant=table["participant"].str.replace("P", "Q"))
    other = draft.write(tmp_path / "other")
    (other / NAME).write_bytes((folder / NAME).read_bytes())
    with pytest.raises(StudyError, match="made in another study folder"):
        unblind(other, now=WHEN)


def test_a_lock_that_begins_with_an_unblinding_is_damaged(locked):
    """Hashes that fit are not enough: nothing is unblinded before it is locked."""
    _, folder = locked
    (first,) = read_lock(folder).events
    write_lock(Lock((replace(first, event=UNBLINDED),)), folder)
    with pytest.raises(DamagedLock, match="first entry is no lock"):
        read_lock(folder)
    write_lock(Lock((replace(first, event="eaten"),)), folder)
    with pytest.raises(DamagedLock, match="does not follow"):
        read_lock(folder)


def test_a_column_taken_away_since_the_lock_is_told(make_draft, tmp_path):
    draft = make_draft(small=True)
    folder = draft.write(tmp_path / "study")
    lock_plan(folder, now=WHEN)
    draft.tables["participants"] = draft.tables["participants"].drop(columns="age")
    told = check(read_study(draft.write(tmp_path / "study"))).frame()
    assert told["rule"].str.contains("since the lock").any()
