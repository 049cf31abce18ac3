"""CR2 for several combinations at once: Hotelling's own test, closed forms, invariance, a simulation, bad cases."""

import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from stats import FitError, fit_mixed
from stats.mixed.fit import MixedFit
from stats.mixed.inference.blocks import alike_in
from stats.mixed.inference.robust import Sandwich
from stats.mixed.many import fit_many
from tests.stats.mixed.cohorts import cohort

DATA = Path(__file__).parents[2] / "reference" / "data"
MODELS = (
    {"random": "1 + week"},
    {"covariance": "ar1"},
    {"covariance": "unstructured"},
    {"random": "1", "by": "arm"},
    {"covariance": "exponential", "visit": "day"},
)


def _fit(frame: pd.DataFrame, formula: str = "score ~ visit * arm", **model) -> MixedFit:
    return fit_mixed(frame, formula, **{"participant": "participant", "visit": "visit", **model})


@pytest.mark.parametrize("covariance", ["unstructured", "ar1", "unequal-compound-symmetry"])
def test_two_equal_arms_give_hotellings_test(covariance: str) -> None:
    """TLC trial, 50 per arm, complete: F 35.196 on (3, 96), Hotelling's test (check value e_kr_hotelling).

    With complete data and a mean per arm and visit CR2 is the sum of the arms' own covariance matrices of the means,
    whatever the working model, and with equal arms that is twice the pooled one.
    """
    wide = pd.read_csv(DATA / "tlc.csv")
    wide.columns = ["id", "arm", "0", "1", "4", "6"]
    long = wide.melt(["id", "arm"], var_name="week", value_name="lead")
    long["week"] = pd.Categorical(long["week"], categories=["0", "1", "4", "6"], ordered=True)
    fit = fit_mixed(long, "lead ~ arm * week", participant="id", visit="week", covariance=covariance)
    test = fit.robust_test("arm:week")
    changes = wide[["1", "4", "6"]].to_numpy() - wide[["0"]].to_numpy()
    one, two = (changes[wide["arm"].str.strip() == arm] for arm in "PA")
    pooled = (np.cov(one.T) + np.cov(two.T)) / 2
    step = two.mean(axis=0) - one.mean(axis=0)
    squared = 25 * step @ np.linalg.solve(pooled, step)  # n1 n2 / (n1 + n2) = 25
    assert test.statistic == pytest.approx(35.1959965101, abs=5e-4)
    assert test.statistic == pytest.approx(squared * 96 / (98 * 3), rel=1e-9)
    assert (test.num_df, test.den_df) == (3, pytest.approx(96, rel=1e-9))


def test_one_group_gives_hotellings_test() -> None:
    """27 children at four ages (Potthoff & Roy 1964): all changes zero, T-squared on 26 df by its own formula."""
    frame = pd.read_csv(DATA / "orthodont.csv")
    wide = frame.pivot(index="Subject", columns="age", values="distance").to_numpy()
    changes = wide[:, 1:] - wide[:, :1]
    mean = changes.mean(axis=0)
    squared = 27 * mean @ np.linalg.solve(np.cov(changes.T), mean)
    long = frame.assign(visit=frame["age"].astype(str).str.zfill(2))
    fit = fit_mixed(long, "distance ~ visit", participant="Subject", visit="visit", random="1")
    test = fit.robust_test("visit")
    assert test.statistic == pytest.approx(squared * (26 - 3 + 1) / (26 * 3), rel=1e-9)
    assert test.den_df == pytest.approx(24, rel=1e-9)


def test_unequal_arms_have_the_closed_form_df() -> None:
    """Complete data, equal covariances: 1 / eta = sum a_g^2 / (n_g - 1), a_g = (1 / n_g) / (1 / n_1 + 1 / n_2).

    The df of a sum of two Wishart matrices (Nel & van der Merwe 1986, Commun Stat Theory Methods 15:3719) with equal
    covariances; for one visit that is Bell & McCaffrey's (check value e_cr2_bellmccaffrey). The same whatever the rows.
    """
    frame = cohort(people=22, missing=0.0)
    drop = frame["participant"].isin([f"P{k:03d}" for k in (1, 3, 5, 7, 9, 11)])  # leaves 11 and 5
    fit = _fit(frame[~drop], random="1 + week")
    share = np.array([1 / 11, 1 / 5]) / (1 / 11 + 1 / 5)
    eta = 1 / (share**2 / np.array([10, 4])).sum()
    L = np.eye(8)[5:]
    for rows in (1, 2, 3):
        assert fit.robust_test(L[:rows]).den_df == pytest.approx(eta - rows + 1, rel=1e-9)


