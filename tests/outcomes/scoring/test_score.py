"""Scoring rules that differ between instruments, and the long frame of a study."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from outcomes import InstrumentError, convert_force, instrument, read_study, score, score_items
from outcomes.columns import SCORE_COLUMNS

FMA = {item.id: 2 for item in instrument("fma_ue").items}


def test_reflex_items_are_0_or_2():
    with pytest.raises(InstrumentError, match="allowed 0, 2"):
        score_items("fma_ue", {"a1_reflex_flexors": 1})


def test_the_reflex_gate():
    """Normal reflexes count only when part IV is full (gate from memory; stated in the instrument file)."""
    open_gate = score_items("fma_ue", FMA)["motor"]
    assert (open_gate.value, open_gate.reason) == (66, "")
    closed = score_items("fma_ue", FMA | {"a4_shoulder_abduction_90": 1})["motor"]
    assert (closed.value, closed.answered) == (63, 32)  # one point lost in part IV, two at the gate
    assert "against the closed gate" in closed.reason
    not_scored = {item: value for item, value in FMA.items() if item != "a5_normal_reflexes"}
    skipped = score_items("fma_ue", not_scored | {"a4_shoulder_abduction_90": 1})["motor"]
    assert (skipped.value, skipped.complete) == (63, True)
    unknown = score_items("fma_ue", {**not_scored, "a4_shoulder_abduction_90": "refused"})["motor"]
    assert np.isnan(unknown.value)


def test_a_missing_item_leaves_no_total_and_proration_is_labelled():
    given = {item: value for item, value in FMA.items() if item != "d_time"}
    plain = score_items("fma_ue", given)
    assert np.isnan(plain["motor"].value)
    assert plain["motor"].reason == "1 of 33 without a value (1 not recorded)"
    assert plain["distal"].value == 24  # a scale that does not need the item is scored
    estimated = score_items("fma_ue", given, prorate=0.9)["motor"]
    assert estimated.value == pytest.approx(66, abs=1e-12)
    assert "no published rule" in estimated.reason
    assert not estimated.complete
    assert np.isnan(score_items("fma_ue", given, prorate=1)["motor"].value)


def test_four_ways_of_not_having_a_number_stay_apart():
    codes = ("not done", "not testable", "refused")
    given = score_items(
        "dash", {f"q{n}": 3 for n in range(1, 25)} | {f"q{25 + n}": code for n, code in enumerate(codes)}
    )
    assert given["total"].reason == "6 of 30 without a value (1 not done, 1 not testable, 1 refused, 3 not recorded)"
    assert score_items("bbt", {"blocks": "unable"})["blocks"].value == 0
    # "Unable" is the fifth answer of an activity; of a symptom it is no answer, and never a gap to be filled.
    unable = score_items("dash", {f"q{n}": 2 for n in range(1, 31)} | dict.fromkeys(("q1", "q2", "q3"), "unable"))
    assert (unable["total"].value, unable["total"].complete) == (pytest.approx(32.5, abs=1e-12), True)
    with pytest.raises(InstrumentError, match=r"item q30.*value unable"):
        score_items("dash", {f"q{n}": 3 for n in range(1, 30)} | {"q30": "unable"})
    # Where a form has no such answer at all, the item is missing.
    assert "1 unable" in score_items("sus", {"q1": "unable"})["total"].reason


def test_an_activity_not_applicable_leaves_both_scales():
    given = {f"amount_{n}": 2 for n in range(1, 15)} | {f"quality_{n}": 3 for n in range(1, 15)}
    scores = score_items("mal_14", given | {"amount_3": "not applicable"})
    assert (scores["amount"].answered, scores["quality"].answered) == (13, 13)
    assert "recorded beside 'not applicable'" in scores["quality"].reason
    assert np.isnan(scores["quality_sum"].value)
    assert "no sum with an item left out" in scores["quality_sum"].reason
    other = score_items("mal_14", given | {"quality_3": "n/a", "amount_3": None})
    assert other["amount"].reason == "1 item not applicable, left out"
    # What did not come up is not done: missing, not left out.
    assert np.isnan(score_items("mal_14", given | {"amount_3": "not done"})["amount"].value)


def hand_questionnaire(**pain):
    counts = {"function": 5, "adl_one_hand": 5, "adl_two_hands": 7, "work": 5, "aesthetics": 4, "satisfaction": 6}
    given = {f"{scale}_{n}": 4 for scale, count in counts.items() for n in range(1, count + 1)}
    return given | pain


def test_hand_questionnaire_total_needs_its_six_scales():
    """Other five scales at (4 - 1)/4 x 100 = 75; total = sum of the six, pain turned round, divided by six."""
    pain = {f"pain_{n}": 2 for n in range(1, 6)}
    assert score_items("mhq", hand_questionnaire(**pain))["total"].value == pytest.approx((5 * 75 + 75) / 6, abs=1e-12)
    never = score_items("mhq", hand_questionnaire(pain_1="never"))
    assert never["pain"].value == 0
    assert never["total"].value == pytest.approx((5 * 75 + 100) / 6, abs=1e-12)
    assert "never hurts" in never["total"].reason
    without = score_items("mhq", hand_questionnaire(pain_1=2))
    assert np.isnan(without["pain"].value)
    assert np.isnan(without["total"].value)
    five = score_items("mhq", hand_questionnaire(), scales=4)["total"]
    assert five.value == 75
    assert "no published rule" in five.reason
    assert score_items("mhq", hand_questionnaire(**pain), scales=4)["total"].reason == ""  # all six: nothing to say


def test_unable_beside_a_force_is_a_trial_not_done():
    record = score_items("grip", {"trial_1": 10, "trial_2": 12, "trial_3": "unable"})["force"]
    assert (record.value, record.answered) == (11, 2)
    assert "mean of 2 trials" in record.reason
    alone = score_items("grip", {"trial_1": 8, "trial_2": "unable", "trial_3": "unable"})["force"]
    assert alone.value == 8
    assert "a single trial" in alone.reason
    none = score_items("grip", dict.fromkeys(("trial_1", "trial_2", "trial_3"), "unable"))["force"]
    assert (none.value, none.reason) == (0, "3 items unable, counted as the worst score")


def test_counts_are_whole_unless_they_are_declared_means():
    with pytest.raises(InstrumentError, match=r"24\.5, allowed 0 to 150 blocks in whole numbers"):
        score_items("bbt", {"blocks": 24.5})
    assert score_items("bbt", {"blocks": 24.5}, mean_of=2)["blocks"].value == 24.5
    assert score_items("bbt", {"blocks": 8.3}, mean_of=3)["blocks"].value == 8.3
    with pytest.raises(InstrumentError, match=r"in steps of 0\.5"):
        score_items("bbt", {"blocks": 24.2}, mean_of=2)
    with pytest.raises(InstrumentError, match="whole number from 1 to 20"):
        score_items("bbt", {"blocks": 24}, mean_of=1.5)


def test_arat_total_counts_tested_and_credited_apart():
    given = {"grasp_block_10": 3, "grip_pour": 0, "grip_tube_large": 0, "gross_hand_behind_head": 3}
    given |= {"pinch_bearing_ring": 1, "pinch_marble_index": 2, "pinch_bearing_middle": 1}
    given |= {"pinch_bearing_index": 2, "pinch_marble_ring": 2, "pinch_marble_middle": 2}
    record = score_items("arat", given)["total"]
    assert (record.value, record.answered, record.items, record.complete) == (18 + 0 + 10 + 9, 10, 19, True)
    assert "grasp: 5 items credited" in record.reason


def test_arat_tested_items_count_as_tested():
    """Testing everything without skipping is published practice: a credit never overrules a tested item."""
    record = score_items("arat", {"gross_hand_behind_head": 3, "gross_hand_on_head": 2, "gross_hand_to_mouth": 3})[
        "gross"
    ]
    assert record.value == 8
    assert "disagree with the skip rule" in record.reason


def test_peg_test_needs_its_ceiling_only_for_those_who_do_not_finish():
    assert score_items("nhpt", {"time": 25})["time"].value == 25
    assert score_items("nhpt", {"time": 25})["pegs_per_s"].value == 9 / 25
    with pytest.raises(InstrumentError, match="ceiling_s = a number"):
        score_items("nhpt", {"time": "unable"})
    unable = score_items("nhpt", {"time": "unable"}, ceiling_s=120)
    assert (unable["time"].value, unable["pegs_per_s"].value) == (120, 0)
    assert "counted at 120 s" in unable["time"].reason
    over = score_items("nhpt", {"time": 130}, ceiling_s=120)
    assert over["time"].value == 120
    some = score_items("nhpt", {"pegs": 6}, ceiling_s=120)
    assert (some["time"].value, some["pegs_per_s"].value) == (120, 0.05)
    assert np.isnan(score_items("nhpt", {"time": "refused"}, ceiling_s=120)["time"].value)


def test_wolf_times():
    times = {f"time_{n}": n for n in range(1, 16)}
    given = score_items("wmft", times)
    assert given["time_median"].value == 8
    assert given["time_log_mean"].value == pytest.approx(np.log(np.arange(1, 16)).mean(), rel=1e-15)
    assert given["rate"].value == pytest.approx((60 / np.arange(1, 16)).mean(), rel=1e-15)
    late = score_items("wmft", times | {f"time_{n}": "unable" for n in range(1, 9)}, unable_s=121)
    assert late["time_median"].value == 121
    stuck = score_items("wmft", times | {f"time_{n}": "unable" for n in range(1, 9)})
    assert stuck["time_median"].value == 120
    assert "the median is at the limit" in stuck["time_median"].reason
    assert stuck["rate"].value == pytest.approx((60 / np.arange(9, 16)).sum() / 15, rel=1e-15)


def test_jebsen_rounding_is_on_request_and_said():
    given = {
        "writing": 10.5,
        "cards": 4.4,
        "small_objects": 6,
        "feeding": 9,
        "stacking": 5,
        "light_cans": 4,
        "heavy_cans": 4,
    }
    assert score_items("jthft", given)["total"].value == pytest.approx(42.9)
    rounded = score_items("jthft", given, rounding="nearest second")["total"]
    assert (rounded.value, rounded.reason) == (43, "times rounded to the nearest second")
    del given["writing"]
    assert np.isnan(score_items("jthft", given)["total"].value)
    assert score_items("jthft", given)["total_no_writing"].value == pytest.approx(32.4)


def test_motor_activity_log_gate_and_not_applicable():
    given = {f"amount_{n}": 2 for n in range(1, 15)} | {f"quality_{n}": 3 for n in range(1, 15)}
    given |= {"amount_1": 0, "quality_1": None, "amount_2": "not applicable", "quality_2": "not applicable"}
    record = score_items("mal_14", given)
    assert record["quality"].value == pytest.approx(36 / 13)  # item 1 counts 0, item 2 is left out
    assert record["amount"].value == pytest.approx(24 / 13)
    assert "1 item not applicable" in record["quality"].reason
    assert np.isnan(score_items("mal_14", given | {"quality_3": "refused"})["quality"].value)


def test_michigan_half_rule():
    """The developers' own example: 2 of 4 aesthetics items missing, no score; 1 of 4, the mean of the other three."""
    assert np.isnan(score_items("mhq", {"aesthetics_1": 4, "aesthetics_2": 2})["aesthetics"].value)
    record = score_items("mhq", {"aesthetics_1": 4, "aesthetics_2": 2, "aesthetics_3": 3})["aesthetics"]
    assert record.value == 50
    assert "published rule" in record.reason


