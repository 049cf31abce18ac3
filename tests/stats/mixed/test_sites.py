"""Sites and therapists: lme4, lmerTest, pbkrtest and nlme (tests/reference/next), and N x N matrices of our own.

Agreement asked against the packages as tests/reference/SOURCES.md says (their stopping rules): estimates 2e-5 standard
errors, standard errors 1e-4, Kenward-Roger df and Satterthwaite df 1e-3, and log-likelihood 1e-6; singular fits compare
likelihood and estimates. Against the dense computation: 1e-8.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stats import fit_mixed, fit_moments, pool_moments
from stats.errors import FitError
from stats.mixed.inference.blocks import site_effects
from stats.mixed.inference.resampling import bootstrap, simulate_responses
from stats.mixed.many import fit_many
from tests.stats.mixed.two_levels_dense import DenseTwoLevels, same

NEXT = Path(__file__).parents[2] / "reference" / "next"
CASES = {
    "lmm_sites": {"formula": "y ~ arm * fvisit", "site": "site"},
    "lmm_sites_arm": {"formula": "y ~ arm * fvisit", "site": "site", "site_random": "1 + arm"},
    "lmm_sites_fixed": {"formula": "y ~ site + arm * fvisit"},
    "lmm_sites_singular": {"formula": "y ~ arm * fvisit", "site": "site"},
    "lmm_sites_singular_reduced": {"formula": "y ~ arm * fvisit"},
    "lmm_crossed": {"formula": "y ~ arm * visit", "crossed": "therapist"},
    "gls_sites_un_site": {"formula": "y ~ arm * fvisit", "site": "site", "covariance": "unstructured"},
}


def read_case(name: str) -> tuple[dict, pd.DataFrame]:
    case = json.loads((NEXT / "cases" / f"{name}.json").read_text())
    data = pd.read_csv(NEXT / "data" / f"{case['dataset']}.csv")
    data["arm"] = pd.Categorical(data["arm"], categories=["ctl", "act"])
    data["fvisit"] = pd.Categorical(data["visit"].astype(str))
    if name == "lmm_sites_fixed":
        data["site"] = pd.Categorical(data["site"].astype(str))
    return case, data


@pytest.mark.parametrize("name", CASES)
def test_packages(name: str) -> None:
    case, data = read_case(name)
    fit = fit_mixed(data, participant="id", visit="visit", **CASES[name])
    assert fit.loglik == pytest.approx(case["loglik"], abs=1e-6)
    theirs = pd.DataFrame(case["fixed"])
    ours = fit.fixed("satterthwaite")
    np.testing.assert_allclose(ours["estimate"], theirs["estimate"], rtol=0, atol=2e-5 * theirs["std_error"].min())
    if case.get("singular"):
        assert fit.boundary
        return
    np.testing.assert_allclose(ours["std_error"], theirs["std_error"], rtol=1e-4)
    if "kr_df" in theirs:
        np.testing.assert_allclose(ours["df"], theirs["satterthwaite_df"], rtol=1e-3)
        exact = fit.fixed("kenward-roger")
        np.testing.assert_allclose(exact["std_error"], theirs["kr_std_error"], rtol=1e-5)
        np.testing.assert_allclose(exact["df"], theirs["kr_df"], rtol=1e-5)
        for row in case["type3_kenward_roger"] if name == "lmm_sites" else []:
            if row["term"] == "arm:fvisit":
                joint = fit.test("arm:fvisit")
                assert [joint.statistic, joint.den_df] == pytest.approx([row["F"], row["den_df"]], rel=1e-5)


def test_variances_of_packages() -> None:
    """lme4's site and site:arm intercepts are an intercept of variance site + arm / 2 and a difference of 2 arm."""
    case, data = read_case("lmm_sites_arm")
    ours = fit_mixed(data, participant="id", visit="visit", **CASES["lmm_sites_arm"]).variances()
    theirs = {row["group"]: row["variance"] for row in case["variances"]}
    value = ours.set_index(["component", "name"])["value"]
    assert value["site", "var(Intercept)"] == pytest.approx(theirs["site"] + theirs["site:arm"] / 2, rel=1e-5)
    assert value["site", "var(arm)"] == pytest.approx(2 * theirs["site:arm"], rel=1e-4)
    case, data = read_case("lmm_crossed")
    crossed = fit_mixed(data, participant="id", visit="visit", **CASES["lmm_crossed"])
    value = crossed.variances().set_index(["component", "name"])["value"]
    theirs = {row["group"]: row["variance"] for row in case["variances"]}
    assert value["therapist", "var(Intercept)"] == pytest.approx(theirs["therapist"], rel=1e-6)
    found = crossed.diagnostics()
    expected = case["random_effects"]
    np.testing.assert_allclose(found.sites["value"], [r["estimate"] for r in expected["therapist"]], rtol=1e-5)
    np.testing.assert_allclose(found.effects["Intercept"], [r["estimate"] for r in expected["id"]], rtol=1e-5)


