"""Effect sizes of few or odd numbers, against arithmetic, and effects that cannot be had."""

from dataclasses import replace
from math import isnan

import numpy as np
import pytest
from scipy.stats import nct, norm

from stats import fit_change
from stats.effects.bootstrap_limits import BootstrapLimits
from stats.effects.effects_of_a_study import model_effects
from stats.effects.for_an_application import grant_summary
from stats.effects.heterogeneity import asymmetry
from stats.effects.meta_analysis import pool_effects
from stats.effects.noncentral import noncentrality_limits
from stats.effects.one_effect import effect_size, pre_post_control_size
from stats.errors import FitError
from stats.summaries import Paired
from tests.stats.change.test_refused_changes import DESIGN, OUTCOME, SCORES

CHANGED = {"mean1": 10.0, "sd1": 2.0, "n1": 20, "mean2": 8.0, "sd2": 2.0}


def test_noncentral_limits_reach_as_far_as_they_must():
    """The property that defines them, by scipy's noncentral t, where limits lie far from the statistic."""
    for t, df in ((-25.0, 4.0), (0.0, 3.0), (25.0, 4.0)):
        low, high = noncentrality_limits(t, df)
        assert nct.cdf(t, df, low) == pytest.approx(0.975, abs=1e-6)
        assert nct.cdf(t, df, high) == pytest.approx(0.025, abs=1e-6)


def test_a_change_without_r_has_no_interval_but_an_index_of_change_needs_it():
    made = effect_size("d_av", **CHANGED)
    assert made.estimate == pytest.approx(1.0)
    assert isnan(made.limits(0.95)[0])
    assert any("Neither the correlation" in note for note in made.notes)
    with pytest.raises(FitError, match="correlation of the two occasions"):
        effect_size("d_z", **CHANGED)
    assert effect_size("d_z", **CHANGED, r=0.5).estimate == pytest.approx(1.0)  # an SD of change of 2


def test_groups_of_one_have_a_probability_but_no_interval():
    """P(X > Y) of normal people: Phi(d / sqrt(2)), here of 2 over sqrt(8)."""
    found = effect_size("superiority", mean1=10.0, sd1=2.0, n1=2, mean2=8.0, sd2=2.0, n2=2)
    assert found.estimate == pytest.approx(norm.cdf(2 / np.sqrt(8)))


def test_two_small_groups_before_and_after_have_no_error():
    """Morris 2008: the variance divides by n1 + n2 - 4."""
    pair = Paired(10.0, 2.0, 8.0, 2.0, 2, 0.5, 2.0)
    found = pre_post_control_size(pair, replace(pair, mean1=9.0))
    assert isnan(found.std_error)


def test_every_resample_on_one_side_has_no_limits():
    flat = BootstrapLimits([(np.array([1.0, 2.0, 3.0]),)], lambda x: float(x.mean()), np.random.default_rng(1), 200)
    assert all(map(np.isfinite, flat(0.95)))
    flat.estimate = 99.0  # as a statistic that no resample reaches
    assert all(map(isnan, flat(0.95)))


def test_studies_of_one_error_tell_nothing_of_small_ones():
    assert all(map(isnan, asymmetry(np.array([1.0, 2.0, 3.0]), np.array([1.0, 1.0, 1.0]))))
    assert all(map(isnan, asymmetry(np.array([1.0, 2.0]), np.array([1.0, 2.0]))))
    assert all(map(isnan, pool_effects([1.0, 2.0, 3.0], [1.0, 1.0, 1.0]).small_studies()))


def test_small_studies_that_show_more_are_told():
    """Effects that grow with their errors, as where small studies without an effect stay in a drawer."""
    errors = np.linspace(0.1, 1.0, 12)
    found = pool_effects(2 * errors + 0.01 * np.sin(np.arange(12)), errors)
    slope, p_value = found.small_studies()
    assert slope == pytest.approx(2.0, abs=0.05)
    assert p_value < 0.05
    assert "smaller studies show other effects" in found.sentence() + " ".join(found.notes)


