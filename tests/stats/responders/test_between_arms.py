"""Arms of two people, of one, and of equal changes; sentences of several arms and thresholds."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import ttest_ind

from stats.errors import FitError
from stats.responders.between_arms import compare_responders
from stats.responders.count import count_responders
from synthetic_cohort import make_cohort
from tests.stats.responders.test_count import HANDS, scores_frame


def changed(**by_arm: list[float]) -> pd.DataFrame:
    """Scores of people who begin at 20 and change by so much."""
    values = {f"{arm}{k}": {"pre": 20.0, "post": 20.0 + x} for arm, xs in by_arm.items() for k, x in enumerate(xs)}
    return scores_frame(values, arms={person: person[0] for person in values}).assign(high=66)


@pytest.mark.parametrize(("a", "b"), [([1.0, 4], [6.0, 9.5]), ([1.0, 4, 2], [6.0, 9])])
def test_two_people_an_arm_have_welchs_interval(a, b):
    # Reference: scipy.stats.ttest_ind, unequal variances.
    row = compare_responders(count_responders(changed(a=a, b=b), 5, source="own"), "a").frame().iloc[0]
    low, high = ttest_ind(b, a, equal_var=False).confidence_interval(0.95)
    assert (row["mean_conf_low"], row["mean_conf_high"]) == pytest.approx((low, high))


def test_one_person_in_an_arm_has_no_interval_and_equal_changes_no_width():
    alone = compare_responders(count_responders(changed(a=[1.0, 4], b=[6.0]), 5, source="own"), "a").frame().iloc[0]
    assert np.isnan(alone["mean_conf_low"])
    assert alone["mean_difference"] == pytest.approx(3.5)
    equal = compare_responders(count_responders(changed(a=[2.0, 2], b=[6.0, 6]), 5, source="own"), "a").frame().iloc[0]
    assert (equal["mean_conf_low"], equal["mean_conf_high"]) == (4, 4)


def test_the_sentence_gives_each_arm_and_threshold_its_own_share():
    counted = count_responders(changed(a=[1.0, 6, 12, np.nan], b=[1.0, 2, 6]), [5, 10], source="own")
    shares = counted.shares().set_index(["arm", "threshold", "denominator"])
    assert len(counted.counts) == 4
    for count in counted.counts:
        row = shares.loc[(count.arm, count.threshold, "observed")]
        told = f"{count.arm}: {count.improved} of {count.observed} observed improved by at least {count.rule[3:]}"
        (part,) = (part for part in counted.sentence().split(". ") if told.removesuffix(".0") in part)
        assert f": {row['estimate']:.0%}, 95% interval {row['conf_low']:.0%} to {row['conf_high']:.0%}" in part
    assert "Criterion" not in repr(counted)


def test_a_threshold_of_another_outcome_is_refused_and_columns_that_lack_are_named():
    frame = scores_frame({"a": {"pre": 1, "post": 9}}, "x.total")
    with pytest.raises(FitError, match=r"'fma_ue\.motor' is not among the scores"):
        count_responders(frame, "fma_ue-motor-page-2012-lowest")
    hands = scores_frame({"a": {"pre": 10, "post": 24}}, "arat.total").assign(high=57)
    people = pd.DataFrame({"participant": ["a"], "affected_side": ["left"]})
    with pytest.raises(FitError, match="participants= with dominant_side"):
        count_responders(hands, HANDS, participants=people)


def test_bare_changes_need_no_outcome_of_the_protocol():
    design = make_cohort("demo", seed=1, flaws={}).study.protocol
    assert count_responders([6.0, 1.0], 5, source="own", design=design)["improved"] == 1
