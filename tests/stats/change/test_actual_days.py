"""Slopes on the days people really came: by participant, with what is taken where a date is missing."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from outcomes import score
from outcomes.lock.analysis_plan import plan_digest, plan_of
from outcomes.protocol.model_choice import read_model
from outcomes.protocol.trial import ModelChoice
from stats import FitError, fit_change, fit_mixed
from stats.mixed.inference.blocks import natural_structure
from synthetic_cohort import make_cohort
from tests.stats.change.test_fit_change import DATA, PARALLEL, scores_of

LINE = ModelChoice(time="linear", random="1", time_unit="week")


@pytest.fixture(scope="module")
def came() -> pd.DataFrame:
    """The simulated 24-person pilot with late and early visits: up to three days off, never at baseline."""
    data = pd.read_csv(DATA / "pilot24_rep1.csv")
    plain = {"participant": data["id"].astype(str), "arm": data["farm"], "visit": "w" + data["time"].astype(str)}
    scores = scores_of(pd.DataFrame({**plain, "day": data["time"] * 7.0, "value": data["y"]}))
    off = np.random.default_rng(5).integers(-3, 4, len(scores))
    return scores.assign(actual_day=scores["day"] + np.where(scores["day"] == 0, 0, off))


def test_slopes_are_those_of_a_library_on_the_own_days(came):
    """statsmodels' REML, whose search stops early: slopes to 1e-4, log-likelihood to 1e-5."""
    fit = fit_change(came, "score.total", design=PARALLEL, model=replace(LINE, days="actual"))
    frame = came.assign(week=came["actual_day"] / 7, new=(came["arm"] == "exp").astype(float))
    theirs = smf.mixedlm("value ~ week * new", frame, groups=frame["participant"]).fit(reml=True)
    slope = fit.slopes().frame().set_index("arm")["estimate"]
    assert slope["ctl"] == pytest.approx(theirs.fe_params["week"], rel=1e-4)
    assert slope["exp"] == pytest.approx(theirs.fe_params["week"] + theirs.fe_params["week:new"], rel=1e-4)
    assert fit.loglik == pytest.approx(theirs.llf, abs=1e-5)
    planned = fit_change(came, "score.total", design=PARALLEL, model=LINE)
    assert planned.slopes().frame()["estimate"].tolist() != slope.tolist()
    again = fit_change(came, "score.total", design=PARALLEL, model=LINE, days="actual")
    pd.testing.assert_frame_equal(again.fixed(), fit.fixed(), rtol=1e-9)
    # Means stand at the planned days of the visits, whoever came when.
    assert fit.cells["day"].unique().tolist() == [0, 7, 14, 21, 28, 35]


def test_knots_bend_at_the_own_days(came):
    bent = ModelChoice(time="piecewise", knots=(2.0,), random="1", days="actual")
    fit = fit_change(came, "score.total", design=PARALLEL, model=bent)
    frame = came.assign(week=came["actual_day"] / 7, new=(came["arm"] == "exp").astype(float))
    frame["after"] = np.maximum(frame["week"] - 2, 0)
    theirs = smf.mixedlm("value ~ (week + after) * new", frame, groups=frame["participant"]).fit(reml=True)
    change = fit.changes().frame().set_index(["arm", "visit"])["estimate"]
    expected = 5 * theirs.fe_params["week"] + 3 * theirs.fe_params["after"]
    assert change["ctl", "w5"] == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize("covariance", ["exponential", "unequal-exponential"])
