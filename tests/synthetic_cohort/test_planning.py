"""What planning gets: arrays of many cohorts, reproducible, the same whatever else is asked for."""

from dataclasses import replace

import numpy as np
import pytest

from outcomes.errors import StudyError
from synthetic_cohort import population_truth, preset, simulate_scores, with_difference


def test_shapes_and_labels():
    design = preset("demo")
    drawn = simulate_scores(design, np.random.default_rng(1), 7, ["fma_ue.motor", "bbt.blocks"])
    assert drawn.y["fma_ue.motor"].shape == drawn.observed.shape == (7, 24, 5)
    assert drawn.arm.tolist() == [0] * 12 + [1] * 12
    assert drawn.arms == ("practice", "usual")
    assert drawn.visits[0] == "baseline"
    assert drawn.day.tolist() == [0, 14, 28, 56, 112]
    assert np.isnan(drawn.seen("bbt.blocks")).sum() == (~drawn.observed).sum()


def test_the_same_generator_state_gives_the_same_scores_and_another_call_gives_others():
    design = preset("demo")
    first = simulate_scores(design, np.random.default_rng(4), 3)
    rng = np.random.default_rng(4)
    again, later = simulate_scores(design, rng, 3), simulate_scores(design, rng, 3)
    assert (first.y["fma_ue.motor"] == again.y["fma_ue.motor"]).all()
    assert (first.y["fma_ue.motor"] != later.y["fma_ue.motor"]).any()


def test_an_outcome_does_not_change_because_another_is_asked_for():
    design = preset("demo")
    alone = simulate_scores(design, np.random.default_rng(5), 4, ["bbt.blocks"]).y["bbt.blocks"]
    both = simulate_scores(design, np.random.default_rng(5), 4, ["fma_ue.motor", "bbt.blocks"]).y["bbt.blocks"]
    assert (alone == both).all()


def test_replicates_are_independent_and_differ():
    scores = simulate_scores(preset("demo"), np.random.default_rng(6), 400, missing="none").y["fma_ue.motor"]
    entry = scores[:, :, 0]
    # Means of cohorts of 24 vary as independent people would: variance ratio 1, standard error 0.07.
    assert entry.mean(axis=1).var(ddof=1) * 24 / entry.var() == pytest.approx(1.0, abs=0.25)


def test_an_outcome_not_measured_is_refused():
    with pytest.raises(StudyError, match="dash is not measured; it has fma_ue"):
        simulate_scores(preset("demo"), np.random.default_rng(1), 2, ["dash.total"])


def test_a_target_difference_is_what_the_population_shows():
    design = with_difference(preset("demo"), 5.25, visit="week8")
    truth = population_truth(design, people=40_000, seed=99)
    week8 = truth[truth["visit"] == "week8"].set_index("arm")
    difference = week8.loc["practice", "change_mean"] - week8.loc["usual", "change_mean"]
    # Both the search (8,000 per arm) and this check (40,000 per arm) are simulated: standard error about 0.06.
    assert difference == pytest.approx(5.25, abs=0.2)


def test_a_difference_beyond_the_scale_or_without_a_reference_is_refused():
    with pytest.raises(StudyError, match="cannot be reached"):
        with_difference(preset("demo"), 66.0)
    with pytest.raises(StudyError, match="needs a reference arm"):
        with_difference(preset("plexus"), 2.0)


def test_without_effects_the_arms_do_not_differ():
    truth = population_truth(preset("null_trial"), people=20_000)
    last = truth[truth["visit"] == "week12"].set_index("arm")["change_mean"]
    assert last["stretching"] == pytest.approx(last["talks"], abs=0.12)  # standard error 0.03 each


def test_the_assisted_hand_is_better_at_the_same_visit():
    from outcomes import score
    from synthetic_cohort import make_cohort

    scores = score(make_cohort(replace(preset("device_pilot"), missing=preset("demo").missing), seed=3).study)
    blocks = scores[scores["outcome"] == "bbt.blocks"].pivot_table(
        index=["participant", "visit"], columns="condition", values="value"
    )
    assert (blocks["assisted"] - blocks["unassisted"]).mean() > 3