@pytest.mark.parametrize("model", MODELS)
def test_one_row_is_the_t_test(model: dict) -> None:
    fit = _fit(cohort(), **model)
    table = fit.robust().set_index("term")
    for term in fit.terms:
        test = fit.robust_test(term)
        assert test.statistic == pytest.approx(table["statistic"][term] ** 2, rel=1e-10)
        assert test.den_df == pytest.approx(table["df"][term], rel=1e-10)
        assert test.p_value == pytest.approx(table["p_value"][term], rel=1e-9)


@pytest.mark.parametrize("model", MODELS)
def test_only_the_tested_space_counts(model: dict) -> None:
    """Any other rows that span the same space, and superfluous ones, give the same test."""
    fit, turn = _fit(cohort(), **model), np.array([[1, 2, 0.0], [0, 1, 3], [1e3, 1, -4]])
    L = np.eye(8)[5:]
    one = fit.robust_test(L)
    for rows in (turn @ L, np.vstack([L, L.sum(axis=0)])):
        other = fit.robust_test(rows)
        assert other.num_df == 3
        assert_allclose([other.statistic, other.den_df], [one.statistic, one.den_df], rtol=1e-7)


def test_eta_is_the_spread_of_cr2_under_the_working_model() -> None:
    """20,000 draws from the working model: CR2 has the stated mean, and eta the stated sum of variances."""
    fit = _fit(cohort(people=12), random="1 + week")
    L, layout = np.eye(8)[5:], fit.layout
    rng, R = np.random.default_rng(4), 20_000
    Y = np.zeros((R, layout.n_rows))
    for part in alike_in(fit, "a test"):
        Y[:, part.rows] = rng.standard_normal((R, *part.rows.shape)) @ np.linalg.cholesky(part.V[0]).T
    phi = fit.coefficient_covariance("residual")
    XW = np.zeros((8, layout.n_rows))
    for part in alike_in(fit, "a test"):
        for rows, X in zip(part.rows, part.X, strict=True):
            XW[:, rows] = np.linalg.solve(part.V[0], X).T
    beta = Y @ XW.T @ phi
    drawn = Sandwich.of(alike_in(fit, "a test"), phi[None], beta, Y - beta @ layout.X.T, L)
    mean = drawn.covariance.mean(axis=0)
    error = drawn.covariance.std(axis=0) / np.sqrt(R)
    assert (np.abs(mean - drawn.expected[0]) < 4.5 * error).all()
    assert_allclose(drawn.expected[0], L @ phi @ L.T, rtol=1e-8)  # CR2 is unbiased under the working model
    half = np.linalg.inv(np.linalg.cholesky(drawn.expected[0]))
    spread = (half @ drawn.covariance @ half.T).var(axis=0).sum()
    eta = fit.robust_test(L).den_df + 2
    assert 3 * 4 / spread == pytest.approx(eta, rel=0.02)  # a variance from 20,000 draws: about 1 %, doubled


def test_stacked_responses_give_the_single_answers() -> None:
    frame = cohort()
    Y = np.stack([frame["score"], 2 * frame["score"] + np.random.default_rng(1).normal(0, 2, len(frame))])
    for model in MODELS[:4]:
        keywords = {"participant": "participant", "visit": "visit", **model}
        many = fit_many(frame, "score ~ visit * arm", Y, **keywords)
        joint, single = many.robust_test(np.eye(8)[5:]), many.robust(np.eye(8))
        for r, y in enumerate(Y):
            fit = fit_mixed(frame.assign(score=y), "score ~ visit * arm", **keywords)
            test, table = fit.robust_test("visit:arm"), fit.robust()
            assert_allclose([joint.statistic[r], joint.den_df[r]], [test.statistic, test.den_df], rtol=1e-6)
            assert_allclose(single.std_error[r], table["std_error"], rtol=1e-6)
            assert_allclose(single.df[r], table["df"], rtol=1e-6)


