"""Costs and effects against published or doubly computed values: `tests/reference/economics_values.csv`, driver by row.

Every row of the table names its source and whether a published number was seen; none is left without a driver.
"""

import csv
import json
from math import isinf
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import lognorm, norm

from stats import acceptability, cost_per_responder, net_benefit
from stats.economics import (
    adjusted_quality_years,
    annuity,
    bootstrap_difference,
    cost_difference,
    device_per_participant,
    present_value,
    quality_years,
    unit_normal_loss,
    utility,
    worth_of_trial,
)
from stats.economics.incremental import error_from_interval
from stats.errors import FitError

with (Path(__file__).parents[2] / "reference" / "economics_values.csv").open(encoding="utf-8") as file:
    ROWS = {row["id"]: row for row in csv.DictReader(file)}


def _benefit(given, willingness=0.0):
    return net_benefit(
        cost_difference=given["dc"], effect_difference=given["de"], cost_std_error=given["se_c"],
        effect_std_error=given["se_e"], correlation=given["rho"], willingness=willingness,
    )  # fmt: skip


def _fieller(given):
    found = _benefit(given).ratio()
    return {"icer": found.estimate, "lower": found.lower, "upper": found.upper, "shape": found.shape}


def _inb(given):
    frame = _benefit(given, given["lambdas"]).frame().set_index("willingness")
    names = {"inb": "estimate", "se": "std_error", "lower": "conf_low", "upper": "conf_high", "ceac": "acceptability"}
    return {f"{short}_{at}": frame.loc[at, name] for at in given["lambdas"] for short, name in names.items()}


def _cids(given):
    dc, de = given["cost1"] - given["cost0"], given["effect1"] - given["effect0"]
    errors = [error_from_interval(*given[name]) for name in ("cost_ci", "effect_ci")]
    found = net_benefit(
        cost_difference=dc, effect_difference=de, cost_std_error=errors[0], effect_std_error=errors[1], willingness=0
    ).ratio()
    return {"dc": dc, "de": de, "icer": found.estimate, "bounded": found.bounded}


def _knee(given):
    made = acceptability(
        cost_difference=given["dc"], effect_difference=given["de"], willingness=given["lam"], correlation=given["rho"],
        cost_std_error=error_from_interval(*given["dc_ci"]), effect_std_error=error_from_interval(*given["de_ci"]),
    )  # fmt: skip
    return {"ceac": made["estimate"]}


def _responder(given):
    made = cost_per_responder(
        cost_difference=given["dc"], x1=given["x1"], n1=given["n1"], x2=given["x0"], n2=given["n0"]
    )
    row = made.frame().iloc[0]
    assert isinf(row["conf_high"])
    shares = {"rd": row["share_difference"], "rd_lower": row["share_low"], "rd_upper": row["share_high"]}
    price = {"cost_per_responder": row["estimate"], "finite_limit": row["conf_low"], "bounded": bool(row["bounded"])}
    return shares | price


def _altman(given):
    made = cost_per_responder(cost_difference=given["dc"], share_difference=(given["arr"], *given["arr_ci"]))
    row = made.frame().iloc[0]
    return {"cost_per_responder": row["estimate"], "finite_limit": row["conf_low"], "nnt": row["number_needed"],
            "bounded": made.bounded}  # fmt: skip


def _micro(given):
    device = device_per_participant(
        given["price"], years=given["life_y"], participants_per_year=given["participants_y"], rate=given["rate"],
        maintenance=given["maintenance_y"], resale=given["scrap"],
    )  # fmt: skip
    therapist = (given["training_h"] + given["sessions"] * given["session_min"] / 60) * given["wage_h"]
    travel = given["visits"] * given["travel"]
    factor = annuity(given["rate"], given["life_y"])
    return {"annuity": factor, "equivalent_annual_cost": (given["price"] - given["scrap"]) / factor,
            "device_per_participant": device, "therapist": therapist, "travel": travel,
            "total": device + therapist + travel}  # fmt: skip


def _welch(given):
    found = cost_difference(given["arm1"], given["arm0"])
    return {"mean1": np.mean(given["arm1"]), "mean0": np.mean(given["arm0"]), "diff": found.estimate, "df": found.df,
            "lower": found.conf_low, "upper": found.conf_high}  # fmt: skip


def _bootstrap(given):
    found = bootstrap_difference(given["arm1"], given["arm0"])
    assert found.exact
    return {"mean": found.mean, "sd": found.sd, "share_above_0": found.share_above_0}


