"""The likelihood, its derivatives and its maximum for every covariance, against dense matrices written out anew.

`Dense` knows nothing of patterns or pooling: it builds the N x N covariance row by row and uses the textbook formulas
(Harville 1977, J Am Stat Assoc 72:320). Derivatives are held against central differences. statsmodels is asked live.
"""

import itertools
import warnings

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy.linalg import block_diag

from outcomes.protocol.keys import COVARIANCES as ALLOWED
from stats.errors import FitError
from stats.mixed.covariance.geometry import geometry_of
from stats.mixed.covariance.structure import Structure
from stats.mixed.covariance.structures_by_name import COVARIANCES, build_structure
from stats.mixed.fit import MixedFit, fit_mixed
from stats.mixed.fitting.likelihood import Likelihood
from stats.mixed.model.layout import Layout, build_layout, visit_times
from stats.mixed.model.moments import pattern_of_participants, pool_layout
from tests.stats.mixed.cohorts import cohort

FORMULA = "score ~ arm * week + age"
MODELS = [{"covariance": name} for name in COVARIANCES]
MODELS += [{"random": "1"}, {"random": "1 + week"}, {"random": "1 + week", "correlated": False}]
MODELS += [{"random": "1", "covariance": name} for name in ("ar1", "exponential", "unequal-ar1")]
MODELS += [{"covariance": name, "by": "arm"} for name in ("unstructured", "unequal-ar1", "toeplitz", "exponential")]
MODELS += [{"random": "1 + week", "by": "arm"}, {"random": "1", "covariance": "ar1", "by": "arm"}]
MODELS += [
    {"covariance": name, "variance_by": "arm"}
    for name in ("compound-symmetry", "toeplitz", "ar1", "unequal-ante-dependence", "unstructured")
]
MODELS += [{"random": "1", "variance_by": "arm"}, {"random": "1 + week", "covariance": "ar1", "variance_by": "arm"}]
NAMES = [" ".join(f"{'variance ' * (key == 'variance_by')}{value}" for key, value in m.items()) for m in MODELS]


