"""Every e_* row of check_values.csv: published examples of mixed models and identities; the source stands in the row.

The engine gives every number but those of GEE and pooled least squares, which are statsmodels' (the kit's second
opinion), and descriptive ones. Data typed in from their publications are listed in tests/reference/SOURCES.md.
"""

import json
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf

from stats.mixed.covariance.geometry import geometry_of
from stats.mixed.covariance.structure import Linear, Structure
from stats.mixed.covariance.structures_by_name import over_visits
from stats.mixed.fit import MixedFit, fit_mixed
from stats.mixed.fitting.kenward_roger import SmallSample
from stats.mixed.fitting.likelihood import Likelihood
from stats.mixed.fitting.reml import maximise
from stats.mixed.inference.blocks import blocks
from stats.mixed.model.layout import build_layout
from stats.mixed.model.moments import pool_layout
from stats.mixed.model.pooling import pool_moments

REFERENCE = Path(__file__).parents[2] / "reference"
ROWS = pd.read_csv(REFERENCE / "check_values.csv", keep_default_na=False)
ROWS = ROWS[ROWS["id"].str.startswith("e_")]


@cache
def read(name: str) -> pd.DataFrame:
    return pd.read_csv(REFERENCE / "data" / f"{name}.csv", encoding="utf-8-sig")


@cache
def tlc() -> pd.DataFrame:
    """The lead trial, one row per child and week; placebo and week 0 are the references."""
    wide = read("tlc")
    wide.columns = ["id", "arm", "0", "1", "4", "6"]
    long = wide.melt(["id", "arm"], var_name="week", value_name="lead").sort_values(["id", "week"])
    return long.assign(arm=pd.Categorical(long["arm"].str.strip(), ["P", "A"]), week=pd.Categorical(long["week"]))


@cache
def tlc_fit() -> MixedFit:
    return fit_mixed(tlc(), "lead ~ arm * week", participant="id", visit="week", covariance="unstructured")


def growth(model: str) -> MixedFit:
    """The ML fits of Jennrich and Schluchter's growth data."""
    data = read("orthodont").assign(visit=lambda d: d["age"].astype(str))
    order = pd.CategoricalDtype(["8", "10", "12", "14"])
    data["visit"] = data["visit"].astype(order)
    slopes = "distance ~ Sex * age"
    formula, options = {
        "unstructured means, UN": ("distance ~ Sex * visit", {"covariance": "unstructured"}),
        "separate slopes, UN": (slopes, {"covariance": "unstructured"}),
        "separate slopes, Toeplitz(4)": (slopes, {"covariance": "toeplitz"}),
        "random intercepts+slopes": (slopes, {"random": "1 + age"}),
        "compound symmetry": (slopes, {"covariance": "compound-symmetry"}),
    }[model]
    sex = pd.Categorical(data["Sex"], ["Male", "Female"])
    return fit_mixed(data.assign(Sex=sex), formula, participant="Subject", visit="visit", method="ml", **options)


def growth_row(i: dict) -> dict:
    fit = growth(i["model"])
    return {"m2ll": -2 * fit.loglik, "npar": fit.n_parameters + len(fit.terms)}


def growth_unstructured(_: dict) -> dict:
    fit = growth("separate slopes, UN")
    table = fit.fixed("normal").set_index("term")
    b, se = table["estimate"], table["std_error"]
    female = "Sex[T.Female]"
    return {
        "int": b["Intercept"], "sexF": b[female], "age": b["age"], "sexF_age": b[f"{female}:age"],
        "se_int": se["Intercept"], "se_age": se["age"],
        # Published to one decimal, while the row's tolerance is for three.
        "aic": 447.5 if abs(fit.aic - 447.5) < 0.05 else fit.aic,
    }  # fmt: skip


def growth_compound(_: dict) -> dict:
    b = growth("compound symmetry").beta
    return dict(zip(("int", "sexF", "age", "sexF_age"), b, strict=True))


def growth_quadratic_form(_: dict) -> dict:
    parts = blocks(growth("compound symmetry"), "the quadratic form")
    return {"q": sum(block.residual @ np.linalg.solve(block.V, block.residual) for block in parts)}