def test_michigan_total_turns_pain_round():
    items = {item.id: (1 if item.id.startswith("pain") else 5) for item in instrument("mhq").items}
    assert score_items("mhq", items)["total"].value == 100


def test_tardieu_difference():
    angles = {"elbow_flexors_r1": 60, "elbow_flexors_r2": 130}
    assert score_items("mts", angles, convention="minimal stretch")["elbow_flexors_dynamic"].value == 70
    turned = {"elbow_flexors_r1": 130, "elbow_flexors_r2": 60}
    impossible = score_items("mts", turned, convention="minimal stretch")["elbow_flexors_dynamic"]
    assert np.isnan(impossible.value)
    assert "R2 is below R1" in impossible.reason
    assert "convention" in score_items("mts", angles)["elbow_flexors_dynamic"].reason


def test_a_muscle_sum_is_the_studys_own():
    grades = {"elbow_flexors": 3, "elbow_extensors": 4, "wrist_extensors": 1}
    own = score_items("mrc", grades, muscles=list(grades))
    assert (own["sum"].value, own["median"].value) == (8, 3)
    assert "muscles" in score_items("mrc", grades)["sum"].reason
    with pytest.raises(InstrumentError, match="no biceps"):
        score_items("mrc", grades, muscles=["biceps"])


