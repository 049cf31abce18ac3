"""Repeated passive motion, channels of force, a device worn without power, grades of total motion: read and scored."""

import numpy as np
import pytest

from outcomes import check, read_study, score
from outcomes.checks.accounting import accounting
from outcomes.errors import StudyError
from outcomes.scoring.motion_grades import graded_motion
from outcomes.scoring.repeated_motion import NEWTON_METRES, first_to_last

CHANNEL = '\n[channels.index_press]\nlabel = "Press of the index finger"\nunit = "N"\nsummary = "max"\n'


def press(draft, participant: str, condition: str, *values: str, unit: str = "kgf", named: str = "index_press"):
    for number, value in enumerate(values, 1):
        draft.append("trials", participant=participant, visit="base", instrument=named, side="affected",
                     condition=condition, trial=str(number), value=value, unit=unit)  # fmt: skip


@pytest.fixture
def folder(draft, tmp_path):
    draft.toml += CHANNEL
    # P01: three trials in each condition, in three units; P02: one unable beside a force, then all unable.
    press(draft, "P01", "", "1", "2", "3")
    press(draft, "P01", "device off", "9.80665", "4", "5", unit="N", named="Press of the index finger")
    press(draft, "P01", "with device", "10", "8", unit="lbf")
    press(draft, "P02", "", "2", "unable")
    press(draft, "P02", "assisted", "unable", "unable")
    # P01 stretched faster as well, twice; its slow set has three repetitions.
    for number in ("1", "2"):
        draft.append("angles", participant="P01", visit="base", side="left", joint="wrist", movement="extension",
                     mode="passive", degrees="20", repetition=number, velocity="90", torque="15",
                     torque_unit="kgf cm", stiffness="marked", stopped_by="end")  # fmt: skip
    return draft.write(tmp_path / "study")


def test_no_repetition_is_entered_twice_and_every_row_is_accounted_for(folder):
    study = read_study(folder)
    findings = check(study)
    assert not findings.blocking, str(findings)
    assert not findings.frame()["rule"].isin(("entered twice differently", "duplicate row")).any()
    account = accounting(study, score(study), findings)
    assert (account["unaccounted"] == 0).all(), account.to_string()
    assert account.set_index("table").loc["angles", "kept"] == 2  # the two fast ones are described, not scored


def test_a_channel_is_scored_in_its_unit_and_never_over_conditions(folder):
    rows = score(read_study(folder))
    own = rows[rows["outcome"] == "index_press.force"].set_index(["participant", "condition"])
    assert set(own["unit"]) == {"N"}
    assert set(own["hand"]) == {"affected"}
    # Highest trial, exact constants: 3 kgf, 9.80665 N, 10 lbf.
    assert own.loc[("P01", "unassisted"), "value"] == pytest.approx(3 * 9.80665)
    assert own.loc[("P01", "unpowered"), "value"] == pytest.approx(9.80665)
    assert own.loc[("P01", "assisted"), "value"] == pytest.approx(10 * 0.45359237 * 9.80665)
    # As for grips: "unable" beside a force was not done, "unable" throughout is no force.
    assert own.loc[("P02", "unassisted"), "value"] == pytest.approx(2 * 9.80665)
    assert own.loc[("P02", "assisted"), "value"] == 0


def test_the_scored_range_is_the_mean_of_the_slowest_repetitions(folder):
    rows = score(read_study(folder))
    own = rows[(rows["outcome"] == "rom_passive.wrist_extension") & (rows["visit"] == "base")]
    own = own[own["participant"] == "P01"].set_index("condition")["value"]
    # 32, 34, 36 degrees at 20 degrees a second; the faster 20 degrees take no part.
    assert own.to_dict() == {"unassisted": 34.0, "assisted": 34.0}


def test_first_to_last_by_condition_and_velocity(folder):
    sets = first_to_last(read_study(folder))
    own = sets[(sets["participant"] == "P01") & (sets["visit"] == "base")].set_index(["condition", "velocity"])
    slow, fast = own.loc[("assisted", 20.0)], own.loc[("unassisted", 90.0)]
    assert (slow["degrees_first"], slow["degrees_last"]) == (32.0, 36.0)
    assert (slow["torque_first"], slow["torque_last"]) == (0.8, 0.6)
    assert (slow["stiffness_first"], slow["stiffness_last"]) == (2.0, 1.0)  # marked, slight
    # 15 kgf cm = 1.4709975 N m: 15 x 9.80665 N x 0.01 m.
    assert fast["torque_first"] == pytest.approx(1.4709975)
    assert NEWTON_METRES["kgf cm"] == pytest.approx(0.0980665)
    assert len(own) == 3


def test_a_torque_at_the_limit_is_cut_and_a_repetition_entered_twice_leaves_its_set_out(draft, tmp_path):
    draft.set("angles", 10, "stopped_by", "torque limit")  # P01, first repetition, device off
    draft.set("angles", 14, "repetition", "1")  # P01, second repetition with the device on, typed as another first
    sets = first_to_last(read_study(draft.write(tmp_path / "study")))
    own = sets[(sets["participant"] == "P01") & (sets["visit"] == "base")].set_index("condition")
    assert list(own.index) == ["unassisted"]
    assert own.loc["unassisted", "cut"] == 1
    assert np.isnan(own.loc["unassisted", "torque_first"])


def test_grades_of_total_motion_from_angles_and_from_a_form(draft, tmp_path):
    draft.append("motion_grades", participant="P03", visit="w4", side="left", digit="index", system="degrees",
                 grade="good")  # fmt: skip
    graded = graded_motion(read_study(draft.write(tmp_path / "study")))
    own = graded[(graded["participant"] == "P01") & (graded["visit"] == "base")].iloc[0]
    # Thumb: 2 x 60 flexion less 2 x 10 deficit = 100 degrees; 98 and more is good (printed table of degrees, thumb).
    assert (own["total"], own["grade"], own["source"]) == (100.0, "good", "angles")
    typed = graded[graded["digit"] == "index"].iloc[0]
    assert (typed["grade"], typed["source"]) == ("good", "typed")


def test_grades_in_per_cent_of_the_other_hand(draft, tmp_path):
    draft.replace('system = "degrees"', 'system = "percent"\nreference = "other hand"')
    draft.drop("motion_grades", digit="thumb")
    for side, flexion in (("left", "50"), ("right", "70")):
        for joint in ("mcp", "pip", "dip"):
            draft.append("angles", participant="P01", visit="w4", side=side, digit="index", joint=joint,
                         movement="flexion", mode="active", degrees=flexion)  # fmt: skip
    graded = graded_motion(read_study(draft.write(tmp_path / "study")))
    own = graded[(graded["participant"] == "P01") & (graded["digit"] == "index")].set_index("side")
    # 150 of 210 degrees: 71.4 %, above 50 and not above 75: fair.
    assert own.loc["left", "percent"] == pytest.approx(100 * 150 / 210)
    assert own.loc["left", "grade"] == "fair"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('\n[channels.grip]\nlabel = "x"\n', "no instrument of the catalogue"),
        ('\n[channels.press]\nunit = "kPa"\n', "allowed N, kgf, lbf"),
        ('\n[[levels]]\noutcome = "grip.force"\nvalue = 3\nunit = "N"\n', "has no reason"),
        ('\n[[levels]]\noutcome = "grip.force"\nreason = "x"\nunit = "N"\n', "has no value"),
    ],
)
def test_what_the_protocol_must_say(draft, tmp_path, text, said):
    draft.toml += text
    with pytest.raises(StudyError, match=said):
        read_study(draft.write(tmp_path / "study"))
