"""Stacked trials with designs of their own against the engine for one study, which is checked against R elsewhere.

The small calibration at the end holds error rates to their nominal level within Monte-Carlo error (a property).
"""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from stats import fit_mixed
from stats.errors import FitError
from stats.mixed.own_designs import OwnDesigns, fit_own_designs

STRUCTURES = (
    "unequal-ante-dependence", "unequal-compound-symmetry", "unequal-ar1", "unequal-toeplitz", "unstructured", "ar1",
    "compound-symmetry", "toeplitz", "ante-dependence",
)  # fmt: skip
METHODS = ("kenward-roger-observed", "kenward-roger", "kenward-roger-2009", "satterthwaite", "residual", "normal")
LEVEL = 4_000.0  # an outcome far from zero


def pilots(seed: int, replicates: int, each: int, visits: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Null trials of two arms whose errors grow over visits: y (R, n, V) with gaps, X (R, n, V, q), L for the arms.

    Every trial has its own baselines and gaps, three people at least per arm and visit.
    """
    rng = np.random.default_rng([21, seed])
    n, arm, one = 2 * each, np.repeat([0.0, 1.0], each), np.eye(visits)
    seen, todo = np.empty((replicates, n, visits), dtype=bool), np.arange(replicates)
    while len(todo):
        tried = rng.random((len(todo), n, visits)) > 0.12
        enough = np.minimum(tried[:, :each].sum(axis=1).min(axis=1), tried[:, each:].sum(axis=1).min(axis=1)) >= 3
        seen[todo] = tried
        todo = todo[~enough]
    base = rng.normal(0, 7, (replicates, n))
    error = rng.normal(size=(replicates, n, visits)) * np.linspace(2, 7, visits)
    y = np.where(seen, LEVEL + 0.8 * base[:, :, None] + rng.normal(0, 3, (replicates, n, 1)) + error, np.nan)
    X = np.zeros((replicates, n, visits, 2 * visits + 1))
    X[..., :visits], X[..., visits : 2 * visits] = one, one * arm[:, None, None]
    X[..., -1] = (base - base.mean(axis=1, keepdims=True))[:, :, None]
    return y, X, np.eye(2 * visits + 1)[visits : 2 * visits]


def alone(y: np.ndarray, X: np.ndarray, **model):
    """One of them through `fit_mixed`."""
    n, T = y.shape
    frame = pd.DataFrame(X.reshape(n * T, -1)).add_prefix("x")
    frame = frame.assign(person=np.repeat(np.arange(n), T), visit=np.tile(np.arange(T), n), y=y.ravel())
    formula = "y ~ 0 + " + " + ".join(f"x{k}" for k in range(X.shape[-1]))
    return fit_mixed(frame, formula, participant="person", visit="visit", **model)


def agrees(fits: OwnDesigns, y: np.ndarray, X: np.ndarray, L: np.ndarray, *, some: int, **model) -> None:
    for r in range(some):
        try:
            one = alone(y[r], X[r], **model)
        except FitError:
            assert not fits.converged[r]
            continue
        assert fits.converged[r]
        assert fits.loglik[r] == pytest.approx(one.loglik, abs=1e-7)
        for df in METHODS:
            ours, theirs = fits.estimates(L, df), one.estimates(L, [""] * len(L), df=df)
            np.testing.assert_allclose(ours.estimate[r], theirs.estimate, rtol=1e-6, atol=1e-6)
            np.testing.assert_allclose(ours.std_error[r], theirs.std_error, rtol=1e-6)
            np.testing.assert_allclose(ours.df[r], theirs.df, rtol=1e-5)
            joint, test = fits.test(L, df), one.test(L, df=df)
            np.testing.assert_allclose(joint.p_value[r], test.p_value, rtol=1e-4, atol=1e-9)
            np.testing.assert_allclose(joint.den_df[r], test.den_df, rtol=1e-4)


@pytest.mark.parametrize("covariance", STRUCTURES)
def test_every_structure_is_fitted_as_one_study_is(covariance: str) -> None:
    y, X, L = pilots(STRUCTURES.index(covariance), 6, 10, 3)
    agrees(fit_own_designs(y, X, covariance=covariance), y, X, L, some=6, covariance=covariance)


@pytest.mark.parametrize("covariance", [None, "ar1"])
def test_random_effects_and_their_boundaries(covariance: str | None) -> None:
    y, X, L = pilots(31, 12, 8, 4)
    visit = np.arange(4.0)
    Z = np.column_stack([np.ones(4), visit])[:, : 1 if covariance else 2]
    fits = fit_own_designs(y, X, Z=Z, covariance=covariance)
    assert fits.boundary.any()
    for r in range(12):
        try:
            one = alone(y[r], X[r], random="1" if covariance else "1 + visit", covariance=covariance)
        except FitError:
            assert not fits.converged[r]
            continue
        assert fits.boundary[r] == one.boundary
        for df in ("kenward-roger", "kenward-roger-observed", "satterthwaite"):
            ours, theirs = fits.estimates(L, df), one.estimates(L, [""] * len(L), df=df)
            np.testing.assert_allclose(ours.std_error[r], theirs.std_error, rtol=1e-5)
            np.testing.assert_allclose(ours.df[r], theirs.df, rtol=1e-4)


def test_one_later_visit_is_least_squares() -> None:
    y, X, _ = pilots(1, 20, 7, 1)
    for covariance in ("unequal-ante-dependence", "unequal-compound-symmetry", "ar1", "unstructured"):
        fits = fit_own_designs(y, X, covariance=covariance)
        for r in range(20):
            here = np.isfinite(y[r, :, 0])
            ols = sm.OLS(y[r, here, 0], X[r, here, 0]).fit()
            for df in METHODS:
                made = fits.estimates(np.eye(3), df)
                np.testing.assert_allclose(made.std_error[r], ols.bse, rtol=1e-9)
                np.testing.assert_allclose(made.p_value[r], ols.pvalues, rtol=1e-7, atol=1e-12)
                np.testing.assert_allclose(made.df[r], ols.df_resid)
            both, expected = fits.test(np.eye(3)[1:]), ols.f_test(np.eye(3)[1:])
            assert both.p_value[r] == pytest.approx(float(expected.pvalue), rel=1e-8)
            assert both.den_df[r] == ols.df_resid


def test_a_trial_without_an_answer_leaves_the_others_theirs() -> None:
    y, X, L = pilots(2, 8, 8, 3)
    whole = fit_own_designs(y, X, covariance="unequal-ante-dependence")
    broken = y.copy()
    broken[1, 8:, 2] = np.nan  # nobody of one arm at a visit: its columns repeat each other
    broken[2, :, 0] = 5.0  # no error at a visit
    broken[3] = np.nan
    broken[4, :, 1] = np.where(np.isfinite(y[4, :, 1]), y[4, :, 0], np.nan)  # two visits the same: no maximum
    fits = fit_own_designs(broken, X, covariance="unequal-ante-dependence")
    np.testing.assert_array_equal(fits.converged, [True, False, False, False, False, True, True, True])
    made, test = fits.estimates(L), fits.test(L)
    assert np.isnan(made.p_value[[1, 2, 3, 4]]).all()
    assert np.isnan(test.p_value[[1, 2, 3, 4]]).all()
    np.testing.assert_allclose(made.p_value[[0, 5, 6, 7]], whole.estimates(L).p_value[[0, 5, 6, 7]], rtol=1e-5)


def test_what_cannot_be_fitted_is_refused() -> None:
    y, X, _ = pilots(2, 4, 8, 3)
    with pytest.raises(FitError, match="Columns of X repeat"):
        fit_own_designs(y, np.concatenate([X, X[..., :1]], axis=3), covariance="ar1")
    with pytest.raises(FitError, match="Neither Z nor covariance"):
        fit_own_designs(y, X)
    with pytest.raises(FitError, match="Between-within"):
        fit_own_designs(y, X, covariance="ar1").estimates(np.eye(7), "between-within")


@pytest.mark.parametrize(("each", "visits"), [(6, 3), (6, 5), (12, 5)])
def test_small_trials_keep_the_level(each: int, visits: int) -> None:
    """2,000 null trials whose errors grow: 5 % rejected within 2.6 Monte-Carlo errors of 0.5, answers in 99.5 %."""
    y, X, L = pilots(each + visits, 2_000, each, visits)
    fits = fit_own_designs(y, X, covariance="unequal-ante-dependence")
    for p in (
        fits.estimates(L[-1:], "kenward-roger-observed").p_value[:, 0],
        fits.test(L, "kenward-roger-observed").p_value,
    ):
        assert np.isnan(p).mean() < 0.005
        assert abs(np.nanmean(p <= 0.05) - 0.05) < 0.013
