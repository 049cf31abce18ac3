"""Instruments of the second edition by cases worked from their published rules; sources are named in each file."""

import math

import pytest

from outcomes import InstrumentError, score_items
from outcomes.library.registry import instrument


@pytest.mark.parametrize(
    ("weights", "goals", "expected"),
    [
        # T = 50 + 10 S(w x) / sqrt(0.7 S(w^2) + 0.3 (S w)^2), by hand: S(w x) = 3, root of 0.7 x 6 + 0.3 x 16 is 3.
        ((1, 2, 1), (1, 0, 2), 60.0),
        ((1, 2, 1), (-1, -1, -1), 50 - 40 / 3),
        ((1, 1, 1), (-1, -1, -1), 50 - 30 / math.sqrt(0.7 * 3 + 0.3 * 9)),
        ((1, 1, 1), (2, 2, 2), 50 + 60 / math.sqrt(4.8)),
        ((1, 1, 1), (0, 1, -1), 50.0),
        ((1,), (2,), 70.0),
        ((6, 3, 1), (0, 1, -1), 50 + 10 * (3 - 1) / math.sqrt(0.7 * 46 + 0.3 * 100)),
    ],
)
def test_goal_t_score(weights, goals, expected):
    given = {f"goal_{n}": goal for n, goal in enumerate(goals, 1)}
    given |= {f"weight_{n}": weight for n, weight in enumerate(weights, 1)}
    record = score_items("goal_attainment", given)["t_score"]
    assert record.value == pytest.approx(expected, abs=1e-12)
    assert record.answered == len(goals)


def test_goals_without_weights_or_ratings():
    assert score_items("goal_attainment", {"goal_1": 0, "goal_2": 1, "goal_3": -1})["t_score"].value == 50
    unrated = score_items("goal_attainment", {"goal_1": 0, "weight_1": 2, "weight_2": 1})["t_score"]
    assert math.isnan(unrated.value)
    assert "a goal without a rating" in unrated.reason
    dropped = score_items("goal_attainment", {"goal_1": 1, "goal_2": "not applicable"})["t_score"]
    assert (dropped.value, dropped.answered) == (60, 1)
    with pytest.raises(InstrumentError, match="goal_1"):
        score_items("goal_attainment", {"goal_1": -0.5})


def test_motricity_arm_both_ways_in_print():
    given = {"pinch": 22, "elbow_flexion": 19, "shoulder_abduction": 25}
    scores = score_items("motricity_arm", given)
    assert (scores["arm_sum"].value, scores["arm_plus_1"].value) == (22 + 19 + 25, 67)
    with pytest.raises(InstrumentError, match="elbow_flexion.*0, 9, 14, 19, 25, 33".replace(".", r"[\s\S]")):
        score_items("motricity_arm", given | {"elbow_flexion": 22})


def test_rivermead_arm_stops_only_where_the_study_says_so():
    given = {f"item_{n}": 1 for n in range(1, 6)} | {"item_6": 0, "item_7": 0, "item_8": 0}
    with pytest.raises(InstrumentError, match="stop_rule"):
        score_items("rivermead_arm", given)
    record = score_items("rivermead_arm", given, stop_rule="three failures")["arm"]
    assert (record.value, record.answered) == (5, 8)
    assert "7 items after the stop, counted as failed" in record.reason
    assert math.isnan(score_items("rivermead_arm", given, stop_rule="all items")["arm"].value)
    later = given | {f"item_{n}": 1 for n in range(9, 16)}
    assert score_items("rivermead_arm", later, stop_rule="three failures")["arm"].value == 12


def test_wrist_evaluation():
    """Pain 4 3 5 6 2 = 20; ten function items that sum to 46 give 23; total 43."""
    given = dict(zip([f"pain_{n}" for n in range(1, 6)], (4, 3, 5, 6, 2), strict=True))
    given |= dict(zip([f"function_{n}" for n in range(1, 11)], (5, 5, 5, 5, 5, 5, 4, 4, 4, 4), strict=True))
    scores = score_items("prwe", given)
    assert (scores["pain"].value, scores["function"].value, scores["total"].value) == (20, 23, 43)
    assert math.isnan(score_items("prwhe", given | {"pain_1": None})["total"].value)


def test_ratings_of_what_the_person_names():
    three = {"activity_1": 2, "activity_2": 5, "activity_3": "not applicable"}
    assert score_items("psfs_3", three)["mean"].value == 3.5
    problems = {f"performance_{n}": n for n in range(1, 4)} | {f"satisfaction_{n}": 4 for n in range(1, 4)}
    problems |= {"performance_4": "n/a", "performance_5": "n/a", "satisfaction_4": 9}
    scores = score_items("copm", problems)
    assert (scores["performance"].value, scores["satisfaction"].value) == (2, 4)
    assert "recorded beside" in scores["satisfaction"].reason


@pytest.mark.parametrize(("version", "lowest", "highest", "side"), [(1, 32, 224, 105), (2, 0, 128, 60)])
def test_capabilities_questionnaire_ranges(version, lowest, highest, side):
    found = instrument(f"cue_q_v{version}")
    low = score_items(found.id, {item.id: item.low for item in found.items})
    high = score_items(found.id, {item.id: item.high for item in found.items})
    assert (low["total"].value, high["total"].value, high["left"].value) == (lowest, highest, side)


def test_typed_measures_keep_their_ranges():
    assert score_items("fim", {"motor": 77})["motor"].value == 77
    with pytest.raises(InstrumentError, match="13 to 91"):
        score_items("fim", {"motor": 126})
    assert score_items("abilhand_stroke", {"measure": -1.23})["measure"].value == -1.23
    assert score_items("purdue", {"preferred": 13.33, "other": 11, "both": 9.67}, mean_of=3)["sum"].value == 34.0
    assert math.isnan(score_items("nihss_arm", {"arm": "UN"})["arm"].value)
    assert math.isnan(score_items("two_point", {"static_index": "unable"})["static_index"].value)
