"""Papers that print odd sets of numbers: what is taken, what is doubted and what is refused.

Every row is one invented paper of 20 people an arm; the expected numbers are arithmetic on what it prints (a standard
error is SD / sqrt(n); t is an effect over its error), so no source is needed beside it.
"""

from math import isnan, sqrt

import pandas as pd
import pytest

from stats import FitError
from stats.effects.other_trials.published_trials import published_effects

ARMS = {"source": ["A 2020"] * 2, "arm": ["new", "control"], "n": [20, 20]}
MEANS = {"mean": [10.0, 8.0], "sd": [2.0, 2.0]}
CHANGES = {"change": [4.0, 1.0], "sd_change": [3.0, 3.0]}
ONE = {"source": ["B 2021"], "arm": ["new"], "n": [16]}


def effect(columns: dict, kind: str = "g", arms: dict = ARMS, **more):
    return published_effects(pd.DataFrame(arms | columns), kind=kind, **more)


def first(columns: dict, kind: str = "g", arms: dict = ARMS, **more) -> pd.Series:
    return effect(columns, kind, arms, **more).frame().iloc[0]


DOUBTED = {
    "a change that is not the end less the baseline": (
        CHANGES | {"mean": [10.0, 8.0], "mean_baseline": [8.0, 8.0]},
        "mean-difference",
        "not the end less the baseline",
    ),
    "an r its SDs do not have": (
        CHANGES | {"sd": [3.0, 3.0], "sd_baseline": [3.0, 3.0], "r": [0.9, 0.9]},
        "mean-difference",
        "disagree",
    ),
    "an interval that leans": (
        {"mean": [10.0, 8.0], "low": [9.7, 7.7], "high": [11.5, 9.5]},
        "mean-difference",
        "not symmetric about the mean",
    ),
    "a difference with an interval that leans": (
        {"difference": [2.0, None], "low_difference": [1.9, None], "high_difference": [4.0, None]},
        "mean-difference",
        "not symmetric",
    ),
    "everybody the same": (MEANS | {"sd": [0.0, 2.0]}, "mean-difference", "an SD of 0"),
    "an effect of ten SD": (MEANS | {"mean": [30.0, 10.0]}, "g", "is the SD a standard error"),
}


@pytest.mark.parametrize("what", DOUBTED)
def test_what_is_odd_is_doubted_and_still_taken(what):
    columns, kind, words = DOUBTED[what]
    found = effect(columns, kind)
    row = found.frame().iloc[0]
    assert row["estimate"] > 0
    flags = [row["flags"], *(flag for one in found.trials for arm in one.trial.arms for flag in arm.flags)]
    assert any(words in flag for flag in flags)


def test_a_middle_stands_for_a_mean_and_for_a_difference_that_is_not_printed():
    """Between the arms' interval middles 10 and 8 lie 2; so do they between 0.5 and 3.5 of the difference."""
    assert first({"low": [9.0, 7.0], "high": [11.0, 9.0]}, "mean-difference")["estimate"] == pytest.approx(2.0)
    middle = first({"low_difference": [0.5, None], "high_difference": [3.5, None]}, "mean-difference")
    assert middle["estimate"] == pytest.approx(2.0)
    assert (middle["conf_low"], middle["conf_high"]) == (pytest.approx(0.5), pytest.approx(3.5))


def test_changes_over_the_sd_of_values_say_so():
    row = first({"change": [4.0, 1.0], "sd": [2.0, 2.0]}, "d")
    assert row["estimate"] == pytest.approx(1.5)  # (4 - 1) / 2
    assert "difference of changes over the SD of the values" in row["flags"]


def test_a_printed_t_of_changes_gives_the_effect_in_sds_of_change():
    """d = t sqrt(1/n1 + 1/n2): Cohen's d from t (Lakens 2013), times the small-sample factor."""
    row = first({"change": [4.0, 1.0], "t": [3.0, None]}, "change-sd")
    assert row["estimate"] == pytest.approx(3.0 * sqrt(2 / 20) * (1 - 3 / (4 * 38 - 1)), rel=1e-3)
    with pytest.raises(FitError, match="correlation="):
        effect({"change": [4.0, 1.0]}, "change-sd")


def test_a_change_without_the_sd_at_the_end_has_the_one_at_baseline():
    """r of two SDs of 3 and an SD of change of 3 is 1 - 9 / 18."""
    row = first(CHANGES | {"sd_baseline": [3.0, 3.0]}, "pre-post-control")
    assert row["estimate"] == pytest.approx(1.0, rel=0.03)  # (4 - 1) / 3, times a factor of 0.98
    assert row["std_error"] > 0


