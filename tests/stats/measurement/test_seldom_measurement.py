"""Agreement, reliability and costs in the odd cases: by arithmetic, or refused by name."""

from math import isnan

import numpy as np
import pandas as pd
import pytest

from stats.economics.bootstrap_of_means import bootstrap_difference
from stats.economics.people_costs import arm_costs
from stats.economics.ratio_set import ratio_set
from stats.economics.responder_price import cost_per_responder
from stats.errors import FitError
from stats.estimates import Estimate
from stats.measurement.agreement import replicate_agreement
from stats.measurement.error_of_measurement import measurement_error
from stats.measurement.reliability import concordance
from stats.measurement.within_person import within_person_correlation
from stats.proportions.exact_tests import exact_test
from stats.proportions.score_difference import score_statistic
from stats.selection import Selection, rows
from stats.summaries import two_groups

RATINGS = pd.DataFrame(
    {"p": np.repeat(list("abcd"), 2), "r": ["x", "y"] * 4, "v": [1.0, 2.0, 4.0, 4.0, 7.0, 6.0, 9.0, 9.0]}
)
SCORES = pd.DataFrame(
    {"participant": ["a", "a"], "arm": "", "visit": ["pre", "post"], "day": [0.0, 7.0], "outcome": "x.total",
     "hand": "affected", "condition": "unassisted", "value": [1.0, 2.0], "unit": "points", "better": "higher"}
)  # fmt: skip
PEOPLE = pd.DataFrame({"participant": list("abcd"), "arm": list("xxyy")})


def costs(**changed) -> pd.DataFrame:
    row = {"item": "visit", "arm": "", "participant": "", "kind": "", "per": "", "price": 10.0, "quantity": np.nan,
           "currency": "EUR", "price_year": 2030, "life_years": np.nan, "source": "list"}  # fmt: skip
    return pd.DataFrame([row | changed])


def test_the_error_inside_people_is_the_root_of_the_mean_variance():
    """Two ratings each: the variance inside a person is half the squared difference."""
    gaps = RATINGS.pivot(index="p", columns="r", values="v")
    found = measurement_error(RATINGS, target="p", rater="r", value="v", kind="one-way")
    assert found.frame()["estimate"].iloc[0] == pytest.approx(np.sqrt(((gaps["x"] - gaps["y"]) ** 2 / 2).mean()))


def test_no_relation_at_all_has_a_concordance_of_0_without_limits():
    found = concordance([1.0, -1.0, 1.0, -1.0], [1.0, 1.0, -1.0, -1.0])
    assert found.estimate == pytest.approx(0.0)
    assert all(map(isnan, found.limits(0.95)))


def test_lines_without_error_inside_people_correlate_fully():
    line = pd.DataFrame({"p": np.repeat(list("abc"), 3), "x": [1.0, 2, 3] * 3})
    found = within_person_correlation(line.assign(y=2 * line["x"]), participant="p", x="x", y="y")
    assert found.estimate == pytest.approx(1.0)


def test_a_ratio_whose_effect_is_just_beyond_0_has_one_limit():
    """a = e^2 - z^2 se^2 = 0: the quadratic in the ratio is a line, whose root is d / 2b."""
    for e, sign in ((2.0, 1.0), (-2.0, -1.0)):
        found = ratio_set(100.0, e, 10.0, 1.0, 0.0, 2.0)
        d, b = 100.0**2 - 4 * 10.0**2, 100.0 * e
        limit = d / (2 * b)
        assert (found.lower, found.upper) == ((-np.inf, limit) if sign > 0 else (limit, np.inf))
        for ratio in (limit - 1, limit + 1):  # the definition of the set
            inside = (100.0 - ratio * e) ** 2 <= 4 * (10.0**2 + ratio**2)
            assert inside == (ratio <= found.lower or ratio >= found.upper)
    assert ratio_set(20.0, 2.0, 10.0, 1.0, 1.0, 2.0).shape == "whole line"


def test_costs_of_one_person_each_and_of_nobody_without_a_price():
    own = pd.concat([costs(participant=name, price=price) for name, price in zip("abcd", (1, 3, 5, 9), strict=True)])
    found = arm_costs(own, PEOPLE)
    assert found.frame()["mean"].tolist() == [2.0, 7.0]
    assert not any("Planned use is the same" in note for note in found.notes)


def test_a_cost_with_its_error_is_taken_from_its_estimate():
    cost = Estimate(term="cost", method="printed", estimate=100.0, limits=lambda level: (80.0, 120.0), std_error=10.0)
    by_estimate = cost_per_responder(cost_difference=cost, x1=12, n1=20, x2=5, n2=20)
    by_number = cost_per_responder(cost_difference=100.0, cost_std_error=10.0, x1=12, n1=20, x2=5, n2=20)
    assert by_estimate.frame().equals(by_number.frame())
    share = cost_per_responder(cost_difference=100.0, share_difference=(0.25, 0.1, 0.4)).frame(level=0.8).iloc[0]
    assert 250.0 < share["conf_low"] < 400.0 < share["conf_high"] < 1000.0  # inside the limits of 95 %


REFUSED = {
    "a mean of a profile": (lambda: rows(SCORES.assign(unit="profile"), Selection("x.total")), "is a profile"),
    "a day nobody was scored": (lambda: rows(SCORES, Selection("x.total", "late")), "'late'"),
    "nobody of those named": (lambda: rows(SCORES, Selection("x.total", participants=("z",))), "1 participants named"),
    "a hand nobody measured": (lambda: rows(SCORES, Selection("x.total", hand="other")), "'other'"),
    "a person twice": (lambda: rows(pd.concat([SCORES, SCORES]), Selection("x.total")), "has 2 scores"),
    "pairs without repeats": (
        lambda: replicate_agreement(RATINGS.assign(k=1), target="p", method="r", value="v", replicate="k"),
        "4 people with 4 pairs",
    ),
    "a group of one value": (lambda: two_groups([1.0], [1.0, 2.0]), "first group has 1 value"),
    "a table where all responded": (lambda: exact_test(4, 4, 5, 5, test="chi-square"), "nothing to test"),
    "one-sided chi-square": (lambda: exact_test(3, 4, 2, 5, test="chi-square", alternative="less"), "'less'"),
    "a large bootstrap without its generator": (
        lambda: bootstrap_difference(np.arange(20.0), np.arange(20.0), np.random), "rng="),
    "a price list that is empty": (lambda: arm_costs(costs().iloc[:0], PEOPLE), "found 0 rows"),
    "an arm without costs": (lambda: arm_costs(costs(), PEOPLE).difference("z", "x"), "'z'"),
    "uncertain costs where everybody improved": (
        lambda: cost_per_responder(cost_difference=100.0, cost_std_error=10.0, x1=20, n1=20, x2=0, n2=20),
        "standard error of the shares",
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", REFUSED)
def test_what_cannot_be_measured_is_refused(what):
    call, words = REFUSED[what]
    with pytest.raises(FitError, match=words):
        call()


def test_a_score_statistic_of_equal_certain_shares_is_0():
    assert score_statistic(4, 4, 5, 5, 0.0, True) == 0.0
