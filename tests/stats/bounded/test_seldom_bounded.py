"""Bounded models where few data go: averages over people, tests of terms, samples that leave something out, refusals.

Identities are named beside their check; the sample is the small invented trial of `test_refused_tables`.
"""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy.special import expit
from scipy.stats import norm, ttest_ind, ttest_rel

from stats.bounded.capped_times import capped_time
from stats.bounded.censoring import fit_censored
from stats.bounded.counts import fit_bounded
from stats.bounded.ends import differences_with_ends
from stats.bounded.estimating_equations import gee
from stats.bounded.grades import fit_ordinal
from stats.bounded.random_intercept.population import average_logit
from stats.bounded.rank_tests import rank_test
from stats.errors import FitError
from stats.missing.visit_table import visit_table
from tests.stats.test_refused_tables import LONG, PERSON, TIMES

FIRST = LONG[LONG["visit"] == "v0"]


def counted(formula="count ~ arm", frame=LONG, **more):
    return fit_bounded(frame, formula, **({"maximum": 10, "participant": "participant", "points": 5} | more))


def grades(formula="grade ~ arm", frame=LONG, **more):
    return fit_ordinal(frame, formula, **({"participant": "participant", "points": 5} | more))


def equations(formula="value ~ visit * arm", frame=LONG, **more):
    return gee(frame, formula, **({"participant": "participant", "visit": "visit"} | more))


def test_one_row_a_person_has_no_random_intercept():
    found = counted(frame=FIRST, family="binomial")
    assert any("Everyone has one row" in note for note in found.notes)
    assert found.variances().empty


def test_an_average_over_people_without_intercept_is_the_share_of_the_arm():
    """A logistic model of the arms alone gives back their mean scores (identity)."""
    found = counted(family="binomial", participant=None)
    mean = LONG.groupby("arm")["count"].mean()
    gap = found.marginal_difference().estimate[0]
    assert gap == pytest.approx(mean["usual"] - mean["new"], abs=1e-6)
    turned = found.marginal_difference(reference="usual")
    assert turned.estimate[0] == pytest.approx(-gap, abs=1e-10)
    assert counted("count ~ 0 + arm", family="binomial", participant=None).loglik == pytest.approx(found.loglik)


def test_equations_for_shares_average_to_the_shares():
    """Working independence and a saturated model: each cell's share (identity)."""
    frame = LONG.assign(high=(LONG["count"] > 4).astype(int))
    found = equations("high ~ arm", frame, family="binomial", working="independence")
    share = frame.groupby("arm")["high"].mean()
    assert found.marginal_difference().estimate[0] == pytest.approx(share["usual"] - share["new"], abs=1e-6)
    with_pairs = equations("value ~ arm", working="exchangeable").variances()
    assert with_pairs["component"].tolist() == ["residual", *["working correlation"] * 3]


def test_an_arm_of_one_keeps_the_covariance_of_the_model():
    """Its residual is 0 whatever the spread, so no sandwich knows it; statsmodels' OLS has the rest."""
    frame = LONG[(PERSON < 7) & (LONG["visit"] == "v1")]
    found = equations("value ~ arm", frame, working="independence", small_sample="model")
    theirs = sm.OLS(frame["value"], sm.add_constant((frame["arm"] == "usual").astype(float))).fit()
    assert found.estimates(np.eye(2), ["a", "b"]).std_error == pytest.approx(theirs.bse.to_numpy(), abs=1e-8)


def test_a_held_intercept_of_a_penalised_model_keeps_its_penalty():
    plain, held = counted(penalised=True), counted("count ~ arm + week", penalised=True)
    assert held.test("week").df == 1
    assert 0 <= held.test("week").p_value <= 1
    low, high = plain.profile("arm[T.usual]")
    assert low < plain.parameters()["estimate"].iloc[1] < high
    told = grades(penalised=True)
    assert any("drawn to none" in note for note in told.notes)


