"""Rubin's rules, reference-based means, given imputations and both variances against R (tests/reference/next)."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stats.errors import FitError
from stats.missing.assumptions import given_seen, joint_moments
from stats.missing.imputation import given_imputations, impute
from stats.missing.long_run import _answer, long_run_difference, normal_maximum
from stats.missing.normal_draws import posterior_draws
from stats.missing.rubin import combine_imputations, small_sample_df
from stats.missing.tipping import tipping_point

ROOT = Path(__file__).parents[2] / "reference"
ROWS = pd.read_csv(ROOT / "check_values.csv").set_index("id")
NAMES = {
    "missing_at_random": "normal",
    "jump_to_reference": "jump-to-reference",
    "copy_reference": "copy-reference",
    "copy_increments": "copy-increments",
    "last_mean_carried": "last-mean",
}


def case(name: str) -> dict:
    return json.loads((ROOT / "next" / "cases" / f"{name}.json").read_text())


def close(value, rel: float = 1e-9):
    return pytest.approx(value, rel=rel, abs=1e-12)


def wide(name: str = "miss_small") -> pd.DataFrame:
    frame = pd.read_csv(ROOT / "next" / "data" / f"{name}.csv")
    return frame.assign(arm=pd.Categorical(frame["arm"], ["ctl", "act"]))


def long() -> pd.DataFrame:
    frame = wide().melt(["id", "arm"], ["y0", "y1", "y2", "y3"], "visit", "value")
    return frame.rename(columns={"id": "participant"})


@pytest.mark.parametrize("name", ["rubin_scalar", "rubin_scalar_high"])
def test_rubin(name):
    found = case(name)
    for expected in found["pooled"]:
        df = expected["df_complete"]
        df = np.inf if not isinstance(df, int | float) else df
        ours = combine_imputations(found["estimates"], found["variances"], df).frame().iloc[0]
        for mine, theirs in (("estimate", "estimate"), ("std_error", "std_error"), ("within", "within"), ("df", "df"),
                             ("between", "between"), ("total", "total"), ("fmi", "fmi"), ("p_value", "p"),
                             ("conf_low", "lower"), ("conf_high", "upper"), ("statistic", "t")):  # fmt: skip
            if isinstance(expected[theirs], int | float):
                assert ours[mine] == close(expected[theirs])


@pytest.mark.parametrize("name", ["rubin_d1", "rubin_d1_lm"])
def test_joint_test(name):
    found = case(name)
    made = combine_imputations(found["estimates"], found["covariances"], found["df_complete"]).joint_test().iloc[0]
    assert made["statistic"] == close(found["F"])
    assert made["den_df"] == close(found["df2_reiter"])
    assert made["den_df_large"] == close(found["df2_li"])
    assert made["p_value"] == close(found["p_reiter"])


@pytest.mark.parametrize("name", ["g_mice_pool_scalar", "g_rubin_oxygen"])
def test_published_oxygen(name):
    inputs, expected = json.loads(ROWS.loc[name, "inputs_json"]), json.loads(ROWS.loc[name, "expected_json"])
    ours = combine_imputations(inputs["est"], np.square(inputs["se"]), inputs["df_complete"]).frame().iloc[0]
    for theirs, mine in (
        ("est", "estimate"),
        ("between", "between"),
        ("within", "within"),
        ("total", "total"),
        ("df", "df"),
    ):
        assert ours[mine] == pytest.approx(expected[theirs], abs=ROWS.loc[name, "tolerance"])


def test_published_df_without_limit():
    row = ROWS.loc["g_rubin_df_note"]
    inputs = json.loads(row["inputs_json"])
    df = small_sample_df(np.array([inputs["r"]]), inputs["m"], np.inf)[0]
    assert df == pytest.approx(json.loads(row["expected_json"])["df"], abs=row["tolerance"])


def test_equal_estimates_keep_nearly_all_df():
    # Barnard & Rubin 1999: (v + 1) / (v + 3) v, here 12 / 14 x 11
    assert combine_imputations([2.0, 2.0, 2.0], [1.0, 1.0, 1.0], 11).frame()["df"].iloc[0] == close(132 / 14)
    with pytest.raises(FitError, match="1 imputation"):
        combine_imputations([1.0], [1.0])


def test_published_conditional_means():
    row = ROWS.loc["g_reference_based_means"]
    inputs, expected = json.loads(row["inputs_json"]), json.loads(row["expected_json"])
    S = np.array(inputs["Sigma"], dtype=float)
    active, reference = np.array(inputs["mean_active"], float), np.array(inputs["mean_ref"], float)
    y = np.array([[*inputs["y_obs"], np.nan]])
    short = {
        "MAR": "normal",
        "J2R": "jump-to-reference",
        "CR": "copy-reference",
        "CIR": "copy-increments",
        "LMCF": "last-mean",
    }
    for name, method in short.items():
        mean, spread = given_seen(*joint_moments(method, (active, S), (reference, S), 2), y, np.isnan(y[0]))
        assert mean[0, 0] == pytest.approx(expected[name], abs=row["tolerance"])
        assert spread[0, 0] == pytest.approx(expected["cond_var"], abs=row["tolerance"])


@pytest.mark.parametrize("block", ["patterns_common_covariance_active", "patterns_covariance_by_arm"])
def test_conditional_moments(block):
    found = case("ref_means_4visits")
    own = (np.array(found["mean_active"], float), np.array(found["cov_active"], float))
    R = own[1] if "common" in block else np.array(found["cov_reference"], float)
    other = (np.array(found["mean_reference"], float), R)
    for pattern in found[block].values():
        y = np.array([[np.nan if v in (None, "NA") else v for v in pattern["observed"]]], dtype=float)
        missing = np.isnan(y[0])
        if not missing.any():
            continue
        for name, method in NAMES.items():
            mean, spread = given_seen(*joint_moments(method, own, other, pattern["last_visit"]), y, missing)
            assert mean[0] == close(np.atleast_1d(pattern[name]["mean"]))
            assert spread == close(np.atleast_2d(pattern[name]["cov"]))


def test_given_imputations_and_the_tipping_point():
    found = case("mi_given_imputations")
    copies = given_imputations(wide("miss_small_imputed"), wide(), imputation="imp", participant="id", arm="arm",
                               visits=["y0", "y1", "y2", "y3"], reference="ctl")  # fmt: skip
    ours = copies.difference().frame().iloc[0]
    for mine, theirs in (("estimate", "estimate"), ("std_error", "std_error"), ("df", "df"), ("fmi", "fmi")):
        assert ours[mine] == close(found["pooled"][theirs])
    for row in found["delta"]:
        moved = copies.with_shift({("act", "y3"): row["delta"]}).difference().frame().iloc[0]
        assert moved["estimate"] == close(row["estimate"])
        assert moved["std_error"] == close(row["std_error"])
        assert moved["p_value"] == close(row["p"], 1e-8)
    tip = tipping_point(copies, reach=60)
    for side in ("down", "up"):
        expected = found[f"tipping_{side}"]
        assert np.isnan(getattr(tip, side)) if expected in (None, "NA") else getattr(tip, side) == close(expected, 1e-8)
    responders = copies.responders(found["responders"]["mcid"]).frame().iloc[0]
    pooled = found["responders"]["risk_difference"]
    assert responders["estimate"] == close(pooled["estimate"])
    assert responders["std_error"] == close(pooled["std_error"])
    assert responders["df"] == close(pooled["df"])


@pytest.mark.parametrize("name", ["missing_at_random", "jump_to_reference"])
def test_long_run_variance(name):
    # the EM behind the R values stops at a relative change of 1e-10, hence 1e-7 for the jackknife
    expected = case("ref_variance")["results"][name]
    found = long_run_difference(long(), method=NAMES[name], reference="ctl")
    row = found.frame().iloc[0]
    assert row["estimate"] == close(expected["conditional_mean_estimate"], 1e-8)
    assert row["std_error"] == close(expected["jackknife_std_error"], 1e-7)
    assert np.sort(found.leave_one_out[:, 0]) == pytest.approx(np.sort(expected["jackknife_leave_one_out"]), rel=1e-7)
    rows = pd.read_csv(ROOT / "next/data/miss_small_bootstrap_rows.csv", header=None).to_numpy() - 1
    Y, group = wide()[["y0", "y1", "y2", "y3"]].to_numpy(float), (wide()["arm"] == "act").to_numpy("int64")
    again = [_answer(Y[one], group[one], 0, 3, NAMES[name], 0)[0] for one in rows]
    assert again[:10] == pytest.approx(expected["bootstrap_estimates_first_10"], rel=1e-7)
    assert np.std(again, ddof=1) == close(expected["bootstrap_std_error"], 1e-7)


def test_maximum_likelihood_moments():
    found = case("ref_variance")
    means, S = normal_maximum(wide()[["y0", "y1", "y2", "y3"]].to_numpy(float), (wide()["arm"] == "act").to_numpy(int))
    assert means[1] == pytest.approx(found["ml_means_active"], rel=1e-9)
    assert means[0] == pytest.approx(found["ml_means_reference"], rel=1e-9)
    assert pytest.approx(np.array(found["ml_covariance"]), rel=1e-8) == S


@pytest.mark.parametrize("name", ["missing_at_random", "jump_to_reference"])
def test_rubin_variance_within_its_monte_carlo_error(name):
    expected = case("ref_variance")["results"][name]["rubin_monte_carlo"]
    copies = impute(long(), m=4000, seed=7, method=NAMES[name], reference="ctl", covariance="by-arm")
    row = copies.difference().frame().iloc[0]
    slack = 4 * expected["monte_carlo_se_of_estimate"]
    assert row["estimate"] == pytest.approx(expected["estimate"], abs=slack)
    assert row["within"] == pytest.approx(expected["within"], rel=0.05)
    assert row["between"] == pytest.approx(expected["between"], rel=5 * expected["relative_monte_carlo_se_of_between"])


def test_gaps_are_filled_in_turns_and_seen_values_stay():
    frame = long()
    frame.loc[(frame["participant"].isin([3, 21])) & (frame["visit"] == "y1"), "value"] = np.nan
    copies = impute(frame, m=50, seed=1, reference="ctl")
    table = copies.table
    assert (copies.values[:, ~copies.missing] == table.values[~copies.missing]).all()
    assert np.isfinite(copies.values).all()
    assert copies.values[:, copies.missing].std(axis=0).min() > 0
    again = impute(frame, m=50, seed=1, reference="ctl")
    assert (again.values == copies.values).all()
    assert copies.completed(3).query("imputed").shape[0] == copies.missing.sum()


def test_people_with_one_gap_who_leave_apart():
    """Their later visits differ, those seen and those not; the draws lie around the maximum of the likelihood.

    The maximum by EM, which agrees with R (`test_maximum_likelihood_moments`). An error of it once took the missing
    visits of the first person for those of all with the same gap: no number came out, or seen values were left unused.
    """
    rng = np.random.default_rng(3)
    Y = rng.normal(0, 3, (120, 1)) + rng.normal(0, 1, (120, 4)) + [0.0, 2.0, 3.0, 4.0]
    Y[:40, 1] = np.nan
    Y[10:20, 3] = np.nan
    Y[60:80, 2:] = np.nan
    for order in (np.arange(120), np.arange(120)[::-1]):  # whoever comes first
        draws = posterior_draws(Y[order], np.zeros(120, dtype=int), 500, np.random.default_rng(1), False)
        assert np.isfinite(draws.means).all()
        assert np.isfinite(draws.covariances).all()
        means, S = normal_maximum(Y[order], np.zeros(120, dtype=int))
        assert draws.means[:, 0].mean(axis=0) == pytest.approx(means[0], abs=0.08)
        assert draws.covariances[:, 0].mean(axis=0) == pytest.approx(S, rel=0.12)  # a posterior mean lies above it


def test_jump_to_reference_with_one_later_visit():
    # identity: the effect is (share seen) x (effect among those seen), with conditional means and no covariate
    rng = np.random.default_rng(5)
    n = 40
    frame = pd.DataFrame({"participant": np.tile(np.arange(2 * n), 2), "arm": np.tile(np.repeat(["c", "t"], n), 2),
                          "visit": np.repeat([0, 1], 2 * n), "value": rng.normal(size=4 * n)})  # fmt: skip
    frame.loc[(frame["visit"] == 1) & (frame["arm"] == "t"), "value"] += 2
    lost = frame.index[(frame["visit"] == 1) & (frame["arm"] == "t")][:10]
    frame.loc[lost, "value"] = np.nan
    frame.loc[frame["visit"] == 0, "value"] = np.tile(
        [-1.0, 1.0], n
    )  # balanced, so that adjusting does nothing to means
    mar = long_run_difference(frame, method="normal").frame()["estimate"].iloc[0]
    jump = long_run_difference(frame, method="jump-to-reference").frame()["estimate"].iloc[0]
    assert jump == pytest.approx(0.75 * mar, rel=1e-9)


def test_what_it_refuses():
    with pytest.raises(FitError, match="seed"):
        impute(long(), m=5)
    with pytest.raises(FitError, match="allowed normal"):
        impute(long(), m=5, seed=1, method="last-value")
    with pytest.raises(FitError, match="Arm 'x'"):
        impute(long(), m=5, seed=1, reference="x")


def test_a_shift_as_large_as_the_truth_takes_the_bias_away():
    # large arms; those who leave the treated arm are 6 lower than at random would say: a shift of -6 gives the truth
    rng = np.random.default_rng(11)
    n, truth = 1500, 3.0
    base = rng.normal(30, 8, 2 * n)
    treated = np.repeat([0, 1], n)
    left = rng.random(2 * n) < 0.3
    last = 0.7 * base + truth * treated - 6.0 * (left & (treated == 1)) + rng.normal(0, 5, 2 * n)
    actual = last[treated == 1].mean() - last[treated == 0].mean() - 0.7 * (base[n:].mean() - base[:n].mean())
    values = np.concatenate([base, np.where(left, np.nan, last)])
    frame = pd.DataFrame({"participant": np.tile(np.arange(2 * n), 2), "visit": np.repeat([0, 1], 2 * n),
                          "arm": np.where(np.tile(treated, 2) == 1, "t", "c"), "value": values})  # fmt: skip
    copies = impute(frame, m=20, seed=2, reference="c")
    plain = copies.difference().frame().iloc[0]
    moved = copies.with_shift(-6.0).difference().frame().iloc[0]
    assert abs(moved["estimate"] - actual) < 3 * moved["std_error"]
    assert abs(plain["estimate"] - actual) > 4 * plain["std_error"]
    assert copies.with_shift(-12.0).difference()["estimate"] < actual < plain["estimate"]
