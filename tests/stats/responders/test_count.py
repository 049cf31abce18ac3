"""Responder counts: the published five-person cohort, the rules of counting, and the odd cases."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.columns import SCORE_COLUMNS
from outcomes.library.instrument import Threshold
from stats.errors import FitError
from stats.responders.count import count_responders
from stats.responders.criteria import OwnThreshold
from stats.selection import Selection


def scores_frame(values, outcome="fma_ue.motor", unit="points", better="higher", arms=None):
    """Scores frame from {participant: {visit: value}}; planned days are the order of the visits."""
    visits = list(dict.fromkeys(visit for by_visit in values.values() for visit in by_visit))
    rows = []
    for person, by_visit in values.items():
        for visit, value in by_visit.items():
            row = dict.fromkeys(SCORE_COLUMNS, "")
            row |= {"participant": person, "visit": visit, "day": 28.0 * visits.index(visit), "outcome": outcome}
            row |= {"value": value, "unit": unit, "better": better, "complete": value == value}
            row |= {"instrument": outcome.split(".")[0], "scale": outcome.split(".")[1]}
            row |= {"arm": (arms or {}).get(person, ""), "hand": "affected", "condition": "unassisted"}
            rows.append(row)
    return pd.DataFrame(rows, columns=list(SCORE_COLUMNS))


# PMC4268358, five people with stroke, Fugl-Meyer upper extremity before, after and at follow-up.
COHORT = {
    person: {"pre": pre, "post": post, "follow-up": later}
    for person, pre, post, later in zip(
        "12345", (61, 57, 32, 47, 23), (64, 59, 41, 54, 40), (64, 59, 27, 54, 50), strict=True
    )
}


def test_a_difference_of_exactly_the_tolerance_counts_as_equal():
    # The rule as its docstring states it; numbers that binary holds exactly.
    frame = scores_frame({"a": {"pre": 1.0, "post": 4.5}, "b": {"pre": 1.0, "post": 4.25}}, "grip.mean", "kgf")
    counted = count_responders(frame, OwnThreshold(4, "anchor", tolerance=0.5), unit="kgf")
    assert counted["improved"] == 1
    assert list(counted.people.index) == list(range(len(counted.people)))


def test_the_smallest_change_of_a_scale_in_steps_is_named_where_the_values_lie_on_steps():
    # The motor scale of the Fugl-Meyer moves in whole points (its published form): 6 is the first change of 5.25.
    def told(values: dict, threshold: OwnThreshold) -> bool:
        counted = count_responders(scores_frame(values), threshold, select=Selection("fma_ue.motor", "post"))
        return any("moves in steps" in note and "6" in note for note in counted.notes)

    on, between = {"a": {"pre": 20, "post": 30}}, {"a": {"pre": 20.5, "post": 30}}
    assert told(on, OwnThreshold(5.25, "anchor", unit="points"))
    assert not told(between, OwnThreshold(5.25, "anchor", unit="points"))
    assert not told(on, OwnThreshold(6, "anchor", unit="points"))
    assert not told(on, OwnThreshold(5.25, "anchor", unit="% of baseline"))


def published(value, quantity="MCID individual", **more):
    given = {"key": f"t{value}", "scale": "motor", "value": value, "unit": "points", "quantity": quantity}
    given |= {"better": "higher", "population": "stroke", "phase": "chronic", "method": "anchor", "n": "146"}
    return Threshold(**(given | {"source": "page2012"} | more))


def test_published_cohort_counts():
    # Derived from the changes 3 2 9 7 17 in PMC4268358: 3/5, 3/5, 2/5, 2/5, 1/5.
    counted = count_responders(
        scores_frame(COHORT).assign(high=66),
        [published(value) for value in (4.25, 5.25, 7.25, 9, 10)],
        select=Selection("fma_ue.motor", "post"),
    )
    frame = counted.frame()
    assert frame["improved"].tolist() == [3, 3, 2, 2, 1]
    assert frame["enrolled"].tolist() == [5] * 5
    assert (frame["source"] == "page2012").all()
    sentence = counted.sentence()
    assert sentence.count("3 of 5 observed improved") == 2
    assert sentence.count("2 of 5 observed improved") == 2
    assert sentence.count("1 of 5 observed improved") == 1
    assert sentence.count("page2012") == 5


def test_those_without_room_are_apart():
    # 61 of 66 leaves 5 points: 5.25 is out of reach for participant 1.
    counted = count_responders(
        scores_frame(COHORT).assign(high=66), published(5.25), select=Selection("fma_ue.motor", "post")
    )
    assert counted["cannot_reach"] == 1
    assert counted["unchanged"] == 1
    shares = counted.shares().set_index("denominator")
    assert shares.loc["could reach", "n"] == 4
    assert shares.loc["could reach", "estimate"] == 0.75


def test_limit_of_agreement_must_be_exceeded_and_importance_only_reached():
    changes = [6.6, 6.61, 4.0]
    exceeded = count_responders(changes, OwnThreshold(6.6, "retest", quantity="limits of agreement"))
    reached = count_responders(changes, OwnThreshold(6.6, "anchor", quantity="MCID individual"))
    assert exceeded["improved"] == 1
    assert reached["improved"] == 2
    assert exceeded.frame()["rule"].tolist() == ["> 6.6"]


def test_five_kilograms_recorded_in_pounds_is_five_kilograms():
    pound = 0.45359237
    before, after = 44.1 * pound, 55.1 * pound  # 20 and 25 kgf read to 0.1 lbf
    assert after - before < 5
    frame = pd.DataFrame({"participant": ["a"], "before": [before], "after": [after], "improvement": [after - before]})
    assert count_responders(frame, 5, source="anchor", unit="kgf")["improved"] == 1
    assert count_responders(frame, OwnThreshold(5, "anchor", tolerance=0.0), unit="kgf")["improved"] == 0
    exact = 5 / pound * pound
    assert count_responders([exact], 5, source="anchor", unit="s")["improved"] == 1


def test_number_without_source_is_refused():
    with pytest.raises(FitError, match="without a source"):
        count_responders([1.0, 2.0], 5.25)
    with pytest.raises(FitError, match="without a source"):
        count_responders([1.0, 2.0], 5.25, source="  ")


def test_group_mean_threshold_and_caveat_give_notes():
    counted = count_responders(
        [1.0, 6.0], published(5.0, "MCID group mean", caveat="small sample"), select="fma_ue.motor"
    )
    assert any("mean of a group" in note for note in counted.notes)
    assert any("small sample" in note for note in counted.notes)
    assert any("chronic" in note for note in counted.notes)


HANDS = {
    "dominant": published(12, key="dom", hand="dominant"),
    "non-dominant": published(17, key="non", hand="non-dominant"),
}


def test_hand_specific_threshold_is_chosen_per_person_or_refused():
    values = {person: {"pre": 10, "post": 24} for person in "ab"}
    people = pd.DataFrame(
        {"participant": ["a", "b"], "affected_side": ["left", "left"], "dominant_side": ["left", "right"]}
    )
    scores = scores_frame(values, "arat.total").assign(high=57)
    counted = count_responders(scores, HANDS, participants=people)
    assert counted["improved"] == 1
    assert counted.people.set_index("participant")["needed"].to_dict() == {"a": 12, "b": 17}
    with pytest.raises(FitError, match="participants="):
        count_responders(scores, HANDS)
    with pytest.raises(FitError, match="unknown for b"):
        count_responders(scores, HANDS, participants=people.assign(dominant_side=["left", ""]))
    with pytest.raises(FitError, match="Give both"):
        count_responders(scores, HANDS["dominant"], participants=people)


def test_missing_people_stay_in_the_enrolled_denominator():
    values = {"a": {"pre": 10, "post": 20}, "b": {"pre": 10, "post": np.nan}, "c": {"pre": 10}}
    people = pd.DataFrame({"participant": list("abcd"), "arm": ""})
    counted = count_responders(scores_frame(values).assign(high=66), 5, source="anchor", participants=people)
    row = counted.frame().iloc[0]
    assert (row["improved"], row["observed"], row["missing"], row["enrolled"]) == (1, 1, 3, 4)
    assert row["estimate"] == 1
    assert row["estimate_enrolled"] == 0.25


def test_lower_is_better():
    values = {"a": {"pre": 60, "post": 40}, "b": {"pre": 60, "post": 80}, "c": {"pre": 8, "post": 7}}
    values["d"] = {"pre": 60, "post": 45}
    scores = scores_frame(values, "nhpt.time", "s", "lower").assign(low=0, high=120)
    counted = count_responders(scores, 10, source="anchor")
    assert (counted["improved"], counted["worsened"], counted["cannot_reach"]) == (2, 1, 1)


def test_everyone_missing_has_no_share_of_the_observed():
    counted = count_responders([np.nan, np.nan], 5, source="anchor")
    row = counted.frame().iloc[0]
    assert np.isnan(row["estimate"])
    assert row["estimate_enrolled"] == 0
    assert any("no participant has both values" in note for note in counted.notes)
    assert "no one was observed" in counted.sentence()


def test_everyone_at_the_ceiling():
    values = {person: {"pre": 66, "post": 66} for person in "abc"}
    counted = count_responders(scores_frame(values).assign(high=66), 5.25, source="anchor")
    assert counted["cannot_reach"] == 3
    assert any("nobody had room" in note for note in counted.notes)


def test_two_scores_for_one_visit_are_refused():
    twice = pd.concat([scores_frame(COHORT), scores_frame(COHORT).assign(hand="other")])
    assert count_responders(twice, 5, source="anchor", select=Selection(visit="post"))["enrolled"] == 5
    with pytest.raises(FitError, match="visit pre has 2 scores"):
        count_responders(twice, 5, source="anchor", select=Selection(hand=("affected", "other")))


changes = st.lists(st.one_of(st.floats(-60, 60), st.just(np.nan)), min_size=1, max_size=30)


@settings(deadline=None, max_examples=30)
@given(changes, st.floats(0.01, 50), st.data())
def test_classes_add_up_to_the_enrolled(values, threshold, data):
    before = data.draw(st.lists(st.floats(0, 66), min_size=len(values), max_size=len(values)))
    arms = data.draw(st.lists(st.sampled_from(["a", "b"]), min_size=len(values), max_size=len(values)))
    frame = pd.DataFrame(
        {"participant": [str(i) for i in range(len(values))], "arm": arms, "before": before, "improvement": values}
    )
    counted = count_responders(frame.assign(low=0, high=66), threshold, source="drawn").frame()
    parts = counted[["improved", "unchanged", "worsened", "cannot_reach", "missing"]].sum(axis=1)
    assert (parts == counted["enrolled"]).all()
    assert counted["enrolled"].sum() == len(values)


@settings(deadline=None, max_examples=30)
@given(changes, st.floats(0.01, 50))
def test_reversing_the_scale_changes_nothing(values, threshold):
    higher = pd.DataFrame({"participant": range(len(values)), "before": 30.0, "change": values, "better": "higher"})
    lower = higher.assign(before=-30.0, change=-higher["change"], better="lower")
    one = count_responders(higher.assign(low=0, high=66), threshold, source="drawn").frame()
    other = count_responders(lower.assign(low=-66, high=0), threshold, source="drawn").frame()
    pd.testing.assert_frame_equal(one, other)


@settings(deadline=None, max_examples=30)
@given(changes, st.floats(0.01, 50))
def test_worse_by_the_same_size_is_the_mirror_of_better(values, threshold):
    one = count_responders(values, threshold, source="drawn").frame()
    other = count_responders([-value for value in values], threshold, source="drawn").frame()
    assert one["improved"].tolist() == other["worsened"].tolist()
    assert one["unchanged"].tolist() == other["unchanged"].tolist()
