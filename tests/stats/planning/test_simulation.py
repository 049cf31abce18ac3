"""Simulated trials: agreement with closed forms, error rates, reproducibility, resuming, makers and searches."""

import os
import signal
import subprocess
import sys
import textwrap
from dataclasses import dataclass
from functools import partial
from math import sqrt

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom, norm

from outcomes.protocol.trial import Arm, Measure, ModelChoice, PlannedVisit, Protocol
from stats import fit_change
from stats.errors import PlanError
from stats.planning.closed_form.exact_tables import rejected_tables
from stats.planning.closed_form.means import plan_ancova, plan_change, plan_means
from stats.planning.closed_form.mixed_model import plan_mixed
from stats.planning.closed_form.repeated import plan_repeated, plan_slopes
from stats.planning.simulation.mixed_analysis import MixedAnalysis
from stats.planning.simulation.plan_check import simulate_plan
from stats.planning.simulation.search import simulate_grid, size_by_simulation
from stats.planning.simulation.simulate import simulate_trials
from stats.planning.simulation.trials import (
    NormalTruth,
    Trials,
    fitted_truth,
    scores_maker,
    slopes_truth,
    visits_truth,
)
from stats.planning.simulation.verdicts import FinalValueAnalysis, ResponderAnalysis, Verdicts

# Monte-Carlo allowance: 4 standard errors of the simulated share, a false alarm in about 16,000 tests.
SIGMAS = 4
SLOPES = MixedAnalysis(time="linear", baseline="outcome", random="1 + time")
CHANGE = visits_truth(times=(0, 8), difference=5, sd=9, correlation=0.6)


def agrees(simulation, power, sigmas=SIGMAS):
    return abs(simulation.power - power) <= sigmas * sqrt(power * (1 - power) / simulation.replicates)


@pytest.mark.parametrize(
    ("adjust", "plan"),
    [
        ("none", plan_means(difference=5, sd=9, n_per_arm=40)),
        ("change", plan_change(difference=5, sd=9, correlation=0.6, n_per_arm=40)),
        ("baseline", plan_ancova(difference=5, sd=9, correlation=0.6, n_per_arm=40)),
    ],
)
def test_final_value_closed_forms(adjust, plan):
    assert agrees(simulate_trials(CHANGE.maker(40), FinalValueAnalysis(adjust), replicates=20_000, seed=2), plan.power)


def test_unequal_arms():
    plan = plan_ancova(difference=5, sd=9, correlation=0.6, n_per_arm=20, ratio=2)
    simulation = simulate_trials(CHANGE.maker(20, ratio=2), FinalValueAnalysis(), replicates=20_000, seed=3)
    assert simulation.n_arms == plan.n_arms
    assert agrees(simulation, plan.power)


def test_slopes_complete_data():
    # Complete data: Kenward-Roger's test of the slopes is the t test of least-squares slopes (balanced case), unless
    # the fit lies on the boundary; at 30 per arm that is rare.
    plan = plan_slopes(difference=0.5, times=(0, 2, 4, 6, 8), sd_residual=3, sd_slope=0.6, sd_intercept=7, n_per_arm=30)
    truth = slopes_truth(times=(0, 2, 4, 6, 8), difference=0.5, sd_residual=3, sd_slope=0.6, sd_intercept=7)
    simulation = simulate_trials(truth.maker(30), SLOPES, replicates=8000, seed=4)
    assert agrees(simulation, plan.power)


def test_slopes_with_dropout():
    # The information under dropout is that of large samples: 100 per arm, with the t law between its two counts of df.
    stay = (1, 0.95, 0.9, 0.85, 0.8)
    same = dict(difference=0.3, times=(0, 2, 4, 6, 8), sd_residual=3, sd_slope=0.6, sd_intercept=7, n_per_arm=100)  # noqa: C408
    plan = plan_slopes(**same, retention=stay)
    truth = slopes_truth(
        times=(0, 2, 4, 6, 8), difference=0.3, sd_residual=3, sd_slope=0.6, sd_intercept=7, retention=(stay, stay)
    )
    assert agrees(simulate_trials(truth.maker(100), SLOPES, replicates=3000, seed=5), plan.power)


