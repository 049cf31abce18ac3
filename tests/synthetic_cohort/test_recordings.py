"""Invented recordings: what is read from them is what they were made from."""

import json
from dataclasses import replace

import numpy as np
import pytest

from outcomes import check, read_study, score
from synthetic_cohort import make_cohort
from synthetic_cohort.recordings.made_recordings import TRUTH

READ = "motion at another velocity"  # a note of how the repeated stretches were read


@pytest.fixture(scope="module", params=["two_hands", "device_pilot"])
def cohort(request, tmp_path_factory):
    return make_cohort(request.param, seed=5, folder=tmp_path_factory.mktemp("study") / request.param)


@pytest.fixture(scope="module")
def values(cohort):
    """Measures of each repetition beside the truth of the affected hand."""
    truth = cohort.recordings.truth.assign(repetition=cohort.recordings.truth["repetition"].astype(str))
    affected = cohort.study.participants.set_index("participant")["affected_side"]
    truth = truth[truth["hand"] == truth["participant"].map(affected)]
    keys = ["participant", "visit", "motion", "repetition"]
    return cohort.study.series_values.merge(truth.drop(columns="hand"), on=keys)


def test_the_study_is_clean_but_for_gaps_and_dropped_samples(cohort):
    frame = check(cohort.study).frame()
    assert not check(cohort.study).blocking
    assert set(frame["rule"]) <= {"recording refused", "samples dropped", "form copied", READ}


def test_lag_and_gain_come_back(values):
    """Lag within a tenth of a sample or three of its standard errors (two in a hundred may miss: offsets of repetitions
    share no noise); gain within 1 % on average, 4 % each."""
    rows = values[(values["outcome"] == "wheel.lag") & values["value"].notna()]
    gain = values[(values["outcome"] == "wheel.gain") & values["value"].notna()]
    if rows.empty:
        pytest.skip("no wheel in this study")
    miss = (rows["value"] - rows["lag_s"]).abs()
    good = (miss < 0.1 / 60) | (miss < 3 * rows["std_error"])
    assert (~good).mean() <= 0.02
    assert (gain["value"] / gain["gain"]).mean() == pytest.approx(1, abs=0.01)
    assert np.abs(gain["value"] / gain["gain"] - 1).max() < 0.04


def test_ranges_and_forces_come_back_within_one_per_cent_on_average(values):
    """Ranges lose up to 1 % to percentiles and the low-pass, or gain from noise on plateaus."""
    for outcome, column in (
        ("index_motion.range", "range"),
        ("index_passive.range", "range"),
        ("handle.plateau", "level"),
    ):
        rows = values[(values["outcome"] == outcome) & values[column].notna() & values["value"].notna()]
        if len(rows):
            assert (rows["value"] / rows[column]).mean() == pytest.approx(1, abs=0.01), outcome


def test_assisted_and_passive_motion_are_their_own_rows(cohort):
    if cohort.design.name != "device_pilot":
        pytest.skip("no device in this study")
    scores = score(cohort.study)
    mean = scores.groupby(["outcome", "condition"])["value"].mean()
    assert mean["index_motion.range", "assisted"] > mean["index_motion.range", "unassisted"] + 5
    assert mean["index_passive.range", "unassisted"] > mean["index_motion.range", "unassisted"] + 10
    assert ("index_passive.range", "assisted") not in mean.index


def test_truth_lies_beside_the_study_and_two_runs_are_equal(cohort):
    held = json.loads((cohort.folder / "truth.json").read_text(encoding="utf-8"))["recordings"]
    assert len(held) == len(cohort.recordings.truth)
    assert set(held[0]) <= set(TRUTH)
    again = make_cohort(cohort.design, seed=5).recordings
    for name, frame in cohort.recordings.files.items():
        assert frame.equals(again.files[name])


def test_sheets_do_not_depend_on_the_recordings(cohort):
    without = make_cohort(replace(cohort.design, recordings=()), seed=5)
    for name, sheet in cohort.sheets.items():
        assert sheet.equals(without.sheets[name])


def test_clocks_that_drift_are_found_and_their_drift_comes_back(tmp_path):
    """The affected hand's clock gains 4 ms a second, and both write stamps 1 % too slow for the rate that is stated."""
    design = make_cohort("two_hands", seed=5).design
    arms = tuple(replace(arm, n=4) for arm in design.arms)
    wheel = replace(design.recordings[0], clock_drift=0.004, stamp_drift=0.01, gaps=0.0)
    cohort = make_cohort(replace(design, arms=arms, recordings=(wheel,)), seed=5, folder=tmp_path / "study")
    truth = cohort.recordings.truth
    assert (truth["clock_drift"].dropna() == 0.004).all()
    assert (truth["stamp_drift"] == 0.01).all()
    plan = tmp_path / "study" / "study.toml"
    plan.write_text(plan.read_text(encoding="utf-8") + "\n[series]\nrate = 60\n", encoding="utf-8")
    study = read_study(tmp_path / "study")
    values = study.series_values[study.series_values["outcome"] == "wheel.lag"]
    assert values["lag_change"].mean() == pytest.approx(12 * 0.004, rel=0.03)
    found = check(study).frame().set_index("rule")["found"]
    number = len(study.series)
    assert (
        found["stamps against the stated rate"] == f"in {number} of {number}, by 0.999 % (median)"
    )  # stamps have four decimals
    assert "clocks of two hands run apart" in found
