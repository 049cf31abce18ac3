"""Ways through `stats` that few data take, each held against plain arithmetic, an identity or a general library.

The library is named beside the check (scipy, statsmodels and numpy of constraints.txt); arithmetic needs no source.
"""

from math import inf, isnan, nan, sqrt

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy.stats import fisher_exact, hypergeom, mannwhitneyu, multivariate_normal

from stats import fit_mixed
from stats.bounded.counts import fit_bounded
from stats.bounded.ends import differences_with_ends, ends_of_scale
from stats.bounded.estimating_equations import gee
from stats.bounded.grades import fit_ordinal
from stats.bounded.proportional_odds import check_proportional_odds
from stats.bounded.rank_tests import rank_test
from stats.economics.responder_price import cost_per_responder
from stats.economics.worth_of_trial import worth_of_trial
from stats.effects.meta_analysis import pool_effects
from stats.effects.noncentral import noncentrality_limits
from stats.effects.other_trials.published_trials import published_effects
from stats.estimates import Estimate
from stats.measurement.anchor_mcid import estimate_mcid, predictive_threshold, roc_cut
from stats.missing.imputation import impute
from stats.missing.long_run import normal_maximum
from stats.missing.patterns import describe_missing
from stats.missing.tipping import tipping_point
from stats.missing.visit_table import visit_table
from stats.proportions.exact_tests import exact_test
from stats.responders.imputed_counts import share_over_imputations
from tests.stats.test_refused_tables import GAPS, LONG, PAPER, PEOPLE

RNG = np.random.default_rng(11)


def test_people_at_the_ends_are_counted():
    table = visit_table(LONG.assign(value=LONG["count"].astype(float)))
    found = ends_of_scale(table, 1.0, 8.0)
    own = found.frame().set_index(["arm", "visit"])
    for visit in ("v0", "v1", "v2"):
        there = LONG.loc[LONG["visit"] == visit, "count"]
        assert tuple(own.loc[("all", visit), ["at_low", "at_high", "n"]]) == (
            (there <= 1).sum(),
            (there >= 8).sum(),
            12,
        )
    assert found.flagged == any(f"at {end:g} at" in found.sentence() for end in (1, 8))
    assert ends_of_scale(table, 0.0, 100.0).sentence().endswith("stand at an end of the scale.")


def test_models_that_know_the_ends_answer_for_the_visit_asked():
    table = visit_table(LONG.assign(value=LONG["count"].astype(float)))
    found = differences_with_ends(table, 0.0, 10.0, 1.0, "v2", "usual")
    for one in found.values():
        assert len(one.frame()) == 1  # one arm against the reference at one visit


def test_a_binomial_model_without_people_is_logistic_regression():
    found = fit_bounded(LONG, "count ~ arm", maximum=10, family="binomial")
    X = sm.add_constant((LONG["arm"] == "usual").astype(float))
    theirs = sm.GLM(np.column_stack([LONG["count"], 10 - LONG["count"]]), X, family=sm.families.Binomial()).fit()
    assert found.parameters()["estimate"].to_numpy() == pytest.approx(theirs.params.to_numpy(), abs=1e-6)
    assert found.sentence().endswith(".")


def test_penalised_effects_are_nearer_to_none():
    plain, held = (fit_bounded(LONG, "count ~ arm", maximum=10, participant="participant", penalised=one)
                   for one in (False, True))  # fmt: skip
    size = [abs(one.parameters().set_index("term").loc["arm[T.usual]", "estimate"]) for one in (plain, held)]
    assert size[1] < size[0]
    assert any("drawn to none" in note for note in held.notes)


def test_grades_without_an_effect_are_the_shares_of_the_sample():
    """Cut points are logits of cumulative shares where nothing else is in the model (identity)."""
    found = fit_ordinal(LONG, "grade ~ 1")
    shares = LONG["grade"].value_counts(normalize=True).sort_index().cumsum().to_numpy()[:-1]
    assert found.parameters()["estimate"].to_numpy() == pytest.approx(np.log(shares / (1 - shares)), abs=1e-5)
    assert "no effect in the model" in found.sentence()


def test_a_profile_interval_holds_the_values_the_likelihood_cannot_refuse():
    found = fit_ordinal(LONG, "grade ~ arm")
    low, high = found.profile("arm[T.usual]")
    wald = found.parameters().set_index("term").loc["arm[T.usual]"]
    assert low < wald["estimate"] < high
    assert high - low == pytest.approx(2 * 1.96 * wald["std_error"], rel=0.15)


def test_two_grades_have_one_cut_point_and_nothing_to_compare():
    found = check_proportional_odds(LONG.assign(grade=(LONG["grade"] > 1).astype(int)), "grade ~ arm")
    assert "one cut point" in found.sentence()


