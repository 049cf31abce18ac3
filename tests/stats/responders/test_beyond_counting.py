"""Imputed shares, true change, reliable change, anchors, comparisons inside a visit, effects from a fit."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

import outcomes
import synthetic_cohort
from outcomes.protocol.trial import ModelChoice
from stats.change.change_fit import fit_change
from stats.change.person_changes import change_table
from stats.change.within_visit import compare_within_visit
from stats.effects.effects_of_a_fit import effect_from_fit, true_change_from_fit
from stats.effects.effects_of_a_study import model_effects
from stats.effects.effects_of_scores import effect_sizes
from stats.effects.noncentral import hedges_correction
from stats.errors import FitError
from stats.measurement.anchor_mcid import estimate_mcid, predictive_threshold, roc_cut
from stats.proportions.one_proportion import proportion_interval
from stats.responders.beyond_error import clinical_cutoffs, reliable_change
from stats.responders.count import count_responders, with_imputations
from stats.responders.imputed_counts import share_over_imputations, standard_error
from stats.responders.true_change import regression_to_mean, true_change_share

# ---- multiply imputed shares


def test_equal_imputations_are_plain_wilson():
    pooled = share_over_imputations([7, 7, 7], 12)
    plain = proportion_interval(7, 12)
    assert pooled.limits(0.95) == pytest.approx((plain.conf_low, plain.conf_high))


def test_imputed_interval_solves_its_equation():
    # Lott & Reiter 2020: |share - p| = t sqrt(p (1 - p) (1 + r) / n) at both limits
    from scipy.stats import t

    pooled = share_over_imputations([5, 6, 8, 7, 6], 12)
    for limit in pooled.limits(0.95):
        reach = t.ppf(0.975, pooled.df) * np.sqrt(limit * (1 - limit) * (1 + pooled.inflation) / 12)
        assert abs(pooled.share - limit) == pytest.approx(reach)
    # Rubin's total variance by hand
    shares = np.array([5, 6, 8, 7, 6]) / 12
    within = (shares * (1 - shares) / 12).mean()
    inflation = 1.2 * shares.var(ddof=1) / within
    assert pooled.inflation == pytest.approx(inflation)
    assert standard_error(pooled) == pytest.approx(np.sqrt(shares.mean() * (1 - shares.mean()) / 12 * (1 + inflation)))


def test_counting_over_completed_data_sets():
    observed = pd.DataFrame({"participant": list("abcd"), "improvement": [6.0, 1.0, np.nan, 8.0], "before": 10.0})
    completed = [observed.fillna({"improvement": value}) for value in (2.0, 7.0, 3.0, 9.0)]
    counted = with_imputations(count_responders(observed, 5, source="anchor"), completed)
    row = counted.frame().iloc[0]
    assert row["estimate_imputed"] == pytest.approx((2 + 3 + 2 + 3) / 16)
    assert row["estimate_enrolled"] == 0.5
    assert row["conf_low_imputed"] < row["estimate_imputed"] < row["conf_high_imputed"]
    with pytest.raises(FitError, match="still lacks values"):
        with_imputations(count_responders(observed, 5, source="anchor"), [observed, observed])
    with pytest.raises(FitError, match="other participants"):
        with_imputations(count_responders(observed, 5, source="anchor"), [completed[0].head(3)] * 2)


# ---- true change


def test_true_share_recovers_a_known_truth():
    """Normal true changes 4 (SD 3), error variance 8 on the change: half are at or above 4, a sixth at 7."""
    rng = np.random.default_rng(3)
    true = rng.normal(4, 3, 200_000)
    observed = true + rng.normal(0, np.sqrt(8), 200_000)
    made = true_change_share(observed.mean(), observed.var(), 8, 7)
    assert made.estimate == pytest.approx((true >= 7).mean(), abs=0.004)
    assert made["observed_share"] == pytest.approx((observed >= 7).mean(), abs=0.004)
    assert made["observed_share"] > made.estimate + 0.05  # counting observed changes overstates it


def test_true_share_interval_covers_close_to_nominal():
    """500 samples of 24: coverage within 4 Monte-Carlo standard errors of 95 %."""
    rng, held, n = np.random.default_rng(8), 0, 24
    truth = norm.sf((6 - 4) / 3)
    for _ in range(500):
        x = rng.normal(4, np.sqrt(9 + 4), n)
        made = true_change_share(x.mean(), x.var(ddof=1), 4, 6, mean_error=x.std(ddof=1) / np.sqrt(n), df=n - 1)
        held += made.conf_low <= truth <= made.conf_high
    assert held / 500 == pytest.approx(0.95, abs=0.04)


def test_no_true_variance_is_said():
    made = true_change_share(5, 4, 6, 4)
    assert made.estimate == 1
    assert np.isnan(made.conf_low)
    assert any("Error explains all" in note for note in made.notes)
    with pytest.raises(FitError, match="allowed above 0"):
        true_change_share(5, 0, 1, 4)


def test_regression_to_the_mean_by_simulation():
    rng = np.random.default_rng(5)
    first = rng.normal(50, 10, 400_000)
    second = 50 + 0.7 * (first - 50) + np.sqrt(1 - 0.49) * rng.normal(0, 10, 400_000)
    chosen = first < 40
    expected = regression_to_mean(10, 0.7, 40, 50, side="below")
    assert (second - first)[chosen].mean() == pytest.approx(expected, abs=0.1)


# ---- reliable change


def table(improvement, arm=""):
    return pd.DataFrame(
        {"participant": range(len(improvement)), "arm": arm, "improvement": improvement, "unit": "points"}
    )


def test_reliable_change_counts_and_shrinks():
    found = reliable_change(table([0.0, 3, 9, -8, np.nan]), error=2.46, threshold=5)
    frame = found.frame()
    # 1.96 sqrt(2) 2.46 = 6.82 points (Neurorehabil Neural Repair 2023;37(8):545-553)
    assert frame["beyond_error"].tolist()[:4] == [False, False, True, True]
    assert pd.isna(frame["beyond_error"].iloc[4])
    assert "1 of 4 improved and 1 worsened" in found.sentence()
    mean = 1.0
    assert ((frame["shrunken_change"] - mean).abs() <= (frame["improvement"] - mean).abs() + 1e-12)[:4].all()
    assert frame["probability_real"].iloc[0] == 0.5
    assert frame["probability_important"].iloc[2] < frame["probability_improved"].iloc[2]
    assert any("not a basis for decisions about one person" in note for note in found.notes)


def test_shrunken_probabilities_are_calibrated():
    """Among simulated people given a chance of 0.7 to 0.8 of a true improvement, that share truly improved."""
    rng = np.random.default_rng(12)
    true = rng.normal(2, 3, 50_000)
    frame = reliable_change(table(true + rng.normal(0, 2 * np.sqrt(2), 50_000)), error=2).frame()
    band = frame["probability_improved"].between(0.7, 0.8)
    assert (true[band] > 0).mean() == pytest.approx(frame.loc[band, "probability_improved"].mean(), abs=0.015)


def test_cutoffs_turn_with_the_direction():
    higher, lower = clinical_cutoffs(40, 7.5, 60, 7.5), clinical_cutoffs(60, 7.5, 40, 7.5)
    assert (higher.a, lower.a) == (55, 45)
    assert higher.c == lower.c == 50
    with pytest.raises(FitError, match="error="):
        reliable_change(table([1.0]))


# ---- anchors


def anchored(n, rng, shift=5.0):
    """True threshold `shift`: people rate themselves improved where their true change passes it."""
    true = rng.normal(shift, 6, n)
    return true + rng.normal(0, 2, n), (true >= shift).astype(float)


def test_predictive_threshold_recovers_the_truth():
    # Terluin 2015: unbiased where half improved; true threshold 5
    change, anchor = anchored(40_000, np.random.default_rng(1))
    assert predictive_threshold(change, anchor > 0) == pytest.approx(5, abs=0.1)
    assert roc_cut(change, anchor > 0) == pytest.approx(5, abs=0.6)


def test_roc_cut_by_hand():
    change = np.array([1.0, 2, 3, 6, 7, 8])
    improved = np.array([False, False, True, False, True, True])
    assert roc_cut(change, improved) == pytest.approx((2.5 + 6.5) / 2)  # both give 5/3, their mean is taken


def test_estimate_prints_n_and_warning_and_keeps_distribution_apart():
    change, anchor = anchored(40, np.random.default_rng(2))
    found = estimate_mcid(
        change,
        anchor,
        minimal=[1],
        unchanged=[0],
        baseline=change,
        error=2.0,
        rng=np.random.default_rng(3),
        resamples=200,
    )
    frame = found.frame().set_index("method")
    assert frame.loc["half a baseline SD", "support"]
    assert not frame.loc["predictive logistic", "support"]
    assert frame.loc["predictive logistic", "conf_low"] < frame.loc["predictive logistic", "estimate"]
    assert "n = 40" in found.sentence()
    assert "do not count responders of the same study" in found.sentence()


def test_weak_anchor_is_refused():
    rng = np.random.default_rng(4)
    with pytest.raises(FitError, match=r"allowed 0\.3 or more"):
        estimate_mcid(rng.normal(0, 1, 60), rng.integers(0, 2, 60).astype(float), minimal=[1])


@pytest.mark.parametrize(
    ("change", "anchor", "message"),
    [
        ([1, 2, 3], [0, 1, 1], "4 or more"),
        ([1, 1, 1, 1, 1], [0, 1, 1, 0, 1], "same for everyone"),
        ([1, 2, 3, 4, 5], [1, 2, 3, 4, 5], "both kinds are needed"),
    ],
)
def test_unusable_anchors_are_refused(change, anchor, message):
    with pytest.raises(FitError, match=message):
        estimate_mcid(change, anchor, minimal=[1])


def test_separated_anchor_has_no_logistic_estimate():
    found = estimate_mcid([1, 2, 3, 7, 8, 9], [0, 0, 0, 1, 1, 1], minimal=[1])
    frame = found.frame().set_index("method")
    assert "completely" in frame.loc["predictive logistic", "reason"]
    assert frame.loc["ROC, largest sensitivity + specificity", "estimate"] == 5


# ---- inside a visit


def assisted_scores(better="higher"):
    rows = []
    sign = 1 if better == "higher" else -1
    for person, values in {"a": (10, 14, 12, 20), "b": (20, 21, 22, 27), "c": (30, 36, 33, None)}.items():
        for (visit, day, condition), value in zip(
            [("v1", 0, "unassisted"), ("v1", 0, "assisted"), ("v2", 28, "unassisted"), ("v2", 28, "assisted")],
            values,
            strict=True,
        ):
            row = {"participant": person, "arm": "", "visit": visit, "day": day, "outcome": "bbt.blocks"}
            row |= {"hand": "affected", "condition": condition, "unit": "blocks", "better": better}
            rows.append(row | {"value": np.nan if value is None else sign * value})
    return pd.DataFrame(rows)


def test_assisted_against_unassisted_and_its_change():
    found = compare_within_visit(assisted_scores(), "bbt.blocks")
    frame = found.frame().set_index(["visit", "what"])
    assert frame.loc[("v1", "difference"), "estimate"] == pytest.approx((4 + 1 + 6) / 3)
    assert frame.loc[("v1", "difference"), "n"] == 3
    assert frame.loc[("v2", "difference"), "n"] == 2
    assert frame.loc[("v2", "change since v1"), "estimate"] == pytest.approx(((8 - 4) + (5 - 1)) / 2)
    assert "assisted better than unassisted" in found.sentence()
    lower = compare_within_visit(assisted_scores("lower"), "bbt.blocks").frame()
    np.testing.assert_allclose(lower["estimate"], found.frame()["estimate"])


def test_conditions_are_never_pooled():
    scores = assisted_scores()
    assert change_table(scores, "bbt.blocks")["change"].tolist() == [2, 2, 3]  # unassisted alone
    with pytest.raises(FitError, match="No score"):
        compare_within_visit(scores, "bbt.blocks", between="hand")
    with pytest.raises(FitError, match="condition"):
        compare_within_visit(scores, "bbt.blocks", between="side")


# ---- from a fit


@pytest.fixture(scope="module")
def demo():
    study = synthetic_cohort.make_cohort("demo", seed=1).study
    scores = outcomes.score(study)
    return scores, fit_change(scores, "fma_ue.motor", design=study.protocol), study


def test_effect_from_a_fit_is_the_estimate_over_the_sd(demo):
    scores, fit, _ = demo
    visit = str(fit.cells["visit"].iloc[-1])
    arm = next(one for one in fit.arms if one != fit.reference)
    row = fit.between().frame().query("visit == @visit and arm == @arm").iloc[0]
    made = effect_from_fit(fit, visit, arm=arm)
    plain = effect_from_fit(fit, visit, arm=arm, correct=False)
    assert plain.estimate == pytest.approx(row["estimate"] / plain["standardiser_value"])
    first = scores.query("outcome == 'fma_ue.motor' and visit == @fit.baseline_visit and hand == 'affected'")
    first = first[first["condition"] == "unassisted"].dropna(subset="value")
    # Hedges 1981: the exact factor on n - 2 df; 1 - 3 / (4 df - 1) is its published approximation.
    df = len(first) - 2
    assert made.estimate / plain.estimate == pytest.approx(1 - 3 / (4 * df - 1), abs=2e-4)
    assert made.conf_low / plain.conf_low == pytest.approx(made.estimate / plain.estimate)
    pooled = first.groupby("arm")["value"].var(ddof=1), first.groupby("arm")["value"].count() - 1
    # Everybody seen at baseline counts, also who has no later score.
    assert made["standardiser_value"] == pytest.approx(np.sqrt((pooled[0] * pooled[1]).sum() / pooled[1].sum()))
    assert made.conf_low < made.estimate < made.conf_high
    assert "SD at baseline" in made["standardiser"]
    with pytest.raises(FitError, match="No change at visit"):
        effect_from_fit(fit, "never", arm=arm)
    with pytest.raises(FitError, match="baseline-sd"):
        effect_from_fit(fit, visit, arm=arm, standardiser="sd")


def test_true_change_from_a_fit(demo):
    scores, _, study = demo
    # An unstructured covariance does not tell error from true change, so the error must be given.
    choice = ModelChoice(covariance="unstructured", baseline="constrained")
    fit = fit_change(scores, "fma_ue.motor", design=study.protocol, model=choice)
    visit = str(fit.cells["visit"].iloc[-1])
    with pytest.raises(FitError, match="error="):
        true_change_from_fit(fit, visit, 4.25, arm=fit.reference)
    made = true_change_from_fit(fit, visit, 4.25, arm=fit.reference, error=1.0)
    change = fit.changes().frame().query("visit == @visit and arm == @fit.reference").iloc[0]
    assert made.estimate == pytest.approx(norm.cdf((change["estimate"] - 4.25) / made["true_sd"]))
    # the model's variance of change is close to the observed one inside arms
    observed = change_table(scores, "fma_ue.motor", visit=visit).groupby("arm")["improvement"].var(ddof=1).mean()
    assert made["true_sd"] ** 2 + 2 == pytest.approx(observed, rel=0.35)


def test_change_against_the_reference_arm_for_every_outcome(demo):
    scores, fit, _ = demo
    found = effect_sizes(scores, ["fma_ue.motor", "nhpt.time"], kinds="pre-post-control", reference=fit.reference)
    frame = found.frame()
    other = next(one for one in fit.arms if one != fit.reference)
    assert frame["arm"].tolist() == [f"{other} - {fit.reference}"] * 2
    swapped = effect_sizes(scores, ["fma_ue.motor"], kinds="pre-post-control", reference=other).frame()
    assert swapped["estimate"].iloc[0] == pytest.approx(-frame["estimate"].iloc[0])
    with pytest.raises(FitError, match="needs two arms and reference="):
        effect_sizes(scores, "fma_ue.motor", kinds="pre-post-control")


def test_effect_sizes_from_the_models_of_a_study(demo):
    """Each row is what `effect_from_fit` gives for that outcome; an outcome without a model keeps its row."""
    scores, fit, study = demo
    made = model_effects(scores, design=study.protocol, participants=study.participants).frame()
    assert list(made["outcome"]) == list(study.protocol.outcomes)
    row = made.set_index("outcome").loc["fma_ue.motor"]
    arm = next(one for one in fit.arms if one != fit.reference)
    alone = effect_from_fit(fit, row["to_visit"], arm=arm)
    assert row["estimate"] == pytest.approx(alone.estimate)
    assert row["conf_low"] == pytest.approx(alone.conf_low)
    assert row["arm"] == f"{arm} - {fit.reference}"
    only_first = scores[(scores["outcome"] != "fma_ue.motor") | (scores["visit"] == study.protocol.baseline.id)]
    refused = model_effects(only_first, "fma_ue.motor", design=study.protocol).frame().iloc[0]
    assert np.isnan(refused["estimate"])
    assert "one visit" in refused["reason"]


def test_effect_sizes_of_a_crossover_are_of_the_treatment():
    """Complete data of two equal sequences: the mean of the two sequences' own differences between the periods'
    changes (the classical estimate, Senn 2002, section 3), over the SD inside sequences at the first start times J."""
    study = synthetic_cohort.make_cohort("crossover", seed=1).study
    scores = outcomes.score(study)
    wide = scores.query("outcome == 'bbt.blocks' and hand == 'affected'").pivot(
        index=["participant", "arm"], columns="visit", values="value"
    )
    whole = wide.dropna()
    kept = scores[scores["participant"].isin(whole.index.get_level_values(0))]
    size = whole.groupby("arm").size()
    assert size.min() >= 5
    first, second = (whole[f"p{k}_end"] - whole[f"p{k}_start"] for k in (1, 2))
    sign = np.where(whole.index.get_level_values("arm") == "vibration_first", 1, -1)
    classical = pd.Series(sign * (first - second)).groupby(sign).mean().mean()
    spread = whole["p1_start"].groupby("arm").var()
    sd = np.sqrt((spread * (size - 1)).sum() / (size.sum() - 2))
    made = model_effects(kept, "bbt.blocks", design=study.protocol).frame().iloc[0]
    factor = hedges_correction(size.sum() - 2) * (1 if made["arm"] == "vibration - none" else -1)
    assert made["estimate"] == pytest.approx(factor * classical / sd, rel=1e-6)
    assert made["n"] == size.sum()