def test_inside_one_arm_the_change_has_an_interval_only_with_its_spread():
    row = first({"change": [4.0]}, "change", ONE)
    assert row["estimate"] == 4.0
    assert isnan(row["conf_low"])
    assert "no interval" in row["flags"]
    known = first({"change": [4.0], "sd_change": [2.0]}, "change", ONE)
    assert known["std_error"] == pytest.approx(0.5)  # 2 / sqrt(16)
    assert first({"change": [4.0], "sd_change": [2.0]}, "srm", ONE)["estimate"] == pytest.approx(2.0)
    of_both = {"mean": [9.0], "sd": [2.0], "mean_baseline": [5.0], "sd_baseline": [2.0]}
    assert first(of_both | {"r": [0.5]}, "d_av", ONE)["estimate"] == pytest.approx(2.0)  # (9 - 5) / 2


def test_a_p_of_a_change_gives_back_its_spread():
    """A t of 4 on 15 df: SD of change = 4 sqrt(16) / 4."""
    assert first({"change": [4.0], "t": [4.0]}, "srm", ONE)["estimate"] == pytest.approx(1.0)


def test_an_assumed_correlation_is_taken_where_none_is_printed():
    """SDs of 3 with r = 0.5: an SD of change of 3, an error of 3 sqrt(2 / 20) for the difference of changes."""
    spreads = {"sd": [3.0, 3.0], "sd_baseline": [3.0, 3.0]}
    both = spreads | {"mean": [10.0, 8.0], "mean_baseline": [6.0, 7.0]}
    row = first(both, "mean-difference", correlation=0.5)
    assert (row["estimate"], row["std_error"]) == (pytest.approx(3.0), pytest.approx(3 * sqrt(0.1)))
    printed = first(both | {"sd_change": [2.0, 2.0]}, "mean-difference", correlation=0.5)
    assert printed["std_error"] == pytest.approx(2 * sqrt(0.1))  # what is printed stands


def test_of_several_outcomes_the_one_asked_for_is_read():
    two = pd.concat(
        pd.DataFrame(ARMS | {"outcome": [name] * 2, "mean": [10.0, mean], "sd": [2.0, 2.0]})
        for name, mean in (("a", 8.0), ("b", 9.0))
    )
    found = published_effects(two, kind="d", outcome="b").frame()
    assert found["estimate"].tolist() == [pytest.approx(0.5)]
    with pytest.raises(FitError, match="of c in the table"):
        published_effects(two, kind="d", outcome="c")


def test_two_ways_to_one_spread_that_agree_are_no_contradiction():
    """SE = SD / sqrt(20), rounded to two decimals."""
    row = first(MEANS | {"se": [0.45, 0.45]}, "d")
    assert row["estimate"] == pytest.approx(1.0)
    agreed = first(CHANGES | {"sd": [3.0, 3.0], "sd_baseline": [3.0, 3.0], "r": [0.5, 0.5]}, "mean-difference")
    assert "disagree" not in agreed["flags"]


def test_sds_of_change_are_taken_as_printed():
    row = first(CHANGES, "change-sd")
    assert row["estimate"] == pytest.approx((1 - 3 / (4 * 38 - 1)) * (4.0 - 1.0) / 3.0, rel=1e-3)
    assert row["standardiser"] == "pooled SD of change"


REFUSED = {
    "a difference of arms without numbers": ({"t": [2.0, None]}, "control-sd", "needs the numbers of both arms"),
    "two spreads of one mean": (MEANS | {"se": [2.0, 2.0]}, "g", "second way"),
    "a comparison of nobody knows how many": (
        {"n": [20, None], "difference": [2.0, None], "se_difference": [1.0, None]},
        "mean-difference",
        "n of both arms",
    ),
    "an error of no difference": ({"se_difference": [1.0, None]}, "mean-difference", "without the difference"),
    "a p above 1, of a change": ({"change": [4.0], "p": [1.5]}, "change", "p = 1.5"),
    "a t of 0 for a change": ({"change": [4.0], "t": [0.0]}, "change", "tells no SD of change"),
    "a kind that needs the baseline": (CHANGES, "pre-post-control", "no SD at baseline"),
    "a kind that needs the change": (MEANS, "change-sd", "needs the change"),
    "inside one arm without a change": ({"mean": [9.0], "sd": [2.0]}, "change", "change of the arm"),
    "no spread at all": ({"mean": [10.0, 8.0]}, "mean-difference", "no SD of both arms"),
    "a difference of 0 with t": (
        {"mean": [8.0, 8.0], "t": [0.0, None]}, "mean-difference", "no standard error can be worked out"),
    "SDs of 0 both": (MEANS | {"sd": [0.0, 0.0]}, "mean-difference", "Both SDs are 0"),
    "medians alone": ({"median": [9.0, 8.0]}, "g", "needs mean and SD"),
    "a difference alone": ({"difference": [2.0, None]}, "mean-difference", "no SD of both arms"),
}  # fmt: skip


@pytest.mark.parametrize("what", REFUSED)
def test_what_a_paper_does_not_tell_is_refused(what):
    columns, kind, words = REFUSED[what]
    arms = ONE if len(next(iter(columns.values()))) == 1 else ARMS
    with pytest.raises(FitError, match=words):
        effect(columns, kind, arms)
