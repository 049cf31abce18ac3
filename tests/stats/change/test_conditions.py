"""Two conditions in one model: paired t tests with complete data, and what is done with gaps and few people."""

import warnings

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.stats import ttest_1samp, ttest_ind, ttest_rel

from outcomes.protocol.trial import Arm, PlannedVisit, Protocol
from stats import FitError, fit_mixed
from stats.change.conditions import fit_conditions
from stats.change.within_visit import compare_within_visit

CASES = [(3, 3), (6, 4), (5, 2), (12, 4), (20, 3)]  # participants, visits


def scores(people: int, visits: int, seed: int = 1, missing: float = 0.0, better: str = "higher") -> pd.DataFrame:
    """A score without and with a device at every visit; effects differ between people and over time."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(people):
        level, effect, trend = rng.normal(20, 5), rng.normal(3, 1.5), rng.normal(0.1, 0.4)
        for v in range(visits):
            day = rng.normal(0, 1.5)
            for condition in ("unassisted", "assisted"):
                value = level + day + v + (effect + trend * v) * (condition == "assisted") + rng.normal(0, 1)
                row = {"participant": f"P{i:02d}", "arm": "", "visit": f"v{v}", "day": 7.0 * v, "value": value}
                row |= {"outcome": "bbt.blocks", "hand": "affected", "condition": condition, "unit": "blocks"}
                rows.append(row | {"better": better})
    frame = pd.DataFrame(rows)
    return frame[rng.random(len(frame)) >= missing].reset_index(drop=True)


def differences(frame: pd.DataFrame) -> np.ndarray:
    """Assisted minus unassisted, participants x visits."""
    wide = frame.pivot(index=["participant", "visit"], columns="condition", values="value")
    return (wide["assisted"] - wide["unassisted"]).unstack().to_numpy()


@pytest.mark.parametrize(("people", "visits"), CASES)
def test_complete_data_give_the_paired_t_test_of_the_mean_effect(people: int, visits: int) -> None:
    """scipy.stats.ttest_1samp of people's mean differences: statistic, p value and df."""
    frame = scores(people, visits)
    ours = fit_conditions(frame, "bbt.blocks").mean_effect().frame().iloc[0]
    plain = ttest_1samp(differences(frame).mean(axis=1), 0)
    assert ours["statistic"] == pytest.approx(plain.statistic, rel=1e-8)
    assert ours["df"] == pytest.approx(people - 1, rel=1e-8)
    assert ours["p_value"] == pytest.approx(plain.pvalue, rel=1e-6)


def test_one_visit_gives_the_paired_t_test() -> None:
    """scipy.stats.ttest_rel; 3 people and 2 as well."""
    for people in (2, 3, 15):
        frame = scores(people, 1)
        fit = fit_conditions(frame, "bbt.blocks")
        wide = frame.pivot(index="participant", columns="condition", values="value")
        ours, plain = fit.effects().frame().iloc[0], ttest_rel(wide["assisted"], wide["unassisted"])
        assert ours["statistic"] == pytest.approx(plain.statistic, rel=1e-7)
        assert ours["df"] == pytest.approx(people - 1, rel=1e-7)
        with pytest.raises(FitError, match="no arm has two visits"):
            fit.changes()
    with pytest.raises(FitError, match="compare_within_visit"):
        fit_conditions(scores(1, 1), "bbt.blocks")


def test_two_visits_give_the_paired_t_test_of_the_change() -> None:
    frame = scores(7, 2)
    ours, D = fit_conditions(frame, "bbt.blocks").changes().frame().iloc[0], differences(frame)
    plain = ttest_rel(D[:, 1], D[:, 0])
    assert (ours["since"], ours["visit"]) == ("v0", "v1")
    assert ours["statistic"] == pytest.approx(plain.statistic, rel=1e-8)
    assert ours["df"] == pytest.approx(6, rel=1e-8)


def test_complete_data_give_the_model_of_the_differences() -> None:
    """With every pair complete, all rows say no more of the effect than a mixed model of the differences does."""
    frame = scores(25, 5, seed=3)
    fit, D = fit_conditions(frame, "bbt.blocks"), differences(frame)
    assert fit.covariance == "paired-lines"
    time = np.tile(np.arange(5.0), 25)
    plain = pd.DataFrame({"who": np.repeat(np.arange(25), 5), "time": time, "visit": time.astype(str)})
    model = fit_mixed(plain.assign(d=D.ravel()), "d ~ 0 + visit", participant="who", visit="visit", random="1 + time")
    assert not model.boundary
    ours, theirs = fit.effects().frame(), model.fixed()
    for column in ("estimate", "std_error", "df"):
        assert_allclose(ours[column], theirs[column], rtol=1e-6)
    L = np.eye(5)[1:] - np.eye(5)[0]
    joint, other = fit.joint(), model.test(L)
    assert_allclose([joint.statistic, joint.den_df], [other.statistic, other.den_df], rtol=1e-5)