def test_normal_quantiles_on_request():
    found = counted()
    assert np.isinf(found.estimates(np.eye(2), ["a", "b"], df="normal").df).all()


def test_censored_people_who_do_not_differ_have_an_intercept_of_0():
    same = LONG.assign(value=np.random.default_rng(3).normal(20, 2, len(LONG)))
    centred = same.assign(value=same["value"] - same.groupby("participant")["value"].transform("mean") + 20)
    found = fit_censored(centred, "value ~ 1", participant="participant", low=17.0, points=5)
    assert any("Boundary fit" in note for note in found.notes)
    assert found.variances()["value"].iloc[0] == 0.0


def test_nobody_followed_to_the_limit_is_told():
    """Two arms; the longest time of one ends unfinished before the limit."""
    times = pd.DataFrame({"time": [5.0, 8.0, 9.0, 12.0, 20.0, 18.0], "done": [1, 1, 0, 1, 1, 1], "arm": list("aaabbb")})
    found = capped_time(times, time="time", done="done", cap=20.0, arm="arm")
    assert any("nobody was followed to 20" in note for note in found.notes)
    alone = capped_time(TIMES.iloc[1:], time="time", done="done", cap=20.0, arm="arm")
    assert not any("pseudo" in str(term) for term in alone.estimates.term)  # one person has no spread of its own


def test_values_whose_sums_are_too_many_to_list_have_a_normal_p():
    """60 values without ties: near Student's t test (scipy), which 60 values of a normal law allow."""
    rng = np.random.default_rng(8)
    x, y = rng.normal(size=60), rng.normal(0.3, 1, size=60)
    for found, theirs in (
        (rank_test(x, y, scores="values"), ttest_ind(x, y)),
        (rank_test(x, y, scores="values", strata=(np.arange(60) % 2, np.arange(60) % 2)), ttest_ind(x, y)),
        (rank_test(x, y, paired=True, scores="values"), ttest_rel(x, y)),
    ):
        assert found.p_value == pytest.approx(theirs.pvalue, rel=0.15)
        assert any("normal approximation" in note for note in found.notes)


def test_nearly_everybody_at_the_lower_end_has_answers_or_reasons():
    """Eight people at a floor: a search that ends beside what is possible is refused in words."""
    nan = np.nan
    values = [[0, 0, nan], [0, 0, 1], [0, 0, 0], [0, nan, nan], [5, 9, 11], [0, nan, nan], [1, 1, 4], [0, 4, 8]]
    frame = pd.DataFrame({"participant": np.repeat(list("abcdefgh"), 3), "visit": ["v0", "v1", "v2"] * 8})
    frame = frame.assign(arm=np.repeat(["usual", "new"] * 4, 3), value=np.ravel(values).astype(float))
    found = differences_with_ends(visit_table(frame), 0.0, 66.0, 1.0, "v2", "usual")
    for one in found.values():
        assert isinstance(one, FitError) or np.isfinite(one.std_error).all()


STEADY = np.where(LONG["arm"] == "new", 30 + PERSON + LONG["week"], LONG["value"])  # everybody in one arm gains 8
EIGHT = LONG[np.isin(PERSON, (0, 1, 2, 3, 8, 9, 10, 11))]
# In the new arm two people answer 1, 0, 1, one 1, one 0 always: none of it moves with the week.
BALANCED = EIGHT.assign(high=[1, 0, 1, 1, 0, 1, 1, 1, 1, 0, 0, 0, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 0, 1])
# First and last answer of 23 people, every second in the other arm, all of whose last answers are 1.
FIRST_OF, LAST_OF = "10110100010111110100100", "11010111011-111111-111-"  # - : not seen


def answered(*visits):
    """The answers of the visits, one letter a person, every second of whom is in the other arm."""
    rows = [
        (f"p{k:02d}", "ab"[k % 2], week, int(answer))
        for week, answers in enumerate(visits)
        for k, answer in enumerate(answers)
        if answer != "-"
    ]
    return pd.DataFrame(rows, columns=["participant", "arm", "week", "high"])


