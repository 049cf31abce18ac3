"""What `stats` cannot compute from printed numbers, or from an option nobody knows, is refused in words that name it.

A row is a call and the words its message has to hold: the value found, or what is lacking. The limits are those of the
quantities (a probability lies in 0 to 1, a spread is above 0), so a refusal needs no outside source.
"""

import numpy as np
import pandas as pd
import pytest

from stats import effects as f
from stats import measurement as m
from stats import proportions as p
from stats import responders as r
from stats.economics.bootstrap_of_means import bootstrap_difference
from stats.economics.incremental import error_from_interval
from stats.economics.people_costs import cost_difference
from stats.economics.quality_years import adjusted_quality_years, quality_years
from stats.economics.ratio_set import ratio_set
from stats.economics.responder_price import cost_per_responder
from stats.economics.unit_prices import annuity, device_per_participant, present_value
from stats.economics.worth_of_trial import worth_of_trial
from stats.effects.noncentral import hedges_correction, noncentrality_limits
from stats.effects.order_based import dominance, paired_rank_biserial
from stats.errors import FitError
from stats.measurement.two_way import cronbach_from_variances
from stats.missing.chained import chained_equations
from stats.missing.rubin import combine_imputations
from stats.proportions.exact_tests import mcnemar_test
from stats.proportions.one_proportion import proportion_limits
from stats.proportions.one_rate import rate_interval
from stats.proportions.paired_proportions import paired_risk_difference
from stats.proportions.stratified import stratified_ratio
from stats.responders.beyond_error import clinical_cutoffs
from stats.responders.criteria import both, from_number
from stats.responders.imputed_counts import share_over_imputations
from stats.responders.true_change import mean_improvement, regression_to_mean

PAIR = [1.0, 2.0, 3.0, 5.0], [2.0, 2.5, 3.0, 4.0]
PRINTED = {"mean1": 10.0, "sd1": 2.0, "n1": 20, "mean2": 8.0, "sd2": 2.0, "n2": 20}
WORTH = {"mean": 100.0, "sd": 50.0, "sd_per_person": 300.0, "population": 1000.0, "per_participant": 10.0}
PRICE = {"cost_difference": 100.0, "x1": 8, "n1": 20, "x2": 4, "n2": 20}
STRATA = pd.DataFrame({"x1": [3, 4], "n1": [10, 10], "x2": [2, 3], "n2": [10, 10]})


def printed(kind: str, **changed):
    return f.effect_size(kind, **(PRINTED | changed))


def given(**changed):
    number = from_number(r.OwnThreshold(5.0, "own"), "points")
    return type(number)(**(number.__dict__ | changed))


