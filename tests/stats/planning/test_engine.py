"""The stacked fits of simulated trials against the one-at-a-time engine, which is checked against R elsewhere."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from stats import fit_mixed
from stats.errors import PlanError
from stats.planning import FinalValueAnalysis, ResponderAnalysis, simulate_trials, visits_truth
from stats.planning.simulation.mixed_analysis import MixedAnalysis
from stats.planning.simulation.stacked_fits import fit_stack
from stats.planning.simulation.trials import Trials, slopes_truth

TIMES = np.array([0.0, 1, 2, 4, 6])
N, T = 20, 5


def trials(seed, gaps):
    truth = slopes_truth(
        times=tuple(TIMES), difference=0.5, sd_residual=3, sd_slope=0.6, sd_intercept=7, correlation=-0.2,
        reference_slope=1, start=20, retention=((1, 0.95, 0.9, 0.85, 0.8),) * 2, gaps=gaps,
    )  # fmt: skip
    return truth.maker(N // 2)(np.random.default_rng(seed), 5)


def rows(made, r):
    frame = pd.DataFrame(
        {
            "person": np.repeat(np.arange(N), T),
            "arm": np.repeat(np.where(made.arm == 1, "treatment", "a"), T),
            "time": np.tile(TIMES, N),
            "y": made.values[r].ravel(),
        }
    )
    frame["base"] = frame["person"].map(frame[frame["time"] == 0].set_index("person")["y"])
    return frame


def one_at_a_time(frame, formula, contrast, df, **model):
    fit = fit_mixed(frame.dropna(subset=["y"]), formula, participant="person", visit="time", **model)
    L = np.zeros(len(fit.terms))
    for term, weight in contrast.items():
        L[fit.terms.index(term)] = weight
    found = fit.estimates(L, ["contrast"], df=df)
    return found.estimate[0], found.std_error[0], found.df[0]


def cell(time, arm):
    return f"C(time)[{time}]:C(arm)[{arm}]"


CASES = {
    "random slopes": (
        MixedAnalysis(time="linear", baseline="outcome", random="1 + time"),
        "y ~ time * arm",
        {"random": "1 + time"},
        {"time:arm[T.treatment]": 1},
    ),
    "uncorrelated random slopes": (
        MixedAnalysis(time="linear", baseline="outcome", random="1 + time", correlated=False),
        "y ~ time * arm",
        {"random": "1 + time", "correlated": False},
        {"time:arm[T.treatment]": 1},
    ),
    "random intercept, equal starts": (
        MixedAnalysis(time="linear", baseline="constrained", random="1"),
        "y ~ time + time:arm",
        {"random": "1"},
        {"time:arm[T.treatment]": 1},
    ),
    "first-order autoregression": (
        MixedAnalysis(time="linear", baseline="outcome", covariance="ar1"),
        "y ~ time * arm",
        {"covariance": "ar1"},
        {"time:arm[T.treatment]": 1},
    ),
    "random slopes by arm": (
        MixedAnalysis(time="linear", baseline="outcome", random="1 + time", by_arm=True),
        "y ~ time * arm",
        {"random": "1 + time", "by": "arm"},
        {"time:arm[T.treatment]": 1},
    ),
    "unstructured, baseline as covariate": (
        MixedAnalysis(baseline="covariate", covariance="unstructured"),
        "y ~ C(time) * arm + C(time):base",
        {"covariance": "unstructured"},
        {"arm[T.treatment]": 1, "C(time)[T.6.0]:arm[T.treatment]": 1},
    ),
    "toeplitz, baseline as outcome": (
        MixedAnalysis(baseline="outcome", covariance="toeplitz"),
        "y ~ C(time) * arm",
        {"covariance": "toeplitz"},
        {"C(time)[T.6.0]:arm[T.treatment]": 1},
    ),
}


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("gaps", [0.0, 0.1])
@pytest.mark.parametrize("df", ["kenward-roger", "kenward-roger-observed", "satterthwaite"])
def test_stack_equals_single_fits(name, gaps, df):
    analysis, formula, model, contrast = CASES[name]
    made = trials(11, gaps)
    analysis = MixedAnalysis(**{**analysis.__dict__, "df": df})
    y, X, L, times = analysis._design(made)
    Z = None
    if analysis.random:
        Z = np.column_stack([np.ones_like(times), times])[:, : 2 if "time" in analysis.random else 1]
    found = fit_stack(
        y, X, L, Z=Z, group=made.arm if analysis.by_arm else None, correlated=analysis.correlated,
        covariance=analysis.covariance, df=df, times=times,
    )  # fmt: skip
    assert found.converged.any()
    for r in np.flatnonzero(found.converged):
        frame = rows(made, r)
        if analysis.baseline == "covariate":
            frame = frame[(frame["time"] > 0) & frame["y"].notna()]
            everybody = frame.drop_duplicates("person")["base"].mean()  # of those in the model, both arms together
            frame = frame.assign(base=frame["base"].fillna(everybody) - everybody)
        expected = one_at_a_time(frame, formula, contrast, df, **model)
        # both stop where a further Newton step would move less than 1e-8 standard errors
        assert (found.estimate[r], found.std_error[r], found.df[r]) == pytest.approx(expected, rel=2e-6, abs=1e-7)


def test_constrained_baseline_equals_single_fits():
    made = trials(12, 0.05)
    analysis = MixedAnalysis(baseline="constrained", covariance="unstructured")
    found = analysis(made)
    for r in np.flatnonzero(found.usable):
        frame = rows(made, r)
        frame["cell"] = frame["time"].astype(str) + np.where(frame["time"] == 0, "", frame["arm"])
        expected = one_at_a_time(
            frame,
            "y ~ 0 + cell",
            {"cell[6.0treatment]": 1, "cell[6.0a]": -1},
            "kenward-roger",
            covariance="unstructured",
        )
        assert found.estimate[r] == pytest.approx(expected[0], abs=1e-7)


def test_level_and_scale_do_not_matter():
    made = trials(13, 0.1)
    analysis = MixedAnalysis(time="linear", baseline="outcome", random="1 + time")
    plain = analysis(made)
    moved = analysis(Trials(1000 + 50 * made.values, made.arm, made.times))
    np.testing.assert_allclose(moved.estimate, 50 * plain.estimate, rtol=1e-6)
    np.testing.assert_allclose(moved.p_value, plain.p_value, rtol=1e-5)


def test_missing_arm_at_a_visit_gives_no_answer():
    made = trials(14, 0.0)
    values = made.values.copy()
    values[0, made.arm == 1, -1] = np.nan  # replicate 0: nobody treated came to the last visit
    found = MixedAnalysis(baseline="outcome", covariance="unstructured")(Trials(values, made.arm, made.times))
    assert not found.usable[0]
    assert found.usable[1:].all()
    assert np.isnan(found.p_value[0])


def test_ladder_steps_down_where_there_is_no_maximum():
    # 4 people and 5 visits cannot carry an unstructured matrix; the next structure answers instead.
    made = slopes_truth(times=tuple(TIMES), difference=0, sd_residual=3, sd_slope=0.5, sd_intercept=6).maker(2)(
        np.random.default_rng(3), 10
    )
    alone = MixedAnalysis(baseline="outcome", covariance="unstructured")(made)
    ladder = MixedAnalysis(baseline="outcome", covariance="unstructured", then=((None, "compound-symmetry"),))(made)
    assert not alone.usable.any()
    assert ladder.usable.all()


def test_replicates_in_which_an_arm_was_never_seen_come_back_without_an_answer():
    """Two of five trials lose a whole arm at the last visit; the others are what they are without those two."""
    analysis = MixedAnalysis(baseline="outcome", covariance="compound-symmetry", by_arm=True)
    made = trials(3, 0.05)
    y, X, L, times = analysis._design(made)
    options = {"group": made.arm, "covariance": analysis.covariance, "times": times}
    lost = y.copy()
    lost[np.ix_([0, 3], np.flatnonzero(made.arm == 1), [T - 1])] = np.nan
    found, whole = fit_stack(lost, X, L, **options), fit_stack(y, X, L, **options)
    assert not found.converged[[0, 3]].any()
    assert np.isnan(found.estimate[[0, 3]]).all()
    np.testing.assert_allclose(found.estimate[[1, 2, 4]], whole.estimate[[1, 2, 4]], rtol=1e-7)
    nobody = fit_stack(np.where(made.arm[:, None] & (np.arange(T) == T - 1), np.nan, y), X, L, **options)
    assert not nobody.converged.any()


def test_uncorrelated_lines_of_each_arm_equal_single_fits():
    analysis = MixedAnalysis(time="linear", baseline="outcome", random="1 + time", by_arm=True, correlated=False)
    made = trials(5, 0.1)
    y, X, L, times = analysis._design(made)
    found = fit_stack(y, X, L, Z=np.column_stack([np.ones(T), times]), group=made.arm, correlated=False, times=times)
    for r in np.flatnonzero(found.converged):
        expected = one_at_a_time(rows(made, r), "y ~ time * arm", {"time:arm[T.treatment]": 1}, "kenward-roger",
                                 random="1 + time", by="arm", correlated=False)  # fmt: skip
        assert (found.estimate[r], found.std_error[r], found.df[r]) == pytest.approx(expected, rel=2e-6, abs=1e-7)
    assert found.converged.any()


def test_a_simulation_without_an_answer_says_how_often():
    """No trial of two with an answer: no mean, no coverage. Nobody left in an arm: no comparison of shares."""
    truth = visits_truth(times=(0.0, 1.0), difference=2.0, sd=4.0, correlation=0.5)
    drawn = simulate_trials(truth.maker(6), FinalValueAnalysis(), replicates=2, seed=3)
    none = replace(drawn, verdicts=replace(drawn.verdicts, usable=np.zeros(2, dtype=bool)), truth=np.nan)
    told = none.frame().set_index("quantity")
    assert np.isnan(told.loc["mean estimate", "value"])
    assert told.loc["without an answer", "value"] == 1.0
    assert "coverage" not in told.index
    assert np.isnan(replace(none, truth=2.0).frame().set_index("quantity").loc["coverage", "value"])
    made = truth.maker(3)(np.random.default_rng(1), 2)
    made.values[0, made.arm == 1, -1] = np.nan
    found = ResponderAnalysis(threshold=1.0, missing="observed")(made)
    assert not found.usable[0]
    assert found.usable[1]
    assert np.isnan(found.estimate[0])


def test_weights_and_the_same_trial_by_another_weighting():
    made = trials(7, 0.0)
    last = MixedAnalysis(baseline="outcome", covariance="compound-symmetry")(made)
    same = MixedAnalysis(baseline="outcome", covariance="compound-symmetry", weights=(0, 0, 0, 1))(made)
    np.testing.assert_allclose(last.estimate, same.estimate, rtol=1e-9)
    with pytest.raises(PlanError, match="weights has 2 numbers for 4 visits"):
        MixedAnalysis(baseline="outcome", covariance="compound-symmetry", weights=(0, 1))(made)