def _lognormal(given):  # why the mean is the cost: plain scipy, no function of ours
    law = lognorm(given["sigma"], scale=np.exp(given["mu"]))
    return {"mean": law.mean(), "median": law.median()}


def _adjusted(given):
    arm, first, last = (np.array(given[name]) for name in ("arm", "u0", "u1"))
    years = np.array([quality_years([0, given["T"]], pair) for pair in zip(first, last, strict=True)])
    one = arm == 1
    adjusted = adjusted_quality_years(years[one], years[~one], first[one], first[~one])
    raw = adjusted_quality_years(last[one], last[~one], first[one], first[~one])
    return {"raw": years[one].mean() - years[~one].mean(), "adjusted": adjusted.estimate,
            "adjusted_utility_difference": raw.estimate}  # fmt: skip


def _worth(given):
    made = worth_of_trial(
        mean=given["b0"], sd=given["s0"], sd_per_person=given["sd_per_person"], population=1, per_participant=0,
        sizes=[given["n_per_arm"]],
    )  # fmt: skip
    row = made.frame().iloc[0]
    return {"preposterior_sd": row["spread_after"], "evsi": row["value"], "evpi": made.perfect}


def _enbs(given):
    low, high = given["search"]
    made = worth_of_trial(
        mean=given["b0"], sd=given["s0"], sd_per_person=given["sd_per_person"], population=given["population"],
        fixed=given["fixed"], per_participant=given["per_participant"], sizes=range(low, high + 1),
    )  # fmt: skip
    frame = made.frame().set_index("n_per_arm")
    assert made.best["n_per_arm"] == 104  # exact, whatever the tolerance
    return {"best_n": made.best["n_per_arm"], "enbs_at_best": made.best["net_value"],
            "enbs_at_100": frame.loc[100, "net_value"]}  # fmt: skip


DRIVERS = {
    "r_bootstrap_exact": _bootstrap,
    "r_ceac_knee_mri": _knee,
    "r_cost_difference": _welch,
    "r_cost_nnt_altman": _altman,
    "r_cost_per_responder_inf": _responder,
    "r_fieller_interval": _fieller,
    "r_fieller_two_rays": _fieller,
    "r_icer_cids": _cids,
    "r_inb": _inb,
    "r_lognormal_mean": _lognormal,
    "r_microcost_1": _micro,
    "s_eq5d_additive": lambda g: {f"s{state}": utility(state, g["value_set"]) for state in g["states"]},
    "s_qaly_auc": lambda g: {"qaly": quality_years(g["years"], g["utility"])},
    "s_qaly_baseline_adjusted": _adjusted,
    "t_annuity_table": lambda g: {f"y{year}": 1 / annuity(g["rate"], year) for year in g["years"]},
    "t_discount": lambda g: {
        "pv": present_value(1000, 3, g["rate"]),
        "qalys": 0.8 + present_value(0.8, 1, g["rate"]),
    },
    "u_enbs": _enbs,
    "u_evsi_1": _worth,
    "u_evsi_3": _worth,
    "u_unit_normal_loss": lambda g: {f"z{str(z).replace('.', '_')}": unit_normal_loss(z) for z in g["z"]},
}


@pytest.mark.parametrize("name", ROWS)
def test_row(name):
    row = ROWS[name]
    found, expected = DRIVERS[name](json.loads(row["inputs_json"])), json.loads(row["expected_json"])
    for key, value in expected.items():
        if isinstance(value, (str, bool)):
            assert found[key] == value, key
        else:
            assert found[key] == pytest.approx(value, rel=0, abs=max(float(row["tolerance"]), 1e-12 * abs(value))), key


def test_every_limit_of_the_ratio_is_where_net_benefit_touches_zero():
    """The identity that ties Fieller's set to the interval of net benefit; random errors, both shapes."""
    rng = np.random.default_rng(5)
    seen = set()
    for _ in range(200):
        given = {"dc": rng.normal(500, 800), "de": rng.normal(0.03, 0.03), "se_c": rng.uniform(50, 400),
                 "se_e": rng.uniform(0.005, 0.03), "rho": rng.uniform(-0.9, 0.9)}  # fmt: skip
        ratio = _benefit(given).ratio()
        seen.add(ratio.shape)
        for limit in (ratio.lower, ratio.upper):
            if np.isfinite(limit) and limit >= 0:
                row = _benefit(given, limit).frame().iloc[0]
                assert min(abs(row["conf_low"]), abs(row["conf_high"])) < 1e-6 * (1 + abs(row["std_error"]))
    assert seen == {"interval", "two rays", "whole line"}