REFUSED = {
    "more than all": (lambda: proportion_limits(5, 4), "Count 5 of 4"),
    "half an event": (lambda: rate_interval(1.5, 10.0), "Count 1.5"),
    "a paired interval nobody knows": (lambda: paired_risk_difference(3, 2, 1, 4, method="x"), "'x'"),
    "a ratio of strata nobody knows": (lambda: stratified_ratio(STRATA, ratio="hazard"), "'hazard'"),
    "strata without a count": (lambda: stratified_ratio(STRATA.drop(columns="n2")), "n2"),
    "a stratum of more than all": (lambda: stratified_ratio(STRATA.assign(x1=[11, 4])), "Stratum 0"),
    "a ratio's interval nobody knows": (lambda: p.risk_ratio(3, 10, 2, 10, method="x"), "'x'"),
    "an arm of nobody": (lambda: p.exact_test(0, 0, 2, 10), "0"),
    "an exact test nobody knows": (lambda: p.exact_test(3, 10, 2, 10, test="x"), "'x'"),
    "pairs below 0": (lambda: mcnemar_test(-1, 2), "-1"),
    "an event neither good nor bad": (lambda: p.number_needed_to_treat(3, 10, 2, 10, event="odd"), "'odd'"),
    "costs of one person": (lambda: bootstrap_difference([1.0], [1.0, 2.0], np.random.default_rng(1)), "1 and 2 costs"),
    "a bootstrap without its generator": (lambda: bootstrap_difference(range(20), range(20), None), "rng="),
    "a difference from one cost": (lambda: cost_difference([1.0], [1.0, 2.0]), "1 and 2 costs"),
    "an interval upside down": (lambda: error_from_interval(3.0, 1.0), "3.0 to 1.0"),
    "one utility": (lambda: quality_years([0.0], [0.5]), "1 times"),
    "too few people to adjust": (lambda: adjusted_quality_years([0.5], [0.4, 0.3], [0.5], [0.4, 0.4]), "people"),
    "an effect without an error": (lambda: ratio_set(100.0, 1.0, 10.0, 0.0, 0.0, 1.96), "0.0"),
    "a price of responders nobody counted": (lambda: cost_per_responder(cost_difference=1.0, x1=3), "x1, n1, x2 and"),
    "a cost without end": (lambda: cost_per_responder(**(PRICE | {"cost_difference": np.inf})), "inf"),
    "a share outside its interval": (
        lambda: cost_per_responder(cost_difference=1.0, share_difference=(0.5, 0.1, 0.3)),
        "0.5",
    ),
    "years that are none": (lambda: annuity(0.03, 0), "years 0"),
    "a device for nobody": (lambda: device_per_participant(1000.0, years=5, participants_per_year=0), "0 participants"),
    "a year before now": (lambda: present_value(10.0, -1, 0.03), "year -1"),
    "a worth without spread": (lambda: worth_of_trial(**(WORTH | {"sd": 0.0})), "0.0"),
    "a worth of no size": (lambda: worth_of_trial(**WORTH, sizes=()), "Sizes per arm"),
    "few resamples": (
        lambda: f.effect_size("d_z", *PAIR, interval="bootstrap", rng=np.random.default_rng(1), resamples=20),
        "20 resamples",
    ),
    "an interval of an effect nobody knows": (lambda: f.effect_size("d_z", *PAIR, interval="x"), "'x'"),
    "an effect without its SD": (lambda: printed("g", sd1=None), "sd1"),
    "an SD below 0": (lambda: printed("g", sd1=-1.0), "sd1 = -1.0"),
    "a group of one": (lambda: printed("g", n1=1), "n1 = 1"),
    "a correlation above 1": (lambda: f.effect_size("d_z", **(PRINTED | {"r": 1.5})), "r = 1.5"),
    "an SD of change no correlation has": (lambda: f.effect_size("d_rm", **(PRINTED | {"sd_change": 9.0})), "imply"),
    "no degree of freedom": (lambda: noncentrality_limits(1.0, 0), "1 degree"),
    "one degree of freedom to correct with": (lambda: hedges_correction(1.0), "more than"),
    "one value to rank": (lambda: dominance([1.0], [2.0, 3.0]), "1 and 2 values"),
    "one pair to rank": (lambda: paired_rank_biserial([1.0], [2.0]), "1 pair"),
    "a pooling nobody knows": (lambda: f.pool_effects([1.0, 2.0], [1.0, 1.0], method="x"), "'x'"),
    "a prediction nobody knows": (lambda: f.pool_effects([1.0, 2.0], [1.0, 1.0], prediction="x"), "'x'"),
    "labels of other studies": (
        lambda: f.pool_effects(pd.DataFrame({"estimate": [1.0, 2.0], "std_error": [1.0, 1.0]}), labels=["a"]),
        "1 labels",
    ),
    "effects without errors": (lambda: f.pool_effects(pd.DataFrame({"estimate": [1.0, 2.0]})), "std_error"),
    "a kind of agreement nobody knows": (lambda: m.limits_of_agreement(*PAIR, method="x"), "'x'"),
    "one repeated pair": (lambda: m.repeatability([1.0], [2.0]), "1"),
    "an error nobody knows": (lambda: m.measurement_error(sd=2.0, reliability=0.9, kind="x"), "'x'"),
    "one rater of two": (lambda: m.kappa([1, 2, 1]), "b"),
    "raters of other lengths": (lambda: m.kappa([1, 2, 1], [1, 2]), "3"),
    "two pairs to agree": (lambda: m.concordance([1.0, 2.0], [1.0, 2.0]), "2"),
    "one item": (lambda: cronbach_from_variances(1, 2.0, 3.0), "1"),
    "one imputation": (lambda: chained_equations(pd.DataFrame({"a": [1.0, np.nan]}), m=1), "m"),
    "imputed variances of another number": (lambda: combine_imputations([1.0, 2.0], [1.0]), "varianc"),
    "an imputed variance of 0": (lambda: combine_imputations([1.0, 2.0], [1.0, 0.0]), "above 0"),
    "no degree of freedom of whole data": (lambda: combine_imputations([1.0, 2.0], [1.0, 1.0], complete_df=0), "0"),
    "a share of one imputation": (lambda: share_over_imputations([3], 10), "1 imputation"),
    "an error of 0": (lambda: r.reliable_change(pd.DataFrame({"before": [1.0], "after": [2.0]}), error=0.0), "0.0"),
    "healthy people without spread": (lambda: clinical_cutoffs(1.0, 1.0, 5.0, 0.0), "0.0"),
    "a threshold of 0": (lambda: from_number(r.OwnThreshold(0.0, "own"), "points"), "0.0"),
    "a rule nobody knows": (lambda: from_number(r.OwnThreshold(5.0, "own", rule="=="), "points"), "'=='"),
    "a share of each baseline beyond error": (lambda: both(given(percent=True), given()), "cannot be"),
    "a mean nobody goes back to": (lambda: regression_to_mean(0.0, 0.5, 10.0), "sd 0.0"),
    "a side nobody knows": (lambda: regression_to_mean(1.0, 0.5, 10.0, side="left"), "'left'"),
    "one observed change": (lambda: mean_improvement(pd.Series([1.0, np.nan])), "1 observed"),
}


@pytest.mark.parametrize("what", REFUSED)
def test_what_cannot_be_computed_is_refused_by_name(what):
    call, words = REFUSED[what]
    with pytest.raises(FitError, match=words):
        call()