@pytest.mark.parametrize("law", ["t", "normal"])
def test_mixed_model_with_dropout(law):
    # Lu, Luo and Chen's own example (row h_luluochen_example): 87 per arm, retention 1, .9, .8, .7, 80 % power.
    stay = (1.0, 0.9, 0.8, 0.7)
    plan = plan_mixed(difference=0.5, sd=1, correlation=0.25, retention=stay, n_per_arm=87, law=law)
    truth = visits_truth(
        times=(0, 1, 2, 3), difference=0.5, sd=1, correlation=0.25, profile="last", retention=(stay, stay)
    )
    analysis = MixedAnalysis(baseline="none", covariance="unstructured")
    assert agrees(simulate_trials(truth.maker(87), analysis, replicates=3000, seed=6), plan.power)


def test_constrained_baseline_with_dropout():
    stay = (1.0, 0.95, 0.85)
    plan = plan_mixed(difference=0.4, sd=1, correlation=0.6, retention=stay, n_per_arm=70, baseline="constrained")
    truth = visits_truth(
        times=(0, 1, 2), difference=0.4, sd=1, correlation=0.6, profile="first", retention=(stay, stay)
    )
    analysis = MixedAnalysis(baseline="constrained", covariance="unstructured")
    assert agrees(simulate_trials(truth.maker(70), analysis, replicates=3000, seed=7), plan.power)


def test_mean_of_follow_ups():
    plan = plan_repeated(difference=0.5, sd=1, correlation=0.6, followups=3, analysis="ancova", n_per_arm=25)
    truth = visits_truth(times=(0, 1, 2, 3), difference=0.5, sd=1, correlation=0.6, profile="first")
    analysis = MixedAnalysis(baseline="covariate", covariance="compound-symmetry", weights=(1 / 3, 1 / 3, 1 / 3))
    assert agrees(simulate_trials(truth.maker(25), analysis, replicates=4000, seed=8), plan.power)


def test_responders_by_exact_enumeration():
    # The change is normal, so each arm's responder probability is known and the power can be listed exactly.
    truth = visits_truth(times=(0, 8), difference=6, sd=9, correlation=0.6, reference_change=2)
    sd = 9 * sqrt(2 * (1 - 0.6))
    p_ref, p_trt = norm.sf((5 - 2) / sd), norm.sf((5 - 8) / sd)
    for test in ("fisher", "boschloo"):
        rejected = rejected_tables(30, 30, 0.05, 2, test)
        other = rejected_tables(30, 30, 0.05, 2, test).T
        x = np.arange(31)
        power = binom.pmf(x, 30, p_ref) @ rejected @ binom.pmf(x, 30, p_trt)
        wrong = binom.pmf(x, 30, p_ref) @ other @ binom.pmf(x, 30, p_trt)
        simulation = simulate_trials(truth.maker(30), ResponderAnalysis(5.0, test=test), replicates=10_000, seed=9)
        assert agrees(simulation, power + wrong)


def test_error_rates_bias_and_coverage_under_the_null():
    truth = slopes_truth(times=(0, 2, 4, 6), difference=0.5, sd_residual=3, sd_slope=0.8, sd_intercept=7)
    null = simulate_trials(truth.without_effect().maker(20), SLOPES, replicates=6000, seed=10)
    frame = null.frame().set_index("quantity")
    assert frame.index[0] == "type I error"
    assert agrees(null, 0.05)
    assert abs(frame.loc["bias", "value"]) <= SIGMAS * frame.loc["bias", "monte_carlo_error"]
    assert abs(frame.loc["coverage", "value"] - 0.95) <= SIGMAS * sqrt(0.05 * 0.95 / 6000)


def test_dropout_that_depends_on_the_last_score():
    # Missing at random: the mixed model stays unbiased, the complete-case change score does not. Only the reference arm
    # loses people, and those with low scores, so its completers look better than they are.
    truth = visits_truth(
        times=(0, 4, 8), difference=5, sd=9, correlation=0.7, profile="first", reference_change=6,
        retention=((1, 0.75, 0.5), (1, 1, 1)), dropout_on="previous", dropout_strength=-2.0,
    )  # fmt: skip
    mixed = simulate_trials(
        truth.maker(60), MixedAnalysis(covariance="unstructured"), replicates=1500, seed=11
    ).frame().set_index("quantity")  # fmt: skip
    final = simulate_trials(truth.maker(60), FinalValueAnalysis("none"), replicates=1500, seed=11).frame()
    final = final.set_index("quantity")
    assert abs(mixed.loc["bias", "value"]) < SIGMAS * mixed.loc["bias", "monte_carlo_error"]
    assert final.loc["bias", "value"] < -20 * final.loc["bias", "monte_carlo_error"]