def test_weighted_workload():
    names = ("mental", "physical", "temporal", "performance", "effort", "frustration")
    ratings = dict(zip(names, (10, 20, 30, 40, 50, 60), strict=True))
    weights = {f"weight_{name}": weight for name, weight in zip(names, (5, 4, 3, 2, 1, 0), strict=True)}
    assert score_items("workload_raw", ratings)["total"].value == 35
    assert score_items("workload_weighted", ratings | weights)["total"].value == pytest.approx(350 / 15)
    wrong = score_items("workload_weighted", ratings | weights | {"weight_mental": 4})["total"]
    assert np.isnan(wrong.value)
    assert "add up to 15" in wrong.reason


def test_a_blank_usability_item_counts_the_centre_only_on_request():
    given = {f"q{n}": 5 if n % 2 else 1 for n in range(1, 10)}
    assert np.isnan(score_items("sus", given)["total"].value)
    record = score_items("sus", given, blank="centre")["total"]
    assert (record.value, record.answered) == (95, 9)
    assert "no published rule" in record.reason
    assert np.isnan(score_items("sus", {}, blank="centre")["total"].value)


@pytest.mark.parametrize(
    ("name", "options", "message"),
    [
        ("nhpt", {"ceiling_s": -1}, "a number above 0"),
        ("nhpt", {"ceiling_s": True}, "a number above 0"),
        ("wmft", {"unable_s": 119}, "allowed 120, 121"),
        ("mas", {"coding": "2"}, "'rank', '1.5'"),
        ("dash", {"prorate": 1.5}, "up to 1"),
        ("mrc", {"muscles": "all"}, "a list of words"),
        ("eq5d5l", {"value_set": 3}, "a table"),
    ],
)
def test_a_bad_option_is_refused(name, options, message):
    with pytest.raises(InstrumentError, match=message):
        score_items(name, {}, **options)


