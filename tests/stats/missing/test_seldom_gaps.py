"""Seldom shapes of missing visits: what each assumption does to them, by arithmetic, and what cannot be answered.

The trial is invented: 12 people of two arms at three visits, drawn with a fixed generator.
"""

from contextlib import suppress
from dataclasses import replace
from math import inf, isinf

import numpy as np
import pandas as pd
import pytest
from numpy.linalg import inv
from scipy.stats import ttest_ind

from stats.errors import FitError
from stats.missing.estimand import IntercurrentEvent, apply_strategies
from stats.missing.imputation import impute
from stats.missing.long_run import long_run_difference, normal_maximum
from stats.missing.rubin import combine_imputations, small_sample_df
from stats.missing.tipping import tipping_point
from stats.missing.visit_table import visit_table
from tests.stats.test_refused_tables import GAPS, LONG, ONE_ARM, PEOPLE, PERSON


def copies(frame: pd.DataFrame = GAPS, **more):
    return impute(frame, **({"m": 4, "seed": 3} | more))


def test_an_unadjusted_difference_of_whole_data_is_the_two_sample_t_test():
    """scipy's ttest_ind: nothing is missing at v1, so every copy holds the same values there."""
    found = copies(reference="usual").difference("v1", adjust=False).estimates
    own = GAPS[GAPS["visit"] == "v1"]
    new, usual = (own.loc[own["arm"] == arm, "value"] for arm in ("new", "usual"))
    theirs = ttest_ind(new, usual)
    assert found.estimate[0] == pytest.approx(new.mean() - usual.mean(), abs=1e-10)
    assert found.estimate[0] / found.std_error[0] == pytest.approx(theirs.statistic, abs=1e-8)


def test_a_covariate_of_people_is_adjusted_for():
    """Least squares by numpy on the first copy; the copies agree at a visit without gaps."""
    age = np.linspace(40, 62, PEOPLE)
    found = copies(reference="usual").difference("v1", covariates=age).estimates
    wide = LONG.pivot(index="participant", columns="visit", values="value")
    arm = LONG.drop_duplicates("participant").set_index("participant")["arm"]
    X = np.column_stack([arm.reindex(wide.index) == "new", np.ones(PEOPLE), wide["v0"], age]).astype(float)
    assert found.estimate[0] == pytest.approx((inv(X.T @ X) @ X.T @ wide["v1"].to_numpy())[0], abs=1e-9)


def test_whole_data_without_a_limit_of_df_have_those_of_large_samples():
    """Rubin 1987: with an infinite number of complete-data df nothing is taken off."""
    made = combine_imputations(np.array([[1.0], [1.4], [0.8]]), np.array([[0.5], [0.5], [0.5]]))
    increase = (1 + 1 / 3) * np.var([1.0, 1.4, 0.8], ddof=1) / 0.5
    assert made.estimates.df[0] == pytest.approx(2 * (1 + 1 / increase) ** 2)
    assert small_sample_df(np.array([increase]), 3, inf)[0] == pytest.approx(2 * (1 + 1 / increase) ** 2)
    assert isinf(combine_imputations(np.array([[1.0], [1.0]]), np.array([[0.5], [0.5]])).estimates.df[0])
    with pytest.raises(FitError, match="covariance of the estimates"):
        made.joint_test()


def test_a_tipping_point_out_of_reach_says_so():
    found = tipping_point(GAPS, m=5, seed=1, reach=1e-6)
    assert "stays there for every shift" in found.sentence()
    gone = GAPS.assign(value=GAPS["value"].mask((GAPS["visit"] == "v2") & (PERSON > 8)))
    assert "crosses it if" in tipping_point(gone, m=5, seed=1, reach=60.0).sentence()


def test_people_without_an_arm_are_left_out_of_arms_and_told():
    table = visit_table(LONG.assign(arm=LONG["arm"].mask(PERSON == 0, "")))
    assert table.values.shape == (PEOPLE - 1, 3)
    assert any("1 people without an arm" in note for note in table.notes)


def test_an_order_of_visits_is_that_of_the_categories():
    order = ["v2", "v0", "v1", "never"]
    table = visit_table(LONG.assign(visit=pd.Categorical(LONG["visit"], order)))
    assert table.visits == ("v2", "v0", "v1")


def test_events_without_a_date_and_visits_without_a_date_are_told():
    table = visit_table(LONG)
    dates = LONG[["participant", "visit"]].assign(date=pd.Timestamp("2030-01-01") + pd.to_timedelta(LONG["week"], "W"))
    dates.loc[(dates["participant"] == "p01") & (dates["visit"] == "v1"), "date"] = pd.NaT
    events = pd.DataFrame({"participant": ["p00", "p01"], "what": ["second stroke"] * 2, "date": [None, "2030-01-20"]})
    stroke = IntercurrentEvent("stroke", "hypothetical", "events", "what", ("second stroke",))
    done = apply_strategies(table, [stroke], {"events": events}, dates)
    assert any("1 people have it without a date" in note for note in done.notes)
    assert any("visits without a date" in note for note in done.notes)
    row = table.participants.index("p01")
    assert np.isnan(done.table.values[row]).tolist() == [False, False, True]
    kept = replace(stroke, strategy="composite", composite_value=None)
    counted = apply_strategies(table, [kept], {"events": events}, dates)
    assert counted.not_passed[row].tolist() == [False, False, True]
    assert np.array_equal(counted.table.values, table.values)  # a composite without a value changes no value
    for wrong, words in (({"events": events.drop(columns="date")}, "no date"), ({}, "no column 'what'")):
        with pytest.raises(FitError, match=words):
            apply_strategies(table, [stroke], wrong, dates)