@pytest.mark.parametrize(("on", "strength"), [("nothing", 0.0), ("previous", 1.0), ("current", -1.0)])
def test_share_that_stays(on, strength):
    stay = (1.0, 0.8, 0.8)
    truth = visits_truth(
        times=(0, 1, 2), difference=0, sd=1, correlation=0.5, retention=(stay, stay), dropout_on=on,
        dropout_strength=strength,
    )  # fmt: skip
    values = truth.maker(500)(np.random.default_rng(1), 40).values
    assert np.isfinite(values[:, :, 0]).all()
    for visit in (1, 2):
        assert np.isfinite(values[:, :, visit]).mean() == pytest.approx(0.8, abs=SIGMAS * sqrt(0.16 / 40_000))


def test_bounds_and_steps_change_the_true_means():
    truth = NormalTruth((0, 1), ((60, 62), (60, 66)), ((36, 20), (20, 36)), low=0, high=66, step=1)
    values = truth.maker(2000)(np.random.default_rng(2), 20).values
    assert values.max() == 66
    assert set(np.unique(values)) <= set(range(67))
    found = np.array([values[:, :2000].mean(axis=(0, 1)), values[:, 2000:].mean(axis=(0, 1))])
    np.testing.assert_allclose(found, truth.observed_means(), atol=SIGMAS * 6 / sqrt(40_000))
    assert truth.observed_means()[1, 1] < 64  # a ceiling hides part of the gain


def test_a_ceiling_costs_power():
    free = visits_truth(times=(0, 8), difference=5, sd=9, correlation=0.6, start=60)
    bounded = visits_truth(times=(0, 8), difference=5, sd=9, correlation=0.6, start=60, high=66.0)
    powers = [
        simulate_trials(t.maker(40), FinalValueAnalysis(), replicates=3000, seed=12).power for t in (free, bounded)
    ]
    assert powers[1] < powers[0] - 0.05


def same(a, b):
    for name in Verdicts.__dataclass_fields__:
        np.testing.assert_array_equal(getattr(a.verdicts, name), getattr(b.verdicts, name))


def test_workers_and_serial_give_identical_numbers():
    truth = visits_truth(times=(0, 4, 8), difference=5, sd=9, correlation=0.6, retention=((1, 0.9, 0.8),) * 2)
    analysis = MixedAnalysis(covariance="unstructured")
    once = simulate_trials(truth.maker(15), analysis, replicates=120, batch=20, seed=13)
    same(once, simulate_trials(truth.maker(15), analysis, replicates=120, batch=20, seed=13, workers=2))
    same(once, simulate_trials(truth.maker(15), analysis, replicates=120, batch=20, seed=13))
    other = simulate_trials(truth.maker(15), analysis, replicates=120, batch=20, seed=14)
    assert not np.array_equal(once.verdicts.estimate, other.verdicts.estimate)


def test_a_local_cluster_gives_identical_numbers():
    distributed = pytest.importorskip("distributed", reason="dask and distributed are optional and not installed")
    joblib = pytest.importorskip("joblib")
    truth = visits_truth(times=(0, 4, 8), difference=5, sd=9, correlation=0.6)
    once = simulate_trials(truth.maker(15), MixedAnalysis(covariance="unstructured"), replicates=80, batch=20, seed=15)
    with (
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
        distributed.Client(cluster),
        joblib.parallel_config(backend="dask"),
    ):
        analysis = MixedAnalysis(covariance="unstructured")
        same(once, simulate_trials(truth.maker(15), analysis, replicates=80, batch=20, seed=15))


