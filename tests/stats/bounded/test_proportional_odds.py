"""Proportional odds: R's likelihood-ratio and score tests; published fits of two open data sets."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stats.bounded.counts import fit_bounded
from stats.bounded.grades import fit_ordinal
from stats.bounded.proportional_odds import check_proportional_odds
from stats.bounded.rank_tests import rank_test

ROOT = Path(__file__).parents[2] / "reference"
ROWS = pd.read_csv(ROOT / "check_values.csv").set_index("id")


@pytest.mark.parametrize(
    ("name", "data", "formula"),
    [("clm_wine_po", "wine", "rating ~ temp + contact"), ("clm_sim_grades_po", "sim_grades", "grade ~ arm + C(visit)")],
)
def test_against_r(name, data, formula):
    found = json.loads((ROOT / "next" / "cases" / f"{name}.json").read_text())
    frame = pd.read_csv(ROOT / "next" / "data" / f"{data}.csv")
    if "visit" in formula and not any("fvisit" in row["term"] for row in found["parameters"]):
        formula = "grade ~ arm + visit"
    fit = fit_ordinal(frame, formula)
    assert fit.loglik == pytest.approx(found["loglik"], abs=1e-6)
    made = check_proportional_odds(frame, formula)
    table = made.frame().set_index(["test", "term"])
    for test, key in (("cut points", "nominal_test_likelihood_ratio"), ("spread", "scale_test_likelihood_ratio")):
        for row in found[key]:
            term = row["term"].strip()
            if row["chi2"] is None or term == "<none>":
                continue
            ours = table.loc[(test, term)]
            assert ours["df"] == row["df"]
            assert ours["statistic"] == pytest.approx(row["chi2"], abs=2e-5)
            assert ours["p_value"] == pytest.approx(row["p"], abs=1e-5)
    expected = found["score_test_proportional_odds_all_terms"]
    score = table.loc[("score", "all")]
    assert score["df"] == expected["df"]
    assert score["statistic"] == pytest.approx(expected["chi2_expected_information"], rel=1e-6)
    assert "not" in made.sentence()


def row(name: str) -> tuple[dict, dict, float]:
    one = ROWS.loc[name]
    return json.loads(one["inputs_json"]), json.loads(one["expected_json"]), one["tolerance"]


def test_published_wine():
    _, expected, tolerance = row("f_wine_clm")
    table = fit_ordinal(pd.read_csv(ROOT / "next/data/wine.csv"), "rating ~ temp + contact")
    fixed = table.fixed().set_index("term")
    found = {"tempwarm": fixed.loc["temp[T.warm]", "estimate"], "contactyes": fixed.loc["contact[T.yes]", "estimate"],
             "se_t": fixed.loc["temp[T.warm]", "std_error"], "se_c": fixed.loc["contact[T.yes]", "std_error"],
             "th1": fixed.loc["1|2", "estimate"], "th4": fixed.loc["4|5", "estimate"],
             "logLik": table.loglik}  # fmt: skip
    for name, value in expected.items():
        assert found[name] == pytest.approx(value, abs=tolerance), name


def test_published_housing():
    _, expected, tolerance = row("f_housing_polr")
    data = pd.read_csv(ROOT / "next/data/housing.csv")
    people = data.loc[data.index.repeat(data["Freq"])].reset_index(drop=True)
    levels = {"Sat": ["Low", "Medium", "High"], "Infl": ["Low", "Medium", "High"],
              "Type": ["Tower", "Apartment", "Atrium", "Terrace"], "Cont": ["Low", "High"]}  # fmt: skip
    for name, order in levels.items():
        people[name] = pd.Categorical(people[name], order, ordered=name == "Sat")
    fit = fit_ordinal(people, "Sat ~ Infl + Type + Cont")
    fixed = fit.fixed().set_index("term")["estimate"]
    found = {f"{term.split('[')[0]}{term.split('.')[1][:-1]}": fixed[term] for term in fixed.index if "[" in term}
    found["deviance"] = -2 * fit.loglik
    for name, value in expected.items():
        assert found[name] == pytest.approx(value, abs=tolerance), name


def test_published_rat_litters():
    inputs, expected, tolerance = row("f_betabinomial")
    litters = pd.DataFrame(inputs["data"]).query("g == 'T'")
    fit = fit_bounded(litters, "y ~ 1", maximum="n")
    phi = fit.variances()["value"].iloc[0]
    found = {"mu_T": 1 / (1 + np.exp(-fit.fixed()["estimate"].iloc[0])), "rho_T": 1 / (phi + 1), "ll_T": fit.loglik}
    for name, value in expected.items():
        assert found[name] == pytest.approx(value, abs=tolerance), name


def test_published_permutations():
    inputs, expected, tolerance = row("f_fisher_zea")
    flips = rank_test(inputs["diffs"], paired=True, scores="values")
    greater = rank_test(inputs["diffs"], paired=True, scores="values", alternative="greater")
    assert 2 * flips.statistic - np.abs(inputs["diffs"]).sum() == expected["sum"]
    assert greater.p_value * expected["total"] == pytest.approx(expected["count_ge"])
    assert greater.p_value == pytest.approx(expected["p_one"], abs=tolerance)
    assert flips.p_value == pytest.approx(expected["p_two"], abs=tolerance)
    inputs, expected, tolerance = row("f_mouse_permutation")
    mice = rank_test(inputs["treated"], inputs["control"], scores="values", alternative="greater")
    assert mice.p_value == pytest.approx(expected["p_one"], abs=tolerance)
    assert np.mean(inputs["treated"]) - np.mean(inputs["control"]) == pytest.approx(expected["diff"], abs=0.006)
    inputs, expected, tolerance = row("f_vanelteren")
    first = [(v, h) for h, (one, _) in enumerate(inputs["strata"]) for v in one]
    second = [(v, h) for h, (_, two) in enumerate(inputs["strata"]) for v in two]
    test = rank_test(
        [v for v, _ in first], [v for v, _ in second], strata=([h for _, h in first], [h for _, h in second])
    )
    assert test.z == pytest.approx(expected["z"], abs=tolerance)
    assert test.z**2 == pytest.approx(expected["chi2"], abs=tolerance)
