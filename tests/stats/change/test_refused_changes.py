"""What a model of change cannot answer is refused in words that name it; a trial drawn here, changed for each row."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import ttest_ind

from outcomes.protocol.trial import ModelChoice
from stats import FitError, fit_change, fit_mixed
from stats.change.conditions import fit_conditions
from stats.change.within_visit import compare_within_visit
from stats.effects.effects_of_a_fit import effect_from_fit, true_change_from_fit
from stats.effects.effects_of_a_study import model_effects
from stats.effects.for_an_application import grant_summary
from stats.effects.noncentral import hedges_correction
from stats.federated.merged import merge_files
from stats.missing.patterns import describe_missing
from stats.mixed.inference.diagnostics import random_effects, site_predictions
from tests.stats.change.test_fit_change import PARALLEL, VISITS, scores_of
from tests.stats.test_refused_tables import LONG, PERSON

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


RNG = np.random.default_rng(12)
FLAT = SCORES.assign(value=SCORES["value"].mask(SCORES["visit"] == "w0", 20.1))


def conditions(plain: str, helped: str) -> pd.DataFrame:
    """Each person without a device at one visit and with it at another, or the same."""
    first, second = (SCORES[SCORES["visit"] == visit] for visit in (plain, helped))
    return pd.concat([first, second.assign(condition="assisted", value=second["value"] + 2)], ignore_index=True)


AGES = pd.DataFrame({"participant": [f"p{k:02d}" for k in range(12)], "age": range(40, 52)})
REFUSED = {
    "a time nobody knows": (lambda: fit(time="spiral"), "'spiral'"),
    "a unit of time nobody knows": (lambda: fit(time="linear", time_unit="moon"), "'moon'"),
    "a baseline nobody knows": (lambda: fit(baseline="guess"), "'guess'"),
    "nobody after the first visit": (lambda: fit(FIRST), "w0|later|nobody"),
    "covariates without people": (lambda: fit(covariates=("age",)), "age"),
    "slopes of a model without time": (lambda: fit().slopes(), "linear"),
    "a contrast by what is no column": (lambda: fit().contrast("w2 - w0", by="site"), "by='site'"),
    "a re-randomisation of one arm": (lambda: alone().permute(np.random.default_rng(1), deals=9), "one arm"),
    "a re-randomisation of a bent line": (
        lambda: fit(time="piecewise", knots=(1.0,), random="1").permute(np.random.default_rng(1)), "piecewise"),
    "a joint test at equal baselines of one arm": (lambda: alone(baseline="covariate").joint(), "no joint test"),
    "changes of people who have none": (
        lambda: fit(SCORES.assign(value=SCORES["value"].mask((SCORES["visit"] == "w0") == (PERSON % 2 == 0))),
                    baseline="change"), "nobody has a value at w0"),
    "two covariates of one name": (
        lambda: fit_change(SCORES, OUTCOME, design=DESIGN, participants=AGES.assign(**{"log age": 1.0 * AGES["age"]}),
                           model=ModelChoice(covariates=("log age", "log(age)"))), "both called"),
    "an effect over no spread": (
        lambda: effect_from_fit(fit(FLAT), "w2"), "is 0.0"),
    "true changes of arms that differ in spread": (
        lambda: true_change_from_fit(fit(by_arm=True, covariance="compound-symmetry", baseline="outcome"), "w2", 5.0,
                                     arm="exp"), "differs by arm"),
    "true changes without an error": (
        lambda: true_change_from_fit(fit(covariance="unstructured"), "w2", 5.0, arm="exp"), "no separate error"),
    "no visit with both conditions": (
        lambda: compare_within_visit(conditions("w0", "w2"), OUTCOME), "no visit has both"),
    "a condition without a value": (
        lambda: fit_conditions(conditions("w0", "w0").assign(value=lambda t: t["value"].mask(
            t["condition"] == "assisted")), OUTCOME), "no value assisted|nothing to compare"),
    "one visit has no change of an effect": (
        lambda: fit_conditions(conditions("w0", "w0").assign(value=lambda t: t["value"] + RNG.normal(size=len(t))),
                               OUTCOME).joint(), "no arm has two visits"),
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


@pytest.mark.parametrize("choice", [{}, {"baseline": "covariate"}, {"baseline": "change"}])
def test_one_baseline_for_everybody_leaves_the_plain_comparison(choice):
    """Everybody at the lower end at entry, as with a hand that cannot grip: scipy's t test of the end alone."""
    made = fit(FLAT[FLAT["visit"] != "w1"], replace(DESIGN, visits=(VISITS[0], VISITS[2])), **choice)
    end = FLAT[FLAT["visit"] == "w2"]
    new, usual = (end.loc[end["arm"] == arm, "value"] for arm in ("exp", "ctl"))
    theirs = ttest_ind(new, usual)
    row = made.between().frame().iloc[0]
    assert (row["estimate"], row["p_value"]) == (
        pytest.approx(new.mean() - usual.mean(), abs=1e-9),
        pytest.approx(theirs.pvalue, rel=1e-8),
    )
    assert made.changes().frame()["estimate"].tolist() == pytest.approx([usual.mean() - 20.1, new.mean() - 20.1])
    assert choice.get("baseline") == "change" or any("nothing to adjust for" in note for note in made.notes)


def test_one_baseline_with_somebody_without_one_keeps_that_person():
    gap = FLAT.assign(value=FLAT["value"].mask((FLAT["visit"] == "w0") & (PERSON == 3)))
    made = fit(gap)
    assert made.n_participants == 12
    assert any("nothing to adjust for and it is left out" in note for note in made.notes)
    whole = fit(FLAT)
    np.testing.assert_allclose(made.between().estimate, whole.between().estimate, rtol=1e-9)
    assert made.permute(np.random.default_rng(1), deals=19).frame()["p_value"].between(0, 1).all()
    assert dict(true_change_from_fit(made, "w2", 1.0, arm="exp", error=0.1).extra)["true_sd"] > 0


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


def test_shares_of_the_error_of_lines_stand_apart_from_those_of_people():
    """Random lines leave a residual, which stands for the error; without an error= it is named as such."""
    made = true_change_from_fit(fit(time="linear", random="1", baseline="outcome"), "w2", 1.0, arm="exp")
    assert any("the model's residual variance" in note for note in made.notes)


def test_a_visit_in_one_condition_only_and_a_line_over_days_are_dealt_again():
    """A line over planned days, re-dealt: the p value of all 924 deals is a multiple of 1 / 924."""
    found = fit(time="linear", random="1").permute(np.random.default_rng(1), deals=4999)
    assert found.exact
    p = found.frame()["p_value"].iloc[0]
    assert (p * found.deals) == pytest.approx(round(p * found.deals), abs=1e-6)


def test_a_power_of_a_covariate_is_that_column():
    squared = AGES.assign(square=AGES["age"].astype(float) ** 2)
    by_power = fit_change(SCORES, OUTCOME, design=DESIGN, participants=AGES,
                          model=ModelChoice(covariates=("power(age, 2)",)))  # fmt: skip
    by_column = fit_change(SCORES, OUTCOME, design=DESIGN, participants=squared,
                           model=ModelChoice(covariates=("square",)))  # fmt: skip
    np.testing.assert_allclose(by_power.between().estimate, by_column.between().estimate, rtol=1e-9)
