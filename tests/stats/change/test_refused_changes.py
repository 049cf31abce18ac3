"""What a model of change cannot answer is refused in words that name it; a trial drawn here, changed for each row."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from outcomes.protocol.trial import ModelChoice
from stats import FitError, fit_change, fit_mixed
from stats.change.within_visit import compare_within_visit
from stats.effects.effects_of_a_fit import effect_from_fit, true_change_from_fit
from stats.effects.effects_of_a_study import model_effects
from stats.effects.for_an_application import grant_summary
from stats.effects.noncentral import hedges_correction
from stats.federated.merged import merge_files
from stats.missing.patterns import describe_missing
from stats.mixed.inference.diagnostics import random_effects, site_predictions
from tests.stats.change.test_fit_change import PARALLEL, VISITS, scores_of
from tests.stats.test_refused_tables import LONG

DESIGN = replace(PARALLEL, visits=VISITS[:3])
SCORES = scores_of(
    LONG[["participant", "value"]].assign(
        arm=LONG["arm"].map({"new": "exp", "usual": "ctl"}), visit=LONG["visit"].str.replace("v", "w"),
        day=LONG["week"] * 1.75,
    )
)  # fmt: skip
OUTCOME = "score.total"
ALONE = replace(DESIGN, design="single-arm", arms=DESIGN.arms[:1])
FIRST = SCORES[SCORES["visit"] == "w0"]


def fit(scores=SCORES, design=DESIGN, **choice):
    return fit_change(scores, OUTCOME, design=design, model=ModelChoice(**choice))


def alone(**choice):
    return fit(SCORES[SCORES["arm"] == "exp"], ALONE, **choice)


REFUSED = {
    "a time nobody knows": (lambda: fit(time="spiral"), "'spiral'"),
    "a unit of time nobody knows": (lambda: fit(time="linear", time_unit="moon"), "'moon'"),
    "a baseline nobody knows": (lambda: fit(baseline="guess"), "'guess'"),
    "nobody after the first visit": (lambda: fit(FIRST), "w0|later|nobody"),
    "covariates without people": (lambda: fit(covariates=("age",)), "age"),
    "slopes of a model without time": (lambda: fit().slopes(), "linear"),
    "a contrast by what is no column": (lambda: fit().contrast("w2 - w0", by="site"), "by='site'"),
    "a re-randomisation of one arm": (lambda: alone().permute(np.random.default_rng(1), deals=9), "one arm"),
    "an effect of neither arm": (lambda: effect_from_fit(fit(), "w2", arm="both"), "arm"),
    "a true change of an arm of two": (lambda: true_change_from_fit(fit(), "w2", 5.0), "arm|Which"),
    "a summary of another baseline": (
        lambda: grant_summary(SCORES, OUTCOME, design=DESIGN, baseline="w1"), "baseline|w1"
    ),
    "two conditions where there is one": (lambda: compare_within_visit(SCORES, OUTCOME), "condition"),
    "no file of sums": (lambda: merge_files([]), "No file"),
    "covariates of nobody": (lambda: describe_missing(LONG, covariates=pd.DataFrame({"age": [50]})), "participant"),
    "effects of people of a model without them": (
        lambda: random_effects(fit_mixed(LONG, "value ~ arm", participant="participant", visit="visit",
                                         covariance="compound-symmetry")), "random"
    ),
    "sites of a model without them": (
        lambda: site_predictions(fit_mixed(LONG, "value ~ arm", participant="participant", random="1")), "site"
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", REFUSED)
def test_what_a_model_of_change_cannot_answer_is_refused(what):
    call, words = REFUSED[what]
    with pytest.raises(FitError, match=words):
        call()


def test_an_effect_over_the_spread_at_the_visit_says_what_that_spread_is():
    """With baseline as covariate the SD at the visit is what is left at equal baselines: smaller than of the values."""
    adjusted = effect_from_fit(fit(baseline="covariate"), "w2", standardiser="visit-sd")
    assert "left at equal baselines" in dict(adjusted.extra)["standardiser"]
    of_changes = effect_from_fit(fit(baseline="change"), "w2", standardiser="visit-sd")
    assert "of the changes" in dict(of_changes.extra)["standardiser"]


def test_one_arm_has_the_same_effect_with_and_without_a_name():
    """The change over the SD at baseline, both of the sample (whole data: the model's change is the mean's)."""
    own = SCORES[SCORES["arm"] == "exp"]
    wide = own.pivot(index="participant", columns="visit", values="value")
    expected = (wide["w2"] - wide["w0"]).mean() / wide["w0"].std(ddof=1) * hedges_correction(len(wide) - 1)
    unnamed = replace(DESIGN, design="single-arm", arms=())
    for scores, design in ((own, ALONE), (own, unnamed), (own.assign(arm=""), ALONE), (own.assign(arm=""), unnamed)):
        (row,) = model_effects(scores, OUTCOME, design=design, visit="w2").rows
        assert row.size is not None, row
        assert (row.size.estimate, row.n, row.enrolled) == (pytest.approx(expected, rel=1e-6), len(wide), len(wide))


def test_true_changes_rest_on_the_same_variance_whatever_the_baseline_is():
    """Whole data, one arm: the variance of later - baseline is the sample's, from the model of values or of changes."""
    own = SCORES[SCORES["arm"] == "exp"]
    wide = own.pivot(index="participant", columns="visit", values="value")
    for baseline in ("outcome", "change"):
        model = fit(own, ALONE, baseline=baseline, covariance="unstructured")
        made = true_change_from_fit(model, "w2", 1.0, error=0.1)
        variance = (wide["w2"] - wide["w0"]).var(ddof=1)
        assert dict(made.extra)["true_sd"] ** 2 == pytest.approx(variance - 2 * 0.1**2, rel=1e-5)
    own = own[own["visit"] != "w1"]  # numpy's least squares of the end on the start, residuals on n - 2 df
    slope, level = np.polyfit(wide["w0"], wide["w2"], 1)
    rest = ((wide["w2"] - slope * wide["w0"] - level) ** 2).sum() / (len(wide) - 2)
    made = true_change_from_fit(fit(own, ALONE, baseline="covariate"), "w2", 1.0, error=0.1)
    expected = rest + (slope - 1) ** 2 * wide["w0"].var(ddof=1) - 2 * 0.1**2
    assert dict(made.extra)["true_sd"] ** 2 == pytest.approx(expected, rel=1e-5)