def test_correlation_fades_over_the_own_days(came, covariance):
    """The fit is the maximum of the restricted likelihood written out person by person, own days in rho ** |days|."""
    some = came[~came.index.isin(came.index[[14, 51, 87]])]
    fit = fit_change(
        some, "score.total", design=PARALLEL,
        model=ModelChoice(time="linear", baseline="outcome", covariance=covariance, days="actual"),
    )  # fmt: skip
    values = fit.fit.variances()["value"].to_numpy()
    unit = float(fit.fit.variances()["name"].iloc[-1].split()[2])
    frame = some.assign(week=some["actual_day"] / 7, new=(some["arm"] == "exp").astype(float))
    frame["one"], frame["both"] = 1.0, frame["week"] * frame["new"]

    def loglik(theta: np.ndarray) -> tuple[float, np.ndarray]:
        total, information, right, square = 0.0, np.zeros((4, 4)), np.zeros(4), 0.0
        for _, own in frame.groupby("participant"):
            at, day = own["visit"].str[1:].astype(int).to_numpy(), own["actual_day"].to_numpy()
            sd = np.sqrt(theta[:-1][at] if len(theta) > 2 else np.full(len(at), theta[0]))
            V = sd[:, None] * theta[-1] ** (np.abs(day[:, None] - day) / unit) * sd
            X, y, W = own[["one", "week", "new", "both"]].to_numpy(), own["value"].to_numpy(), np.linalg.inv(V)
            information, right, square = information + X.T @ W @ X, right + X.T @ W @ y, square + y @ W @ y
            total += np.linalg.slogdet(V)[1]
        b = np.linalg.solve(information, right)
        total += np.linalg.slogdet(information)[1] + square - right @ b + (len(frame) - 4) * np.log(2 * np.pi)
        return -total / 2, np.concatenate([b, np.sqrt(np.diag(np.linalg.inv(information)))])

    here, made = loglik(values)
    assert fit.loglik == pytest.approx(here, abs=1e-8)
    table = fit.fixed("normal").set_index("term").loc[["Intercept", "time", "arm[T.exp]", "time:arm[T.exp]"]]
    np.testing.assert_allclose(table["estimate"], made[:4], rtol=1e-8)
    np.testing.assert_allclose(table["std_error"], made[4:], rtol=1e-8)
    for k, size in enumerate(np.abs(values)):  # flat there: a step to either side loses the square of the step
        for sign in (1, -1):
            near = values.copy()
            near[k] += sign * 1e-4 * size
            assert -1e-4 < loglik(near)[0] - here < 0
    structure = natural_structure(fit.fit)[0]
    theta = values[None] * 1.03
    for k in range(len(values)):
        up, down = theta.copy(), theta.copy()
        up[0, k] += 1e-5
        down[0, k] -= 1e-5
        slope = (structure.matrix(up) - structure.matrix(down)) / 2e-5
        np.testing.assert_allclose(structure.first(theta)[:, k], slope, rtol=1e-5, atol=1e-6)
        bend = (structure.first(up) - structure.first(down)) / 2e-5
        np.testing.assert_allclose(structure.second(theta)[:, k], bend, rtol=1e-4, atol=1e-4)


def test_the_same_days_for_everybody_are_the_planned_ones(came):
    """With everyone on the planned day own times are those of the visits, in every answer."""
    choice = ModelChoice(time="visit", baseline="outcome", covariance="unequal-exponential")
    planned = fit_change(came, "score.total", design=PARALLEL, model=choice)
    exact = came.assign(actual_day=came["day"])
    own = fit_change(exact, "score.total", design=PARALLEL, model=choice, days="actual")
    pd.testing.assert_frame_equal(own.between().frame(), planned.between().frame(), rtol=1e-9)
    direct = fit_mixed(
        came.assign(cell=came["arm"] + came["visit"]), "value ~ 0 + cell", participant="participant", visit="day",
        covariance="unequal-exponential",
    )  # fmt: skip
    assert planned.loglik == pytest.approx(direct.loglik, abs=1e-9)
    assert planned.permute(np.random.default_rng(1), deals=49).n_participants == 24
    twice = came.assign(actual_day=came["day"].where(came["visit"] != "w2", 7.0))
    with pytest.raises(FitError, match="same time"):
        fit_change(twice, "score.total", design=PARALLEL, model=choice, days="actual")
    with pytest.raises(FitError, match="depend on it"):
        fit_mixed(came, "value ~ arm", participant="participant", visit="visit", covariance="ar1", time="day")


def test_no_answer_about_slopes_depends_on_the_clock(came):
    """Days counted from another start: df and p stay to 1e-6."""
    scores = came.assign(day=came["actual_day"])
    model = ModelChoice(time="linear", random="1 + time")
    one = fit_change(scores, "score.total", design=PARALLEL, model=model)
    later = fit_change(scores.assign(day=scores["day"] + 19_800), "score.total", design=PARALLEL, model=model)
    for a, b, df in (
        (one.slopes().frame(), later.slopes().frame(), "df"), (one.joint().frame(), later.joint().frame(), "den_df")
    ):  # fmt: skip
        np.testing.assert_allclose(b[df], a[df], rtol=1e-6)
        np.testing.assert_allclose(b["p_value"], a["p_value"], rtol=1e-6)


