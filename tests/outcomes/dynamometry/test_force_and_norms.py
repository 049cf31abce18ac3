"""Unit constants, trial summaries, hand ratios and grip norms."""

from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes import InstrumentError, convert_force, grip_norm, score_items
from outcomes.dynamometry.force import hand_ratio, trial_spread
from outcomes.dynamometry.norms import grip_norms, norms_beside, other_norms

NORMS = pd.read_csv(Path(__file__).parents[2] / "reference" / "grip_norms_read.csv")
MIDDLE = {"75+": 80} | {f"{low}-{low + 4}": low + 2 for low in range(20, 75, 5)}

# Exact by definition: International Yard and Pound Agreement 1959; 3rd General Conference on Weights and Measures 1901.
POUND, GRAVITY = Fraction("0.45359237"), Fraction("9.80665")
EXACT = {"N": Fraction(1), "kgf": GRAVITY, "lbf": POUND * GRAVITY}


@pytest.mark.parametrize("start", EXACT)
@pytest.mark.parametrize("end", EXACT)
@pytest.mark.parametrize("value", [1.0, 121.0, 0.1, 123.4, 1e-3, 987.65])
def test_conversion_is_exact_to_1e_12(start, end, value):
    exact = Fraction(value) * EXACT[start] / EXACT[end]
    assert convert_force(value, start, end) == pytest.approx(float(exact), rel=1e-12)
    assert convert_force(convert_force(value, start, end), end, start) == pytest.approx(value, rel=1e-12)


def test_conversion_of_the_figure_often_called_enough_for_daily_tasks():
    """1.5 kgf is 14.7 N (common practice, no source): a check of the conversion, not a threshold."""
    assert convert_force(1.5, "kgf", "N") == pytest.approx(14.7, abs=0.05)


def test_conversion_of_arrays():
    assert convert_force([1.0, 2.0], "kgf", "N") == pytest.approx([9.80665, 19.6133], rel=1e-15)
    assert isinstance(convert_force(1, "N", "lbf"), float)


@pytest.mark.parametrize("unit", ["kPa", "mmHg", "psi"])
def test_a_pressure_is_refused_with_its_reason(unit):
    with pytest.raises(InstrumentError, match="pressure, not a force"):
        convert_force(10, unit, "N")


def test_an_unknown_unit_names_the_allowed_ones():
    with pytest.raises(InstrumentError, match="Allowed: N, kgf, lbf"):
        convert_force(10, "stone", "N")


@pytest.mark.parametrize(
    "row", [pytest.param(row, id=f"{row.age_band}{row.sex}{row.hand}") for row in NORMS.itertuples()]
)
def test_every_norm_row_read_agrees(row):
    norm = grip_norm(row.mean_lb, "lbf", MIDDLE[row.age_band], row.sex, row.hand)
    assert (norm.mean, norm.sd, norm.z, norm.percent) == (row.mean_lb, row.sd_lb, 0, 100)
    in_kgf = grip_norm(0, "kgf", MIDDLE[row.age_band], row.sex, row.hand)
    assert (in_kgf.mean, in_kgf.sd) == pytest.approx((row.mean_kgf, row.sd_kgf), abs=0.0051)  # printed to 0.01
    assert in_kgf.z == pytest.approx(-row.mean_lb / row.sd_lb, rel=1e-12)
    assert grip_norm(0, "N", MIDDLE[row.age_band], row.sex, row.hand).mean == pytest.approx(row.mean_N, abs=0.051)


def test_norms_have_all_bands_and_two_flagged_cells():
    table = grip_norms()
    assert len(table) == len(NORMS) == 48
    flagged = table[table["flag"] != ""]
    assert set(zip(flagged["age_band"], flagged["sex"], flagged["hand"], strict=True)) == {
        ("25-29", "M", "L"),
        ("45-49", "F", "L"),
    }
    assert any("misprinted" in note for note in grip_norm(50, "kgf", 27, "male", "left").notes)


@pytest.mark.parametrize(
    ("age", "band"), [(20, "20-24"), (24.99, "20-24"), (25, "25-29"), (74.5, "70-74"), (75, "75+"), (99, "75+")]
)
def test_age_bands_join_without_a_gap(age, band):
    assert grip_norm(40, "kgf", age, "female", "left").age_band == band


@pytest.mark.parametrize(
    ("age", "sex", "hand", "message"),
    [
        (19, "male", "right", "20 years or more"),
        (40, "other", "right", "sex 'other'"),
        (40, "male", "dominant", "hand 'dominant'"),
        (float("nan"), "male", "right", "20 years or more"),
    ],
)
def test_no_norm_is_extrapolated_or_mapped(age, sex, hand, message):
    with pytest.raises(InstrumentError, match=message):
        grip_norm(40, "kgf", age, sex, hand)