def trial(seed: int = 1, arms: tuple[str, ...] = ("a", "b"), sites: int = 6, each: int = 6, sd: float = 3.0):
    """A trial with sites that differ, arms dealt inside sites, therapists of three kinds and gaps."""
    rng = np.random.default_rng(seed)
    people, T = sites * each, 4
    site, arm = np.repeat(np.arange(sites), each), np.tile(np.arange(each) % len(arms), sites)
    person, visit = np.repeat(np.arange(people), T), np.tile(np.arange(T), people)
    there = rng.normal(0, sd, sites)[site] + rng.normal(0, sd, (sites, len(arms)))[site, arm]
    changing = rng.integers(0, 5, len(person))
    frame = pd.DataFrame({
        "site": np.array([f"s{k}" for k in range(sites)])[site][person], "participant": person,
        "arm": np.array(arms)[arm][person], "visit": visit, "t": visit * 1.0,
        "changing": changing, "inside": site[person] * 10 + changing % 3, "own": (person // 2),
    })  # fmt: skip
    lines = rng.normal(0, [3, 1], (people, 2))
    y = 40 + there[person] + lines[person, 0] + lines[person, 1] * visit + rng.normal(0, 2, len(person))
    y += rng.normal(0, 2, 5)[changing] + rng.normal(0, 2, people)[frame["own"]]
    frame["y"], frame["z"] = y, y + np.random.default_rng(9).normal(0, 2, sites)[site[person]] * visit
    return frame[(rng.random(len(frame)) > 0.15) | (frame["visit"] == 0)].reset_index(drop=True)


LINE = {"formula": "y ~ arm * t"}
MODELS = {
    "lines + site": LINE | {"random": "1 + t", "site": "site"},
    "lines + site x arm": LINE | {"random": "1 + t", "site": "site", "site_random": "1 + arm"},
    "unstructured + site": {"formula": "y ~ arm * C(visit)", "covariance": "unstructured", "site": "site"},
    "unstructured + site x arm": {
        "formula": "y ~ arm * C(visit)", "covariance": "unstructured", "site": "site", "site_random": "1 + arm"},
    "ar1 + site": LINE | {"covariance": "unequal-ar1", "site": "site"},
    "ar1 + site x arm": LINE | {"covariance": "ar1", "site": "site", "site_random": "1 + arm"},
    "by arm + site": LINE | {"covariance": "compound-symmetry", "by": "arm", "site": "site"},
    "site with a slope": {"formula": "z ~ arm * t", "random": "1 + t", "site": "site", "site_random": "1 + t"},
    "therapist": LINE | {"random": "1 + t", "crossed": "changing"},
    "therapist + ar1": LINE | {"covariance": "unequal-ar1", "crossed": "changing"},
    "site + therapist": LINE | {"random": "1 + t", "site": "site", "crossed": "changing"},
    "site x arm + therapist inside": LINE | {
        "random": "1", "site": "site", "site_random": "1 + arm", "crossed": "inside"},
    "therapist of each participant": LINE | {"random": "1 + t", "crossed": "own"},
    "ml": LINE | {"random": "1 + t", "site": "site", "method": "ml"},
}  # fmt: skip


def sheets_of(data: pd.DataFrame, model: dict) -> list[np.ndarray]:
    """N x N matrices of the variances above participants, in their order, by definition."""
    made = []
    if "site" in model:
        there = same(data["site"])
        made.append(there)
        if model.get("site_random") == "1 + arm":
            made.append(there * (same(data["arm"]) - 1 / data["arm"].nunique()) / 2)
        if model.get("site_random") == "1 + t":
            made.append(there * np.outer(data["t"], data["t"]))
    if "crossed" in model:
        made.append(same(data[model["crossed"]]))
    return made


@pytest.mark.parametrize("name", MODELS)
def test_against_dense_matrices(name: str) -> None:
    model = MODELS[name]
    data = trial(2)
    fit = fit_mixed(data, participant="participant", visit="visit", **model)
    assert not fit.boundary, fit.notes
    dense = DenseTwoLevels(fit, sheets_of(fit.layout.frame, model))
    theta = dense.polish(fit.solution.theta[0])
    np.testing.assert_allclose(fit.solution.theta[0], theta, rtol=1e-6, atol=1e-7)
    assert fit.loglik == pytest.approx(dense.loglik, abs=1e-8)
    np.testing.assert_allclose(fit.beta, dense.beta, rtol=1e-8)
    q = len(fit.terms)
    L = np.vstack([np.eye(q), np.linspace(-1, 1, q)])
    labels = [str(k) for k in range(len(L))]
    informations = {"satterthwaite": dense.observed}
    if model.get("method") != "ml":
        informations |= {"kenward-roger": dense.expected, "kenward-roger-observed": dense.observed}
        informations["kenward-roger-2009"] = dense.expected
    for df, information in informations.items():
        ours = fit.estimates(L, labels, df=df)
        exact = dense.phi if df == "satterthwaite" else dense.adjusted(information, unbiased=df.endswith("2009"))
        np.testing.assert_allclose(ours.std_error, np.sqrt(np.einsum("mq,qp,mp->m", L, exact, L)), rtol=1e-8)
        np.testing.assert_allclose(ours.df, dense.df(L, information), rtol=1e-7)  # a ratio of squares
        if df in ("kenward-roger", "kenward-roger-observed"):
            joint = fit.test(L[1:3], df=df)
            assert [joint.statistic, joint.den_df] == pytest.approx(dense.joint(L[1:3], information), rel=1e-7)


def test_three_arms_are_exchangeable() -> None:
    """The variance of treatment by site is that of a difference between any two arms, whatever their order."""
    data = trial(4, arms=("a", "b", "c"), each=9)
    model = LINE | {"random": "1", "site": "site", "site_random": "1 + arm"}
    fit = fit_mixed(data, participant="participant", visit="visit", **model)
    dense = DenseTwoLevels(fit, sheets_of(fit.layout.frame, model))
    dense.polish(fit.solution.theta[0])
    assert fit.loglik == pytest.approx(dense.loglik, abs=1e-8)
    turned = data.assign(arm=pd.Categorical(data["arm"], categories=["c", "a", "b"]))
    other = fit_mixed(turned, participant="participant", visit="visit", **model)
    assert other.loglik == pytest.approx(fit.loglik, abs=1e-9)
    assert other.variances()["value"].to_numpy() == pytest.approx(fit.variances()["value"].to_numpy(), rel=1e-6)


def test_robust_errors_take_sites_as_clusters() -> None:
    """CR2 with sites against its definition by dense matrices (Bell & McCaffrey 2002)."""
    data = trial(2)
    fit = fit_mixed(data, "y ~ arm * t", participant="participant", visit="visit", random="1", site="site")
    dense = DenseTwoLevels(fit, [same(fit.layout.frame["site"])])
    dense.at(fit.solution.theta[0])
    X, e = fit.layout.X, fit.layout.y - fit.layout.X @ fit.beta
    V, phi = np.linalg.inv(dense.W), dense.phi
    total = np.zeros_like(phi)
    for site in fit.layout.frame["site"].unique():
        at = np.flatnonzero(fit.layout.frame["site"] == site)
        D = np.linalg.cholesky(V[np.ix_(at, at)]).T
        B = D @ (V[np.ix_(at, at)] - X[at] @ phi @ X[at].T) @ D.T
        values, vectors = np.linalg.eigh(B)
        root = (vectors * np.where(values > 1e-9, np.maximum(values, 1e-9) ** -0.5, 0)) @ vectors.T
        score = phi @ X[at].T @ dense.W[np.ix_(at, at)] @ D.T @ root @ D @ e[at]
        total += np.outer(score, score)
    np.testing.assert_allclose(fit.robust()["std_error"], np.sqrt(np.diag(total)), rtol=1e-7)
    assert any("each site a cluster (6 of them)" in note for note in fit.robust_test("arm:t").notes)


def test_predictions_are_those_of_dense_matrices() -> None:
    data = trial(2)
    model = MODELS["site + therapist"]
    fit = fit_mixed(data, participant="participant", visit="visit", **model)
    found, residuals = fit.diagnostics().sites, fit.diagnostics().residuals
    dense = DenseTwoLevels(fit, sheets_of(fit.layout.frame, model))
    dense.at(fit.solution.theta[0])
    e = fit.layout.y - fit.layout.X @ dense.beta
    above = fit.variances().set_index("component")["value"]
    for column, component in (("site", "site"), ("changing", "changing")):
        names = fit.layout.frame[column].astype(str).to_numpy()
        part = found[found["component"] == component].set_index("level")["value"]
        for level in np.unique(names):
            assert part[level] == pytest.approx(above[component] * (names == level) @ dense.W @ e, rel=1e-6)
    root = np.linalg.cholesky(np.linalg.inv(dense.W))
    assert residuals["scaled"] @ residuals["scaled"] == pytest.approx(np.square(np.linalg.solve(root, e)).sum())


def test_sums_of_sites_merge() -> None:
    """Sites pooled apart, merged in any order and fitted: the fit of all rows (1e-9; df 1e-6)."""
    data = trial(5, sites=8)
    data["arm"] = pd.Categorical(data["arm"])
    data["visit"] = pd.Categorical(data["visit"])
    model = {"participant": "participant", "visit": "visit", "site": "site", "site_random": "1 + arm"}
    data["site"] = pd.Categorical(data["site"])
    whole = fit_mixed(data, "y ~ arm * visit", covariance="unstructured", **model)
    parts = [data[data["site"].isin(names)] for names in (["s5"], ["s0", "s7"], ["s1", "s2", "s3"], ["s4", "s6"])]
    pooled = [pool_moments(part, "y ~ arm * visit", **model) for part in parts]
    merged = fit_moments((pooled[3] + pooled[1]) + (pooled[0] + pooled[2]), covariance="unstructured")
    for df in ("kenward-roger", "satterthwaite"):
        one, other = whole.fixed(df), merged.fixed(df)
        np.testing.assert_allclose(other["estimate"], one["estimate"], rtol=1e-9)
        np.testing.assert_allclose(other["std_error"], one["std_error"], rtol=1e-8)
        np.testing.assert_allclose(other["df"], one["df"], rtol=1e-6)
    assert merged.loglik == pytest.approx(whole.loglik, abs=1e-8)
    np.testing.assert_allclose(np.sort(site_effects(merged)[:, 0]), np.sort(site_effects(whole)[:, 0]), rtol=1e-6)
    again = fit_moments(pooled[0] + pooled[0] + pooled[1], covariance="compound-symmetry")  # a site may come twice
    assert again.n_participants == 6 * 2 + 12


def test_many_responses_and_bootstrap() -> None:
    data = trial(2)
    model = MODELS["lines + site x arm"]
    rest = {k: v for k, v in model.items() if k != "formula"} | {"participant": "participant", "visit": "visit"}
    fit = fit_mixed(data, model["formula"], **rest)
    Y = np.stack([data["y"], data["y"] * 2 + 3])
    many = fit_many(data, model["formula"], Y, **rest)
    np.testing.assert_allclose(many.estimates(np.eye(4)).df[0], fit.fixed()["df"], rtol=1e-6)
    np.testing.assert_allclose(many.estimates(np.eye(4)).std_error[1], 2 * fit.fixed()["std_error"], rtol=1e-7)
    made = simulate_responses(fit, np.random.default_rng(1), 4000)
    rows = fit.layout.frame
    one, other = (np.flatnonzero((rows["site"] == "s0") & (rows["participant"] == k))[0] for k in (0, 2))
    value = fit.variances().set_index(["component", "name"])["value"]
    between = value["site", "var(Intercept)"] + value["site", "var(arm)"] / 4  # two people of one arm
    assert np.cov(made[:, one], made[:, other])[0, 1] == pytest.approx(between, rel=0.15)
    boot = bootstrap(fit, np.eye(4)[1:2], np.random.default_rng(2), replicates=19)
    assert np.isfinite(boot.frame()["conf_low"]).all()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"site_random": "1 + arm"}, "without site="),
        ({"site": "site", "site_random": "arm"}, "cannot be read"),
        ({"site": "site", "site_random": "1 | arm"}, "cannot be read"),
        ({"site": "site", "site_random": "1 + nothing"}, "not in the frame"),
        ({"site": "changing"}, "in more than one changing"),
        ({"site": "single"}, "two or more"),
        ({"crossed": "single"}, "needs two"),
        ({"site": "site", "crossed": "site"}, "Name two columns"),
        ({"site": "visit"}, "cannot be called"),
        ({"random": "1 | site"}, "give site="),
    ],
)
def test_what_cannot_be_fitted_is_said(options: dict, words: str) -> None:
    data = trial(2).assign(single="one")
    with pytest.raises(FitError, match=words):
        fit_mixed(data, "y ~ arm * t", participant="participant", visit="visit", **options)


