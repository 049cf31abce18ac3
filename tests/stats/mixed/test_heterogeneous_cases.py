"""Variances that differ by visit or arm, and one later visit: R's nlme and lm (tests/reference/later_visits).

Agreement asked of gls: log-likelihood 1e-6 absolute, estimates 1e-6, standard errors 1e-5 relative, standard deviations
and correlation 1e-4 (R's optimiser stops early). Least squares: 1e-9.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import ttest_ind

from stats import fit_mixed
from stats.mixed.fit import MixedFit

REFERENCE = Path(__file__).parents[2] / "reference"
CASES = {path.stem: json.loads(path.read_text()) for path in sorted((REFERENCE / "later_visits").glob("*.json"))}
STRUCTURES = {
    "gls_tlc_csh": "unequal-compound-symmetry",
    "gls_tlc_arh1": "unequal-ar1",
    "gls_tlc_exp": "exponential",
    "gls_tlc_exp_het": "unequal-exponential",
}


def lead() -> pd.DataFrame:
    """The lead trial, long: id, arm (ctl, act), week, fvisit, y."""
    wide = pd.read_csv(REFERENCE / "data" / "tlc.csv", encoding="utf-8-sig", skipinitialspace=True)
    wide.columns = ["id", "group", "0", "1", "4", "6"]
    long = wide.melt(["id", "group"], var_name="fvisit", value_name="y")
    arm = long["group"].str.strip().map({"P": "ctl", "A": "act"})
    return long.assign(week=long["fvisit"].astype(int), arm=pd.Categorical(arm, ["ctl", "act"]))


def fitted(name: str) -> MixedFit:
    return fit_mixed(lead(), "y ~ arm * fvisit", participant="id", visit="week", covariance=STRUCTURES[name])


def test_every_case_is_used() -> None:
    assert set(CASES) == {*STRUCTURES, "gls_tlc_un_by_arm", "ancova_one_visit"}


@pytest.mark.parametrize("name", STRUCTURES)
def test_variances_that_differ_by_visit(name: str) -> None:
    case, fit = CASES[name], fitted(name)
    assert fit.n_rows == case["n_obs"]
    assert fit.loglik == pytest.approx(case["loglik"], abs=1e-6)
    table = fit.fixed("residual").assign(
        term=lambda d: d["term"].str.replace(r"\[T\.([^\]]*)\]", r"\1", regex=True).replace("Intercept", "(Intercept)")
    )
    expected = pd.DataFrame(case["fixed"]).set_index("term")
    ours = table.set_index("term").loc[expected.index]
    np.testing.assert_allclose(ours["estimate"], expected["estimate"], rtol=1e-6, atol=1e-6)
    np.testing.assert_allclose(ours["std_error"], expected["std_error"], rtol=1e-5)
    V = fit.visit_covariance
    if case.get("sd_by_level"):
        np.testing.assert_allclose(np.sqrt(np.diag(V)), list(case["sd_by_level"].values()), rtol=1e-4)
    names = fit.variances().set_index("name")["value"]
    corr = names[[name for name in names.index if "correlation" in name]].iloc[0]
    assert corr == pytest.approx(case["correlation"], rel=1e-4)


def test_unstructured_in_each_arm() -> None:
    case = CASES["gls_tlc_un_by_arm"]
    frame = lead()
    fit = fit_mixed(frame, "y ~ 0 + arm:fvisit", participant="id", visit="week", covariance="unstructured", by="arm")
    assert fit.loglik == pytest.approx(case["loglik_total"], abs=1e-6)
    L = np.zeros((4, 8))
    for k, week in enumerate(("0", "1", "4", "6")):
        for arm, sign in (("act", 1.0), ("ctl", -1.0)):
            at = next(j for j, term in enumerate(fit.terms) if f"[{arm}]" in term and f"[{week}]" in term)
            L[k, at] = sign
    for df in ("kenward-roger", "kenward-roger-observed", "satterthwaite"):
        made = fit.estimates(L, ["0", "1", "4", "6"], df=df)
        np.testing.assert_allclose(made.estimate, case["difference_by_visit"], rtol=1e-6, atol=1e-9)
        np.testing.assert_allclose(made.std_error, case["se_difference"], rtol=1e-5)
        # with complete data a difference at one visit is Welch's t test
        np.testing.assert_allclose(made.df, case["welch_df_complete_data"], rtol=1e-5)
        cells = [
            [frame[(frame["arm"] == arm) & (frame["week"] == w)]["y"] for w in (0, 1, 4, 6)] for arm in ("act", "ctl")
        ]
        p = [ttest_ind(a, b, equal_var=False).pvalue for a, b in zip(*cells, strict=True)]
        np.testing.assert_allclose(made.frame()["p_value"], p, rtol=1e-6, atol=1e-14)
    theta = fit.variances()
    for arm in ("ctl", "act"):
        V = np.array(case["arms"][arm]["visit_cov"])
        mine = theta[theta["name"].str.endswith(f" in {arm}")]["value"]
        np.testing.assert_allclose(mine, V[np.tril_indices(4)], rtol=1e-4)


@pytest.mark.parametrize("way", [{}, {"random": "1"}, {"covariance": "unequal-ante-dependence", "visit": "time"},
                                 {"covariance": "compound-symmetry", "visit": "time"}], ids=str)  # fmt: skip
def test_one_later_visit(way: dict) -> None:
    case = CASES["ancova_one_visit"]
    pilot = pd.read_csv(REFERENCE / "data" / "pilot24_rep1.csv")
    last = pilot[pilot["time"] == pilot["time"].max()]
    last = last.assign(arm=np.where(last["farm"] == "ctl", "ctl", "act"))
    last["arm"] = pd.Categorical(last["arm"], ["ctl", "act"])
    fit = fit_mixed(last, "y ~ base + arm", participant="id", **way)
    assert (fit.n_rows, fit.loglik) == (case["n_obs"], pytest.approx(case["reml_loglik"], abs=1e-9))
    expected = pd.DataFrame(case["fixed"])
    for df in ("kenward-roger", "kenward-roger-observed", "satterthwaite", "residual"):
        table = fit.fixed(df).set_index("term").loc[["Intercept", "base", "arm[T.act]"]]
        for column, theirs in (("estimate", "estimate"), ("std_error", "std_error"), ("df", "df"), ("statistic", "t"),
                               ("p_value", "p"), ("conf_low", "lower"), ("conf_high", "upper")):  # fmt: skip
            np.testing.assert_allclose(table[column], expected[theirs], rtol=1e-9)
    means = fit.means("arm").frame().set_index("arm")
    for row in case["adjusted_means"]:
        ours = means.loc[row["arm"]]
        assert (ours["estimate"], ours["std_error"], ours["df"]) == pytest.approx((row["emmean"], row["SE"], row["df"]))
    sigma = np.sqrt(fit.variances()["value"].iloc[0])
    assert sigma == pytest.approx(case["sigma"], rel=1e-9)
    # CR2 with participants as clusters is HC2 where everybody has one row
    robust = fit.robust().set_index("term").loc[["Intercept", "base", "arm[T.act]"]]
    np.testing.assert_allclose(robust["std_error"], expected["se_hc2"], rtol=1e-9)


def test_both_kenward_rogers_beside_each_other() -> None:
    """One call gives both, equal with complete data; AIC says what it counts."""
    fit = fitted("gls_tlc_csh")
    both = fit.kenward_rogers()
    assert list(both["method"][:2]) == ["kenward-roger", "kenward-roger-observed"]
    assert list(both["information"][:2]) == ["expected", "observed"]
    for df, rows in both.groupby("method"):
        pd.testing.assert_frame_equal(
            rows.drop(columns=["method", "information"]).reset_index(drop=True), fit.fixed(df)
        )
    gaps = fit_mixed(
        lead().sample(frac=0.8, random_state=1), "y ~ arm * fvisit", participant="id", visit="week", covariance="ar1"
    )
    one = gaps.kenward_rogers(np.eye(8)[-1:], ["act at 6"])
    assert list(one["term"]) == ["act at 6"] * 2
    assert one["df"].nunique() == 2
    assert fit.criterion_counts.startswith("5 covariance parameters only")
    assert fit.aic == pytest.approx(-2 * fit.loglik + 2 * 5)
    ml = fit_mixed(lead(), "y ~ arm * fvisit", participant="id", visit="week", covariance="ar1", method="ml")
    assert ml.criterion_counts == "2 covariance parameters and 8 coefficients (full likelihood)"