ENDLESS = answered(FIRST_OF, LAST_OF)
NONE_AT_FIRST = answered("01000101000", "0-110--0001")
REFUSED = {
    "an average of groups nobody names": (lambda: counted("count ~ week").marginal_difference(), "between="),
    "an average by what is no column": (lambda: counted().marginal_difference(between="sex"), "'sex'"),
    "an average over visits": (lambda: counted("count ~ arm + visit").marginal_difference(by=[]), "changes within"),
    "an average of too many cells": (
        lambda: counted("count ~ arm + far", LONG.assign(far=np.arange(len(LONG)) * 0.1)).marginal_difference(by="far"),
        "cells of",
    ),
    "a reference that is no arm": (lambda: counted().marginal_difference(reference="none"), "'none'"),
    "an arm that is all one answer": (
        lambda: equations("high ~ arm", LONG.assign(high=(LONG["arm"] == "new").astype(int)), family="binomial",
                          working="independence"),
        "runs to infinity",
    ),
    "equations of one answer": (lambda: equations("one ~ arm", LONG.assign(one=1.0)), "every value is 1"),
    "an arm of one": (lambda: equations("value ~ arm", LONG[PERSON < 7]), "p06 alone"),
    "an arm of one with a plain sandwich": (
        lambda: equations("value ~ arm", LONG[PERSON < 7], small_sample=None), "p06 alone"),
    "a change that is the same for everybody in one arm": (
        lambda: equations("value ~ week * arm", LONG.assign(value=STEADY), working="independence"),
        "nobody differs in"),
    "a change that nobody has": (
        lambda: equations("high ~ week * arm", BALANCED, working="independence", family="binomial"), "what week say"),
    "as many pairs as coefficients": (
        lambda: equations("value ~ week * arm", LONG[(PERSON > 7) | (PERSON < 2) | (LONG["visit"] == "v0")]
                          .query("visit != 'v2' and participant != 'p11' and participant != 'p00'")),
        "4 pair"),
    "an effect without end among visits alike": (
        lambda: equations("high ~ week * arm", ENDLESS, visit="week", family="binomial"), "runs to infinity"),
    "a first visit at which one arm is all one answer": (
        lambda: equations("high ~ week * arm", NONE_AT_FIRST, visit="week", family="binomial", working="independence"),
        "runs to infinity"),
    "an arm that is all at the end": (
        lambda: counted(frame=LONG.assign(count=LONG["count"].where(LONG["arm"] == "new", 10)), family="binomial",
                        participant=None),
        "without end|no maximum",
    ),
    "a grade of one arm": (
        lambda: grades(frame=LONG.assign(grade=LONG["grade"].clip(0, 2).where(LONG["arm"] == "new", 3))),
        "without end|no maximum|singular",
    ),
    "visits never seen in one person": (
        lambda: equations(
            "value ~ arm", LONG[(LONG["visit"] == "v0") ^ (PERSON % 2 == 0) | (LONG["visit"] == "v1")][
                lambda t: ~((t["visit"] == "v0") & t["participant"].isin(t.loc[t["visit"] == "v2", "participant"]))
            ], working="unstructured",
        ),
        "never seen in the same person",
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", REFUSED)
def test_what_ends_leave_open_is_refused(what):
    call, words = REFUSED[what]
    with pytest.raises(FitError, match=words):
        call()


def test_an_average_over_people_is_flatter_than_the_one_of_a_person():
    """The mean of a logistic curve over normal intercepts, by 10^6 draws (scipy), whose error is 0.0003."""
    draws = norm.rvs(size=1_000_000, random_state=2)
    assert average_logit(np.array([1.0]), 2.0)[0] == pytest.approx(expit(1 + 2 * draws).mean(), abs=2e-3)
    assert average_logit(np.array([1.0]), 0.0)[0] == pytest.approx(expit(1.0))