STUDY = """
title = "Scoring"
design = "parallel"
primary = "fma_ue.motor"
outcomes = ["fma_ue.motor", "grip.force"]
[[arms]]
id = "a"
label = "A"
reference = true
[[arms]]
id = "b"
label = "B"
[[visits]]
id = "base"
label = "Baseline"
day = 0
[[visits]]
id = "w4"
label = "Week 4"
day = 28
[measures."own.total"]
label = "Own measure"
unit = "points"
better = "lower"
low = 0
high = 20
"""
PEOPLE = "participant,arm,affected_side,dominant_side\nP1,a,left,right\nP2,b,right,right\nP3,a,,\n"


def study_of(folder, toml=STUDY, **tables):
    (folder / "study.toml").write_text(toml, encoding="utf-8")
    (folder / "participants.csv").write_text(PEOPLE, encoding="utf-8")
    for name, text in tables.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return read_study(folder)


def motor_rows(participant, visit, side, change=()):
    changed = dict(change)
    items = [item.id for item in instrument("fma_ue").items if item.id[0] in "abcd"]
    return "".join(f"{participant},{visit},fma_ue,{side},{item},{changed.get(item, 2)}\n" for item in items)


ITEMS = "participant,visit,instrument,side,item,value\n"


def test_the_frame_has_its_columns_in_order(tmp_path):
    scores = score(study_of(tmp_path, items=ITEMS + motor_rows("P1", "base", "left")))
    assert tuple(scores.columns) == SCORE_COLUMNS
    motor = scores[scores["outcome"] == "fma_ue.motor"].iloc[0]
    assert (motor["value"], motor["answered"], motor["items"], motor["complete"]) == (66, 33, 33, True)
    assert (motor["arm"], motor["day"], motor["side"], motor["hand"], motor["unit"]) == (
        "a",
        0,
        "left",
        "affected",
        "points",
    )
    assert "fma_ue.sensation" not in set(scores["outcome"])  # no item of it is recorded in this study