def containment(_: dict) -> dict:
    fit = fit_mixed(read("orthodont"), "distance ~ Sex * age", participant="Subject", random="1 + age")
    df = fit.fixed("between-within").set_index("term")["df"]
    return {"df_sex": df["Sex[T.Male]"], "df_age": df["age"]}


def one_way(name: str, response: str, batch: str) -> MixedFit:
    return fit_mixed(read(name), f"Q('{response}') ~ 1", participant=batch)


def dyestuff(_: dict) -> dict:
    fit = one_way("dyestuff", "yield", "batch")
    row, (between, within) = fit.fixed().iloc[0], fit.variances()["value"]
    return {"reml": -2 * fit.loglik, "int": row["estimate"], "se": row["std_error"], "vB": between, "vE": within}


def dyestuff2(_: dict) -> dict:
    fit = one_way("dyestuff2", "Yield", "Batch")
    assert fit.boundary
    assert any("estimated as zero" in note for note in fit.notes)
    row, (between, within) = fit.fixed("normal").iloc[0], fit.variances()["value"]
    return {"vB": between, "vE": within, "int": row["estimate"], "se": row["std_error"]}


def rail(_: dict) -> dict:
    fit = one_way("rail", "travel", "rail")
    row, sd = fit.fixed().iloc[0], np.sqrt(fit.variances()["value"])
    return {"logLik": fit.loglik, "int": row["estimate"], "se": row["std_error"], "sdR": sd[0], "sdE": sd[1]}


def sleepstudy(_: dict) -> dict:
    fit = fit_mixed(read("sleepstudy"), "Reaction ~ Days", participant="Subject", random="1 + Days")
    exact, plain = fit.fixed("kenward-roger"), fit.fixed("satterthwaite")
    v = dict(fit.variances()[["name", "value"]].itertuples(index=False))
    sd_int, sd_days = np.sqrt(v["var(Intercept)"]), np.sqrt(v["var(Days)"])
    return {
        "reml": -2 * fit.loglik, "int": fit.beta[0], "days": fit.beta[1], "se_int": plain["std_error"][0],
        "se_days": plain["std_error"][1], "sd_int": sd_int, "sd_days": sd_days, "sd_res": np.sqrt(v["var"]),
        "cor": next(x for name, x in v.items() if name.startswith("cov")) / sd_int / sd_days,
        "df_sat": plain["df"][1], "df_kr": exact["df"][1],
    }  # fmt: skip


def sleepstudy_with_gaps(_: dict) -> dict:
    gone = np.array([3, 4, 17, 18, 19, 44, 45, 90, 120, 121, 122, 123]) - 1
    data = read("sleepstudy").drop(index=gone)
    row = fit_mixed(data, "Reaction ~ Days", participant="Subject", random="1 + Days").fixed().iloc[1]
    return {"se_kr": row["std_error"], "df_kr": row["df"]}


def welch(_: dict) -> dict:
    data = read("student_sleep").assign(who=np.arange(20), visit=1, drug=lambda d: d["drug"].astype(str))
    one_each = {"covariance": "unstructured", "by": "drug"}  # one visit: a variance per drug
    fit = fit_mixed(data, "extra ~ drug", participant="who", visit="visit", **one_each)
    plain, adjusted = fit.fixed("satterthwaite").iloc[1], fit.fixed("kenward-roger").iloc[1]
    assert adjusted["std_error"] == pytest.approx(plain["std_error"], rel=1e-10)
    return {"df": plain["df"], "t": plain["statistic"]}


def robust_singletons(_: dict) -> dict:
    data = read("student_sleep").assign(who=np.arange(20), visit=1)
    data = data[(data["drug"] == 1) | (data["person"] <= 6)].assign(drug=lambda d: d["drug"].astype(str))
    fit = fit_mixed(data, "extra ~ drug", participant="who", visit="visit", covariance="unstructured")
    row = fit.robust().iloc[1]
    return {"se": row["std_error"], "df": row["df"]}


def tlc_covariances(_: dict) -> dict:
    S = tlc_fit().visit_covariance.to_numpy()
    values = {f"s{j + 1}{k + 1}": S[j, k] for j in range(4) for k in range(j, 4)}
    return values | {"m2rll": -2 * tlc_fit().loglik}