NEVER = GAPS.assign(value=GAPS["value"].mask(PERSON == 1))
REFUSED = {
    "imputations of one arm": (lambda: copies(ONE_ARM).difference("v2"), "One arm"),
    "passers of one arm": (lambda: copies(ONE_ARM).responders(2.0, "v2"), "One arm"),
    "the first visit adjusted for itself": (lambda: copies().difference("v0"), "first visit"),
    "a covariate with a gap": (lambda: copies().difference("v2", covariates=np.array([np.nan] * PEOPLE)), "gaps"),
    "more covariates than people": (
        lambda: copies().difference("v2", covariates=np.random.default_rng(1).normal(size=(PEOPLE, 12))), "too few"),
    "everybody passes": (lambda: copies().responders(-1000.0, "v2"), "everyone or nobody"),
    "the last of no visit": (lambda: copies(NEVER, method="last-mean", reference="usual"), "no visit at all"),
    "a long run of the last of no visit": (
        lambda: long_run_difference(NEVER, method="last-mean", reference="usual"), "no visit at all"),
    "a visit that repeats another": (
        lambda: copies(pd.concat([GAPS, GAPS[GAPS["visit"] == "v0"].assign(visit="v1b")])),
        "repeats another",
    ),
    "too few people for their visits": (lambda: copies(GAPS[PERSON < 2]), "Too few people"),
    "arms of one, each with its own covariance": (
        lambda: copies(GAPS[(PERSON < 2) | (PERSON > 9)], covariance="by-arm"), "Too few people"),
}  # fmt: skip


@pytest.mark.parametrize("what", REFUSED)
def test_what_gaps_leave_open_is_refused(what):
    call, words = REFUSED[what]
    with pytest.raises(FitError, match=words):
        call()


def cut(people: int, visits: int, share: float, seed: int) -> pd.DataFrame:
    """People of two arms with values missing here and there."""
    rng = np.random.default_rng(seed)
    Y = rng.normal(30, 5, (people, 1)) + rng.normal(0, 2, (people, visits))
    Y[rng.random(Y.shape) < share] = np.nan
    who = np.repeat([f"p{k:02d}" for k in range(people)], visits)
    return pd.DataFrame({"participant": who, "visit": np.tile([f"v{j}" for j in range(visits)], people),
                         "arm": np.repeat(np.where(np.arange(people) % 2, "a", "b"), visits),
                         "value": Y.ravel()})  # fmt: skip


def test_a_maximum_found_by_larger_steps_is_the_fixed_point_of_small_ones():
    """One more step of expectation and maximisation, written out here, moves nothing; nor does another beginning."""
    table = visit_table(cut(30, 6, 0.15, 1))
    Y, group = table.values, table.group.astype(np.int64)
    means, S = normal_maximum(Y, group)
    filled, extra = Y.copy(), np.zeros_like(S)
    for i, row in enumerate(Y):
        m, o = np.isnan(row), ~np.isnan(row)
        slope = np.linalg.solve(S[np.ix_(o, o)], S[np.ix_(o, m)]).T
        filled[i, m] = means[group[i], m] + slope @ (row[o] - means[group[i], o])
        extra[np.ix_(m, m)] += S[np.ix_(m, m)] - slope @ S[np.ix_(o, m)]
    again = np.stack([filled[group == g].mean(axis=0) for g in (0, 1)])
    np.testing.assert_allclose(again, means, atol=1e-9)
    gap = filled - again[group]
    np.testing.assert_allclose((gap.T @ gap + extra) / len(Y), S, atol=1e-8)
    near = normal_maximum(Y, group, (means + 1.0, 2 * S))
    np.testing.assert_allclose(near[0], means, atol=1e-8)


@pytest.mark.parametrize(("people", "visits", "share"), [(10, 8, 0.15), (12, 6, 0.2), (6, 2, 0.3), (8, 3, 0.2)])
def test_few_people_and_many_gaps_have_an_answer_or_a_reason(people, visits, share):
    """Never an error of linear algebra: what a report of a small trial runs into."""
    for seed in range(4):
        frame = cut(people, visits, share, seed)
        for method in ("jump-to-reference", "last-mean"):
            for call in (
                lambda frame=frame, method=method: long_run_difference(frame, method=method).estimates,
                lambda frame=frame, method=method: impute(frame, m=3, seed=1, method=method).difference().estimates,
            ):
                with suppress(FitError):
                    assert np.isfinite(call().std_error).all()


def test_one_value_for_everybody_at_a_visit():
    """At the first it adjusts for nothing (scipy's t test is left); what is missing has no spread to be drawn from."""
    flat = GAPS.assign(value=GAPS["value"].mask(GAPS["visit"] == "v0", 0.0))
    with pytest.raises(FitError, match="Everybody has 0 at v0"):
        copies(flat)
    table = visit_table(flat[flat["visit"] != "v2"])
    given = replace(copies(GAPS[GAPS["visit"] != "v2"]), table=table, values=table.values[None].repeat(4, axis=0))
    found = given.difference("v1").estimates
    own = GAPS[GAPS["visit"] == "v1"]
    usual, new = (own.loc[own["arm"] == arm, "value"] for arm in ("usual", "new"))
    theirs = ttest_ind(usual, new)
    assert found.estimate[0] / found.std_error[0] == pytest.approx(theirs.statistic, abs=1e-8)
    with pytest.raises(FitError, match="cannot be told apart"):
        copies().difference("v1", covariates=np.ones(PEOPLE))
