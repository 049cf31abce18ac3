"""Counts of responders that few studies ask for, by hand, and the questions that have no answer.

Thresholds by their key are those of the library, whose tables are checked in `test_published_thresholds`.
"""

from dataclasses import replace
from math import isnan

import numpy as np
import pandas as pd
import pytest

from outcomes.library import registry
from stats.errors import FitError
from stats.responders.between_arms import compare_responders
from stats.responders.count import count_responders, with_imputations
from stats.responders.criteria import OwnThreshold
from stats.responders.crossover_counts import count_in_periods
from stats.responders.cumulative import cumulative_change
from stats.responders.published_criteria import paired_by_hand
from stats.responders.reaching import PAIRED, count_reaching
from stats.responders.suitability import suitability
from stats.responders.true_change import mean_improvement, true_change_share
from tests.stats.responders.test_count import COHORT, scores_frame
from tests.stats.responders.test_crossover_counts import DESIGN, PEOPLE
from tests.stats.responders.test_reaching import scores as forces

OWN = OwnThreshold(5.0, "typed for this test")
CHANGES = pd.DataFrame({"participant": list("abc"), "change": [-6.0, -2.0, 1.0]})
SCORES = scores_frame(COHORT)


def test_raw_changes_are_turned_by_their_direction():
    counted = count_responders(CHANGES, OWN, better="lower")
    assert (counted["improved"], counted["observed"]) == (1, 3)
    assert count_responders(CHANGES.assign(better="lower"), OWN)["improved"] == 1
    assert count_responders([6.0, 2.0, np.nan], OWN)["observed"] == 2


def test_an_own_threshold_is_counted_where_nothing_is_published():
    frame = scores_frame({"a": {"pre": 1.0, "post": 9.0}}, "own.total")
    assert count_responders(frame, ["all", OWN])["improved"] == 1
    with pytest.raises(Exception, match="own"):
        count_responders(frame, "all")


def test_completed_scores_are_counted_from_the_visits_of_the_count():
    counted = count_responders(SCORES.assign(value=SCORES["value"].astype(float)), OWN, select=None)
    copies = [SCORES.assign(value=SCORES["value"] + shift * (SCORES["visit"] == "follow-up")) for shift in (0.0, 0.5)]
    found = with_imputations(counted, copies)
    by_hand = [(np.array((64, 59, 27, 54, 50)) + shift - (61, 57, 32, 47, 23) >= 5).mean() for shift in (0.0, 0.5)]
    assert found["estimate_imputed"] == pytest.approx(np.mean(by_hand))


def test_a_rule_of_its_own_and_another_interval_are_taken():
    """5 is exceeded by nobody whose change is 5 exactly: 3, 2, -5, 7, 27 (the cohort's changes to the follow-up)."""
    exceeded = count_responders(SCORES, OwnThreshold(7.0, "typed for this test", rule=">"))
    reached = count_responders(SCORES, OwnThreshold(7.0, "typed for this test", rule=">="))
    assert (exceeded["improved"], reached["improved"]) == (1, 2)
    low = [reached.by(method).shares()["conf_low"].iloc[0] for method in ("wilson", "clopper-pearson")]
    assert low[1] < low[0]


def test_the_inputs_of_a_true_change_are_those_of_the_sample():
    changes = pd.Series([1.0, 4.0, np.nan, 7.0])
    found = mean_improvement(changes)
    assert (found["mean"], found["observed_variance"], found["df"], found["n"]) == (4.0, 9.0, 2.0, 3)
    assert found["mean_error"] == pytest.approx(np.sqrt(3.0))


def test_thresholds_of_one_hand_alone_stay_apart():
    keys = ["grip-force-lang-2008-nondominant"]
    assert [one.hand for one in paired_by_hand(keys)] == ["non-dominant"]
    assert [one.hand for one in paired_by_hand(["grip-force-lang-2008-dominant", OWN]) if one is not OWN] == [
        "dominant"
    ]


def test_what_a_threshold_is_and_takes_over_is_told():
    people = pd.DataFrame({"participant": list("12345"), "arm": "", "diagnosis": ""})
    told = count_responders(SCORES, "fma_ue-motor-kurakata-2023-highest", participants=people).notes
    assert any("takes over fma_ue-motor-hiragami-2019" in note for note in told)
    error = count_responders(SCORES, "fma_ue-motor-early-2023-sem").notes
    assert any("one standard error of measurement" in note for note in error)