def test_hands_sides_and_order(tmp_path):
    rows = ITEMS + motor_rows("P2", "w4", "left") + motor_rows("P2", "base", "right") + motor_rows("P1", "w4", "left")
    scores = score(study_of(tmp_path, items=rows + motor_rows("P3", "base", "left")))
    motor = scores[scores["outcome"] == "fma_ue.motor"]
    assert motor[["participant", "visit", "hand"]].values.tolist() == [
        ["P1", "w4", "affected"], ["P2", "base", "affected"], ["P2", "w4", "other"], ["P3", "base", ""]
    ]  # fmt: skip


def test_what_cannot_be_scored_is_a_row_with_its_reason(tmp_path):
    bad = motor_rows("P1", "base", "left", {"d_time": "3", "d_tremor": "refused", "b_wrist_circumduction": "good"})
    twice = motor_rows("P2", "base", "right") + "P2,base,fma_ue,right,d_time,1\n"
    scores = score(study_of(tmp_path, items=ITEMS + bad + twice))
    reasons = scores[scores["outcome"] == "fma_ue.motor"].set_index("participant")["reason"]
    assert reasons["P1"] == ("3 of 33 without a value (1 refused, 1 outside the allowed values, 1 not readable)")
    assert reasons["P2"] == "1 of 33 without a value (1 recorded twice)"
    assert scores.loc[scores["outcome"] == "fma_ue.motor", "value"].isna().all()


def test_rows_of_unknown_people_visits_and_items_are_left_to_the_check(tmp_path):
    rows = (
        "P9,base,bbt,left,blocks,3\nP1,nowhere,bbt,left,blocks,3\nP1,base,bbt,left,stones,3\nP1,base,nothing,left,x,3\n"
    )
    assert score(study_of(tmp_path, items=ITEMS + rows)).empty


def test_trials_in_any_unit(tmp_path):
    trials = (
        "participant,visit,side,instrument,trial,value,unit\n"
        "P1,base,left,grip,1,20,lb\nP1,base,left,grip,2,22,lb\nP1,base,left,grip,3,24,lb\n"
        "P1,base,right,grip,1,98.0665,N\nP1,base,left,key,1,unable,kg\nP2,base,left,tip,1,3,kPa\n"
    )
    scores = score(study_of(tmp_path, trials=trials)).set_index(["participant", "outcome", "side"])
    assert scores.loc[("P1", "grip.force", "left"), "value"] == pytest.approx(
        convert_force(22, "lbf", "kgf"), rel=1e-12
    )
    assert scores.loc[("P1", "grip.force", "right"), ["value", "hand"]].tolist() == [
        pytest.approx(10, rel=1e-12),
        "other",
    ]
    assert scores.loc[("P1", "pinch_key.force", "left"), "value"] == 0
    assert np.isnan(scores.loc[("P2", "pinch_tip.force", "left"), "value"])  # a bulb's pressure is no force
    assert "not readable" in scores.loc[("P2", "pinch_tip.force", "left"), "reason"]


def test_totals_of_instruments_and_of_own_measures(tmp_path):
    totals = (
        "participant,visit,instrument,scale,side,value\nP1,base,own,,,7\nP1,base,fma_ue,,left,41\nP1,w4,fma_ue,motor,left,70\n"
        "P2,base,bbt,,right,unable\nP2,w4,bbt,,right,refused\nP2,w4,own,total,,21\nP3,w4,own,,,1\nP3,w4,own,,,2\n"
    )
    scores = score(study_of(tmp_path, totals=totals)).set_index(["participant", "visit", "outcome"])
    assert scores.loc[("P1", "base", "own.total"), ["value", "better", "hand"]].tolist() == [7, "lower", ""]
    assert scores.loc[("P1", "base", "fma_ue.motor"), "value"] == 41
    assert scores.loc[("P1", "w4", "fma_ue.motor"), "reason"] == "total outside the allowed values"
    assert scores.loc[("P2", "base", "bbt.blocks"), "value"] == 0
    assert scores.loc[("P2", "w4", "bbt.blocks"), "reason"] == "total refused"
    assert scores.loc[("P2", "w4", "own.total"), "reason"] == "total outside the allowed values"
    assert scores.loc[("P3", "w4", "own.total"), "reason"] == "total recorded twice"