def test_progress_and_resume_after_an_interruption(tmp_path):
    class StoppedError(Exception):
        pass

    seen = []

    def stop_at_three(done, total):
        seen.append((done, total))
        if len(seen) == 3:
            raise StoppedError

    run = dict(replicates=100, batch=10, seed=16)  # noqa: C408
    place = tmp_path / "run.jsonl"
    whole = simulate_trials(CHANGE.maker(12), FinalValueAnalysis(), **run)
    with pytest.raises(StoppedError):
        simulate_trials(CHANGE.maker(12), FinalValueAnalysis(), **run, journal=place, progress=stop_at_three)
    assert seen == [(10, 100), (20, 100), (30, 100)]
    with place.open("a") as file:
        file.write('{"batch": 5, "estim')  # a line cut off in the middle
    later = []
    resumed = simulate_trials(
        CHANGE.maker(12), FinalValueAnalysis(), **run, journal=place, progress=lambda done, total: later.append(done)
    )
    same(whole, resumed)
    assert later == [40, 50, 60, 70, 80, 90, 100]
    later.clear()
    same(whole, simulate_trials(CHANGE.maker(12), FinalValueAnalysis(), **run, journal=place))
    assert not later


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="this system cannot kill a process outright")
def test_a_killed_run_resumes(tmp_path):
    place = tmp_path / "run.jsonl"
    program = """
        import os, signal
        from stats.planning.simulation.simulate import simulate_trials
        from stats.planning.simulation.trials import visits_truth
        from stats.planning.simulation.verdicts import FinalValueAnalysis
        maker = visits_truth(times=(0, 8), difference=5, sd=9, correlation=0.6).maker(12)
        def progress(done, total):
            if done >= 40:
                os.kill(os.getpid(), signal.SIGKILL)
        simulate_trials(
            maker, FinalValueAnalysis(), replicates=100, batch=10, seed=17, journal=PLACE, progress=progress
        )
    """
    text = textwrap.dedent(program).replace("PLACE", repr(str(place)))
    ended = subprocess.run([sys.executable, "-c", text], env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)})
    assert ended.returncode == -signal.SIGKILL
    assert len(place.read_text().splitlines()) == 5
    run = dict(replicates=100, batch=10, seed=17)  # noqa: C408
    resumed = simulate_trials(CHANGE.maker(12), FinalValueAnalysis(), **run, journal=place)
    same(resumed, simulate_trials(CHANGE.maker(12), FinalValueAnalysis(), **run))


def test_a_journal_of_another_simulation_is_refused(tmp_path):
    place = tmp_path / "run.jsonl"
    simulate_trials(CHANGE.maker(12), FinalValueAnalysis(), replicates=20, seed=18, journal=place)
    with pytest.raises(PlanError, match="differs in seed"):
        simulate_trials(CHANGE.maker(12), FinalValueAnalysis(), replicates=20, seed=19, journal=place)
    with pytest.raises(PlanError, match="differs in maker"):
        simulate_trials(CHANGE.maker(13), FinalValueAnalysis(), replicates=20, seed=18, journal=place)
    place.write_text("not a journal\n")
    with pytest.raises(PlanError, match="no simulation journal"):
        simulate_trials(CHANGE.maker(12), FinalValueAnalysis(), replicates=20, seed=18, journal=place)


def test_search_finds_the_closed_form():
    plan = plan_ancova(difference=5, sd=9, correlation=0.6, power=0.9)
    found = size_by_simulation(CHANGE.maker, FinalValueAnalysis(), power=0.9, start=30, replicates=10_000, seed=20)
    assert found.n_low <= plan.n_per_arm <= found.n_high
    assert abs(found.n_per_arm - plan.n_per_arm) <= 3
    assert found.n_high - found.n_low < 10
    assert "90 % power" in found.sentence()


def test_grid_has_a_row_per_design_and_resumes(tmp_path):
    def make(n, difference):
        return visits_truth(times=(0, 8), difference=difference, sd=9, correlation=0.6).maker(n)

    settings = {"n": (15, 30), "difference": (0.0, 5.0)}
    frame = simulate_grid(make, FinalValueAnalysis(), settings, replicates=1000, seed=21, journal=tmp_path)
    assert list(frame.columns) == [
        "n", "difference", "n_per_arm", "n_total", "power", "monte_carlo_error", "truth", "bias", "width", "coverage",
        "without_answer",
    ]  # fmt: skip
    cells = frame.set_index(["n", "difference"])["power"]
    assert cells[(30, 5.0)] > cells[(15, 5.0)] > 0.1
    assert abs(cells[(15, 0.0)] - 0.05) < SIGMAS * sqrt(0.05 * 0.95 / 1000)
    assert len(list(tmp_path.iterdir())) == 4
    again = simulate_grid(make, FinalValueAnalysis(), settings, replicates=1000, seed=21, journal=tmp_path)
    assert again.equals(frame)


