"""The invented trial of a device: its sheets agree with their truth, and the other sheets are what they were."""

from dataclasses import replace

import numpy as np
import pytest

from outcomes import check, score
from outcomes.scoring.repeated_motion import first_to_last
from stats.measurement.first_to_last import change_over_sets
from synthetic_cohort import make_cohort
from synthetic_cohort.device.device_plan import DevicePlan
from synthetic_cohort.preset_files import preset


@pytest.fixture(scope="module")
def cohort():
    return make_cohort(preset("device_pilot").without_recordings(), seed=4, flaws={})


def test_every_sheet_of_a_device_is_there_and_clean(cohort):
    for name in ("device_deficiencies", "wear_log", "skin_checks", "device_ratings"):
        assert len(cohort.study.table(name)), name
    assert not len(check(cohort.study).frame().query("severity != 'note'"))


def test_forces_lie_around_their_truth(cohort):
    scores = score(cohort.study)
    own = scores[scores["outcome"] == "index_press.force"].set_index(["participant", "visit", "condition"])["value"]
    for row in cohort.device["forces"]:
        # The mean of three trials of SD 0.7 N: five standard errors.
        assert own[(row["participant"], row["visit"], row["condition"])] == pytest.approx(row["true_force_N"], abs=2.1)


def test_the_torque_falls_as_planned(cohort):
    sets = first_to_last(cohort.study)
    frame = change_over_sets(sets, "torque", unit="N m", kept=("condition", "velocity")).frame()
    for row in cohort.device["torque_change_first_to_last"]:
        own = frame[(frame["condition"] == row["condition"]) & (frame["velocity"] == row["velocity"])].iloc[0]
        # Noise of a person's mean change over four visits: 0.03 x sqrt(2 / 4); over 12 people below 0.007: four of it.
        assert own["estimate"] == pytest.approx(row["true_change_Nm"], abs=0.03)


def test_wear_goes_with_its_share(cohort):
    log = cohort.study.wear_log
    worn = (
        log.groupby("participant")["minutes_worn"].sum()
        / log[log["minutes_worn"].notna()].groupby("participant")["minutes_prescribed"].sum()
    )
    truth = {row["participant"]: row["true_share"] for row in cohort.device["wear_share"]}
    assert np.corrcoef([worn[code] for code in truth], list(truth.values()))[0, 1] > 0.9


def test_a_device_leaves_the_other_sheets_alone(cohort):
    without = make_cohort(replace(cohort.design, device=DevicePlan()), seed=4, flaws={})
    assert cohort.sheets["visits"].equals(without.sheets["visits"])
    assert cohort.sheets["sessions"].equals(without.sheets["sessions"])
    grips = cohort.sheets["trials"][cohort.sheets["trials"]["instrument"] == "grip"].reset_index(drop=True)
    assert grips["value"].tolist() == without.sheets["trials"]["value"].tolist()
    assert "wear_log" not in without.sheets
