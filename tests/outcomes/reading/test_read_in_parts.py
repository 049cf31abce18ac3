"""A study read in parts is the study read as a whole, and what only a whole can tell is refused in words."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes import StudyError, check, lock_plan, read_study, score
from outcomes.checks.joined_findings import FindingsInParts
from outcomes.new_study.blank_folder import new_study
from outcomes.onset import onset_days, with_onset_days
from outcomes.protocol.study_toml import read_protocol
from outcomes.reading.study_parts import study_parts
from stats.federated.in_parts import analyse_in_parts

TOML = """
title = "Invented: a small registry"
design = "parallel"
primary = "bbt.blocks"
outcomes = ["bbt.blocks"]
arms = [{ id = "usual", reference = true }, { id = "extra" }]
visits = [{ id = "start", day = 0 }, { id = "end", day = 28 }]
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """40 people in order, all measured twice, whole numbers typed as texts."""
    people = [f"P{k:02d}" for k in range(40)]
    who = {"participant": people, "arm": ["usual", "extra"] * 20, "affected_side": "left", "age": 60, "sex": "female"}
    pd.DataFrame(who | {"diagnosis": "stroke"}).to_csv(tmp_path / "participants.csv", index=False)
    rows = pd.DataFrame({"participant": np.repeat(people, 2), "visit": ["start", "end"] * 40, "instrument": "bbt",
                         "scale": "blocks", "side": "left"})  # fmt: skip
    values = (20 + np.random.default_rng(2).integers(0, 20, 80)).astype(str)
    rows.assign(value=values).to_parquet(tmp_path / "totals.parquet", index=False, row_group_size=16)
    (tmp_path / "study.toml").write_text(TOML)
    return tmp_path


def test_parts_together_are_the_whole(folder):
    whole = read_study(folder)
    parts = list(study_parts(folder, rows=20))
    assert len(parts) > 2
    joined = pd.concat([part.totals for part in parts], ignore_index=True)
    assert joined.to_csv() == whole.totals.to_csv()
    assert all(part.totals["participant"].value_counts().eq(2).all() for part in parts)  # nobody is cut
    (alone,) = study_parts(folder, rows=10_000)
    assert len(alone.totals) == 80


def test_all_were_measured_and_so_nobody_is_left(folder):
    made = analyse_in_parts(folder, rows=20)
    one = score(read_study(folder))
    ages = made.baseline.query("what == 'age'")
    assert ages["n"].sum() == one["participant"].nunique() == 40
    assert not any(made.findings.frame()["rule"] == "participant without measurements")


def rewrite(folder, change) -> None:
    frame = pd.read_parquet(folder / "totals.parquet")
    change(frame).to_parquet(folder / "totals.parquet", index=False)


REFUSED = {
    "a lock": (lambda folder: lock_plan(folder), "a lock"),
    "a blinded study": (
        lambda folder: (folder / "study.toml").write_text(f"blinded = true\n{TOML}"), "a blinded study"),
    "recordings": (
        lambda folder: (folder / "study.toml").write_text(
            TOML + '[series]\n[[series_outcomes]]\nid = "wheel.range"\nmeasure = "range"\nbetter = "higher"\n'
            'joint = "wheel"\n'), "outcomes of recordings"),
    "a table without its people": (
        lambda folder: rewrite(folder, lambda frame: frame.drop(columns="participant")), "no column participant"),
    "a comma": (
        lambda folder: rewrite(folder, lambda frame: frame.assign(value=frame["value"] + ",5")), "a comma in a number"),
}  # fmt: skip


@pytest.mark.parametrize("what", REFUSED)
def test_what_parts_cannot_tell_is_refused(what, folder):
    change, words = REFUSED[what]
    change(folder)
    with pytest.raises(StudyError, match=words):
        list(study_parts(folder, rows=20))


def test_what_every_part_lacks_is_said_once(folder):
    """Nine parts that all lack an outcome, one that has it: said by none; what all lack is said."""
    study = read_study(folder)
    more = replace(study, protocol=replace(study.protocol, outcomes=("bbt.blocks", "arat.total")))
    joined = FindingsInParts()
    for _ in range(10):
        joined.add(check(more))
    rules = joined.total().frame()["rule"]
    assert (rules == "outcome without data").sum() == 1
    some = FindingsInParts()
    for part in (more, study, more):
        some.add(check(part))
    assert "outcome without data" not in set(some.total().frame()["rule"])


def test_months_and_days_since_onset():
    """30.4375 days a month: 365.25 / 12."""
    typed = pd.DataFrame({"participant": ["a", "b"], "onset": [2.0, np.nan]})
    assert onset_days(typed).tolist()[0] == pytest.approx(2 * 30.4375, rel=1e-3)
    assert onset_days(typed.drop(columns="onset")).isna().all()
    assert onset_days(typed.assign(onset_days=["12", "x"])).tolist()[0] == 12.0


def test_people_whose_onset_nobody_typed_stay_as_they_are(folder):
    study = read_study(folder)
    bare = replace(study, participants=study.participants.drop(columns=["onset"], errors="ignore"))
    assert with_onset_days(bare) is bare.participants


def test_a_new_study_without_an_instrument_has_a_total_of_its_own(tmp_path):
    new_study(tmp_path / "own", instruments=())
    (own,) = read_protocol(tmp_path / "own" / "study.toml").measures
    assert (own.id, own.low, own.high) == ("score.total", 0.0, 100.0)