def test_a_missing_date_takes_the_planned_day_and_is_named(came):
    gone = came.index[[9, 40]]
    some = came.assign(actual_day=came["actual_day"].where(~came.index.isin(gone)))
    fit = fit_change(some, "score.total", design=PARALLEL, model=LINE, days="actual")
    told = next(note for note in fit.notes if "planned day is taken" in note)
    for row in came.loc[gone].itertuples():
        assert f"{row.participant} ({row.visit})" in told
    filled = some.assign(actual_day=some["actual_day"].fillna(some["day"]))
    np.testing.assert_allclose(
        fit.fixed()["estimate"],
        fit_change(filled, "score.total", design=PARALLEL, model=LINE, days="actual").fixed()["estimate"],
        rtol=1e-9,
    )


def test_without_any_date_it_is_refused(came):
    for scores in (came.assign(actual_day=np.nan), came.drop(columns="actual_day")):
        with pytest.raises(FitError, match="dates of visits"):
            fit_change(scores, "score.total", design=PARALLEL, model=LINE, days="actual")
    with pytest.raises(FitError, match="planned, actual"):
        fit_change(came, "score.total", design=PARALLEL, model=LINE, days="real")


def test_a_mean_per_visit_says_that_days_play_no_part(came):
    fit = fit_change(came, "score.total", design=PARALLEL, days="actual")
    assert any("play no part" in note for note in fit.notes)
    plain = fit_change(came, "score.total", design=PARALLEL)
    pd.testing.assert_frame_equal(fit.fixed(), plain.fixed(), rtol=1e-9)


def test_days_that_differ_within_a_visit_never_stand_for_it_by_the_first_row(came):
    """A frame whose `day` is when people came: each score keeps its own, a mean stands at the visit's planned day."""
    own = came.assign(day=came["actual_day"]).drop(columns="actual_day")
    shuffled = own.sample(frac=1, random_state=3)
    fits = [fit_change(frame, "score.total", design=PARALLEL, model=LINE) for frame in (own, shuffled)]
    theirs = fit_change(came, "score.total", design=PARALLEL, model=LINE, days="actual")
    for fit in fits:
        assert fit.cells["day"].unique().tolist() == [0, 7, 14, 21, 28, 35]
        np.testing.assert_allclose(fit.changes().frame()["estimate"], theirs.changes().frame()["estimate"], rtol=1e-9)
        assert any("Days differ" in note for note in fit.notes)
    alone = fit_change(shuffled, "score.total", model=LINE)
    median = own.groupby("visit")["day"].median()
    assert alone.cells.drop_duplicates("visit").set_index("visit")["day"].to_dict() == median.to_dict()


def test_days_come_from_the_dates_and_stand_in_the_plan():
    """Demo: own day = date less the date of the own baseline visit; plans without the key keep their hash."""
    study = make_cohort("demo", seed=1).study
    scores = score(study)
    dates = study.visits.dropna(subset="date").set_index(["participant", "visit"])["date"]
    for row in scores.sample(25, random_state=1).itertuples():
        own, start = dates.get((row.participant, row.visit)), dates.get((row.participant, study.protocol.baseline.id))
        if own is None or start is None:
            assert np.isnan(row.actual_day)
        else:
            assert row.actual_day == (own - start).days
    problems: list[str] = []
    actual = read_model({"time": "linear", "days": "actual"}, "[model]", problems)
    assert (actual.days, problems) == ("actual", [])
    read_model({"days": "dates"}, "[model]", problems)
    assert "planned, actual" in problems[0]
    plans = [plan_of(replace(study.protocol, model=model)) for model in (replace(actual, days="planned"), actual)]
    assert "days" not in plans[0]["model"]
    assert plans[1]["model"]["days"] == "actual"
    assert plan_digest(plans[0]) != plan_digest(plans[1])
    fit = fit_change(scores, study.protocol.primary, design=study.protocol, model=actual)
    assert (fit.rows["day"] != fit.rows["visit"].map({v.id: v.day for v in study.protocol.visits}).astype(float)).any()
