"""The truth that is written beside a cohort."""

import json
from dataclasses import replace

import numpy as np
import pytest

from outcomes import score
from outcomes.library.registry import threshold
from synthetic_cohort import make_cohort, population_truth, preset
from synthetic_cohort.truth import population_effects


@pytest.fixture(scope="module")
def cohort(tmp_path_factory):
    return make_cohort("demo", seed=3, folder=tmp_path_factory.mktemp("truth") / "study")


def test_the_truth_file_holds_means_effects_people_responders_and_the_ledger(cohort):
    held = json.loads((cohort.folder / "truth.json").read_text(encoding="utf-8"))
    assert {"population", "means", "participants", "true_responders", "planted_errors", "latent_effects"} <= set(held)
    assert len(held["planted_errors"]) == len(cohort.ledger)
    people = {row["participant"] for row in held["participants"]}
    assert people == set(cohort.sheets["participants"]["participant"])
    assert held["note"].startswith("Invented")


def test_true_responders_are_those_whose_true_improvement_reaches_the_threshold(cohort):
    key = "fma_ue-motor-page-2012-lowest"
    responders = cohort.truth.responders("fma_ue.motor", "week8", threshold(key).value)
    rows = cohort.truth.people
    rows = rows[(rows["outcome"] == "fma_ue.motor") & (rows["visit"] == "week8")].set_index("participant")
    assert set(responders) == set(rows.index[rows["true_improvement"] >= 4.25])
    listed = [
        entry for entry in cohort.truth.responder_lists() if entry["threshold"] == key and entry["visit"] == "week8"
    ]
    assert listed[0]["participants"] == list(responders)


def test_true_improvement_starts_at_nothing_and_lower_is_better_is_turned(cohort):
    rows = cohort.truth.people
    assert (rows.loc[rows["visit"] == "baseline", "true_improvement"] == 0).all()
    plexus = make_cohort("plexus", seed=1).truth.people
    dash = plexus[plexus["outcome"] == "dash.total"].pivot(index="participant", columns="visit", values="true_score")
    gained = plexus[(plexus["outcome"] == "dash.total") & (plexus["visit"] == "month12")].set_index("participant")
    assert np.allclose(gained["true_improvement"], (dash["entry"] - dash["month12"])[gained.index])


def test_observed_scores_scatter_about_the_true_ones_by_the_error_of_measurement():
    """Over many people the mean of observed minus true is zero and its SD is the design's error of measurement."""
    design = preset("null_trial").clean()
    measures = tuple(replace(entry, rater_sd=0.0, learning=0.0) for entry in design.measures)
    cohort = make_cohort(replace(design, measures=measures), seed=5)
    true = cohort.truth.people.set_index(["outcome", "participant", "visit"])["true_score"]
    seen = score(cohort.study)
    seen = seen[(seen["outcome"] == "fma_ue.motor") & seen["value"].notna()]
    error = (
        seen["value"].to_numpy() - true.loc[list(zip(seen["outcome"], seen["participant"], seen["visit"], strict=True))]
    )
    # Retest 0.965 at an SD near 11.7: error of measurement about 2.2 points; 150 visits, standard error 0.18.
    assert error.mean() == pytest.approx(0.0, abs=0.6)
    assert 1.6 < error.std() < 2.8


def test_population_effects_name_the_difference_from_the_reference():
    effects = population_effects(preset("demo")).set_index(["arm", "visit"])
    assert effects.loc[("usual", "week8"), "effect"] == 0
    assert effects.loc[("practice", "baseline"), "improvement"] == 0
    assert 3.0 < effects.loc[("practice", "week8"), "effect"] < 5.0
    # What is kept at week 16 is less than at week 8: the design's effect fades with a half-life of 150 days.
    assert effects.loc[("practice", "week16"), "effect"] < effects.loc[("practice", "week8"), "effect"]


def test_population_truth_is_the_mean_of_many_personal_truths():
    """Two routes to the same number: personal true scores averaged over cohorts, and the simulated population."""
    design = preset("demo").clean()
    protocol = {**design.protocol, "outcomes": ["fma_ue.motor"], "thresholds": {}, "instruments": {}}
    design = replace(design, measures=(design.measure("fma_ue"),), protocol=protocol)
    mean = population_truth(design, people=40_000).set_index(["arm", "visit"])["mean"]
    personal = np.mean([_week8(make_cohort(design, seed=seed)) for seed in range(40)])
    # 480 people with an SD of 11 points: standard error 0.5.
    assert personal == pytest.approx(mean["practice", "week8"], abs=1.6)


def _week8(cohort) -> float:
    rows = cohort.truth.people
    own = rows[(rows["outcome"] == "fma_ue.motor") & (rows["arm"] == "practice") & (rows["visit"] == "week8")]
    return float(own["true_score"].mean())


def test_recovery_is_absent_late_and_saturates_early():
    late = population_truth(preset("null_trial"), people=20_000)
    assert late["change_mean"].abs().max() < 0.25
    early = population_truth(preset("many_sites"), people=20_000)
    usual = early[early["arm"] == "usual"].set_index("visit")["change_mean"]
    per_day = [usual["week2"] / 16, (usual["week4"] - usual["week2"]) / 12, (usual["month3"] - usual["week4"]) / 62]
    assert per_day[0] > per_day[1] > per_day[2] > 0
