"""Diagnostics: predictions against lme4, deletion against a refit, identities, several estimates at once."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import studentized_range

from stats import FitError, fit_mixed
from stats.mixed.inference.diagnostics import compare_models, influence, random_effects, repeatability, residuals
from stats.mixed.inference.simultaneous import Gate, gatekeeping, simultaneous_intervals

REFERENCE = Path(__file__).parents[2] / "reference"


@pytest.fixture(scope="module")
def pilot() -> pd.DataFrame:
    return pd.read_csv(REFERENCE / "data" / "pilot24_rep1.csv")


@pytest.fixture(scope="module")
def slopes(pilot: pd.DataFrame):
    return fit_mixed(pilot, "y ~ time * arm", participant="id", visit="time", random="1 + time")


def test_predicted_effects_are_lme4s(slopes) -> None:
    case = json.loads((REFERENCE / "mixed" / "lmm_pilot24_ris.json").read_text())
    expected = pd.DataFrame(case["ranef"]["id"])
    ours = random_effects(slopes)
    # lme4 stops within 1e-5 of the optimum (tests/reference/SOURCES.md); effects are of size 10.
    np.testing.assert_allclose(ours["Intercept"], expected["(Intercept)"], atol=5e-5)
    np.testing.assert_allclose(ours["time"], expected["time"], atol=5e-5)


def test_influence_is_an_exact_refit(pilot: pd.DataFrame, slopes) -> None:
    table, notes = influence(slopes)
    again = fit_mixed(pilot[pilot["id"] != 7], "y ~ time * arm", participant="id", visit="time", random="1 + time")
    std_error = np.sqrt(np.diag(slopes.coefficient_covariance("residual")))
    row = table.set_index("participant").loc[7, list(slopes.terms)].to_numpy(dtype=float)
    np.testing.assert_allclose(row, (again.beta - slopes.beta) / std_error, atol=1e-6)
    assert notes == ()


def test_scaled_residuals_sum_to_n_under_ml() -> None:
    """Under ML with a free scale, sum r'V^-1 r = N (check value e_quadform_identity: 108 on the growth data)."""
    growth = pd.read_csv(REFERENCE / "data" / "orthodont.csv")
    fit = fit_mixed(
        growth, "distance ~ age * Sex", participant="Subject", visit="age", covariance="compound-symmetry", method="ml"
    )
    assert (residuals(fit)["scaled"] ** 2).sum() == pytest.approx(108, abs=1e-3)


def test_repeatability_of_a_random_intercept(pilot: pd.DataFrame) -> None:
    fit = fit_mixed(pilot, "y ~ time * arm", participant="id", visit="time", random="1")
    parts = fit.variances().set_index("component")["value"]
    expected = parts["participant"] / (parts["participant"] + parts["residual"])
    np.testing.assert_allclose(repeatability(fit)["correlation"], expected, rtol=1e-9)


def test_models_of_other_rows_are_not_compared(pilot: pd.DataFrame, slopes) -> None:
    plain = fit_mixed(pilot, "y ~ time * arm", participant="id", visit="time", random="1")
    table = compare_models({"slopes": slopes, "intercept": plain}).set_index("model")
    assert table.loc["slopes", "aic"] == pytest.approx(-2 * slopes.loglik + 8)
    with pytest.raises(FitError, match="other rows"):
        compare_models({"a": slopes, "b": fit_mixed(pilot[pilot.id > 2], "y ~ time", participant="id", random="1")})
    with pytest.raises(FitError, match="other coefficients"):
        compare_models({"a": slopes, "b": fit_mixed(pilot, "y ~ time", participant="id", random="1")})


def test_simultaneous_limits_of_pairs_are_tukeys() -> None:
    """All pairs of three independent equal groups: the largest |t| is a studentised range over sqrt 2 (scipy)."""
    rng = np.random.default_rng(4)
    frame = pd.DataFrame(
        {"id": np.arange(30), "group": np.repeat(list("abc"), 10), "visit": 0, "value": rng.normal(size=30)}
    )
    # One row per person: a diagonal covariance is compound symmetry's residual alone, hence two rows of half weight.
    twice = pd.concat([frame, frame.assign(visit=1, value=frame["value"] + rng.normal(0, 1, 30))])
    fit = fit_mixed(twice, "value ~ group", participant="id", visit="visit", random="1")
    pairs = np.array([[0, 1, 0], [0, 0, 1], [0, -1, 1]], dtype=float)
    made = fit.estimates(pairs, ["b - a", "c - a", "c - b"])
    table = simultaneous_intervals(fit, made, np.random.default_rng(1), draws=400_000)
    factor = (table["conf_high"] - table["estimate"]) / table["std_error"]
    expected = studentized_range.ppf(0.95, 3, made.df[0]) / np.sqrt(2)
    np.testing.assert_allclose(factor, expected, rtol=0.01)  # 1 %: Monte-Carlo error of 400,000 draws is about 0.3 %


def test_gates_open_in_order() -> None:
    table = gatekeeping([Gate("primary", (0.01, 0.02)), Gate("secondary", (0.001, 0.2)), Gate("third", (0.001,))])
    assert list(table["p_adjusted"]) == [0.02, 0.02, 0.02, 0.2, 0.2]
    assert list(table["opened"]) == [True, True, True, True, False]
    with pytest.raises(FitError, match="from 0 to 1"):
        gatekeeping([Gate("a", (1.2,))])
