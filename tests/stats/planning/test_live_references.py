"""Planning against general libraries run beside it: statsmodels power classes, SciPy tests, brute enumeration."""

from itertools import product
from math import sqrt

import numpy as np
import pytest
from scipy.stats import binom, boschloo_exact, fisher_exact, nct, norm, t
from statsmodels.stats.power import NormalIndPower, TTestIndPower
from statsmodels.stats.proportion import power_proportions_2indep

from stats.planning.closed_form.exact_tables import rejected_tables, table_p_values
from stats.planning.closed_form.means import plan_ancova, plan_crossover, plan_means
from stats.planning.closed_form.mixed_model import plan_mixed
from stats.planning.closed_form.repeated import plan_repeated, plan_slopes
from stats.planning.closed_form.responder_shares import plan_ordinal, plan_proportions


@pytest.mark.parametrize("effect", [0.3, 0.5, 0.8, 1.2])
@pytest.mark.parametrize("ratio", [1.0, 1.5, 2.0])
@pytest.mark.parametrize("sides", [1, 2])
def test_two_means_as_statsmodels(effect, ratio, sides):
    plan = plan_means(difference=effect, sd=1, power=0.9, ratio=ratio, sides=sides)
    side = {1: "larger", 2: "two-sided"}[sides]
    expected = TTestIndPower().solve_power(effect, alpha=0.05, power=0.9, ratio=ratio, alternative=side)
    assert plan.n_exact == pytest.approx(expected, rel=1e-6)
    at = plan_means(difference=effect, sd=1, n_per_arm=plan.n_per_arm, ratio=ratio, sides=sides)
    n_ref, n_trt = at.n_arms
    reached = TTestIndPower().power(effect, n_ref, 0.05, n_trt / n_ref, alternative=side)
    assert at.power + (sides - 1) * wrong_way(effect, n_ref, n_trt) == pytest.approx(reached, abs=1e-10)


def wrong_way(effect, n_ref, n_trt):
    """Significant the wrong way round: statsmodels counts it in two-sided power, we do not."""
    df = n_ref + n_trt - 2
    return nct.cdf(-t.isf(0.025, df), df, effect / sqrt(1 / n_ref + 1 / n_trt))


def test_normal_law_as_statsmodels():
    for n in (20, 98):
        plan = plan_means(difference=0.4, sd=1, n_per_arm=n, law="normal")
        both = plan.power + norm.cdf(-norm.isf(0.025) - 0.4 * sqrt(n / 2))
        assert both == pytest.approx(NormalIndPower().power(0.4, n, 0.05), abs=1e-12)


def test_margin_shifts_the_difference():
    # Non-inferiority: a true difference of 0 and a margin of 5 is the one-sided test of a difference of 5.
    plan = plan_means(difference=0, sd=12, power=0.9, margin=5, alpha=0.025, sides=1)
    expected = TTestIndPower().solve_power(5 / 12, alpha=0.025, power=0.9, alternative="larger")
    assert plan.n_exact == pytest.approx(expected, rel=1e-6)


def test_unequal_spread_by_simulation():
    plan = plan_means(difference=8, sd=6, sd_treatment=12, n_per_arm=15, ratio=2)
    rng = np.random.default_rng(1)
    a, b = rng.normal(0, 6, (40_000, 15)), rng.normal(8, 12, (40_000, 30))
    v = a.var(axis=1, ddof=1) / 15, b.var(axis=1, ddof=1) / 30
    df = (v[0] + v[1]) ** 2 / (v[0] ** 2 / 14 + v[1] ** 2 / 29)
    found = np.mean((b.mean(axis=1) - a.mean(axis=1)) / np.sqrt(v[0] + v[1]) > t.isf(0.025, df))
    assert found == pytest.approx(plan.power, abs=4 * sqrt(plan.power * (1 - plan.power) / 40_000))