def test_stacked_responses_none_of_which_has_a_maximum_give_no_numbers() -> None:
    """Six people at six visits: an unstructured covariance runs to a singular matrix."""
    frame = cohort(people=6, days=(0.0, 7.0, 14.0, 21.0, 28.0, 35.0), missing=0.0)
    Y = np.random.default_rng(1).normal(0, 1, (3, len(frame)))
    many = fit_many(frame, "score ~ visit * arm", Y, participant="participant", visit="visit",
                    covariance="unstructured")  # fmt: skip
    assert not many.converged.any()
    test, single = many.robust_test(np.eye(12)[7:]), many.robust(np.eye(12))
    assert np.isnan([test.statistic, test.den_df, test.p_value]).all()
    assert np.isnan(single.std_error).all()
    assert np.isnan(many.simulate(np.random.default_rng(1))).all()


def test_simulated_responses_have_the_fitted_mean_and_covariance() -> None:
    frame = cohort(people=10)
    one = fit_many(frame, "score ~ week", frame["score"].to_numpy(), participant="participant", visit="visit",
                   random="1 + week")  # fmt: skip
    drawn = one.simulate(np.random.default_rng(2), 20_000)
    layout = one.template.layout
    expected = (layout.X @ one.beta[0])[None]
    V = np.zeros((layout.n_rows, layout.n_rows))
    for part in one.alike():
        for rows in part.rows:
            V[np.ix_(rows, rows)] = part.V[0]
    error = np.sqrt(np.diag(V) / len(drawn))
    assert (np.abs(drawn.mean(axis=0) - expected) < 4.5 * error).all()
    seen = np.cov(drawn.T)
    spread = np.sqrt((V**2 + np.outer(np.diag(V), np.diag(V))) / len(drawn))  # standard error of a normal covariance
    assert (np.abs(seen - V) < 5 * spread).all()


def test_too_few_participants_give_a_note_and_no_p() -> None:
    """Three per arm and three rows: eta is at most 2 (3 - 1) = 4 with complete data; with five visits it is too few."""
    frame = cohort(people=6, days=(0.0, 7.0, 14.0, 21.0, 28.0, 35.0), missing=0.0)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        test = _fit(frame, random="1").robust_test("visit:arm")
        assert np.isnan([test.statistic, test.den_df, test.p_value]).all()
        assert "Hotelling df are 4.0" in test.notes[-1]
        few = _fit(frame, random="1").robust_test(np.eye(12)[7:9])
    assert few.den_df == pytest.approx(3, rel=1e-9)
    assert "fewer than 4 df" in few.notes[-1]


def test_one_person_in_an_arm_is_said_and_not_given_a_standard_error() -> None:
    frame = cohort(people=9, missing=0.0)
    alone = frame[(frame["arm"] == "usual") | (frame["participant"] == "P001")]
    fit = _fit(alone, random="1")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        test, table = fit.robust_test("visit:arm"), fit.robust().set_index("term")
    assert np.isnan(test.p_value)
    assert "alone decides" in test.notes[-1]
    assert np.isnan(table["std_error"]["arm[T.practice]"])
    assert np.isfinite(table["std_error"]["visit[T.day 7]"])


def test_what_cannot_be_asked_is_refused() -> None:
    fit = _fit(cohort(), random="1")
    with pytest.raises(FitError, match="CR2"):
        fit.robust_test("visit:arm", kind="CR9")
    with pytest.raises(FitError, match="not in the model"):
        fit.robust_test("dose")
    with pytest.raises(FitError, match="zero for every coefficient"):
        fit.robust_test(np.zeros((1, 8)))
    with pytest.raises(FitError, match="pooled moments"):
        replace(fit, layout=None).robust_test("visit:arm")
