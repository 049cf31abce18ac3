"""A cohort is whole, readable, the same on every run, and the same in memory as on disk."""

import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import outcomes
from outcomes.errors import StudyError
from synthetic_cohort import make_cohort, preset, presets
from synthetic_cohort.cohort import study_text
from synthetic_cohort.forms.drawn_scores import score_answers
from synthetic_cohort.score_batches import draw_cohorts

SMALL = tuple(name for name in presets() if preset(name).n < 100)


def _bytes(folder: Path) -> dict[str, bytes]:
    return {entry.name: entry.read_bytes() for entry in sorted(folder.iterdir())}


def test_the_same_seed_gives_the_same_bytes(tmp_path):
    make_cohort("demo", seed=5, folder=tmp_path / "first")
    make_cohort("demo", seed=5, folder=tmp_path / "second")
    make_cohort("demo", seed=6, folder=tmp_path / "third")
    assert _bytes(tmp_path / "first") == _bytes(tmp_path / "second")
    assert _bytes(tmp_path / "first")["items.csv"] != _bytes(tmp_path / "third")["items.csv"]


def test_the_bytes_do_not_depend_on_what_ran_before(tmp_path):
    make_cohort("crossover", seed=2, folder=tmp_path / "alone")
    make_cohort("demo", seed=9)
    np.random.default_rng(1).normal(size=10)
    make_cohort("crossover", seed=2, folder=tmp_path / "after")
    assert _bytes(tmp_path / "alone") == _bytes(tmp_path / "after")


@pytest.mark.parametrize("name", presets())
def test_every_preset_is_a_study_that_can_be_analysed(name):
    cohort = make_cohort(name, seed=1)
    design = cohort.design
    assert not outcomes.check(cohort.study).blocking
    scores = outcomes.score(cohort.study)
    for outcome in design.outcomes:
        assert scores.loc[scores["outcome"] == outcome, "value"].notna().any(), outcome
    people = cohort.sheets["participants"]
    assert len(people) == people["participant"].nunique() == design.n
    if design.kind != "single-arm":
        assert people["arm"].value_counts().to_dict() == {arm.id: arm.n for arm in design.arms}


@pytest.mark.parametrize("name", SMALL)
def test_scores_in_memory_are_the_scores_of_the_folder(name):
    """The maker for planning and `outcomes.score` must agree, for every outcome and visit that was attended."""
    design = preset(name).clean()
    cohort = make_cohort(design, seed=3)
    scores = outcomes.score(cohort.study).set_index(["outcome", "participant", "visit", "side", "condition"])["value"]
    ability, drawn, _, _ = draw_cohorts(design, np.random.default_rng(3).spawn(3)[0])
    codes = cohort.draw.codes
    left = ability.people["affected_left"][0]
    compared = 0
    # Recordings, channels of force and ratings of a device have no fast way: they are made only on disk.
    asked = list(design.drawn_outcomes)
    for outcome in asked:
        answers = drawn[outcome.split(".")[0]]
        value = score_answers(answers, outcome, design)[0]
        for person, visit, hand, condition in np.ndindex(value.shape):
            affected = left[person] == (answers.measure.hands[hand] == "affected")
            side = ("left" if affected else "right") if answers.bank.instrument.sided else ""
            key = (outcome, codes[person], design.visits[visit].id, side, answers.measure.conditions[condition])
            if key in scores.index:
                assert scores[key] == pytest.approx(value[person, visit, hand, condition], rel=1e-9, abs=1e-9), key
                compared += 1
    assert compared > 0.8 * scores.loc[asked].notna().sum()


def test_a_folder_that_holds_something_is_refused(tmp_path):
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(StudyError, match=r"already holds notes\.txt"):
        make_cohort("demo", seed=1, folder=tmp_path)
    assert [entry.name for entry in tmp_path.iterdir()] == ["notes.txt"]


def test_an_unknown_preset_is_refused_with_the_names():
    with pytest.raises(StudyError, match=r"no cohort preset 'dem'; allowed .*demo"):
        make_cohort("dem", seed=1)


@pytest.mark.parametrize("name", presets())
def test_the_protocol_file_is_toml_and_names_the_story(name):
    text = study_text(preset(name), 4)
    assert text.startswith("# Invented")
    assert tomllib.loads(text)["seed"] == 4


def test_dates_lie_inside_their_windows_and_on_working_days_where_they_can():
    design = preset("demo").clean()
    visits = make_cohort(design, seed=8).sheets["visits"]
    attended = visits[visits["status"] == "attended"].assign(date=lambda frame: pd.to_datetime(frame["date"]))
    first = attended[attended["visit"] == "baseline"].set_index("participant")["date"]
    for visit in design.visits:
        rows = attended[attended["visit"] == visit.id]
        late = (rows["date"] - rows["participant"].map(first)).dt.days - visit.day
        assert late.between(*visit.window).all(), visit.id
    assert (attended["date"].dt.day_of_week < 5).mean() > 0.95


def test_missed_visits_have_reasons_and_no_measurements():
    cohort = make_cohort(preset("demo").clean(), seed=4)
    visits = cohort.sheets["visits"]
    absent = visits[visits["status"] != "attended"]
    assert len(absent) > 3
    assert (absent["reason"] != "").all()
    gone = set(zip(absent["participant"], absent["visit"], strict=True))
    for table in ("items", "trials"):
        rows = cohort.sheets[table]
        assert not gone & set(zip(rows["participant"], rows["visit"], strict=True))


def test_one_person_is_the_same_person_in_every_sheet():
    """Totals, pegs, blocks and grip of one person agree: ranks of the first visit correlate across instruments."""
    cohort = make_cohort(preset("null_trial").clean(), seed=2)
    scores = outcomes.score(cohort.study)
    entry = scores[(scores["visit"] == "entry") & (scores["hand"] == "affected")]
    wide = entry.pivot(index="participant", columns="outcome", values="value")[
        ["fma_ue.motor", "arat.total", "grip.force"]
    ]
    assert (wide.corr("spearman").to_numpy() > 0.25).all()


def test_the_maintainer_s_command_writes_a_preset(tmp_path, monkeypatch, capsys):
    from synthetic_cohort.__main__ import main

    folder = tmp_path / "study"
    monkeypatch.setattr("sys.argv", ["synthetic_cohort", "--seed", "5", "write", "crossover", str(folder)])
    main()
    assert "participants 16" in capsys.readouterr().out
    make_cohort("crossover", seed=5, folder=tmp_path / "same")
    assert _bytes(folder) == _bytes(tmp_path / "same")