def test_equations_for_a_share_give_the_share_of_the_reference_arm():
    """As many rows of each person: the intercept is the logit of the share of its arm (identity)."""
    frame = LONG.assign(high=(LONG["count"] > 4).astype(int))
    found = gee(
        frame, "high ~ arm", participant="participant", visit="visit", family="binomial", working="exchangeable"
    )
    share = frame.loc[frame["arm"] == "new", "high"].mean()
    assert found.estimates(np.eye(2), ["a", "b"]).estimate[0] == pytest.approx(np.log(share / (1 - share)), abs=1e-6)


@pytest.mark.parametrize("alternative", ["less", "greater", "two-sided"])
def test_mid_p_is_the_exact_p_less_half_the_table_itself(alternative):
    """scipy's fisher_exact and hypergeom."""
    found = exact_test(7, 12, 3, 12, test="fisher-mid-p", alternative=alternative)
    point = hypergeom(24, 10, 12).pmf(7)
    assert found.p_value == pytest.approx(fisher_exact([[7, 5], [3, 9]], alternative).pvalue - point / 2, abs=1e-12)


def test_a_rank_test_in_one_stratum_is_the_plain_one_and_lone_groups_are_told():
    x, y = [1.0, 4.0, 6.0, 7.0], [2.0, 3.0, 9.0]
    alone = rank_test([*x, 5.0], y, strata=(["a"] * 4 + ["b"], ["a"] * 3))
    assert any("one group only" in note for note in alone.notes)
    assert alone.p_value == pytest.approx(mannwhitneyu(x, y, method="exact").pvalue, abs=1e-9)


def test_the_price_of_a_responder_is_the_cost_over_the_share():
    share = Estimate(
        term="share",
        method="printed",
        estimate=0.25,
        limits=lambda level: (0.1, 0.4),
        std_error=0.0765,
        unit="",
        n_participants=80,
    )
    certain = cost_per_responder(cost_difference=100.0, share_difference=share)
    assert certain.estimate == pytest.approx(400.0)
    row = certain.frame(level=0.95).iloc[0]
    assert (row["conf_low"], row["conf_high"]) == (pytest.approx(250.0), pytest.approx(1000.0))
    nobody_knows = cost_per_responder(cost_difference=100.0, cost_std_error=200.0, x1=5, n1=20, x2=4, n2=20)
    assert "no price can be excluded" in nobody_knows.sentence()
    open_end = cost_per_responder(cost_difference=100.0, cost_std_error=5.0, x1=8, n1=20, x2=5, n2=20)
    assert "infinity" in open_end.sentence()


def test_a_trial_that_costs_more_than_it_tells_is_not_worth_it():
    common = {"mean": 100.0, "sd": 50.0, "sd_per_person": 300.0, "per_participant": 10.0, "sizes": (10, 20)}
    assert "No size between 10 and 20" in worth_of_trial(**common, population=0.0).sentence()
    torn = common | {"mean": 0.0}  # nobody knows which arm is better: what a trial tells is worth most
    assert "worth most with 20 per arm (the largest looked at)" in worth_of_trial(**torn, population=1e6).sentence()


def test_studies_of_equal_error_pool_to_their_mean():
    found = pool_effects([1.0, 3.0], [1.0, 1.0])
    assert found.frame().set_index("term").loc["pooled", "estimate"] == pytest.approx(2.0)
    assert any("Two studies leave no degree of freedom" in note for note in found.notes)
    four = pool_effects([1.0, 3.0, 2.0, 2.5], [1.0, 1.0, 1.0, 1.0])
    assert four.frame().set_index("term").loc["pooled", "estimate"] == pytest.approx(2.125)


def test_an_endless_statistic_has_no_interval_but_itself():
    assert noncentrality_limits(inf, 10) == (inf, inf)
    low, high = noncentrality_limits(60.0, 4)
    assert low < 60.0 < high


def test_cuts_where_there_is_nothing_to_cut():
    same, improved = np.ones(6), np.array([True, False] * 3)
    assert isnan(roc_cut(same, improved))
    assert isnan(predictive_threshold(same, improved))
    falling = np.array([1.0, 5.0, 2.0, 6.0, 5.5, 3.0])  # the improved changed less: no threshold
    assert isnan(predictive_threshold(falling, improved))


def test_few_improved_people_are_told():
    anchor = np.array([0, 0, 0, 0, 0, 0, 0, 1, 0, 0])
    change = np.array([1.0, 2, 0, 1, 3, 2, 1, 9, 2, 2])
    found = estimate_mcid(change, anchor, minimal=(1,), rng=np.random.default_rng(1), resamples=50)
    assert any("biased away from half" in note for note in found.notes)
    assert "1 such people, needed 2 or more" in found.sentence()
    cut = found.frame().set_index("method").loc["ROC, largest sensitivity + specificity", "estimate"]
    assert cut == 6.0  # midway between 3 and 9


