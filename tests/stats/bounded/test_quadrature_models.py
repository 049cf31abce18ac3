"""Ordinal, bounded and censored mixed models against dense R likelihoods (tests/reference/next, SOURCES.md there).

Tolerances are those stated with the cases: log likelihood 1e-6, estimates 1e-5 SE, standard errors 1e-5 relative (2e-4
for phi and the SD of the random intercept), averages over people likewise.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stats.bounded.censoring import fit_censored
from stats.bounded.counts import fit_bounded
from stats.bounded.grades import fit_ordinal

ROOT = Path(__file__).parents[2] / "reference" / "next"


def case(name: str) -> dict:
    return json.loads((ROOT / "cases" / f"{name}.json").read_text())


def table(name: str) -> pd.DataFrame:
    frame = pd.read_csv(ROOT / "data" / f"{name}.csv")
    if "arm" in frame:
        frame["arm"] = pd.Categorical(frame["arm"], ["ctl", "act"])
    return frame


def wine() -> pd.DataFrame:
    frame = table("wine")
    high = frame["rating"]
    return frame.assign(r3=high.map({1: 1, 2: 1, 3: 2, 4: 3, 5: 3}), high=(high >= 4) * 1, high3=(high >= 3) * 1)


ORDINAL = {
    "clmm_wine5": (wine, "rating ~ temp + contact", "judge"),
    "clmm_wine3": (wine, "r3 ~ temp + contact", "judge"),
    "clmm_wine2": (wine, "high ~ temp + contact", "judge"),
    "clmm_wine2b": (wine, "high3 ~ temp + contact", "judge"),
    "clmm_sim_grades": (lambda: table("sim_grades"), "grade ~ arm * C(visit)", "id"),
}


def fits(found: dict) -> list[dict]:
    return [*found["fits"], *([found["fit_41_nodes"]] if "fit_41_nodes" in found else [])]


def agree(fit, expected: dict, turn: np.ndarray | None = None) -> None:
    """Likelihood, estimates and standard errors of every parameter."""
    assert fit.loglik == pytest.approx(expected["loglik"], abs=1e-6)
    ours = fit.parameters()
    there = np.array([row["estimate"] for row in expected["parameters"]])
    error = np.array([row["std_error"] for row in expected["parameters"]])
    there = there if turn is None else turn * there
    assert np.abs((ours["estimate"] - there) / error).max() < 1e-5
    loose = [row["term"] in ("sd_random_intercept", "phi") for row in expected["parameters"]]
    assert (np.abs(ours["std_error"] / error - 1) < np.where(loose, 2e-4, 1e-5)).all()


@pytest.mark.parametrize("name", ORDINAL)
def test_ordinal(name):
    make, formula, participant = ORDINAL[name]
    data, found = make(), case(name)
    for expected in fits(found):
        fit = fit_ordinal(data, formula, participant=participant, points=expected["nAGQ"])
        two = "wine2" in name  # written there with an intercept: the cut point is its negative
        turn = np.where(np.arange(len(expected["parameters"])) == 0, -1, 1) if two else None
        agree(fit, expected, turn)
        if "conditional_modes" in expected:
            modes = fit.random_intercepts().set_index(participant)
            for person, value in expected["conditional_modes"].items():
                assert modes.loc[int(person), "mode"] == pytest.approx(value, abs=2e-5)


def test_ordinal_averages_over_people():
    found = case("clmm_sim_grades")
    fit = fit_ordinal(table("sim_grades"), "grade ~ arm * C(visit)", participant="id", points=41)
    shares = fit.marginal_probabilities().frame().set_index(["arm", "visit", "grade"])
    means = fit.marginal_means().frame().set_index(["arm", "visit"])
    for row in found["population_averaged"]:
        arm, _, visit = row["cell"].split()
        ours = shares.loc[(arm, int(visit), row["category"])]
        assert ours["estimate"] == pytest.approx(row["probability"], abs=2e-5)
        assert ours["std_error"] == pytest.approx(row["std_error"], rel=2e-4)
    for row in found["population_averaged_mean_category"]:
        arm, _, visit = row["cell"].split()
        assert means.loc[(arm, int(visit)), "estimate"] == pytest.approx(row["mean"], abs=5e-5)


@pytest.mark.parametrize(("name", "family"), [("bb_sim_sums", "beta-binomial"), ("binom_sim_sums", "binomial")])
def test_bounded(name, family):
    data, found = table("sim_sums"), case(name)
    for expected in fits(found):
        fit = fit_bounded(
            data, "y ~ arm * C(visit)", participant="id", maximum=24, family=family, points=expected["nAGQ"]
        )
        agree(fit, expected)
        averages(fit, expected, "population_averaged_mean", "population_averaged_difference")


def test_censored():
    for expected in case("tobit_sim_ceiling")["fits"]:
        fit = fit_censored(
            table("sim_ceiling"), "y ~ arm * C(visit)", participant="id", high=40, points=expected["nAGQ"]
        )
        agree(fit, expected)
        averages(fit, expected, "mean_on_observed_scale", "difference_on_observed_scale")
    plain = fit_censored(table("sim_ceiling"), "y ~ arm * C(visit)", high=40)
    there = case("tobit_sim_ceiling")["independent_survreg"]
    assert plain.loglik == pytest.approx(there["loglik"], abs=1e-6)
    assert plain.variances()["sd"].iloc[0] == pytest.approx(there["sigma"], rel=1e-6)


def averages(fit, expected: dict, means: str, differences: str) -> None:
    ours = fit.marginal_means().frame().set_index(["arm", "visit"])
    for row in expected[means]:
        arm, _, visit = row["term"].split()
        one = ours.loc[(arm, int(visit))]
        assert abs(one["estimate"] - row["estimate"]) < 2e-5 * row["std_error"]
        assert one["std_error"] == pytest.approx(row["std_error"], rel=2e-5)
    gaps = fit.marginal_difference().frame().set_index("visit")
    for row in expected[differences]:
        one = gaps.loc[int(row["term"].split()[-1])]
        assert abs(one["estimate"] - row["estimate"]) < 2e-5 * row["std_error"]
        assert one["std_error"] == pytest.approx(row["std_error"], rel=2e-5)