def test_effects_per_arm_share_the_covariance() -> None:
    """One visit, equal arms: the difference of the two arms' effects is the t test of the paired differences."""
    frame = scores(12, 1)
    frame["arm"] = np.where(frame["participant"] < "P06", "new", "usual")
    design = Protocol(
        title="Pilot", design="parallel", arms=(Arm("new", ""), Arm("usual", "", reference=True)),
        visits=(PlannedVisit("v0", "", 0.0),), outcomes=("bbt.blocks",), primary="bbt.blocks",
    )  # fmt: skip
    fit = fit_conditions(frame, "bbt.blocks", design=design)
    assert fit.cells["arm"].tolist() == ["usual", "new"]
    D = differences(frame)[:, 0]
    plain = ttest_ind(D[:6], D[6:])
    ours = fit.fit.contrast(fit.weights[1] - fit.weights[0]).frame().iloc[0]
    assert ours["statistic"] == pytest.approx(plain.statistic, rel=1e-7)
    assert ours["df"] == pytest.approx(10, rel=1e-7)


def test_single_values_count_and_are_counted() -> None:
    frame = scores(14, 4, missing=0.2)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        fit = fit_conditions(frame, "bbt.blocks")
        table = fit.effects().frame()
    assert fit.fit.n_rows == len(frame)
    per_visit = frame.groupby(["participant", "visit"]).size()
    assert f"{(per_visit == 2).sum()} pairs and {(per_visit == 1).sum()} single values" in fit.notes[0]
    pairs = compare_within_visit(frame, "bbt.blocks").frame()
    pairs = pairs[pairs["what"] == "difference"]
    assert_allclose(table["estimate"], pairs["estimate"], atol=2.0)  # near the complete pairs, not the same


@pytest.mark.parametrize(("people", "missing"), [(14, 0.2), (7, 0.1)])
def test_likelihood_with_gaps_is_the_one_written_down(people: int, missing: float) -> None:
    """Dense REML by its textbook formula (Harville 1977), the covariance built person by person from its definition."""
    frame = scores(people, 4, missing=missing)
    fit = fit_conditions(frame, "bbt.blocks")
    assert fit.covariance == ("paired-lines" if people == 14 else "paired")
    value = fit.fit.variances().set_index("name")["value"]
    day = np.array([0.0, 7.0, 14.0, 21.0])
    time = (frame["day"].to_numpy() - day.mean()) / np.sqrt(np.mean((day - day.mean()) ** 2))
    z = np.where(frame["condition"] == "assisted", 0.5, -0.5)
    own = {"level": np.ones(len(frame)), "condition": z}
    own |= {"level over time": time, "condition over time": z * time}
    V = np.zeros((len(frame), len(frame)))
    for name, variance in value.items():
        kind, _, inside = name.partition("(")
        if kind == "var" and inside:
            V += variance * np.outer(own[inside[:-1]], own[inside[:-1]])
        elif kind == "cov":
            one, two = (own[part] for part in inside[:-1].split(", "))
            V += variance * (np.outer(one, two) + np.outer(two, one))
    visit = frame["visit"].to_numpy()
    V += value["shared by conditions"] * (visit[:, None] == visit) + value["var"] * np.eye(len(frame))
    who = frame["participant"].to_numpy()
    V *= who[:, None] == who
    X = pd.get_dummies(frame["visit"] + frame["condition"]).to_numpy(dtype=float)
    W, y = np.linalg.inv(V), frame["value"].to_numpy()
    information = X.T @ W @ X
    r = y - X @ np.linalg.solve(information, X.T @ W @ y)
    parts = np.linalg.slogdet(V)[1] + np.linalg.slogdet(information)[1] + r @ W @ r
    assert fit.fit.loglik == pytest.approx(-0.5 * (parts + (len(y) - 8) * np.log(2 * np.pi)), rel=1e-9)


def test_a_visit_with_one_condition_has_no_effect_but_stays_in_the_model() -> None:
    frame = scores(9, 3)
    frame = frame[(frame["visit"] != "v0") | (frame["condition"] == "unassisted")]
    fit = fit_conditions(frame, "bbt.blocks")
    assert fit.cells["visit"].tolist() == ["v1", "v2"]
    assert fit.changes().frame()["since"].tolist() == ["v1"]
    assert fit.fit.n_rows == len(frame)


def test_better_lower_and_units_turn_and_scale_the_answer() -> None:
    frame = scores(8, 3)
    base = fit_conditions(frame, "bbt.blocks")
    lower = fit_conditions(frame.assign(value=5 - 1000 * frame["value"], better="lower"), "bbt.blocks")
    for made, other in ((base.effects(), lower.effects()), (base.changes(), lower.changes())):
        assert_allclose(other.estimate, 1000 * made.estimate, rtol=1e-8)
        assert_allclose(other.std_error, 1000 * made.std_error, rtol=1e-7)
        assert_allclose(other.df, made.df, rtol=1e-6)


def test_what_cannot_be_fitted_is_said() -> None:
    frame = scores(5, 2)
    with pytest.raises(FitError, match="assisted"):
        fit_conditions(frame[frame["condition"] == "unassisted"], "bbt.blocks")
    apart = frame[(frame["visit"] == "v0") == (frame["condition"] == "assisted")]
    with pytest.raises(FitError, match="no visit has both"):
        fit_conditions(apart, "bbt.blocks")
    flat = frame.assign(value=np.where(frame["condition"] == "assisted", 4.0, 2.0))
    with pytest.raises(FitError, match="no variation"):
        fit_conditions(flat, "bbt.blocks")
    with pytest.raises(FitError, match="same planned day"):
        fit_conditions(frame.assign(day=0.0), "bbt.blocks")
    one = frame[frame["condition"] == "assisted"]
    with pytest.raises(FitError, match="two conditions"):
        fit_mixed(one, "value ~ visit", participant="participant", visit="visit", covariance="paired")