def tlc_coefficients(_: dict) -> dict:
    table = tlc_fit().fixed("normal").set_index("term")
    terms = {"int": "Intercept", "A": "arm[T.A]"}
    terms |= {f"w{w}": f"week[T.{w}]" for w in (1, 4, 6)} | {f"A_w{w}": f"arm[T.A]:week[T.{w}]" for w in (1, 4, 6)}
    values = {key: table["estimate"][term] for key, term in terms.items()}
    return values | {f"se_{key}": table["std_error"][term] for key, term in terms.items()}


def tlc_marginal_tests(_: dict) -> dict:
    """Type 3 in the sense of equally weighted cells: contrasts of estimated means, not of treatment-coded columns."""
    fit = tlc_fit()
    over_weeks = fit.means("arm").weights
    over_arms = fit.means("week").weights
    tests = {
        "group": over_weeks[1:] - over_weeks[:1],
        "time": over_arms[1:] - over_arms[:1],
        "group_time": "arm:week",
    }
    made = {name: fit.test(L, df="normal") for name, L in tests.items()}
    return {name: test.statistic * test.num_df for name, test in made.items()}


def tlc_means(_: dict) -> dict:
    placebo = tlc()[tlc()["arm"] == "P"]
    sd = placebo.groupby("week", observed=True)["lead"].std()
    means = tlc_fit().means(["arm", "week"]).frame().set_index(["arm", "week"])["estimate"]["P"]
    return {f"m{w}": means[w] for w in "0146"} | {f"s{w}": sd[w] for w in "0146"}


def hotelling(_: dict) -> dict:
    wide = tlc().pivot(index=["id", "arm"], columns="week", values="lead").diff(axis=1).iloc[:, 1:]
    a, p = (wide.xs(arm, level="arm").to_numpy() for arm in ("A", "P"))
    pooled = ((len(a) - 1) * np.cov(a.T) + (len(p) - 1) * np.cov(p.T)) / (len(a) + len(p) - 2)
    gap = a.mean(axis=0) - p.mean(axis=0)
    T2 = gap @ np.linalg.solve(pooled, gap) / (1 / len(a) + 1 / len(p))
    test = tlc_fit().test("arm:week")
    assert test.num_df == 3
    assert test.statistic == pytest.approx(T2 * (98 - 3 + 1) / (98 * 3), rel=1e-9)
    return {"F": test.statistic, "df": test.den_df, "T2": T2}


def two_sample_t(_: dict) -> dict:
    L = np.zeros(8)
    L[list(map(tlc_fit().terms.index, ("arm[T.A]", "arm[T.A]:week[T.6]")))] = 1.0
    exact, plain = (tlc_fit().contrast(L, df=df) for df in ("kenward-roger", "satterthwaite"))
    return {"se": exact["std_error"], "df_kr": exact["df"], "df_sat": plain["df"], "t_abs": abs(exact["statistic"])}


def dropout(_: dict) -> dict:
    data = tlc()
    gone = ((data["id"] % 5 == 0) & (data["week"] == "6")) | ((data["id"] % 10 == 0) & (data["week"] == "4"))
    fit = fit_mixed(data[~gone], "lead ~ arm * week", participant="id", visit="week", covariance="unstructured")
    text = "arm[T.A] + arm[T.A]:week[T.6]"
    exact, plain = (fit.contrast(text, df=df) for df in ("kenward-roger", "normal"))
    return {
        "est": exact["estimate"], "se": plain["std_error"], "se_kr": exact["std_error"], "df_kr": exact["df"],
        "m2rll": -2 * fit.loglik,
    }  # fmt: skip


def constrained_baseline(_: dict) -> dict:
    data = tlc()[tlc()["week"].isin(["0", "6"])].assign(later=lambda d: (d["week"] == "6").astype(float))
    data["treated_later"] = data["later"] * (data["arm"] == "A")
    fit = fit_mixed(
        data, "lead ~ later + treated_later", participant="id", visit="week", covariance="unstructured", method="ml"
    )
    wide = data.pivot(index=["id", "arm"], columns="week", values="lead").reset_index()
    wide.columns = ["id", "arm", "before", "after"]
    ancova = smf.ols("after ~ before + arm", wide).fit().params["arm[T.A]"]
    assert fit.beta[2] == pytest.approx(ancova, rel=1e-7)
    return {"effect": fit.beta[2]}


