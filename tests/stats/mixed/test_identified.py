"""What the data cannot tell apart, boundaries, and clocks.

Least squares is asked of statsmodels, live. Agreement of two ways to write one model and of units of time are
identities; the unbounded maximum with complete data is the two-sample t test of participants' own slopes (scipy).
"""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy.stats import ttest_ind

from stats import fit_mixed, fit_moments
from stats.errors import FitError
from stats.mixed.covariance.structures_by_name import COVARIANCES
from stats.mixed.many import fit_many
from stats.mixed.model.pooling import pool_moments

METHODS = (
    "kenward-roger", "kenward-roger-observed", "kenward-roger-2009", "satterthwaite", "between-within", "residual",
)  # fmt: skip
WAYS = [{}, {"random": "1"}, {"random": "1 + week"}, {"random": "1 + week", "correlated": False}]
WAYS += [{"covariance": name} for name in COVARIANCES] + [{"random": "1", "covariance": "unequal-ar1"}]


def before_after(seed: int) -> pd.DataFrame:
    """A random study of 2 to 4 arms with one later visit; in every other one some baselines are missing."""
    rng = np.random.default_rng([11, seed])
    arms, each = int(rng.integers(2, 5)), int(rng.integers(4, 13))
    arm = np.repeat([f"arm {k}" for k in range(arms)], each)
    base = rng.normal(30, 8, len(arm))
    score = 5 + 0.8 * base + rng.normal(0, 6, arms).repeat(each) + rng.normal(0, rng.uniform(1, 9), len(arm))
    if seed % 2:
        base[rng.random(len(arm)) < 0.1] = np.nan
        score[rng.random(len(arm)) < 0.1] = np.nan
    return pd.DataFrame({"participant": np.arange(len(arm)), "arm": arm, "week": 8, "base": base, "score": score})