@pytest.mark.parametrize(("covariates", "n"), [(1, 6), (1, 20), (3, 8)])
def test_analysis_of_covariance_by_simulation(covariates, n):
    # Least squares on simulated normal data; the exact law must hold at 6 per arm, where the printed formula does not.
    rng = np.random.default_rng(2)
    trials, r = 40_000, 0.6
    arm = np.repeat([0.0, 1.0], n)
    x = rng.normal(size=(trials, 2 * n, covariates))
    y = r * x[..., 0] + sqrt(1 - r**2) * rng.normal(size=(trials, 2 * n)) + arm
    design = np.concatenate([np.ones_like(x[..., :1]), np.broadcast_to(arm[:, None], (trials, 2 * n, 1)), x], axis=2)
    inverse = np.linalg.inv(np.swapaxes(design, 1, 2) @ design)
    b = (inverse @ np.swapaxes(design, 1, 2) @ y[..., None])[..., 0]
    residual = y - (design @ b[..., None])[..., 0]
    df = 2 * n - 2 - covariates
    z = b[:, 1] / np.sqrt(inverse[:, 1, 1] * np.sum(residual**2, axis=1) / df)
    found = np.mean(z > t.isf(0.025, df))
    plan = plan_ancova(difference=1, sd=1, correlation=r, n_per_arm=n, covariates=covariates)
    assert found == pytest.approx(plan.power, abs=4 * sqrt(found * (1 - found) / trials))


def test_adjustment_equals_its_repeated_and_mixed_forms():
    # One baseline and one follow-up: analysis of covariance, its repeated-measures form and the mixed model with a
    # common baseline mean (Liang, Zeger 2000) have the same large-sample variance.
    same = {"difference": 0.5, "sd": 1, "correlation": 0.6, "power": 0.8, "law": "normal"}
    one = plan_ancova(**same).n_exact
    assert plan_repeated(**same, analysis="ancova").n_exact == pytest.approx(one, rel=1e-9)
    assert plan_mixed(**same, retention=(1, 1), baseline="constrained").n_exact == pytest.approx(one, rel=1e-9)


def test_slopes_equal_a_t_test_of_least_squares_slopes():
    # Complete data: the slope estimates of people are independent, so the classical t test is exact.
    times = np.arange(6.0)
    sd_of_a_slope = sqrt(0.3**2 + 2.0**2 / np.sum((times - times.mean()) ** 2))
    plan = plan_slopes(
        difference=0.4, times=times, sd_residual=2, sd_slope=0.3, sd_intercept=5, correlation=-0.3, power=0.9
    )
    assert plan.n_exact == pytest.approx(
        TTestIndPower().solve_power(0.4 / sd_of_a_slope, alpha=0.05, power=0.9), rel=1e-6
    )


def test_random_slope_dropout_is_the_information_of_the_patterns():
    # Dense route: one big V for a small trial whose dropout shares are whole people.
    times, stay = np.array([0.0, 1, 2, 3]), (1, 0.75, 0.75, 0.5)
    plan = plan_slopes(
        difference=1, times=times, sd_residual=2, sd_slope=0.7, sd_intercept=3, correlation=0.2, retention=stay,
        n_per_arm=8, law="normal",
    )  # fmt: skip
    z = np.column_stack([np.ones(4), times])
    d = np.array([[9, 0.2 * 3 * 0.7], [0.2 * 3 * 0.7, 0.49]])
    total = np.zeros((4, 4))
    for arm, last in product((0, 1), (4, 4, 4, 4, 3, 3, 1, 1)):
        x = np.column_stack([z, arm * z])[:last]
        total += x.T @ np.linalg.inv(z[:last] @ d @ z[:last].T + 4 * np.eye(last)) @ x
    shift = 1 / sqrt(np.linalg.inv(total)[3, 3])
    assert plan.power == pytest.approx(norm.sf(norm.isf(0.025) - shift), abs=1e-12)


def test_crossover_by_simulation():
    rng = np.random.default_rng(3)
    n, trials = 9, 40_000
    person = rng.normal(0, 4, (trials, 2, n, 1))
    y = person + rng.normal(0, 2, (trials, 2, n, 2)) + np.array([0.0, 1.5])  # a period effect
    y[:, 0, :, 1] += 2  # sequence 1: treatment second
    y[:, 1, :, 0] += 2
    d = y[..., 1] - y[..., 0]
    estimate = (d[:, 0].mean(axis=1) - d[:, 1].mean(axis=1)) / 2
    error = np.sqrt((d[:, 0].var(axis=1, ddof=1) + d[:, 1].var(axis=1, ddof=1)) / n / 4)
    found = np.mean(estimate / error > t.isf(0.025, 2 * n - 2))
    plan = plan_crossover(difference=2, sd_within=2, n_per_arm=n)
    assert found == pytest.approx(plan.power, abs=4 * sqrt(found * (1 - found) / trials))