def test_the_maximum_with_holes_is_a_maximum():
    """No change of mean or covariance makes the data likelier (scipy's multivariate_normal on what was seen)."""
    Y = RNG.multivariate_normal([0, 1, 2], [[2, 1, 0.5], [1, 2, 1], [0.5, 1, 2]], size=30)
    Y[:4, 1] = nan  # not only people who leave
    Y[4:9, 2] = nan
    means, S = normal_maximum(Y, np.zeros(30, dtype=int))

    def likelihood(mean, S):
        seen = [(row[~np.isnan(row)], ~np.isnan(row)) for row in Y]
        return sum(multivariate_normal(mean[there], S[np.ix_(there, there)]).logpdf(row) for row, there in seen)

    best = likelihood(means[0], S)
    for _ in range(20):
        push = RNG.normal(0, 0.02, (3, 3))
        assert likelihood(means[0] + RNG.normal(0, 0.05, 3), S + push + push.T) < best


def test_who_left_is_compared_by_every_covariate():
    people = pd.DataFrame(
        {"participant": [f"p{k:02d}" for k in range(PEOPLE)], "age": range(40, 52), "sex": "f", "one": 1}
    )
    found = describe_missing(GAPS, covariates=people)
    named = found.leaving.iloc[:, 0].astype(str).tolist()
    assert any("age" in name for name in named)
    assert not any(name in ("sex", "one") for name in named)  # words, and what is the same for all
    assert (found.frame()["missing"].sum()) == GAPS["value"].isna().sum()


def test_auxiliaries_are_named_and_a_generator_is_taken_as_it_is():
    table = visit_table(GAPS.assign(age=40.0 + GAPS["participant"].str[1:].astype(int)), auxiliaries=["age"])
    one, two = (impute(table, m=2, rng=np.random.default_rng(5)) for _ in range(2))
    assert any("Auxiliaries: age" in note for note in one.notes)
    assert np.array_equal(one.values, two.values)


def test_no_shift_in_reach_changes_nothing():
    found = tipping_point(GAPS, m=5, seed=1, reach=0.001)
    assert found.sentence().endswith(".")


def test_shares_over_imputations_at_the_ends():
    nobody = share_over_imputations([0, 0], 0)
    assert isnan(nobody.share)
    assert all(map(isnan, nobody.limits(0.95)))
    everybody = share_over_imputations([10, 10, 10], 10)
    assert everybody.share == 1.0
    assert share_over_imputations([0, 10], 10).share == 0.5
    assert share_over_imputations([0, 10], 10).limits(0.95) == (0.0, 1.0)  # all or none: nothing is known


def test_a_contrast_of_visits_is_the_difference_of_means_in_each_arm():
    """Complete data, a mean for each arm and visit: the contrast is the difference of the sample's means (identity)."""
    fit = fit_mixed(LONG, "value ~ visit * arm", participant="participant", visit="visit",
                    covariance="compound-symmetry")  # fmt: skip
    found = fit.contrast("v2 - v0", by="arm").frame()
    mean = LONG.pivot_table(index="arm", columns="visit", values="value")
    assert found["estimate"].to_numpy() == pytest.approx((mean["v2"] - mean["v0"]).to_numpy(), abs=1e-8)
    with pytest.raises(Exception, match="names neither"):
        fit.contrast("v9 - v8", by="arm")


WAYS = {
    "mean and SD": ({"mean": [10.0, 8.0], "sd": [2.0, 2.0]}, 1.0),
    "mean and standard error": ({"mean": [10.0, 8.0], "se": [2.0 / sqrt(20)] * 2}, 1.0),
    "mean and its interval": (
        {"mean": [10.0, 8.0], "low": [10 - 0.93604, 8 - 0.93604], "high": [10 + 0.93604, 8 + 0.93604]},
        1.0,
    ),
    "median and quartiles": ({"median": [10.0, 8.0], "q1": [8.65, 6.65], "q3": [11.35, 9.35]}, None),
    "leaning quartiles": ({"median": [9.0, 7.0], "q1": [8.8, 6.8], "q3": [14.0, 12.0]}, None),
    "median and range": ({"median": [10.0, 8.0], "minimum": [6.0, 4.0], "maximum": [14.0, 12.0]}, None),
}


@pytest.mark.parametrize("what", WAYS)
def test_what_a_paper_prints_becomes_its_effect(what):
    """2 points between means of SD 2 and 20 people an arm: d = 1; quartiles and ranges only come near (Wan 2014)."""
    columns, expected = WAYS[what]
    paper = PAPER.drop(columns=["mean", "sd"]).assign(**columns)
    found = published_effects(paper, kind="d")
    estimate = found.frame()["estimate"].iloc[0]
    if expected is None:
        assert 0.3 < estimate < 1.5
        assert any("worked out" in note or "lean" in note or "range" in note for note in _told(found))
    else:
        assert estimate == pytest.approx(expected, rel=2e-3)


def _told(found) -> list[str]:
    return [*found.notes, *(str(cell) for cell in found.frame().to_numpy().ravel())]