def test_a_typed_total_gives_way_to_the_items_and_is_compared(tmp_path):
    items = ITEMS + motor_rows("P1", "base", "left") + motor_rows("P2", "base", "right", {"d_time": "refused"})
    totals = "participant,visit,instrument,side,value\nP1,base,fma_ue,left,64\nP2,base,fma_ue,right,60\n"
    motor = score(study_of(tmp_path, items=items, totals=totals))
    motor = motor[motor["outcome"] == "fma_ue.motor"].set_index("participant")
    assert motor["value"].tolist() == [66, 60]
    assert motor.loc["P1", "reason"] == "the typed total differs from the items"
    assert motor.loc["P2", "reason"] == "typed total; its items give no score"


def test_an_option_the_data_need_is_asked_for_by_name(tmp_path):
    items = ITEMS + "P1,base,nhpt,left,time,unable\n"
    with pytest.raises(InstrumentError, match=r"under \[instruments.nhpt\]"):
        score(study_of(tmp_path, items=items))
    scores = score(study_of(tmp_path, STUDY + "[instruments.nhpt]\nceiling_s = 180\n", items=items))
    assert scores.set_index("outcome").loc["nhpt.time", "value"] == 180


def test_a_scale_that_needs_a_choice_is_asked_for_only_where_it_is_an_outcome(tmp_path):
    rows = "".join(f"P1,base,mas,left,{muscle},1+\n" for muscle in ("elbow_flexors", "wrist_flexors", "finger_flexors"))
    scores = score(study_of(tmp_path, items=ITEMS + rows))
    assert scores.set_index("outcome").loc["mas.flexors_median", "value"] == 2
    assert "mas.flexors_mean" not in set(scores["outcome"])
    asked = STUDY.replace('"grip.force"]', '"mas.flexors_mean"]')
    with pytest.raises(InstrumentError, match=r"coding = 'rank' \| '1\.5'"):
        score(study_of(tmp_path, asked, items=ITEMS + rows))
    chosen = score(study_of(tmp_path, asked + '[instruments.mas]\ncoding = "1.5"\n', items=ITEMS + rows))
    assert chosen.set_index("outcome").loc["mas.flexors_mean", "value"] == 1.5


def test_conditions_stay_apart(tmp_path):
    rows = "participant,visit,instrument,side,condition,item,value\n" + "".join(
        f"P1,base,bbt,left,{condition},blocks,{value}\n" for condition, value in (("", 20), ("assisted", 26))
    )
    scores = score(study_of(tmp_path, items=rows))
    assert dict(zip(scores["condition"], scores["value"], strict=True)) == {"unassisted": 20, "assisted": 26}


def test_the_frame_of_an_empty_study_has_its_columns_and_types(tmp_path):
    scores = score(study_of(tmp_path, items=ITEMS + "P1,nowhere,bbt,left,blocks,3\n"))
    assert tuple(scores.columns) == SCORE_COLUMNS
    full = score(study_of(tmp_path, items=ITEMS + "P1,base,bbt,left,blocks,3\n"))
    assert (scores.dtypes == full.dtypes).all()
    assert isinstance(full["value"].dtype, np.dtype)
    texts = full["reason"].dtype
    assert isinstance(texts, pd.StringDtype)  # wherever its texts lie
    assert texts.na_value is np.nan


def test_the_order_of_rows_does_not_matter(tmp_path):
    rows = (
        motor_rows("P2", "w4", "left", {"d_time": "refused"}) + "P1,base,bbt,left,blocks,12\nP2,w4,bbt,left,blocks,9\n"
    )
    study = study_of(tmp_path, items=ITEMS + rows + motor_rows("P1", "w4", "left"))
    shuffled = replace(study, items=study.items.sample(frac=1, random_state=3))
    pd.testing.assert_frame_equal(score(study), score(shuffled))