def test_trials_are_averaged_unless_the_highest_is_asked_for():
    given = {"trial_1": 30, "trial_2": 27, "trial_3": 24}
    assert score_items("grip", given)["force"].value == 27
    highest = score_items("grip", given, summary="max")["force"]
    assert (highest.value, highest.reason) == (30, "highest of 3 trials")
    two = score_items("grip", {"trial_1": 30, "trial_2": 27})["force"]
    assert (two.value, two.answered, two.reason) == (28.5, 2, "mean of 2 trials")


def test_unable_is_zero_force_and_refused_is_missing():
    unable = score_items("grip", {"trial_1": "unable", "trial_2": 3, "trial_3": 3})["force"]
    assert (unable.value, unable.complete) == (3, False)  # beside others it is a trial that was not done
    every = score_items("grip", dict.fromkeys(("trial_1", "trial_2", "trial_3"), "unable"))["force"]
    assert (every.value, every.complete) == (0, True)
    refused = score_items("grip", {"trial_1": "refused"})["force"]
    assert np.isnan(refused.value)
    assert "1 refused" in refused.reason


def _trials(values, instrument="grip", unit="kgf"):
    frame = pd.DataFrame({"value": values})
    return frame.assign(
        participant="P", visit="v", instrument=instrument, side="left", condition="unassisted", unit=unit
    )


def test_spread_flags_strong_hands_only():
    assert trial_spread(_trials([30.0, 20, 25]))["repeat"].tolist() == [True]
    weak = trial_spread(_trials([3.0, 2, 1]))
    assert weak["cv_percent"].iloc[0] > 15
    assert weak["repeat"].tolist() == [False]  # five marks of 2 kgf are not reached: resolution, not spread
    assert np.isnan(trial_spread(_trials([0.0, 0.0, 0.0]))["cv_percent"].iloc[0])


def test_spread_is_the_same_in_any_unit():
    pounds = trial_spread(_trials(convert_force([30.0, 20, 25], "kgf", "lbf"), unit="lbf"))
    assert pounds["cv_percent"].iloc[0] == pytest.approx(
        trial_spread(_trials([30.0, 20, 25]))["cv_percent"].iloc[0], rel=1e-12
    )


def test_ratio_prints_both_hands_and_refuses_a_zero():
    rows = [
        ("P1", "affected", 12.0),
        ("P1", "other", 30.0),
        ("P2", "affected", 5.0),
        ("P2", "other", 0.0),
        ("P3", "affected", 4.0),
    ]
    scores = pd.DataFrame(rows, columns=["participant", "hand", "value"]).assign(
        visit="v", condition="unassisted", instrument="grip", unit="kgf"
    )
    ratio = hand_ratio(scores).set_index("participant")
    assert ratio.loc["P1", ["affected", "other", "percent", "reason"]].tolist() == [12, 30, 40, ""]
    assert np.isnan(ratio.loc["P2", "percent"])
    assert "force is 0" in ratio.loc["P2", "reason"]
    assert "no score of the other hand" in ratio.loc["P3", "reason"]


def test_norms_of_several_countries_beside_each_other():
    """Rows as read (tests/reference/norms_by_country_read.csv): men of 30 to 39 in Australia 47 (9.7) kgf."""
    beside = norms_beside(35, "kgf", 33, "male", "right").set_index("source")
    assert set(beside["country"]) == {"United States", "Australia"}
    assert beside.loc["massy-westropp-2011", "z"] == pytest.approx((35 - 47) / 9.7, rel=1e-12)
    assert beside.loc["mathiowetz-1985", "z"] == grip_norm(35, "kgf", 33, "male", "right").z
    young = norms_beside(35, "kgf", 25, "male", "right", dominant="right")
    assert set(young["country"]) == {"United States", "Australia", "South Korea"}
    key = norms_beside(7, "kgf", 45, "male", "right", instrument="pinch_key", dominant="right").set_index("country")
    assert key["mean"].to_dict() == {"Turkey": 11.0, "South Korea": 8.3}
    assert key["z"].isna().to_dict() == {"Turkey": True, "South Korea": False}
    assert set(norms_beside(7, "kgf", 45, "male", "left", instrument="pinch_tip")["country"]) == {"United States"}
    assert norms_beside(7, "kgf", 10, "male", "left", instrument="pinch_tip").empty
    with pytest.raises(InstrumentError, match="pressure"):
        norms_beside(7, "kPa", 45, "male", "left")


def test_norms_ship_as_they_were_read():
    read = pd.read_csv(Path(__file__).parents[2] / "reference" / "norms_by_country_read.csv").fillna({"flag": ""})
    shipped = other_norms()[list(read.columns)]
    pd.testing.assert_frame_equal(shipped, read, check_dtype=False)