def test_any_function_is_a_maker_and_any_function_an_analysis():
    def maker(rng, replicates):
        arm = np.repeat([0, 1], 10)
        return Trials(rng.normal(size=(replicates, 20, 1)) + arm[:, None], arm, np.array([0.0]))

    def analysis(trials, level):
        d = trials.values[:, trials.arm == 1, 0].mean(axis=1) - trials.values[:, trials.arm == 0, 0].mean(axis=1)
        half = norm.isf((1 - level) / 2) * sqrt(2 / 10)
        p = 2 * norm.sf(np.abs(d) / sqrt(2 / 10))
        return Verdicts(d, p, d - half, d + half, np.isfinite(d), np.zeros(len(d), dtype=bool))

    found = simulate_trials(maker, analysis, replicates=4000, seed=22, truth=1.0)
    assert agrees(found, plan_means(difference=1, sd=1, n_per_arm=10, law="normal").power)
    assert np.isnan(simulate_trials(maker, analysis, replicates=10, seed=22).truth)


def test_scores_of_a_cohort_generator():
    @dataclass
    class Drawn:
        arm: np.ndarray
        arms: tuple
        day: np.ndarray
        values: np.ndarray

        def seen(self, outcome):
            return self.values[outcome]

    def draw(rng, replicates):
        arm = np.array([1, 0, 1, 0])  # arms[1] is the reference
        values = {"x.total": rng.normal(size=(replicates, 4, 2)) + 10 * (arm == 0)[:, None]}
        return Drawn(arm, ("new", "usual"), np.array([0, 56]), values)

    made = scores_maker(draw, "x.total", "usual")(np.random.default_rng(1), 3)
    assert made.arm.tolist() == [0, 1, 0, 1]
    assert (made.values[:, 1] > made.values[:, 0]).all()
    with pytest.raises(PlanError, match="'nobody' among them"):
        scores_maker(draw, "x.total", "nobody")(np.random.default_rng(1), 3)


@pytest.mark.parametrize(
    ("model", "people", "expected"),
    [
        (ModelChoice(), 48, ("visit", "covariate", (None, "unstructured"), (None, "unequal-ante-dependence"))),
        (ModelChoice(), 10, ("visit", "covariate", (None, "unequal-ante-dependence"))),
        (ModelChoice(baseline="constrained", covariance="ar1"), 48, ("visit", "constrained", (None, "ar1"))),
        (ModelChoice(time="linear"), 48, ("linear", "outcome", ("1 + time", None), ("1", None))),
        (ModelChoice(time="linear", random="1"), 48, ("linear", "outcome", ("1", None))),
    ],
)
def test_analysis_of_a_protocol(model, people, expected):
    made = MixedAnalysis.of(model, people, visits=5)
    assert (made.time, made.baseline, *made._structures)[: len(expected)] == expected