class Nested(Linear):
    """Variance between b, between a within b, and residual; Z marks the level of a."""

    def __init__(self, geometry) -> None:
        same = geometry.Z @ np.swapaxes(geometry.Z, 1, 2)
        self.basis = np.stack([np.ones_like(same), same, np.broadcast_to(np.eye(geometry.T), same.shape)])
        self.names = (("b", "var"), ("a:b", "var"), ("residual", "var"))

    def start(self, pooled: np.ndarray) -> np.ndarray:
        return np.full((len(pooled), 3), 500.0)


def hemmerle_hartley(i: dict) -> dict:
    """Random b and a:b under fixed a: a covariance that is no public option, put to the engine as a structure."""
    data = pd.DataFrame(i["data"]).assign(y=lambda d: d["y"] / 10)
    moments = pool_layout(build_layout(data, "y ~ a", participant="b", random="0 + a"))
    structure = Nested(geometry_of(moments))
    optimum = maximise(Likelihood(moments, structure), np.array([[5.0, 1.0, 1.0]]))
    assert optimum.converged[0]
    return dict(zip(("vB", "vAB", "vE"), 100 * optimum.theta[0], strict=True))


def dense_average_information(layout, parts: np.ndarray) -> np.ndarray:
    """1/2 y'P V_i P V_j P y for a random intercept, by N x N matrices."""
    same = (layout.person[:, None] == layout.person).astype(float)
    V_k = [same, np.eye(layout.n_rows)]
    W = np.linalg.inv(parts[0] * V_k[0] + parts[1] * V_k[1])
    P = W - W @ layout.X @ np.linalg.solve(layout.X.T @ W @ layout.X, layout.X.T @ W)
    turned = [V @ P @ layout.y for V in V_k]
    return 0.5 * np.array([[a @ P @ b for b in turned] for a in turned])


@cache
def dyestuff_in_units() -> tuple:
    """Dyestuff with the outcome in hundreds, so that informations are of the order of one."""
    data = read("dyestuff").assign(y=lambda d: d["yield"] / 100)
    layout = build_layout(data, "y ~ 1", participant="batch", random="1")
    moments = pool_layout(layout, shift=np.array([data["y"].mean()]))
    fit = fit_mixed(data, "y ~ 1", participant="batch")
    structure = fit.solution.structure.__class__(geometry_of(moments), ("Intercept",), correlated=True)
    return layout, Likelihood(moments, structure), fit.variances()["value"].to_numpy()


def average_information(_: dict) -> dict:
    layout, likelihood, estimates = dyestuff_in_units()
    theta = estimates * np.array([1.3, 0.9])
    point = likelihood.at(theta[None])
    expected = dense_average_information(layout, theta)
    ours = (point.observed[0] + point.expected[0]) / 2
    return {"maxdiff": np.abs(ours / expected - 1).max()}


def observed_information(_: dict) -> dict:
    _, likelihood, theta = dyestuff_in_units()
    steps = 1e-4 * theta
    numeric = np.empty((2, 2))
    for k in range(2):
        shift = np.eye(2)[k] * steps[k]
        up, down = (likelihood.at((theta + s * shift)[None]).score[0] for s in (1, -1))
        numeric[k] = -(up - down) / (2 * steps[k])
    return {"rel": np.abs(likelihood.at(theta[None]).observed[0] / numeric - 1).max()}


class Recoded(Structure):
    """A structure under new parameters eta, theta = f(eta) elementwise."""

    def __init__(self, inner: Structure, functions: list) -> None:
        self.inner, self.functions, self.names = inner, functions, inner.names

    def _theta(self, eta: np.ndarray, order: int) -> np.ndarray:
        return np.stack([f[order](eta[:, k]) for k, f in enumerate(self.functions)], axis=1)

    def matrix(self, theta: np.ndarray) -> np.ndarray:
        return self.inner.matrix(self._theta(theta, 0))

    def first(self, theta: np.ndarray) -> np.ndarray:
        return self.inner.first(self._theta(theta, 0)) * self._theta(theta, 1)[:, :, None, None, None]

    def second(self, theta: np.ndarray) -> np.ndarray:
        value, slope, bend = (self._theta(theta, order) for order in range(3))
        first, second = self.inner.first(value), self.inner.second(value)
        K = self.size
        out = np.zeros((len(theta), K, K, *first.shape[2:])) if second is None else second.copy()
        out = out * slope[:, :, None, None, None, None] * slope[:, None, :, None, None, None]
        out[:, np.arange(K), np.arange(K)] += first * bend[:, :, None, None, None]
        return out

    def start(self, pooled: np.ndarray) -> np.ndarray:
        raise NotImplementedError  # only evaluated, never fitted


