"""What a planning function cannot use is refused in words that name it: a row a refusal, without a plan being made.

The limits are those of the formulas: a probability lies in 0 to 1, a covariance is positive definite, a slope needs two
times. No outside source is needed for a refusal; each row says which word of the message has to name the cause.
"""

import numpy as np
import pytest

from stats import planning as p
from stats.errors import PlanError
from stats.planning.closed_form.visits import read_covariance, visit_correlation
from stats.planning.inputs import pilot_correlation, pilot_proportion
from stats.planning.pilot.stop_go import stop_go_rates
from stats.planning.simulation.trials import NormalTruth, Trials

TWO = {"difference": 4.0, "sd": 8.0}
POWER = {"power": 0.8}
MIXED = {"difference": 4.0, "retention": (1.0, 0.9), "sd": 8.0, "correlation": 0.5, "power": 0.8}
TIMES = np.array([0.0, 1.0])


def truth(**changed):
    given = {
        "times": TIMES, "means": ((0.0, 0.0), (0.0, 1.0)), "covariance": ((1.0, 0.5), (0.5, 1.0)),
    } | changed  # fmt: skip
    return NormalTruth(**given)


def visits(**changed):
    given = {"times": (0.0, 1.0), "difference": 1.0, "sd": 1.0, "correlation": 0.5} | changed
    return p.visits_truth(**given)