@pytest.mark.parametrize("model", [ModelChoice(), ModelChoice(time="linear"), ModelChoice(baseline="constrained")])
@pytest.mark.parametrize("people", [12, 40])
def test_the_simulated_analysis_is_that_of_fit_change(model, people):
    # The same trial through scores and `fit_change`, the way a study goes.
    truth = visits_truth(times=(0, 28, 56, 84), difference=5, sd=9, correlation=0.6, structure="ar1", start=30)
    made = truth.maker(people // 2)(np.random.default_rng(30), 3)
    found = MixedAnalysis.of(model, people, visits=4)(made)
    for r in range(3):
        scores, design = study_scores(made, r)
        fit = fit_change(scores, "x.total", design=design, model=model)
        row = fit.between().frame().iloc[-1]
        days = made.times[-1] if model.time == "linear" else 1  # slope per day against change over the whole trial
        assert found.estimate[r] * days == pytest.approx(row["estimate"], rel=1e-5)
        assert found.p_value[r] == pytest.approx(row["p_value"], rel=1e-4)


def test_a_plan_keeps_its_promise():
    plan = plan_ancova(difference=5, sd=9, correlation=0.6, power=0.9, attrition=0.15)
    simple = simulate_plan(plan, replicates=4000, seed=31)
    assert simple.n_arms == plan.recruit
    # the number left varies around the planned one, which costs less than half a point here
    assert abs(simple.power - plan.power) < 0.005 + SIGMAS * simple.monte_carlo_error
    model = MixedAnalysis(baseline="constrained", covariance="unstructured")
    longer = simulate_plan(plan, model, times=(0, 4, 8), structure="ar1", replicates=1500, seed=31)
    assert longer.power > plan.power - SIGMAS * longer.monte_carlo_error  # intermediate visits can only help
    with pytest.raises(PlanError, match="no correlation"):
        simulate_plan(plan_means(difference=5, sd=9, power=0.9))


def study_scores(made, r):
    """Scores frame and protocol of one simulated trial."""
    rows = [
        {
            "participant": f"P{i}", "arm": "ab"[made.arm[i]], "visit": f"day {int(day)}", "day": day,
            "outcome": "x.total", "hand": "", "side": "", "condition": "unassisted", "unit": "points",
            "better": "higher", "value": made.values[r, i, k], "complete": True, "reason": "", "instrument": "x",
            "scale": "total", "answered": 1, "items": 1,
        }
        for i in range(len(made.arm))
        for k, day in enumerate(made.times)
    ]  # fmt: skip
    design = Protocol(
        title="invented", design="parallel", arms=(Arm("a", "A", True), Arm("b", "B")),
        visits=tuple(PlannedVisit(f"day {int(day)}", "", day) for day in made.times), outcomes=("x.total",),
        primary="x.total", measures=(Measure("x.total", "X", "points", "higher"),),
    )  # fmt: skip
    return pd.DataFrame(rows), design


@pytest.mark.parametrize("baseline", ["constrained", "outcome"])
def test_the_fitted_model_as_truth(baseline):
    made = visits_truth(
        times=(0, 28, 56), difference=20, sd=9, correlation=0.6, start=30, reference_change=6
    ).maker(40)(np.random.default_rng(33), 1)  # fmt: skip
    scores, design = study_scores(made, 0)
    fit = fit_change(scores, "x.total", design=design, model=ModelChoice(baseline=baseline))
    truth = fitted_truth(fit, difference=4.0)
    np.testing.assert_allclose(truth.covariance, fit.fit.visit_covariance, rtol=1e-12)
    means = fit.means().frame()
    later = means[(means["arm"] == "a") & (means["day"] > 0)]["estimate"]
    np.testing.assert_allclose(truth.means[0][1:], later, rtol=1e-12)
    # the difference is the one passed in, not the 20 of the pilot
    np.testing.assert_allclose(np.subtract(truth.means[1], truth.means[0]), [0, 2, 4], atol=1e-9)
    assert simulate_trials(truth.maker(30), FinalValueAnalysis(), replicates=50, seed=1).truth == pytest.approx(4.0)
    with pytest.raises(PlanError, match="the baseline must be an outcome"):
        fitted_truth(fit_change(scores, "x.total", design=design, model=ModelChoice(baseline="covariate")), 4.0)


def test_a_cohort_design_as_truth():
    # The generator is handed in as a function; planning itself does not know it.
    from synthetic_cohort import preset, simulate_scores

    design = preset("demo")
    outcome = str(design.protocol["primary"])
    reference = next(arm.id for arm in design.arms if arm.reference)
    maker = scores_maker(partial(simulate_scores, design, outcomes=(outcome,)), outcome, reference)
    found = simulate_trials(maker, FinalValueAnalysis(), replicates=40, batch=20, seed=34, truth=0.0)
    assert sum(found.n_arms) == design.n
    assert found.verdicts.usable.all()
    same(found, simulate_trials(maker, FinalValueAnalysis(), replicates=40, batch=20, seed=34, truth=0.0))


def test_what_is_not_simulated_is_refused():
    with pytest.raises(PlanError, match="Covariates age"):
        MixedAnalysis.of(ModelChoice(covariates=("age",)), 48, 5)
    with pytest.raises(PlanError, match=r"Sites \(column clinic\) are not simulated"):
        MixedAnalysis.of(ModelChoice(site="clinic"), 48, 5)
    with pytest.raises(PlanError, match="not simulated"):
        MixedAnalysis(df="residual")
    with pytest.raises(PlanError, match="retention"):
        visits_truth(times=(0, 1), difference=1, sd=1, correlation=0.5, retention=((1, 1.1), (1, 1)))
    with pytest.raises(PlanError, match="replicates = 1"):
        simulate_trials(CHANGE.maker(5), FinalValueAnalysis(), replicates=1)


def test_sentence_and_frame():
    found = simulate_trials(CHANGE.maker(20), FinalValueAnalysis(), replicates=500, seed=23, unit="points")
    sentence = found.sentence()
    assert "500 simulated trials of 20 and 20 participants" in sentence
    assert "Seed 23" in sentence
    assert list(found.frame()) == ["quantity", "value", "monte_carlo_error", "conf_low", "conf_high"]
    assert found.frame(0.9)["conf_low"][0] > found.frame(0.99)["conf_low"][0]