@pytest.mark.parametrize("seed", range(200))
def test_one_later_visit_is_an_analysis_of_covariance(seed: int) -> None:
    """Estimates, standard errors, df, p and joint test to 1e-9, whatever covariance and df are asked for."""
    frame, way, df = before_after(seed), WAYS[seed % len(WAYS)], METHODS[seed % len(METHODS)]
    ours = fit_mixed(frame, "score ~ arm + base", participant="participant", visit="week", **way)
    theirs = smf.ols("score ~ arm + base", frame).fit()
    table = ours.fixed(df).set_index("term")
    names = [str(term) for term in theirs.params.index]
    assert list(table.index) == names
    for column, values in (("estimate", theirs.params), ("std_error", theirs.bse), ("p_value", theirs.pvalues)):
        np.testing.assert_allclose(table[column], values, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(table["df"], theirs.df_resid, rtol=1e-12)
    pd.testing.assert_frame_equal(ours.fixed("kenward-roger"), ours.fixed("residual"))
    rows = [k for k, name in enumerate(names) if name.startswith("arm")]
    joint, expected = ours.test("arm", df=df), theirs.f_test(np.eye(len(names))[rows])
    assert joint.num_df == len(rows)
    np.testing.assert_allclose(
        [joint.statistic, joint.den_df, joint.p_value],
        [float(np.squeeze(expected.fvalue)), theirs.df_resid, float(expected.pvalue)],
        rtol=1e-9,
    )
    assert any("ordinary least squares" in note for note in ours.notes)
    assert "residual df" in joint.sentence()
    assert np.isfinite(ours.variances()["value"]).all()


@pytest.mark.parametrize("way", WAYS, ids=str)
def test_one_later_visit_by_stacked_fits_and_by_moments(way: dict) -> None:
    frame = before_after(4).dropna()
    keys = {"participant": "participant", "visit": "week", **way}
    alone = fit_mixed(frame, "score ~ arm + base", **keys)
    responses = np.stack([frame["score"], np.random.default_rng(1).permutation(frame["score"])])
    stacked = fit_many(frame, "score ~ arm + base", responses, **keys)
    L = np.eye(len(alone.terms))
    for df in METHODS[:4]:
        made = stacked.estimates(L, df)
        for column, values in (("std_error", made.std_error), ("df", made.df), ("p_value", made.p_value)):
            np.testing.assert_allclose(values[0], alone.fixed(df)[column], rtol=1e-9)
        second = smf.ols("score ~ arm + base", frame.assign(score=responses[1])).fit()
        np.testing.assert_allclose(made.p_value[1], second.pvalues, rtol=1e-9, atol=1e-12)
        np.testing.assert_allclose(stacked.test(L[1:], df).p_value[1], second.f_pvalue, rtol=1e-9)
    random = way.get("random") or (None if "covariance" in way else "1")
    moments = pool_moments(frame, "score ~ arm + base", participant="participant", visit="week", random=random)
    pooled = fit_moments(moments, **{k: v for k, v in way.items() if k != "random"})
    assert pooled.test(L[1:]).p_value == pytest.approx(alone.test(L[1:]).p_value, rel=1e-8)
    np.testing.assert_allclose(pooled.fixed()["std_error"], alone.fixed()["std_error"], rtol=1e-8)


def trial(seed: int, visits: tuple[float, ...], people: int = 24, slope: float = 0.4, missing: float = 0.15):
    """A two-arm trial with lines per participant: participant, arm (0, 1), week, score."""
    rng = np.random.default_rng([12, seed])
    person, week = np.repeat(np.arange(people), len(visits)), np.tile(visits, people)
    score = rng.normal(40, 6, people)[person] + rng.normal(0, slope, people)[person] * week
    frame = pd.DataFrame({"participant": person, "arm": person % 2.0, "week": week})
    frame["score"] = score + rng.normal(0, 2, len(person))
    return frame[rng.random(len(person)) >= missing].reset_index(drop=True)


@pytest.mark.parametrize("seed", range(6))
def test_two_visits_with_a_slope_each_are_unstructured(seed: int) -> None:
    """Intercept, slope and error over two visits are four parameters for three moments."""
    frame = trial(seed, (0.0, 8.0))
    keys = {"participant": "participant", "visit": "week"}
    lines = fit_mixed(frame, "score ~ week * arm", random="1 + week", **keys)
    free = fit_mixed(frame, "score ~ week * arm", covariance="unstructured", **keys)
    assert lines.loglik == pytest.approx(free.loglik, abs=1e-9)
    for df in METHODS[:4]:
        a, b = lines.fixed(df), free.fixed(df)
        for column in ("estimate", "std_error", "df", "p_value"):
            np.testing.assert_allclose(a[column], b[column], rtol=1e-7)
    np.testing.assert_allclose(lines.variances()["value"], free.variances()["value"], rtol=1e-7)
    assert lines.n_parameters == 3
    assert any("cannot tell" in note for note in lines.notes)
    effects = lines.diagnostics().effects
    assert np.isfinite(effects[["Intercept", "week"]]).all(axis=None)


def test_intercept_and_ar1_over_two_visits() -> None:
    frame = trial(3, (0.0, 8.0))
    keys = {"participant": "participant", "visit": "week"}
    both = fit_mixed(frame, "score ~ week * arm", random="1", covariance="ar1", **keys)
    one = fit_mixed(frame, "score ~ week * arm", covariance="ar1", **keys)
    np.testing.assert_allclose(both.fixed()["p_value"], one.fixed()["p_value"], rtol=1e-8)
    assert both.loglik == pytest.approx(one.loglik, abs=1e-9)


def test_participants_as_fixed_and_random_effects() -> None:
    """The fixed ones leave nothing to the random ones: least squares with a coefficient per participant."""
    frame = trial(5, (0.0, 2.0, 4.0), people=10, missing=0.0).assign(who=lambda d: "P" + d["participant"].astype(str))
    ours = fit_mixed(frame, "score ~ 0 + who + week", participant="participant", random="1")
    theirs = smf.ols("score ~ 0 + who + week", frame).fit()
    row = ours.fixed().set_index("term").loc["week"]
    assert row["df"] == pytest.approx(theirs.df_resid)
    assert row["p_value"] == pytest.approx(theirs.pvalues["week"], rel=1e-9)
    assert list(ours.variances()["component"]) == ["residual"]


def test_a_variance_that_nobody_can_know_is_refused_by_name() -> None:
    """One participant is an arm, and each arm has a variance of its own: the arm's level takes that person away."""
    frame = trial(6, (0.0, 2.0, 4.0, 8.0), people=12)
    frame["arm"] = np.where(frame["participant"] == 0, "alone", "others")
    fit = fit_mixed(frame, "score ~ 0 + arm + week", participant="participant", random="1", by="arm")
    table = fit.estimates(np.eye(3), fit.terms)
    others = fit_mixed(
        frame, "score ~ 0 + arm + week", participant="participant", random="1"
    )  # with one variance for everybody there is an answer
    assert np.isfinite(others.fixed()["p_value"]).all()
    assert np.isnan(table.std_error[0])
    assert np.isfinite(table.std_error[1:]).all()
    assert any("arm[alone]" in note and "cannot be given" in note for note in table.notes)
    with pytest.raises(FitError, match=r"arm\[alone\].*these data cannot show.*Use one covariance"):
        fit.contrast("arm[alone]")
    with pytest.raises(FitError, match="these data cannot show"):
        fit.test("arm")


def own_slopes(frame: pd.DataFrame) -> pd.Series:
    def slope(rows: pd.DataFrame) -> float:
        return float(np.polyfit(rows["week"], rows["score"], 1)[0])

    return frame.groupby("participant")[["week", "score"]].apply(slope)


def test_with_complete_data_the_unbounded_fit_is_the_t_test_of_own_slopes() -> None:
    """Also where slopes vary less than error alone would make them, and the bounded fit has a variance of zero."""
    edges = 0
    for seed in range(40):
        frame = trial(seed, (0.0, 1.0, 2.0, 3.0, 4.0, 5.0), people=12, slope=0.1 * (seed % 3), missing=0.0)
        fit = fit_mixed(frame, "score ~ week * arm", participant="participant", random="1 + week")
        slopes = own_slopes(frame)
        arm = frame.groupby("participant")["arm"].first()
        expected = ttest_ind(slopes[arm == 1], slopes[arm == 0])
        row = fit.fixed().set_index("term").loc["week:arm"]
        assert row["df"] == pytest.approx(10, abs=1e-6)
        assert row["p_value"] == pytest.approx(expected.pvalue, rel=1e-6)
        values = fit.variances().set_index("name")["value"]
        assert (values[["var(Intercept)", "var(week)", "var"]] >= 0).all()
        if fit.boundary:
            edges += 1
            assert any("Boundary" in note and "unbounded maximum" in note for note in fit.notes)
            assert fit.fixed("satterthwaite").set_index("term").loc["week:arm", "p_value"] != row["p_value"]
            assert np.isfinite(fit.diagnostics().effects[["Intercept", "week"]]).all(axis=None)
    assert 10 < edges < 40


CLOCKS = {
    "calendar years": lambda t: 2024 + t / 365,
    "days since 1970": lambda t: 19_800.0 + t,
    "seconds": lambda t: 1.7e9 + 86_400.0 * t,
}


@pytest.mark.parametrize("clock", CLOCKS)
@pytest.mark.parametrize(
    "model",
    [
        {"random": "1 + week"},
        {"random": "1 + week", "by": "arm"},
        {"random": "1 + week", "covariance": "ar1"},
        {"covariance": "exponential"},
        {"covariance": "unequal-exponential"},
    ],
    ids=str,
)
def test_df_and_p_do_not_depend_on_the_clock(clock: str, model: dict) -> None:
    """Slopes per arm and their difference: estimates scale, df and p stay to 1e-6."""
    frame = trial(2, (0.0, 28.0, 56.0, 112.0), people=30, slope=0.1)
    keys = {"participant": "participant", "visit": "visit" if "ar1" in str(model) else "week", **model}
    frame["visit"] = frame["week"].astype(int)
    other = frame.assign(week=CLOCKS[clock](frame["week"]))
    one, two = (fit_mixed(d, "score ~ week * arm", **keys) for d in (frame, other))
    assert two.boundary == one.boundary
    for df in ("kenward-roger", "kenward-roger-observed", "satterthwaite"):
        for text in ("week", "week:arm"):
            a, b = (fit.contrast(text, df=df).frame().iloc[0] for fit in (one, two))
            assert b["df"] == pytest.approx(a["df"], rel=1e-6)
            assert b["p_value"] == pytest.approx(a["p_value"], rel=1e-6)
        a, b = (fit.test(["week", "week:arm"], df=df) for fit in (one, two))
        assert b.den_df == pytest.approx(a.den_df, rel=1e-6)
        assert b.p_value == pytest.approx(a.p_value, rel=1e-6)


def test_a_boundary_does_not_depend_on_the_clock() -> None:
    frame = next(
        d
        for d in (trial(k, (0.0, 28.0, 56.0, 84.0), people=14, slope=0.0) for k in range(50))
        if fit_mixed(d, "score ~ week * arm", participant="participant", random="1 + week").boundary
    )
    other = frame.assign(week=2024 + frame["week"] / 365)
    one, two = (
        fit_mixed(d, "score ~ week * arm", participant="participant", random="1 + week") for d in (frame, other)
    )
    assert two.boundary
    for df in METHODS[:3]:
        a, b = (fit.contrast("week:arm", df=df).frame().iloc[0] for fit in (one, two))
        assert b["df"] == pytest.approx(a["df"], rel=1e-6)
        assert b["p_value"] == pytest.approx(a["p_value"], rel=1e-6)


def test_independent_effects_keep_their_origin() -> None:
    """A shift of the clock is another model there; a change of unit is not."""
    frame = trial(2, (0.0, 28.0, 56.0, 112.0), people=30, slope=0.1)
    keys = {"participant": "participant", "random": "1 + week", "correlated": False}
    one = fit_mixed(frame, "score ~ week * arm", **keys)
    days = fit_mixed(frame.assign(week=frame["week"] * 7), "score ~ week * arm", **keys)
    assert days.loglik - one.loglik == pytest.approx(-2 * np.log(7), abs=1e-6)  # two slopes in other units
    assert days.contrast("week:arm").frame()["p_value"][0] == pytest.approx(
        one.contrast("week:arm").frame()["p_value"][0], rel=1e-7
    )