REFUSED = {
    "a cluster's share of 1": (
        lambda: p.plan_cluster(**TWO, intraclass=1.0, cluster_size=5, **POWER),
        "intraclass = 1",
    ),
    "clusters of no arm": (
        lambda: p.plan_cluster(**TWO, intraclass=0.1, cluster_size=5, clustered="none", **POWER),
        "clustered = 'none'",
    ),
    "a baseline nobody knows": (lambda: p.plan_mixed(**MIXED, baseline="guess"), "baseline = 'guess'"),
    "weights of another length": (lambda: p.plan_mixed(**MIXED, weights=(0.0, 0.0, 1.0)), "weights has 3 numbers"),
    "an alpha of 1": (lambda: p.plan_means(**TWO, power=0.8, alpha=1.0), "alpha = 1.0"),
    "a difference too small": (lambda: p.plan_means(difference=1e-9, sd=8.0, power=0.8), "1e-09|per arm"),
    "no follow-up": (lambda: p.plan_repeated(**TWO, correlation=0.5, followups=0, **POWER), "0 follow"),
    "a reliability below the correlation": (
        lambda: p.plan_repeated(**TWO, correlation=0.8, reliability=0.5, trials=2, **POWER),
        "reliability 0.5",
    ),
    "a slope through one time": (
        lambda: p.plan_slopes(difference=1.0, times=(2.0, 2.0), sd_residual=1.0, **POWER),
        "times",
    ),
    "a test nobody knows": (lambda: p.plan_proportions(reference=0.2, treatment=0.5, test="t", **POWER), "test = 't'"),
    "an odds ratio of 1": (lambda: p.plan_ordinal(reference=(0.5, 0.5), odds_ratio=1.0, **POWER), "odds_ratio = 1.0"),
    "shares beyond 1": (lambda: p.plan_ordinal(reference=(0.5, 0.6), odds_ratio=2.0, **POWER), "reference = "),
    "a structure nobody knows": (lambda: visit_correlation(0.5, 3, "round"), "structure = 'round'"),
    "a correlation no three visits have": (lambda: visit_correlation(-0.9, 3, "compound-symmetry"), "-0.9"),
    "neither SD nor covariance": (lambda: read_covariance(None, None, None, "ar1", 2), "covariance"),
    "a covariance of another size": (lambda: read_covariance(np.eye(3), None, None, "ar1", 2), r"\(3, 3\)"),
    "no covariance": (lambda: read_covariance([[1.0, 2.0], [2.0, 1.0]], None, None, "ar1", 2), "not a covariance"),
    "a correlation of 1": (lambda: pilot_correlation(1.0, 10, "pilot"), "Correlation 1.0"),
    "people who all changed alike": (lambda: pilot_correlation(0.9999999999999998, 10, "pilot"), "Correlation 0.99"),
    "a correlation of three pairs": (lambda: pilot_correlation(0.5, 3, "pilot"), "3 pairs"),
    "more responders than people": (lambda: pilot_proportion(5, 4, "pilot"), "5 of 4"),
    "true shares beyond 1": (lambda: stop_go_rates(10, 0.6, 0.3, truths=[1.2]), "0 to 1"),
    "one participant an arm": (lambda: p.plan_means(**TWO, n_per_arm=1), "n_per_arm = 1"),
    "nobody in an arm": (lambda: p.plan_means(**TWO, power=0.8, ratio=0.0), "ratio = 0"),
    "a law nobody knows": (lambda: p.plan_means(**TWO, power=0.8, law="cauchy"), "law = 'cauchy'"),
    "a margin of 0": (lambda: p.plan_means(**TWO, power=0.8, margin=0.0), "margin = 0"),
    "months below 0": (lambda: p.recruitment_by_month(10, count=5, months=-1), "-1"),
    "an SD of 0": (lambda: p.plan_means(difference=4.0, sd=0.0, power=0.8), "sd = 0"),
    "a time nobody knows": (lambda: p.MixedAnalysis(time="spiral"), "time = 'spiral'"),
    "another baseline nobody knows": (lambda: p.MixedAnalysis(baseline="guess"), "baseline = 'guess'"),
    "linear time without a baseline": (lambda: p.MixedAnalysis(time="linear", baseline="none"), "Linear time"),
    "random effects nobody knows": (lambda: p.MixedAnalysis(random="1 + arm"), r"random = '1 \+ arm'"),
    "an adjustment nobody knows": (lambda: p.FinalValueAnalysis(adjust="age"), "adjust = 'age'"),
    "a test of responders nobody knows": (lambda: p.ResponderAnalysis(threshold=4, test="t"), "test = 't'"),
    "missing people nobody counts": (
        lambda: p.ResponderAnalysis(threshold=4, missing="improved"),
        "missing = 'improved'",
    ),
    "a direction nobody knows": (lambda: p.ResponderAnalysis(threshold=4, better="up"), "better = 'up'"),
    "arms that are not two": (
        lambda: Trials(values=np.zeros((1, 4, 2)), arm=np.array([0, 1, 2, 1]), times=TIMES),
        "arm",
    ),
    "means of other visits": (lambda: truth(means=((0.0,), (0.0,))), "2 times need means"),
    "an indefinite covariance": (lambda: truth(covariance=((1.0, 2.0), (2.0, 1.0))), "negative e"),
    "dropout by nothing known": (lambda: truth(dropout_on="weather"), "dropout_on = 'weather'"),
    "nothing but gaps": (lambda: truth(gaps=1.0), "gaps = 1.0"),
    "a truth for one person": (lambda: truth().maker(1), "n_per_arm = 1"),
    "a profile nobody knows": (lambda: visits(profile="zigzag"), "profile = 'zigzag'"),
    "a power of 1": (
        lambda: p.size_by_simulation(truth().maker, p.FinalValueAnalysis(), power=1.0, start=5),
        "power = 1.0",
    ),
    "a journal of a search": (
        lambda: p.size_by_simulation(truth().maker, p.FinalValueAnalysis(), power=0.8, start=5, journal="x"),
        "journal",
    ),
    "an interim look at the end": (lambda: p.two_stage(p.plan_means(**TWO, power=0.8), share=1.0), "Share 1.0"),
    "sizes again after everybody": (
        lambda: p.size_again(p.plan_means(**TWO, power=0.8), (8.0,), rng=np.random.default_rng(1), first=1.0),
        "first 1.0",
    ),
    "no size to draw": (lambda: p.power_curve(p.plan_means(**TWO, power=0.8), []), "n_per_arm"),
    "uncertainty of a plan without any": (lambda: p.assurance(p.plan_means(**TWO, n_per_arm=30)), "uncertain"),
    "a size over a pilot's SD that is no pilot's": (
        lambda: p.size_over_pilot_sd(p.plan_means(**TWO, power=0.8)),
        "degrees of freedom",
    ),
    "a size where the size is given": (lambda: p.size_over_pilot_sd(p.plan_means(**TWO, n_per_arm=30)), "power"),
    "visits of a plan without visits": (lambda: p.visits_buy(p.plan_means(**TWO, power=0.8)), "plan_repeated"),
}


@pytest.mark.parametrize("what", REFUSED)
def test_what_cannot_be_planned_is_refused_by_name(what):
    call, words = REFUSED[what]
    with pytest.raises(PlanError, match=words):
        call()