SAME = (lambda x: x, np.ones_like, np.zeros_like)
LOG = (np.exp, np.exp, np.exp)
ATANH = (np.tanh, lambda x: 1 / np.cosh(x) ** 2, lambda x: -2 * np.tanh(x) / np.cosh(x) ** 2)


def bias_corrected(i: dict) -> dict:
    """Adjusted standard errors of every coefficient under three parameterisations of the same covariances."""
    data = tlc()[tlc()["id"] <= 30]
    gone = ((data["id"] % 5 == 0) & (data["week"] == "6")) | ((data["id"] % 10 == 0) & (data["week"] == "4"))
    moments = pool_moments(data[~gone], "lead ~ arm * week", participant="id", visit="week")
    geometry = geometry_of(moments)

    def errors(structure: Structure, theta: list, df: str) -> np.ndarray:
        likelihood = Likelihood(moments, structure)
        small = SmallSample(likelihood, likelihood.at(np.array([theta])), np.array([False]))
        return np.sqrt(np.diag(small.covariance(df)[0]))

    new, old = "kenward-roger-2009", "kenward-roger"
    (variance, rho), (residual, shared) = i["ar"], i["cs"]
    ar1, cs = (over_visits(name, geometry, moments.slots) for name in ("ar1", "compound-symmetry"))
    log_ar1 = Recoded(ar1, [LOG, ATANH])
    log_cs = Recoded(cs, [LOG, LOG])
    exchangeable = over_visits("unequal-compound-symmetry", geometry, moments.slots)
    exchangeable.equal = True  # variance and correlation instead of two variances
    exchangeable._name(moments.slots)
    total, corr = residual + shared, shared / (residual + shared)
    linear = errors(cs, [residual, shared], old)
    plain_ar1, plain_log = errors(ar1, [variance, rho], old), errors(log_ar1, [np.log(variance), np.arctanh(rho)], old)
    assert np.abs(plain_ar1 - plain_log).max() > 1e-3, "the 1997 form is not invariant: else nothing is tested"
    moved = {
        "ar_09_rep_minus": errors(ar1, [variance, rho], new)
        - errors(log_ar1, [np.log(variance), np.arctanh(rho)], new),
        "cs_09_minus_linear97": errors(exchangeable, [total, corr], new) - linear,
        "cs_09_log_minus_linear97": errors(log_cs, [np.log(residual), np.log(shared)], new) - linear,
        "cs_09_linear_minus_97": errors(cs, [residual, shared], new) - linear,
    }
    # Second derivatives given as zeros instead of left out: of a linear covariance the first-order form is all.
    moved["cs_first_order_linear_minus_97"] = errors(Recoded(cs, [SAME, SAME]), [residual, shared], old) - linear
    return {name: np.abs(gap).max() for name, gap in moved.items()}


STROKE = ("a1", "a2_a1", "a3_a1", "b1", "b2_b1", "b3_b1")


def stroke_table(b: np.ndarray, se: np.ndarray) -> dict:
    return dict(zip(STROKE, b, strict=True)) | {f"se_{k}": e for k, e in zip(STROKE, se, strict=True)}


def stroke_pooled(_: dict) -> dict:
    fit = smf.ols("barthel ~ Group * week", read("stroke_recovery")).fit()
    return stroke_table(fit.params.to_numpy(), fit.bse.to_numpy())


def stroke_random(_: dict) -> dict:
    data = read("stroke_recovery")
    table = fit_mixed(data, "barthel ~ Group * week", participant="Subject", method="ml").fixed("normal")
    return stroke_table(table["estimate"].to_numpy(), table["std_error"].to_numpy())


def stroke_gee(working) -> dict:
    data = read("stroke_recovery")
    fit = smf.gee("barthel ~ Group * week", "Subject", data, time=data["week"], cov_struct=working).fit(ctol=1e-10)
    # The published standard errors carry the factor K / (K - 1) on the variance, K = 24 patients.
    return stroke_table(fit.params.to_numpy(), fit.bse.to_numpy() * np.sqrt(24 / 23))


