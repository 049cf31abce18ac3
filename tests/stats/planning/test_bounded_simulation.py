"""Power for grades and scores with ends: each simulated trial is analysed by the very model of `stats.bounded`."""

import numpy as np
import pandas as pd
import pytest

from stats.bounded.counts import fit_bounded
from stats.bounded.grades import fit_ordinal
from stats.errors import PlanError
from stats.planning import EndsAnalysis, GradeAnalysis, simulate_trials
from stats.planning.simulation.trials import NormalTruth

GRADES = NormalTruth((0.0, 4.0), ((1.6, 1.6), (1.6, 3.2)), ((1.0, 0.5), (0.5, 1.0)), low=0, high=4, step=1)
SUMS = NormalTruth(
    (0.0, 4.0, 8.0), ((17.0, 17.0, 17.0), (17.0, 19.0, 21.0)),
    ((16.0, 10.0, 10.0), (10.0, 16.0, 10.0), (10.0, 10.0, 16.0)), low=0, high=24, step=1,
)  # fmt: skip


def rows_of(values, arm):
    """One later visit of one trial as a plain frame."""
    base = (values[:, 0] - values[:, 0].mean()) / values[:, 0].std()
    return pd.DataFrame({"value": values[:, 1], "base": base, "arm": np.where(arm, "t", "c")})


def test_grades_of_each_trial_give_what_the_model_gives_alone():
    trials = GRADES.maker(20)(np.random.default_rng(5), 6)
    found = GradeAnalysis()(trials, 0.9)
    for place, values in enumerate(trials.values):
        own = fit_ordinal(rows_of(values, trials.arm), "value ~ base + arm").fixed(level=0.9).set_index("term")
        row = own.loc["arm[T.t]"]
        assert found.estimate[place] == pytest.approx(row["estimate"])
        assert found.p_value[place] == pytest.approx(row["p_value"])
        assert found.conf_low[place] == pytest.approx(row["conf_low"])
    assert found.usable.all()
    assert (found.estimate > 0).all()


@pytest.mark.parametrize("family", ["beta-binomial", "censored"])
def test_scores_with_a_ceiling_keep_their_scale_and_their_truth(family):
    """Three in ten at the ceiling; the truth is the difference of recorded scores, below the 4 that were drawn."""
    analysis = EndsAnalysis(0, 24, family=family)
    made = simulate_trials(SUMS.maker(14), analysis, replicates=2, seed=2)
    means = SUMS.observed_means()
    assert made.truth == pytest.approx(means[1, -1] - means[0, -1])
    assert 3 < made.truth < 3.9
    assert made.verdicts.usable.all()
    assert np.abs(made.verdicts.estimate - made.truth).max() < 6
    assert (made.verdicts.conf_low < made.verdicts.conf_high).all()


def test_several_visits_are_one_model_with_an_intercept_per_person():
    trials = SUMS.maker(14)(np.random.default_rng(1), 1)
    found = EndsAnalysis(0, 24)(trials)
    values, people = trials.values[0], len(trials.arm)
    base = np.repeat((values[:, 0] - values[:, 0].mean()) / values[:, 0].std(), 2)
    rows = pd.DataFrame({"value": values[:, 1:].ravel(), "base": base, "arm": np.repeat(trials.arm, 2),
                         "visit": np.tile([1, 2], people), "id": np.repeat(np.arange(people), 2)})  # fmt: skip
    fit = fit_bounded(rows, "value ~ base + C(arm) * C(visit)", participant="id", maximum=24, points=7)
    own = fit.marginal_difference(between="arm", by="visit").frame()
    assert found.estimate[0] == pytest.approx(own["estimate"].iloc[-1], rel=1e-6)


def test_a_trial_that_cannot_be_answered_counts_as_not_significant():
    stuck = NormalTruth((0.0, 4.0), ((9.0, 9.0), (9.0, 9.0)), ((0.01, 0.0), (0.0, 0.01)), low=0, high=4, step=1)
    made = simulate_trials(stuck.maker(5), GradeAnalysis(), replicates=2)
    assert not made.verdicts.usable.any()
    assert "had no answer" in made.notes[0]


def test_impossible_scales_are_refused():
    for wrong in ({"low": 3, "high": 3}, {"low": 0, "high": 4, "family": "normal"}, {"low": 0, "high": 4, "step": 0}):
        with pytest.raises(PlanError, match="allowed"):
            EndsAnalysis(**wrong)