def test_one_of_two_studies_left_out_leaves_the_other():
    left = pool_effects([1.0, 3.0], [1.0, 1.0]).leave_one_out()
    assert left["estimate"].tolist() == [3.0, 1.0]


def test_studies_farther_apart_than_any_first_guess():
    """The restricted likelihood's variance between studies is near the plain variance where errors are tiny."""
    values = np.array([0.0, 100.0, -100.0, 50.0])
    assert pool_effects(values, [0.01] * 4).tau2 == pytest.approx(values.var(ddof=1), rel=1e-3)


def test_a_model_that_was_fitted_is_taken_and_its_refusal_kept():
    fit = fit_change(SCORES, OUTCOME, design=DESIGN)
    taken = model_effects(SCORES, OUTCOME, design=DESIGN, fitted=lambda outcome: fit)
    assert taken.rows[0].size.estimate == model_effects(SCORES, OUTCOME, design=DESIGN).rows[0].size.estimate

    def refused(outcome):
        raise FitError("no model today")

    assert model_effects(SCORES, OUTCOME, design=DESIGN, fitted=refused).rows[0].reason == "no model today"
    nowhere = model_effects(SCORES, OUTCOME, design=DESIGN, visit="w9")
    assert nowhere.rows[0].size is None
    assert "w9" in nowhere.rows[0].reason


def test_the_effect_of_another_study_stands_beside_ours_and_a_threshold_that_fails_is_an_error():
    other = effect_size("baseline-sd", mean1=10.0, sd1=2.0, n1=20, mean2=8.0, sd2=2.0, r=0.5)
    found = grant_summary(SCORES, OUTCOME, kind="baseline-sd", others={"Another 2020": other})
    assert "Another 2020: " in found.sentence()
    with pytest.raises(FitError, match="without a source"):
        grant_summary(SCORES, OUTCOME, kind="baseline-sd", thresholds={OUTCOME: 5.0})


def test_perfectly_correlated_changes_have_no_error():
    """Morris 2008: the error is 2 (1 - r) times ..., 0 where nobody changes other than the others."""
    pair = Paired(10.0, 2.0, 8.0, 2.0, 20, 1.0, 0.0)
    assert isnan(pre_post_control_size(pair, replace(pair, mean1=9.0)).std_error)


def test_a_jackknife_that_lacks_a_value_has_no_acceleration():
    """Leaving one of two different values out leaves no spread: the limits are then the bias-corrected ones."""
    x = np.array([1.0, 1.0, 1.0, 2.0, 3.0])
    found = BootstrapLimits([(x,)], lambda v: float(v.mean()) if len(v) == 5 else np.nan, np.random.default_rng(1), 400)
    low, high = found(0.95)
    assert low < x.mean() < high


def test_studies_in_the_words_of_their_number():
    words = [" ".join(pool_effects([1.0, 3.0, 2.0, 2.5][:k], [1.0] * k).sentence().split()) for k in (2, 3, 4)]
    assert "two studies allow no prediction interval" in words[0]
    assert "how far the true effect of a new study may lie off" in words[1]
    assert "two studies allow" not in words[1]


REFUSED = {
    "an SD of 0": (lambda: effect_size("superiority", mean1=1.0, sd1=0.0, n1=5, mean2=1.0, sd2=0.0, n2=5), "spread"),
    "ranks without values": (
        lambda: effect_size("rank-biserial", mean1=1.0, sd1=1.0, n1=5, mean2=1.0, sd2=1.0, n2=5), "needs the values"),
    "values of one": (lambda: effect_size("d", [1.0], [2.0, 3.0]), "1 value"),
    "a baseline without spread": (
        lambda: pre_post_control_size(*[Paired(10.0, 2.0, 8.0, 0.0, 20, 0.5, 2.0)] * 2),
        "Nothing to standardise by",
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", REFUSED)
def test_what_has_no_effect_size_is_refused(what):
    call, words = REFUSED[what]
    with pytest.raises(FitError, match=words):
        call()
