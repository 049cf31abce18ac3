"""Every a_*, b_*, c_* and d_* row of check_values.csv through one driver; the source stands in the row."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import ttest_ind, ttest_rel

from stats.bounded.rank_tests import rank_test
from stats.effects.noncentral import hedges_correction, noncentrality_limits
from stats.effects.one_effect import effect_size, pre_post_control_size
from stats.measurement.agreement import limits_of_agreement, repeatability, replicate_agreement
from stats.measurement.reliability import concordance, intraclass_correlation, kappa
from stats.measurement.two_way import cronbach_from_variances
from stats.proportions.exact_tests import exact_test, mcnemar_test
from stats.proportions.one_proportion import proportion_interval
from stats.proportions.paired_proportions import paired_risk_difference
from stats.proportions.two_proportions import odds_ratio, risk_difference, risk_ratio
from stats.responders.beyond_error import clinical_cutoffs, reliable_change
from stats.responders.true_change import normal_split_efficiency, regression_to_mean
from stats.summaries import paired_from_summary

REFERENCE = Path(__file__).parents[1] / "reference"
ROWS = pd.read_csv(REFERENCE / "check_values.csv", keep_default_na=False)


def limits(estimate):
    return {"lower": estimate.conf_low, "upper": estimate.conf_high, "est": estimate.estimate}


def proportion(method):
    return lambda i: limits(proportion_interval(i["x"], i["n"], method, level=i["conf"]))


def score_lr_exact(i):
    names = {"score": "wilson", "lr": "likelihood-ratio", "exact": "clopper-pearson"}
    return {f"{name}_upper": proportion_interval(i["x"], i["n"], method).conf_high for name, method in names.items()}


def borenstein_smd(i):
    given = {"mean1": i["m1"], "mean2": i["m2"], "sd1": i["s1"], "sd2": i["s2"], "n1": i["n1"], "n2": i["n2"]}
    d, g = effect_size("d", **given), effect_size("g", **given)
    return {
        "spooled": d["standardiser_value"],
        "d": d.estimate,
        "vd": d.std_error**2,
        "sed": d.std_error,
        "J": g.estimate / d.estimate,
        "g": g.estimate,
        "vg": g.std_error**2,
        "seg": g.std_error,
    }


def d_limits(i):
    d = effect_size("d", mean1=i["d"], mean2=0, sd1=1, sd2=1, n1=i["n1"], n2=i["n2"])
    return limits(d)


# Motor Trend 1974 road tests (Henderson & Velleman 1981, Biometrics 37:391), miles per gallon by gearbox.
MPG_AUTOMATIC = [21.4, 18.7, 18.1, 14.3, 24.4, 22.8, 19.2, 17.8, 16.4, 17.3, 15.2, 10.4, 10.4, 14.7, 21.5, 15.5, 15.2,
                 13.3, 19.2]  # fmt: skip
MPG_MANUAL = [21.0, 21.0, 22.8, 32.4, 30.4, 33.9, 27.3, 26.0, 30.4, 15.8, 19.7, 15.0, 21.4]


def mtcars(_):
    made = {}
    for kind in ("d", "g"):
        size = effect_size(kind, MPG_AUTOMATIC, MPG_MANUAL)
        made |= {kind: size.estimate, f"{kind}_lo": size.conf_low, f"{kind}_hi": size.conf_high}
    return made


# Student 1908, Biometrika 6:1, extra hours of sleep under two drugs.
SLEEP_1 = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SLEEP_2 = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]


def sleep(_):
    size = effect_size("d_z", SLEEP_1, SLEEP_2)
    return {"dz": size.estimate, "lo": size.conf_low, "hi": size.conf_high}


def ratios(i):
    (x1, m1), (x2, m2) = i["table"]
    counts = (x1, x1 + m1, x2, x2 + m2)
    rr, odds, rd = risk_ratio(*counts), odds_ratio(*counts), risk_difference(*counts)
    made = {"rr": rr.estimate, "rr_lo": rr.conf_low, "rr_hi": rr.conf_high, "odds": odds.estimate}
    made |= {"or_lo": odds.conf_low, "or_hi": odds.conf_high}
    return made | {"rd": rd.estimate, "rd_lo": rd.conf_low, "rd_hi": rd.conf_high}


def borenstein_binary(i):
    counts = (i["A"], i["n1"], i["C"], i["n2"])
    rr, odds, rd = risk_ratio(*counts), odds_ratio(*counts), risk_difference(*counts)
    made = {"lnRR": rr["log_estimate"], "vRR": rr.std_error**2, "lnOR": odds["log_estimate"], "vOR": odds.std_error**2}
    return made | {"RD": rd.estimate, "vRD": rd.std_error**2}


def columns_as_groups(i):
    """x1, n1, x2, n2 of a table whose columns are the groups."""
    (x1, x2), (y1, y2) = i["table"]
    return x1, x1 + y1, x2, x2 + y2


def rows_as_groups(i):
    (x1, y1), (x2, y2) = i["table"]
    return x1, x1 + y1, x2, x2 + y2


def barnard(i):
    counts = columns_as_groups(i)
    found = exact_test(*counts, test="barnard", alternative="less")
    fisher = exact_test(*counts, test="fisher", alternative="less")
    return {"p_barnard": found.p_value, "p_fisher": fisher.p_value, "statistic": found.statistic}


def boschloo(i):
    counts = columns_as_groups(i)
    return {
        "fisher_p": exact_test(*counts, test="fisher", alternative=i["alternative"]).p_value,
        "boschloo_p": exact_test(*counts, test="boschloo", alternative=i["alternative"]).p_value,
    }


def rare_event(i):
    counts = rows_as_groups(i)
    return {
        f"p_{name}": exact_test(*counts, test=test).p_value
        for name, test in (("fisher", "fisher"), ("chi2", "chi-square"))
    }


def tea(i):
    counts = rows_as_groups(i)
    sides = {"p_one": "greater", "p_two": "two-sided"}
    return {name: exact_test(*counts, test="fisher", alternative=side).p_value for name, side in sides.items()}


def mcnemar(i):
    (a, b), (c, d) = i["table"]
    # the published difference is second minus first
    wald = paired_risk_difference(a, c, b, d, method="wald")
    return {
        "chi2": mcnemar_test(b, c, test="chi-square").statistic,
        "chi2_cc": mcnemar_test(b, c, test="chi-square-continuity").statistic,
        "diff": wald.estimate,
        "lower": wald.conf_low,
        "upper": wald.conf_high,
    }


def difference(method):
    return lambda i: limits(risk_difference(i["x1"], i["n1"], i["x2"], i["n2"], method, level=i.get("conf", 0.95)))


def newcombe_paired(i):
    found = paired_risk_difference(i["e"], i["f"], i["g"], i["h"], level=i["conf"])
    return limits(found) | {"diff": found.estimate}


def cliff(i):
    found = effect_size("rank-biserial", i["x"], i["y"])
    return limits(found) | {"delta": found.estimate}


def lakens(i):
    x, y = np.array(i["movie1"]), np.array(i["movie2"])
    n, change = len(x), x - y
    independent, related = ttest_ind(x, y), ttest_rel(x, y)
    by = {kind: effect_size(kind, x, y).estimate for kind in ("d", "g", "d_z", "d_av", "g_av", "superiority-paired")}
    normal = effect_size(
        "superiority", mean1=x.mean(), sd1=x.std(ddof=1), n1=n, mean2=y.mean(), sd2=y.std(ddof=1), n2=n
    )
    made = {"mean1": x.mean(), "sd1": x.std(ddof=1), "mean2": y.mean(), "sd2": y.std(ddof=1)}
    made |= {"r": np.corrcoef(x, y)[0, 1], "t_ind": independent.statistic, "p_ind": independent.pvalue}
    made |= {"t_rel": related.statistic, "p_rel": related.pvalue}
    for name, test in (("ind", independent), ("rel", related)):
        made[f"{name}_lo"], made[f"{name}_hi"] = test.confidence_interval()
    made |= {"d_s": by["d"], "g_s": by["g"], "d_z": by["d_z"], "d_av": by["d_av"], "g_av": by["g_av"]}
    assert by["d_z"] == pytest.approx(change.mean() / change.std(ddof=1))
    return made | {"cl_ind": normal.estimate, "cl_rel": by["superiority-paired"]}


def morris(i):
    made = {}
    for k in range(5):
        treated, control = (
            paired_from_summary(g["mpost"][k], g["sd"][k], g["mpre"][k], g["sd"][k], g["n"][k], g["r"][k], None)
            for g in (i["T"], i["C"])
        )
        made[f"s{k + 1}"] = pre_post_control_size(treated, control).estimate
    return made


def heights(i):
    given = {"mean1": i["m1"], "sd1": i["s1"], "mean2": i["m2"], "sd2": i["s2"]}
    return {"CL": effect_size("superiority", **given, n1=2, n2=2).estimate}


def rank_sum(i):
    test = rank_test(i["x"], i["y"], alternative=i["alternative"])
    made = {"U": test.statistic, "p": test.p_value, "prob_sup": effect_size("superiority", i["x"], i["y"]).estimate}
    return made | {"rank_biserial": effect_size("rank-biserial", i["x"], i["y"]).estimate}


def signed_rank(i):
    test = rank_test(i["x"], i["y"], paired=True, alternative=i["alternative"])
    return {
        "V": test.statistic,
        "p": test.p_value,
        "rb": effect_size("rank-biserial-paired", i["x"], i["y"]).estimate,
    }


def peak_flow():
    return pd.read_csv(REFERENCE / "data" / "bland_altman_1986_pefr.csv")


def agreement_rows(found):
    frame = found.frame().set_index("term")
    made = {"n": found.n, "mean": found.mean, "sd": found.sd}
    for row, name in (("lower limit", "lo"), ("upper limit", "hi"), ("mean difference", "mean")):
        made |= {f"{name}_lo": frame.loc[row, "conf_low"], f"{name}_hi": frame.loc[row, "conf_high"]}
    made |= {"loa_lo": frame.loc["lower limit", "estimate"], "loa_hi": frame.loc["upper limit", "estimate"]}
    return made | {
        "se_mean": frame.loc["mean difference", "std_error"],
        "se_limit": frame.loc["lower limit", "std_error"],
    }


def limits_1986(i):
    d = peak_flow()
    return agreement_rows(
        limits_of_agreement(d["Wright1"], d["Mini1"], multiplier=i["multiplier"], method="approximate-1986")
    )


def limits_1999(_):
    d = pd.read_csv(REFERENCE / "data" / "bland_altman_1999_sbp.csv")
    return agreement_rows(limits_of_agreement(d["J1"], d["S1"], method="approximate"))


def repeat_1986(_):
    d, made = peak_flow(), {}
    for name in ("wright", "mini"):
        row = repeatability(d[f"{name.title()}1"], d[f"{name.title()}2"], multiplier=2).iloc[0]
        made |= {f"sd_{name}": row["sd"], f"cor_{name}": row["coefficient"]}
    return made | {"r": concordance(d["Wright1"], d["Mini1"])["pearson_r"]}


def replicates_1999(_):
    long = pd.read_csv(REFERENCE / "data" / "bland_altman_1999_sbp.csv").melt("item")
    long = long.assign(method=long["variable"].str[0])
    found = replicate_agreement(long[long["method"] != "R"], target="item", method="method", value="value")
    row = found.frame().iloc[0]
    made = {"vw_J": found.within1, "vw_S": found.within2, "mean": found.mean, "var_means": found.variance_of_means}
    made |= {"rep_J": 1.96 * np.sqrt(2 * found.within1), "rep_S": 1.96 * np.sqrt(2 * found.within2)}
    return made | {"var_single": found.variance, "sd": row["sd"], "lo": row["lower"], "hi": row["upper"]}


def loa_exact(i):
    # any 17 numbers with that mean and SD give the published setting
    shape = np.linspace(-1, 1, i["n"])
    values = i["mean"] + i["sd"] * shape / shape.std(ddof=1)
    frame = limits_of_agreement(values, np.zeros(i["n"])).frame().set_index("term")
    made = {}
    for row, name in (("upper limit", "up"), ("lower limit", "lo")):
        made |= {f"{name}_lo": frame.loc[row, "conf_low"], f"{name}_hi": frame.loc[row, "conf_high"]}
    return made


def weighted_kappa(i):
    table = np.array(i["p"])
    weighted = kappa(table=table, weights=np.array(i["w"], float))
    return {"kappa": kappa(table=table).estimate, "kappa_w": weighted.estimate}


def two_rater_kappa(i):
    found = kappa(table=np.array(i["counts"]))
    made = {"po": found["observed"], "pe": found["expected"], "kappa": found.estimate}
    return made | {"se0": found["std_error_null"], "se": found.std_error}


def lin(_):
    d = peak_flow()
    found = concordance(d["Wright1"], d["Mini1"])
    return {"ccc": found.estimate, "r": found["pearson_r"], "cb": found["bias_correction"]}


def icc(i):
    rows = [(target, rater, value) for target, row in enumerate(i["ratings"]) for rater, value in enumerate(row)]
    frame = pd.DataFrame(rows, columns=["target", "rater", "value"])
    found = intraclass_correlation(frame, target="target", rater="rater", value="value")
    s, made = found.squares, {}
    for row in found.frame().itertuples():
        name = row.form[4:-1].replace(",", "_")
        made |= {f"ICC_{name}": row.estimate}
        made |= {f"ci{name.replace('_', '')}_lo": row.conf_low, f"ci{name.replace('_', '')}_hi": row.conf_high}
    return made | {"BMS": s.between, "WMS": s.within, "JMS": s.raters, "EMS": s.error}


def jacobson_truax(i):
    table = pd.DataFrame({"participant": ["p"], "arm": [""], "improvement": [i["post"] - i["pre"]]})
    found = reliable_change(table, sd=i["sd_pre"], reliability=i["r"])
    cuts = clinical_cutoffs(i["M_dys"], i["s_dys"], i["M_fun"], i["s_fun"])
    made = {"SE": found.error, "Sdiff": np.sqrt(2) * found.error, "RC": found.frame()["reliable_change"].iloc[0]}
    return made | {f"cut_{name}": getattr(cuts, name) for name in "abc"}


def split(_):
    cost = normal_split_efficiency()
    return {"are": cost["efficiency"], "atten": cost["correlation_factor"]}


CALLS = {
    "a_agresticoull": proportion("agresti-coull"),
    "a_aspirin": ratios,
    "a_barnard": barnard,
    "a_borenstein_binary": borenstein_binary,
    "a_boschloo": boschloo,
    "a_clopper": proportion("clopper-pearson"),
    "a_fisher_perondi": rare_event,
    "a_fisher_tea": tea,
    "a_jeffreys": proportion("jeffreys"),
    "a_mcnemar": mcnemar,
    "a_mee": difference("mee"),
    "a_midp": proportion("mid-p"),
    "a_mn_": difference("miettinen-nurminen"),
    "a_newcombe_diff": difference("newcombe"),
    "a_newcombe_paired": newcombe_paired,
    "a_score_0_25": score_lr_exact,
    "a_wald_diff": difference("wald"),
    "a_wilson_": proportion("wilson"),
    "a_wilsoncc": proportion("wilson-continuity"),
    "b_borenstein_smd": borenstein_smd,
    "b_cliff": cliff,
    "b_d_ci_borenstein": d_limits,
    "b_effectsize_d_mtcars": mtcars,
    "b_effectsize_paired_sleep": sleep,
    "b_hedges_J_table": lambda i: {f"m{m}": hedges_correction(m) for m in i["m"]},
    "b_lakens": lakens,
    "b_mcgraw": heights,
    "b_morris": morris,
    "b_nct_limits": lambda i: dict(
        zip(("lower", "upper"), noncentrality_limits(i["t"], i["df"], i["conf"]), strict=True)
    ),
    "b_ranksum": rank_sum,
    "b_signedrank": signed_rank,
    "c_ba1986_loa": limits_1986,
    "c_ba1986_repeat": repeat_1986,
    "c_ba1999_replicates": replicates_1999,
    "c_ba1999_sbp_loa": limits_1999,
    "c_cohen1968": weighted_kappa,
    "c_cronbach": lambda i: {"alpha": cronbach_from_variances(i["k"], i["sum_item_var"], i["total_var"])},
    "c_fleiss": two_rater_kappa,
    "c_lin": lin,
    "c_loa_exact": loa_exact,
    "c_psych": weighted_kappa,
    "c_shrout": icc,
    "d_dichot": split,
    "d_jacobson": jacobson_truax,
    "d_rtm": lambda i: {"rtm": regression_to_mean(i["sigma"], i["rho"], i["z"] * i["sigma"])},
}

OURS = [row for row in ROWS.to_dict("records") if row["id"][:2] in ("a_", "b_", "c_", "d_")]


@pytest.mark.parametrize("row", OURS, ids=[row["id"] for row in OURS])
def test_published_value(row):
    assert row["citation"], "a check without a source is no check"
    expected = json.loads(row["expected_json"])
    call = next(call for prefix, call in CALLS.items() if row["id"].startswith(prefix))
    found = call(json.loads(row["inputs_json"]))
    for name, value in expected.items():
        assert found[name] == pytest.approx(value, abs=row["tolerance"], rel=0), name
    assert np.isfinite(list(expected.values())).all()


def test_every_row_is_checked():
    assert len(OURS) == 63
    assert all(sum(row["id"].startswith(prefix) for prefix in CALLS) == 1 for row in OURS)
