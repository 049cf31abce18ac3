"""Evidence of several sources, looks inside the next trial, stop-go criteria, recruitment: identities, simulation."""

from math import atanh, exp, log, tanh

import numpy as np
import pytest
from scipy.stats import binom, multivariate_normal, norm, poisson

from stats.errors import PlanError
from stats.planning import (
    Evidence,
    correlation_from,
    plan_means,
    recruitment_by_month,
    sd_from,
    size_again,
    stop_go_rates,
    two_stage,
)


def test_sources_that_agree_add_up_their_degrees_of_freedom():
    sd, notes = sd_from([Evidence("pilot", 10.0, 20), Evidence("paper", 11.0, 60)], "points")
    assert sd.df == pytest.approx(80)
    assert sd.value == pytest.approx(exp((20 * log(10) + 60 * log(11)) / 80))
    assert "agree within chance" in notes[0]
    assert "pilot 10 on 20 df; paper 11 on 60 df" in sd.source
    r, _ = correlation_from([Evidence("pilot", 0.6, 23), Evidence("paper", 0.7, 63)])
    assert r.pairs == pytest.approx(3 + 20 + 60)
    assert r.value == pytest.approx(tanh((20 * atanh(0.6) + 60 * atanh(0.7)) / 80))


def test_sources_that_differ_are_less_certain_than_any_of_them_alone():
    sd, notes = sd_from([Evidence("a", 6.0, 100), Evidence("b", 12.0, 100), Evidence("c", 9.0, 100)])
    assert sd.df < 100
    assert "differ by more than chance" in notes[0]
    assert "hardly known" in notes[1]
    low, high = sd.interval()
    assert low < 6.5
    assert high > 11


def test_one_source_stays_as_it_is_and_impossible_ones_are_refused():
    sd, notes = sd_from([Evidence("pilot", 10.0, 20)])
    assert (sd.value, sd.df, notes) == (10.0, 20, ())
    for wrong in ([], [Evidence("x", -1, 20)]):
        with pytest.raises(PlanError, match="allowed above 0"):
            sd_from(wrong)
    with pytest.raises(PlanError, match="more than 3 people"):
        correlation_from([Evidence("x", 0.5, 3)])


def test_stop_go_error_rates_are_binomial_and_add_up():
    rates = stop_go_rates(24, 0.8, 0.6)
    frame = rates.frame()
    assert (frame[["go", "amend", "stop"]].sum(axis=1)).to_numpy() == pytest.approx(1)
    at = stop_go_rates(24, 0.8, 0.6, (0.6, 0.8)).frame()
    assert at["go"].iloc[0] == pytest.approx(binom.sf(19, 24, 0.6))  # go from 19.2 people, so from 20
    assert at["stop"].iloc[1] == pytest.approx(binom.cdf(14, 24, 0.8))  # stop below 14.4, so up to 14
    whole = stop_go_rates(20, 0.8, 0.6, (0.6,)).frame()  # cuts on whole people: 16 goes, 12 is not stopped
    assert whole["go"].iloc[0] == pytest.approx(binom.sf(15, 20, 0.6))
    assert whole["stop"].iloc[0] == pytest.approx(binom.cdf(11, 20, 0.6))
    assert rates.sentence().endswith(".")
    with pytest.raises(PlanError, match="stop at or below go"):
        stop_go_rates(20, 0.5, 0.6)


def test_a_futility_stop_by_the_bivariate_normal_and_by_simulation():
    plan = plan_means(difference=0.5, sd=1, power=0.9)
    made = two_stage(plan, share=0.5, limit=0.2)
    rng = np.random.default_rng(4)
    half = rng.normal(size=(100_000, 2))
    drift = norm.isf(0.025) + norm.ppf(plan.power)
    first = half[:, 0] + drift * np.sqrt(0.5)
    whole = np.sqrt(0.5) * first + np.sqrt(0.5) * (half[:, 1] + drift * np.sqrt(0.5))
    rejected = ((first >= 0.2) & (whole >= norm.isf(0.025))).mean()
    assert made.power == pytest.approx(rejected, abs=0.004)
    assert made.error < 0.025
    assert made.power < made.power_without
    assert made.stops_without_effect == pytest.approx(norm.cdf(0.2))
    law = multivariate_normal(cov=[[1, 0.5**0.5], [0.5**0.5, 1]])
    assert made.error == pytest.approx(law.cdf([-0.2, -norm.isf(0.025)]), abs=1e-4)
    assert "non-binding" in made.sentence()


def test_a_blinded_look_saves_a_trial_planned_on_too_small_a_spread():
    plan = plan_means(difference=5, sd=9, power=0.9)
    made = size_again(plan, (9.0, 12.0), rng=np.random.default_rng(1), trials=3000).frame()
    small, large = made.iloc[0], made.iloc[1]
    assert small["power"] >= 0.88
    assert large["power"] > large["power_fixed"] + 0.1
    assert large["n_mean"] > small["n_mean"] >= plan.n_per_arm
    assert (made["error"] < 0.025 + 3 * np.sqrt(0.025 * 0.975 / 3000)).all()
    with pytest.raises(PlanError, match="for power"):
        size_again(plan_means(difference=5, sd=9, n_per_arm=20), (9.0,), rng=np.random.default_rng(1))


def test_recruitment_by_month_tends_to_the_poisson_with_a_rate_that_is_known():
    sure = recruitment_by_month(100, count=2e6, months=1e6, sites=4)  # two a month and site, as good as known
    assert sure.reached(0.5) == next(m for m in range(1, 99) if poisson.sf(99, 8 * m) >= 0.5)
    unsure = recruitment_by_month(100, count=12, months=6, sites=4)
    assert unsure.reached(0.8) > sure.reached(0.8)
    late = recruitment_by_month(100, count=12, months=6, sites=4, opening=3)
    assert late.reached(0.5) > unsure.reached(0.5)
    frame = unsure.frame()
    assert frame["expected"].is_monotonic_increasing
    assert frame["expected"].iloc[0] == pytest.approx(12.5 / 6 * 4)
    assert "as likely as not" in unsure.sentence()
    with pytest.raises(PlanError, match="more sites"):
        recruitment_by_month(100, count=0, months=600).reached(0.9)
