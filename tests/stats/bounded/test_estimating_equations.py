"""Estimating equations against a dense R computation and statsmodels' own corrections (tests/reference/next)."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from stats.bounded.estimating_equations import gee
from stats.errors import FitError

ROOT = Path(__file__).parents[2] / "reference" / "next"
COLUMNS = {
    "se_model": "model",
    "se_robust": None,
    "se_kauermann_carroll_sqrt": "kauermann-carroll",
    "se_kauermann_carroll_one_sided": "kauermann-carroll-one-sided",
    "se_mancl_derouen": "mancl-derouen",
}


def stroke() -> pd.DataFrame:
    return pd.read_csv(ROOT / "data" / "stroke_recovery.csv").rename(columns=str.lower)


def grades() -> pd.DataFrame:
    frame = pd.read_csv(ROOT / "data" / "sim_grades.csv")
    frame["arm"] = pd.Categorical(frame["arm"], ["ctl", "act"])
    return frame.assign(good=(frame["grade"] >= 4).astype(int))


MODELS = {
    "gee_stroke": (stroke, "barthel ~ group * week", "subject", "week", "gaussian"),
    "gee_stroke4": (
        lambda: stroke().query("week in [1, 3, 5, 8]"), "barthel ~ group * week", "subject", "week", "gaussian",
    ),
    "gee_pilot24": (
        lambda: pd.read_csv(ROOT / "data" / "pilot24_after.csv"),
        "score ~ base + C(arm) * C(time)", "id", "time", "gaussian",
    ),
    "gee_binary": (grades, "good ~ arm + visit", "id", "visit", "binomial"),
}  # fmt: skip
CASES = [
    (name, working) for name in MODELS for working in json.loads((ROOT / "cases" / f"{name}.json").read_text())["fits"]
]


def fitted(name: str, working, small_sample=None):
    make, formula, participant, visit, family = MODELS[name]
    return gee(
        make(), formula, participant=participant, visit=visit, working=working, small_sample=small_sample, family=family
    )


@pytest.mark.parametrize(("name", "working"), CASES)
@pytest.mark.parametrize("block", ["moment_alpha", "fixed_working_correlation_from_geepack"])
def test_every_covariance(name, working, block):
    found = json.loads((ROOT / "cases" / f"{name}.json").read_text())["fits"][working][block]
    fixed = block.startswith("fixed")
    if not found:
        pytest.skip("the package gave no fit there")
    R = np.array(found["working_correlation"], dtype=float)
    if "failed" in found:
        with pytest.raises(FitError, match="not positive definite"):
            fitted(name, R if fixed else working)
        return
    rows = found["coefficients"]
    for column, kind in COLUMNS.items():
        fit = fitted(name, R if fixed else working, kind)
        ours = fit.fixed(df="normal")
        for mine, row in zip(ours.itertuples(), rows, strict=True):
            assert mine.estimate == pytest.approx(row["estimate"], rel=1e-9, abs=1e-9 * row["se_robust"])
            assert mine.std_error == pytest.approx(row[column], rel=2e-9)
    assert fit.working_correlation.to_numpy() == pytest.approx(R, rel=1e-8, abs=1e-9)


def test_mancl_derouen_is_that_of_statsmodels():
    ours = fitted("gee_binary", "exchangeable", "mancl-derouen")
    data = grades()
    X = ours.layout.X
    model = sm.GEE(ours.layout.y, X, groups=ours.layout.person, family=sm.families.Binomial(),
                   cov_struct=sm.cov_struct.Exchangeable())  # fmt: skip
    theirs = model.fit(ctol=1e-12, maxiter=200, cov_type="bias_reduced", start_params=ours.coefficients)
    # its exchangeable moment differs from ours in the fifth digit, hence the tolerance
    assert np.sqrt(np.diag(theirs.cov_robust_bc)) == pytest.approx(ours.fixed()["std_error"].to_numpy(), rel=2e-3)
    assert len(data) == ours.n_rows


def test_difference_between_arms_is_on_the_original_scale():
    fit = gee(grades(), "grade ~ arm * C(visit)", participant="id", visit="visit", working="independence")
    gaps = fit.marginal_difference().frame().set_index("visit")["estimate"]
    means = grades().pivot_table(index="visit", columns="arm", values="grade", observed=True)
    assert gaps.to_numpy() == pytest.approx((means["act"] - means["ctl"]).to_numpy())


def test_what_it_refuses():
    with pytest.raises(FitError, match="Working correlation"):
        fitted("gee_stroke", "toeplitz")
    with pytest.raises(FitError, match="needs 0 and 1"):
        gee(stroke(), "barthel ~ week", participant="subject", family="binomial")