def test_what_has_no_answer_is_said() -> None:
    data = trial(2)
    fit = fit_mixed(data, "y ~ arm * t", participant="participant", visit="visit", random="1", crossed="changing")
    with pytest.raises(FitError, match="Between-within"):
        fit.fixed("between-within")
    with pytest.raises(FitError, match="tied to every other"):
        fit.robust()
    with pytest.raises(FitError, match="share sites or therapists"):
        bootstrap(fit, np.eye(4), np.random.default_rng(1), kind="case")


def alone_and_nothing(data: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Outcomes of people and errors alone, in which therapists vary less than chance would have them."""
    own = rng.normal(0, 3, data["participant"].nunique())[data["participant"]]
    error = pd.Series(rng.normal(0, 2, len(data)), data.index)
    return data.assign(y=own + error - error.groupby(data["changing"]).transform("mean"))


def test_what_the_data_cannot_tell_apart() -> None:
    """One participant a site: sites and participants are one; the note says so, and the answers are those without."""
    data = trial(2).assign(alone=lambda d: d["participant"])
    fit = fit_mixed(data, "y ~ arm * t", participant="participant", visit="visit", random="1", site="alone")
    plain = fit_mixed(data, "y ~ arm * t", participant="participant", visit="visit", random="1")
    assert fit.loglik == pytest.approx(plain.loglik, abs=1e-8)
    assert any("cannot tell" in note for note in fit.notes)
    np.testing.assert_allclose(fit.fixed()["df"], plain.fixed()["df"], rtol=1e-6)
    assert list(fit.variances()["component"]) == ["residual", "alone"]  # sites are kept before participants
    # A therapist's variance on the boundary beside sites of one person: shown as zero, with the estimates of that fit.
    rng = np.random.default_rng(3)
    plain = alone_and_nothing(data, rng)
    fit = fit_mixed(plain, "y ~ arm * t", participant="participant", visit="visit", random="1", site="alone",
                    crossed="changing")  # fmt: skip
    value = fit.variances().set_index("component")["value"]
    assert fit.boundary
    assert value["changing"] == 0.0
    without = fit_mixed(plain, "y ~ arm * t", participant="participant", visit="visit", random="1")
    assert fit.loglik == pytest.approx(without.loglik, abs=1e-8)
    np.testing.assert_allclose(fit.fixed("satterthwaite")["estimate"], without.fixed()["estimate"], rtol=1e-8)
    assert value["alone"] == pytest.approx(without.variances()["value"].iloc[0], rel=1e-6)
    one = data[data["visit"] == 3]
    single = fit_mixed(one, "y ~ arm", participant="participant", random="1", site="site")
    assert np.isfinite(single.fixed()["df"]).all()
    assert any("cannot tell" in note for note in single.notes)
    one_per_arm = data.assign(place=data["arm"].map({"a": "north", "b": "south"}))
    fit = fit_mixed(one_per_arm, "y ~ arm * t", participant="participant", visit="visit", random="1", site="place")
    with pytest.raises(FitError, match="cannot show"):
        fit.contrast("arm[T.b]")
    assert np.isfinite(fit.contrast("arm[T.b]:t").df).all()