@pytest.mark.parametrize(
    ("phase", "expected"),
    [
        ("acute", []),
        ("chronic", ["outside its phase"]),
        ("12 days", ["is its phase"]),
        ("9.5 to 25.9 days", []),  # no word for a phase, but a part of what the threshold states
    ],
)
def test_a_phase_is_compared_by_its_words(phase, expected):
    record = registry.threshold("grip-force-lang-2008-dominant")  # acute (9.5 to 25.9 days)
    people = pd.DataFrame({"participant": ["a"], "arm": "", "diagnosis": "stroke", "phase": phase})
    told = [note for note in suitability(replace(record, onset_days=None), people) if "phase" in note]
    assert len(told) == len(expected)
    assert all(words in note for words, note in zip(expected, told, strict=True))


def test_no_pair_is_no_row_and_a_visit_without_a_condition_is_none():
    frame = forces()
    found = count_reaching(frame[(frame["condition"] == "unassisted") | (frame["visit"] == "week6")], "press.force",
                           value=15, unit="N").frame()  # fmt: skip
    pairs = found[found["what"] == PAIRED]
    assert "entry" not in set(pairs.loc[pairs["condition"] == "assisted - unassisted", "visit"])


def test_nobody_under_both_treatments_has_no_difference():
    """Every change under A is missing, so no person has both."""
    rows = [
        {"participant": code, "arm": arm, "visit": visit, "day": day, "outcome": "bbt.blocks", "value": float(value),
         "unit": "blocks", "better": "higher", "hand": "affected", "condition": "unassisted"}
        for code, arm, *values in PEOPLE[:4]
        for (visit, day), value in zip((("s1", 0), ("e1", 28), ("s2", 56), ("e2", 84)), values, strict=True)
        if (arm == "AB") == (visit in ("s2", "e2"))
    ]  # fmt: skip
    found = count_in_periods(pd.DataFrame(rows), 5.5, design=DESIGN, source="typed for this test", reference="B")
    assert found.pairs == () or all(pair.difference is None for pair in found.pairs)
    assert "difference inside people" not in found.sentence()


def test_a_true_change_without_an_estimated_error_is_surer():
    common = (5.0, 16.0, 7.0, 4.0)
    known, guessed = (true_change_share(*common, mean_error=1.0, df=20.0, error_df=df) for df in (np.nan, 10.0))
    assert known.estimate == guessed.estimate
    assert known.std_error < guessed.std_error
    assert isnan(true_change_share(5.0, 7.0, 7.0, 5.0, mean_error=1.0, df=20.0).limits(0.95)[0])


REFUSED = {
    "an empty list": (lambda: count_responders([], OWN), "list is empty"),
    "changes without a direction": (lambda: count_responders(CHANGES, OWN), "direction"),
    "a frame without changes": (
        lambda: count_responders(CHANGES.drop(columns="change").assign(better="lower"), OWN), "neither"),
    "one of several outcomes": (
        lambda: count_responders(pd.concat([SCORES, SCORES.assign(outcome="bbt.blocks")]), OWN), "Which outcome"),
    "a hand that is left out": (
        lambda: count_responders(
            scores_frame({"a": {"pre": 1.0, "post": 9.0}}, "grip.force", "kgf"),
            {"dominant": "grip-force-lang-2008-dominant"},
        ),
        "both 'dominant' and 'non-dominant'",
    ),
    "the hands the wrong way round": (
        lambda: count_responders(
            scores_frame({"a": {"pre": 1.0, "post": 9.0}}, "grip.force", "kgf"),
            {"dominant": "grip-force-lang-2008-nondominant", "non-dominant": "grip-force-lang-2008-dominant"},
        ),
        "holds for the non-dominant hand",
    ),
    "an interval of a share nobody knows": (
        lambda: count_responders(SCORES, OWN).by("x"), "'x'"),
    "a curve of shares by what nobody knows": (lambda: cumulative_change(SCORES, "fma_ue.motor", method="x"), "'x'"),
    "shares of what nobody knows": (
        lambda: compare_responders(count_responders(SCORES, OWN), reference="", denominator="x"), "'x'"),
    "a reference that is no treatment": (
        lambda: count_in_periods(
            pd.DataFrame(
                {"participant": ["P1"] * 4, "arm": "AB", "visit": ["s1", "e1", "s2", "e2"], "day": [0, 28, 56, 84],
                 "outcome": "bbt.blocks", "value": [1.0, 9.0, 2.0, 3.0], "unit": "blocks", "better": "higher",
                 "hand": "affected", "condition": "unassisted"}
            ), 5.5, design=DESIGN, source="typed for this test", reference="C"),
        "'C'",
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", REFUSED)
def test_what_cannot_be_counted_is_refused(what):
    call, words = REFUSED[what]
    with pytest.raises(FitError, match=words):
        call()