class Dense:
    """REML (or ML) log-likelihood, score and both informations by N x N matrices."""

    def __init__(self, layout: Layout, structure: Structure, reml: bool) -> None:
        self.layout, self.structure, self.reml = layout, structure, reml
        self.pattern = pattern_of_participants(layout)[layout.person]
        self.same = layout.person[:, None] == layout.person

    def spread(self, sheets: np.ndarray) -> np.ndarray:
        """(P or 1, T, T) matrices over slots as one N x N matrix."""
        p = self.pattern if len(sheets) > 1 else np.zeros_like(self.pattern)
        slot = self.layout.slot
        return np.where(self.same, sheets[p[:, None], slot[:, None], slot], 0.0)

    def projection(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """W = V^-1, and P = W - W X (X'WX)^-1 X'W under REML, W itself in traces under ML."""
        W = np.linalg.inv(self.spread(self.structure.matrix(theta[None])[0]))
        X = self.layout.X
        return W, W - W @ X @ np.linalg.solve(X.T @ W @ X, X.T @ W)

    def loglik(self, theta: np.ndarray) -> float:
        X, y = self.layout.X, self.layout.y
        W, P = self.projection(theta)
        value = -np.linalg.slogdet(W)[1] + y @ P @ y
        if self.reml:
            value += np.linalg.slogdet(X.T @ W @ X)[1] - X.shape[1] * np.log(2 * np.pi)
        return -0.5 * (value + len(y) * np.log(2 * np.pi))

    def derivatives(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        W, P = self.projection(theta)
        T = P if self.reml else W  # what stands inside the traces
        y = self.layout.y
        V = [self.spread(sheet) for sheet in np.asarray(self.structure.first(theta[None]))[0]]
        K = len(V)
        Py = P @ y
        score = np.array([-0.5 * (np.sum(T * Vk) - Py @ Vk @ Py) for Vk in V])
        TV = [T @ Vk for Vk in V]
        expected = 0.5 * np.array([[np.sum(a * b.T) for b in TV] for a in TV])
        quadratic = np.array([[Py @ a @ P @ b @ Py for b in V] for a in V])
        observed = quadratic - expected
        second = self.structure.second(theta[None])
        if second is not None:
            for k in range(K):
                for m in range(K):
                    bend = self.spread(second[0, k, m])
                    observed[k, m] += 0.5 * np.sum(T * bend) - 0.5 * Py @ bend @ Py
        return score, expected, observed


def prepared(model: dict, reml: bool = True, seed: int = 1) -> tuple[Likelihood, Dense, np.ndarray]:
    """Likelihood, dense rival and a point inside the parameter space away from the maximum."""
    timed = model.get("covariance", "").endswith("exponential")
    frame = cohort(seed)
    random, by = model.get("random"), model.get("by") or model.get("variance_by")
    layout = build_layout(
        frame, FORMULA, participant="participant", visit="day" if timed else "visit", random=random, by=by
    )
    moments = pool_layout(layout)
    structure = build_structure(
        geometry_of(moments, visit_times(layout.slots) if timed else None),
        moments.slots,
        moments.random_terms,
        moments.groups,
        correlated=model.get("correlated", True),
        covariance=model.get("covariance"),
        variances_only="variance_by" in model,
    )
    rng = np.random.default_rng(7)
    T = len(moments.slots)
    pooled = 10 * (0.5 * np.eye(T) + 0.5) + np.diag(np.arange(T))
    theta = structure.start(pooled[None])[0]
    theta = theta * (1 + 0.1 * rng.random(len(theta)))
    return Likelihood(moments, structure, reml=reml), Dense(layout, structure, reml), theta


@pytest.mark.parametrize("reml", [True, False], ids=["reml", "ml"])
@pytest.mark.parametrize("model", MODELS, ids=NAMES)
def test_likelihood_and_derivatives_are_those_of_dense_matrices(model: dict, reml: bool) -> None:
    likelihood, dense, theta = prepared(model, reml)
    point = likelihood.at(theta[None])
    assert point.loglik[0] == pytest.approx(dense.loglik(theta), abs=1e-9)
    score, expected, observed = dense.derivatives(theta)
    for ours, theirs in ((point.score, score), (point.expected, expected), (point.observed, observed)):
        np.testing.assert_allclose(ours[0], theirs, rtol=1e-8, atol=1e-8 * np.abs(theirs).max())


def test_a_covariance_is_known_wherever_one_is_asked_for() -> None:
    """In study.toml, and in the words of fit_mixed: outcomes cannot import stats, so the names stand twice."""
    assert set(ALLOWED) == set(COVARIANCES)
    told = fit_mixed.__doc__ or ""
    assert [name for name in {one.removeprefix("unequal-") for one in COVARIANCES} if f'"{name}"' not in told] == []


@pytest.mark.parametrize("model", MODELS, ids=NAMES)
def test_derivatives_are_those_of_finite_differences(model: dict) -> None:
    likelihood, dense, theta = prepared(model)
    structure, point = likelihood.structure, likelihood.at(theta[None])
    first, second = structure.first(theta[None]), structure.second(theta[None])
    for k, step in enumerate(1e-5 * np.maximum(np.abs(theta), 0.1)):
        up, down = theta.copy(), theta.copy()
        up[k] += step
        down[k] -= step
        slope = (structure.matrix(up[None]) - structure.matrix(down[None]))[0] / (2 * step)
        np.testing.assert_allclose(first[0, k], slope, rtol=1e-6, atol=1e-7)
        bend = (structure.first(up[None]) - structure.first(down[None]))[0] / (2 * step)
        ours = np.zeros_like(bend) if second is None else second[0, k]
        np.testing.assert_allclose(np.broadcast_to(ours, bend.shape), bend, rtol=1e-5, atol=1e-6)
        gain = (dense.loglik(up) - dense.loglik(down)) / (2 * step)
        assert point.score[0, k] == pytest.approx(gain, rel=1e-5, abs=1e-5)
        turn = -(likelihood.at(up[None]).score - likelihood.at(down[None]).score)[0] / (2 * step)
        np.testing.assert_allclose(point.observed[0, k], turn, rtol=1e-4, atol=1e-5 * np.abs(point.observed).max())


def fitted(model: dict, frame: pd.DataFrame, **options) -> MixedFit:
    timed = model.get("covariance", "").endswith("exponential")
    return fit_mixed(frame, FORMULA, participant="participant", visit="day" if timed else "visit", **model, **options)


@pytest.mark.parametrize("model", MODELS, ids=NAMES)
def test_every_covariance_is_fitted_to_its_maximum(model: dict) -> None:
    """No nearby covariance has a higher likelihood, and the log-likelihood reported is that of dense matrices."""
    frame = cohort(3, people=40)
    fit = fitted(model, frame)
    dense = Dense(fit.layout, fit.solution.structure, True)
    timed = fit.times is not None
    moments = pool_layout(fit.layout)
    dense.structure = build_structure(
        geometry_of(moments, fit.times if timed else None),
        moments.slots,
        moments.random_terms,
        moments.groups,
        correlated=fit.correlated,
        covariance=fit.covariance,
        variances_only=fit.variance_by is not None,
    )
    theta = fit.variances()["value"].to_numpy()
    assert fit.loglik == pytest.approx(dense.loglik(theta), abs=1e-8)
    rng = np.random.default_rng(1)
    for _ in range(6):
        near = theta + 1e-3 * np.abs(theta) * rng.normal(size=len(theta))
        assert dense.loglik(near) <= fit.loglik + 1e-9
    W = dense.projection(theta)[0]
    X = fit.layout.X
    phi = np.linalg.inv(X.T @ W @ X)
    np.testing.assert_allclose(fit.beta, phi @ X.T @ W @ fit.layout.y, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(fit.coefficient_covariance("normal"), phi, rtol=1e-7, atol=1e-10)


@pytest.mark.parametrize("model", [m for m in MODELS if not {"by", "variance_by"} & set(m)][::3], ids=str)
@pytest.mark.parametrize("method", ["reml", "ml"])
def test_by_arm_equals_separate_fits_where_the_means_are_separate(model: dict, method: str) -> None:
    frame = cohort(5, people=50)
    timed = model.get("covariance", "").endswith("exponential")
    options = {"participant": "participant", "visit": "day" if timed else "visit", "method": method, **model}
    both = fit_mixed(frame, "score ~ 0 + arm + arm:week", by="arm", **options)
    apart = [fit_mixed(frame[frame["arm"] == arm], "score ~ week", **options) for arm in ("usual", "practice")]
    assert both.loglik == pytest.approx(sum(fit.loglik for fit in apart), abs=1e-7)
    table = both.fixed("satterthwaite").set_index("term")
    for arm, fit in zip(("usual", "practice"), apart, strict=True):
        ours = table.loc[[f"arm[{arm}]", f"arm[{arm}]:week"]]
        theirs = fit.fixed("satterthwaite")
        for column in ("estimate", "std_error", "df"):
            np.testing.assert_allclose(ours[column], theirs[column], rtol=1e-6)
    values = both.variances()
    for arm, fit in zip(("usual", "practice"), apart, strict=True):
        mine = values[values["name"].str.endswith(f" in {arm}")]["value"]
        np.testing.assert_allclose(mine, fit.variances()["value"], rtol=1e-5, atol=1e-6)


@pytest.mark.parametrize("reml", [True, False], ids=["reml", "ml"])
def test_statsmodels_agrees_on_the_likelihood_where_it_converges(reml: bool) -> None:
    agreed = 0
    for seed in range(8):
        frame = cohort(seed, people=60)
        ours = fit_mixed(
            frame, FORMULA, participant="participant", random="1 + week", method="reml" if reml else "ml"
        )  # fmt: skip
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # statsmodels warns where it does not converge; those are left out
            theirs = smf.mixedlm(FORMULA, frame, groups=frame["participant"], re_formula="~week").fit(reml=reml)
        # Its optimiser stops a little before the maximum, so its likelihood is never above ours.
        assert theirs.llf <= ours.loglik + 1e-9
        if theirs.converged:
            agreed += 1
            assert ours.loglik == pytest.approx(theirs.llf, abs=1e-5)
            np.testing.assert_allclose(
                pd.Series(ours.beta, ours.terms)[theirs.fe_params.index], theirs.fe_params, rtol=1e-3
            )
    assert agreed >= 5


def test_singular_and_hopeless_covariances_are_refused() -> None:
    frame = cohort(2, people=6, missing=0.3)
    with pytest.raises(FitError, match="Use a simpler one"):
        fit_mixed(frame, "score ~ arm * visit", participant="participant", visit="visit", covariance="unstructured")


def test_a_search_that_runs_to_a_singular_matrix_is_never_called_converged() -> None:
    """Eleven people, four visits, a third missing: many unstructured likelihoods have no maximum.

    Whatever is returned as one has a flat gradient and a positive definite information there (the definition).
    """
    refused = 0
    for seed in range(120):
        frame = cohort(seed, people=11, missing=0.35)
        try:
            fit = fit_mixed(
                frame, "score ~ visit + arm", participant="participant", visit="visit", covariance="unstructured"
            )
        except FitError:
            refused += 1
            continue
        point = fit.solution.small.point
        size = np.sqrt(np.abs(np.diag(point.observed[0])))
        assert np.linalg.eigvalsh(point.observed[0] / np.outer(size, size))[0] > 1e-9, seed
        # The decrement allowed is 1e-9: a gradient of 3e-5 standard errors.
        assert np.abs(point.score[0] / np.sqrt(np.diag(point.expected[0]))).max() < 1e-4, seed
    assert 20 < refused < 110


def test_a_parameter_that_no_row_bears_on_is_named() -> None:
    """One arm has no row at the last visit: with a covariance per arm nothing is known of that arm there."""
    frame = cohort(3, people=30)
    frame = frame[(frame["arm"] == "usual") | (frame["day"] < 56)]
    model = {"participant": "participant", "visit": "visit", "covariance": "unstructured"}
    fit = fit_mixed(frame, "score ~ 0 + arm + arm:week", **model, by="arm")
    names = ("cov(day 56, day 0)", "cov(day 56, day 7)", "cov(day 56, day 21)", "var(day 56)")
    said = [note for note in fit.notes if note.startswith("No row bears on")]
    assert said == [
        f"No row bears on {', '.join(f'{name} in practice' for name in names)}: what is given there is where the "
        "search began, and nothing else depends on it."
    ]
    # The arms share nothing, so the joint fit is both of theirs, whatever stands for what nobody knows.
    alone = [fit_mixed(frame[frame["arm"] == arm], "score ~ week", **model) for arm in ("usual", "practice")]
    assert fit.loglik == pytest.approx(sum(one.loglik for one in alone), abs=1e-8)
    assert not any("No row" in note for note in alone[0].notes)


def test_blocks_of_the_dense_rival_are_block_diagonal() -> None:
    """The rival itself: its matrix is that of every participant's own covariance, put on a diagonal."""
    _, dense, theta = prepared({"random": "1 + week"})
    layout, starts = dense.layout, dense.layout.starts()
    G = np.array([[theta[0], theta[1]], [theta[1], theta[2]]])
    own = [layout.Z[a:b] @ G @ layout.Z[a:b].T + theta[3] * np.eye(b - a) for a, b in itertools.pairwise(starts)]
    np.testing.assert_allclose(dense.spread(dense.structure.matrix(theta[None])[0]), block_diag(*own))