@pytest.mark.parametrize(("n_ref", "n_trt"), [(6, 6), (5, 9), (12, 8)])
@pytest.mark.parametrize("sides", [1, 2])
def test_fisher_rejections_as_scipy(n_ref, n_trt, sides):
    rejected = rejected_tables(n_ref, n_trt, 0.05, sides, "fisher")
    side = {1: "greater", 2: "two-sided"}[sides]
    for x, y in product(range(n_ref + 1), range(n_trt + 1)):
        p = fisher_exact([[y, n_trt - y], [x, n_ref - x]], alternative=side).pvalue
        assert rejected[x, y] == (p <= 0.05 and y / n_trt > x / n_ref)


def test_boschloo_p_values_as_scipy():
    n_ref, n_trt = 7, 8
    found = table_p_values(n_ref, n_trt, 1, "boschloo")
    for x, y in product(range(n_ref + 1), range(n_trt + 1)):
        if x + y in (0, n_ref + n_trt):
            assert found[x, y] == pytest.approx(1.0)  # SciPy gives no p value there
            continue
        p = boschloo_exact([[y, x], [n_trt - y, n_ref - x]], alternative="greater", n=128).pvalue  # arms are columns
        # SciPy polishes the worst common proportion, we take it from a grid of 99: a shade below
        assert p - 5e-4 <= found[x, y] <= p + 1e-9


def test_boschloo_keeps_its_level_and_beats_fisher():
    rejected = rejected_tables(15, 15, 0.05, 2, "boschloo")
    x = np.arange(16)
    for share in np.linspace(0.01, 0.99, 197):
        chance = binom.pmf(x, 15, share)
        assert chance @ rejected @ chance <= 0.05 + 2e-4  # between the points of the grid
    fisher = plan_proportions(reference=0.3, treatment=0.6, n_per_arm=30, test="fisher")
    boschloo = plan_proportions(reference=0.3, treatment=0.6, n_per_arm=30, test="boschloo")
    assert boschloo.power > fisher.power


@pytest.mark.parametrize("test", ["fisher", "boschloo"])
def test_exact_size_holds_its_power(test):
    plan = plan_proportions(reference=0.2, treatment=0.55, power=0.8, test=test)
    assert plan.power >= 0.8
    assert plan.change(n_per_arm=plan.n_per_arm + 2).power >= 0.8
    assert any(plan.change(n_per_arm=plan.n_per_arm - less).power < 0.8 for less in (1, 2, 3))


def test_normal_proportions_as_statsmodels():
    found = plan_proportions(reference=0.3, treatment=0.5, n_per_arm=90, test="normal").power
    other = power_proportions_2indep(0.2, 0.3, 90, alternative="larger", alpha=0.025, return_results=False)
    assert found == pytest.approx(other, abs=1e-9)


def test_ordered_categories_tend_to_the_binary_and_the_fine_case():
    # Two categories: the log odds ratio of a 2 x 2 table, variance 1 / (p q) of the averaged share.
    two = plan_ordinal(reference=[0.5, 0.5], odds_ratio=1.2, power=0.8)
    assert two.n_exact == pytest.approx((norm.isf(0.025) + norm.ppf(0.8)) ** 2 * 2 * 4 / np.log(1.2) ** 2, rel=0.01)
    # Many categories: 3 (1/n1 + 1/n2), the Wilcoxon variance on the log-odds scale.
    many = plan_ordinal(reference=[0.01] * 100, odds_ratio=1.5, power=0.8)
    assert many.n_exact == pytest.approx(6 * (norm.isf(0.025) + norm.ppf(0.8)) ** 2 / np.log(1.5) ** 2, rel=0.001)


def test_power_counts_one_direction():
    plan = plan_means(difference=0.05, sd=1, n_per_arm=10)
    both = TTestIndPower().power(0.05, 10, 0.05)
    assert plan.power + wrong_way(0.05, 10, 10) == pytest.approx(both, abs=1e-10)