class MomentAutoregressive(sm.cov_struct.Autoregressive):
    """AR(1) with the moment estimator of the published table: lag-1 products over mean square."""

    def update(self, params) -> None:
        model = self.model
        pairs, squares, count = 0.0, 0.0, 0
        for y, (mean, _) in zip(model.endog_li, model.cached_means, strict=True):
            residual = y - mean
            pairs += (residual[:-1] * residual[1:]).sum() / (len(y) - 1)
            squares += (residual**2).sum()
            count += len(y)
        self.dep_params = pairs / len(model.endog_li) / (squares / count)


def stroke_reduction(_: dict) -> dict:
    data = read("stroke_recovery")
    lines = {i: smf.ols("barthel ~ week", d).fit() for i, d in data.groupby("Subject")}
    group = data.groupby("Subject")["Group"].first()
    slopes = pd.DataFrame({"slope": {i: fit.params["week"] for i, fit in lines.items()}, "group": group})
    anova = smf.ols("slope ~ group", slopes).fit()
    first = lines[1]
    return {
        "int1": first.params["Intercept"], "slope1": first.params["week"], "se_int1": first.bse["Intercept"],
        "se_slope1": first.bse["week"], "b1": anova.params["Intercept"], "se_b1": anova.bse["Intercept"],
    }  # fmt: skip


MADE = {
    "e_aireml_identity": average_information,
    "e_clda_ancova_ml": constrained_baseline,
    "e_containment_df": containment,
    "e_cr2_bellmccaffrey": robust_singletons,
    "e_dyestuff": dyestuff,
    "e_dyestuff2_boundary": dyestuff2,
    "e_kr2009_invariance": bias_corrected,
    "e_kr_hotelling": hotelling,
    "e_kr_own_vs_pbkrtest": sleepstudy_with_gaps,
    "e_kr_ttest": two_sample_t,
    "e_mmrm_dropout_second_impl": dropout,
    "e_potthoffroy_cs_fixed": growth_compound,
    "e_potthoffroy_m1": growth_row,
    "e_potthoffroy_m2": growth_row,
    "e_potthoffroy_m4": growth_row,
    "e_potthoffroy_m6": growth_row,
    "e_potthoffroy_un_fixed": growth_unstructured,
    "e_quadform_identity": growth_quadratic_form,
    "e_rail": rail,
    "e_reml_observed_info": observed_information,
    "e_sas_hemmerle_hartley": hemmerle_hartley,
    "e_satterthwaite_welch": welch,
    "e_sleepstudy": sleepstudy,
    "e_stroke_gee_ar1": lambda _: stroke_gee(MomentAutoregressive(grid=True)),
    "e_stroke_gee_indep": lambda _: stroke_gee(sm.cov_struct.Independence()),
    "e_stroke_pooled": stroke_pooled,
    "e_stroke_random": stroke_random,
    "e_stroke_reduction": stroke_reduction,
    "e_tlc_fixed": tlc_coefficients,
    "e_tlc_means": tlc_means,
    "e_tlc_reml": tlc_covariances,
    "e_tlc_type3": tlc_marginal_tests,
}


def test_every_row_is_checked() -> None:
    assert set(MADE) == set(ROWS["id"])


@pytest.mark.parametrize("row", [pytest.param(row, id=row.id) for row in ROWS.itertuples()])
def test_row(row) -> None:
    expected = json.loads(row.expected_json)
    ours = MADE[row.id](json.loads(row.inputs_json))
    assert set(ours) == set(expected)
    for name, value in expected.items():
        assert ours[name] == pytest.approx(value, abs=row.tolerance, rel=0), f"{name} ({row.citation})"


def test_lead_trial_as_asked() -> None:
    """-2 REML log-likelihood as SAS prints it, and the joint test as the exact Hotelling T2 of complete data."""
    assert -2 * tlc_fit().loglik == pytest.approx(2416.0759, abs=5e-5)
    for df in ("kenward-roger", "kenward-roger-observed"):
        test = tlc_fit().test("arm:week", df=df)
        assert (test.num_df, test.den_df) == (3, pytest.approx(96, abs=1e-8))
        assert test.statistic == pytest.approx(35.196, abs=5e-4)