def test_a_limit_of_net_benefit_found_by_root_search_is_fiellers():
    given = json.loads(ROWS["r_fieller_interval"]["inputs_json"])
    touch = brentq(lambda at: _benefit(given, at).frame()["conf_low"].iloc[0], 20_000, 1e6)
    assert touch == pytest.approx(_benefit(given).ratio().upper, rel=1e-9)


def test_the_curve_starts_at_cheaper_and_ends_at_better_not_at_one():
    made = acceptability(
        cost_difference=294, effect_difference=0.05, cost_std_error=138, effect_std_error=0.0365, willingness=[0, 1e12]
    )
    assert made["estimate"].iloc[0] == made.at_no_willingness == norm.cdf(-294 / 138)
    assert made["estimate"].iloc[1] == pytest.approx(made.far_out, abs=1e-6)
    assert made.far_out < 0.95
    assert "not for a decision" in made.sentence()


def test_value_of_sample_information_by_quadrature():
    given = json.loads(ROWS["u_evsi_1"]["inputs_json"])
    after = given["s0"] ** 2 / np.sqrt(given["s0"] ** 2 + 2 * given["sd_per_person"] ** 2 / given["n_per_arm"])
    ahead = quad(lambda x: max(x, 0) * norm.pdf(x, given["b0"], after), -1e4, 1e4, points=[0], limit=200)[0]
    assert _worth(given)["evsi"] == pytest.approx(ahead - given["b0"], rel=1e-6)


@pytest.mark.parametrize(
    ("counts", "cost", "said"),
    [
        ((11, 20, 7, 20), 500, "from 1,098 to infinity; more costly and fewer responders"),
        ((7, 20, 11, 20), 500, "dominated"),
        ((11, 20, 7, 20), -500, "dominant"),
        ((15, 20, 3, 20), 500, "95% interval"),
        ((5, 20, 5, 20), 500, "costs no less and does no more"),
        ((3, 20, 9, 20), -500, "costs less and does less"),
    ],
)
def test_no_negative_price_is_ever_said(counts, cost, said):
    x1, n1, x2, n2 = counts
    made = cost_per_responder(cost_difference=cost, x1=x1, n1=n1, x2=x2, n2=n2)
    assert said in made.sentence()
    row = made.frame().iloc[0]
    assert not row["conf_low"] < 0
    assert not row["estimate"] < 0


def test_uncertain_costs_widen_the_price():
    sure, unsure = (
        cost_per_responder(cost_difference=500, cost_std_error=error, x1=15, n1=20, x2=3, n2=20)
        for error in (1e-9, 150)
    )
    low, high = (0.6 + side * norm.ppf(0.975) * np.sqrt(0.75 * 0.25 / 20 + 0.15 * 0.85 / 20) for side in (-1, 1))
    assert (sure.conf_low, sure.conf_high) == pytest.approx((500 / high, 500 / low))  # Wald's limits turned over
    assert unsure.conf_low < sure.conf_low
    assert unsure.conf_high > sure.conf_high


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"willingness": -1}, "0 or more"),
        ({"willingness": []}, "missing"),
        ({"correlation": 1.2}, "-1 to 1"),
        ({"cost_std_error": 0}, "above 0"),
        ({"effect_std_error": None}, "effect_std_error="),
        ({"df": 0}, "above 0"),
    ],
)
def test_what_cannot_be_is_refused(wrong, said):
    given = {"cost_difference": 1.0, "effect_difference": 1.0, "cost_std_error": 1.0, "effect_std_error": 1.0,
             "willingness": 1.0} | wrong  # fmt: skip
    with pytest.raises(FitError, match=said):
        net_benefit(**given)


def test_utilities_need_every_digit_and_a_level_that_exists():
    given = json.loads(ROWS["s_eq5d_additive"]["inputs_json"])["value_set"]
    assert np.isnan(utility("1121", given))
    assert np.isnan(utility("11x11", given))
    assert utility("11111", {"11111": 0.97}) == 0.97
    with pytest.raises(FitError, match="level 7"):
        utility("71111", given)
    with pytest.raises(FitError, match="rising from 0"):
        quality_years([0.1, 0.5], [0.5, 0.6])
    assert np.isnan(quality_years([0, 1], [0.5, np.nan]))
