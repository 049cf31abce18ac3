"""From scores to a model of change: designs, reasons, and agreement with plain analyses of complete data."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy.stats import ttest_1samp, ttest_ind

from outcomes import read_study, score
from outcomes.protocol.trial import Arm, ModelChoice, PlannedVisit, Protocol, Randomisation
from stats import FitError, fit_change, fit_mixed

DATA = Path(__file__).parents[2] / "reference" / "data"
VISITS = tuple(PlannedVisit(f"w{k}", f"Week {k}", 7.0 * k) for k in range(6))
PARALLEL = Protocol(
    title="Pilot",
    design="parallel",
    arms=(Arm("exp", "New"), Arm("ctl", "Usual", reference=True)),
    visits=VISITS,
    outcomes=("score.total",),
    primary="score.total",
)


def scores_of(data: pd.DataFrame) -> pd.DataFrame:
    """A scores frame of participant, arm, visit, day, value."""
    return data.assign(
        instrument="score", scale="total", outcome="score.total", side="", hand="", condition="unassisted",
        unit="points", better="higher", answered=1, items=1, complete=True, reason="",
    )  # fmt: skip


@pytest.fixture
def pilot() -> pd.DataFrame:
    """The simulated 24-person pilot (tests/reference/SOURCES.md) as scores."""
    data = pd.read_csv(DATA / "pilot24_rep1.csv")
    plain = {"participant": data["id"].astype(str), "arm": data["farm"], "visit": "w" + data["time"].astype(str)}
    return scores_of(pd.DataFrame({**plain, "day": data["time"] * 7.0, "value": data["y"]}))


def test_complete_baseline_becomes_a_covariate(pilot: pd.DataFrame) -> None:
    two = pilot[pilot["visit"].isin(["w0", "w5"])]
    fit = fit_change(two, "score.total", design=PARALLEL)
    assert fit.choice.baseline == "covariate"
    wide = two.pivot(index="participant", columns="visit", values="value").join(
        two.drop_duplicates("participant").set_index("participant")["arm"]
    )
    plain = smf.ols("w5 ~ w0 + C(arm, Treatment('ctl'))", wide).fit()  # analysis of covariance by least squares
    ours = fit.between(df="residual").frame()
    assert ours["estimate"][0] == pytest.approx(plain.params.iloc[1], rel=1e-8)
    assert ours["std_error"][0] == pytest.approx(plain.bse.iloc[1], rel=1e-6)
    assert ours["p_value"][0] == pytest.approx(plain.pvalues.iloc[1], rel=1e-6)


def test_constrained_baseline_by_ml_is_analysis_of_covariance() -> None:
    """Liang & Zeger 2000: one baseline and one follow-up, complete, ML: -3.1198718826 (check e_clda_ancova_ml)."""
    data = pd.read_csv(DATA / "tlc.csv")
    data.columns = ["id", "arm", "w0", "w1", "w4", "w6"]
    long = data.melt(id_vars=["id", "arm"], value_vars=["w0", "w6"], var_name="visit", value_name="value")
    plain = pd.DataFrame(
        {
            "participant": long["id"].astype(str),
            "arm": long["arm"],
            "visit": long["visit"],
            "day": long["visit"].map({"w0": 0.0, "w6": 42.0}),
            "value": long["value"],
        }
    )
    design = Protocol(
        title="Lead",
        design="parallel",
        arms=(Arm("P", "Placebo", reference=True), Arm("A", "Active")),
        visits=(PlannedVisit("w0", "", 0.0), PlannedVisit("w6", "", 42.0)),
        outcomes=("score.total",),
        primary="score.total",
    )
    choice = ModelChoice(baseline="constrained", method="ml", covariance="unstructured", df="satterthwaite")
    fit = fit_change(scores_of(plain), "score.total", design=design, model=choice)
    assert fit.between().frame()["estimate"][0] == pytest.approx(-3.1198718826, abs=2e-4)


def test_balanced_unstructured_difference_is_a_t_test(pilot: pd.DataFrame) -> None:
    choice = ModelChoice(baseline="outcome", covariance="unstructured")
    ours = fit_change(pilot, "score.total", design=PARALLEL, model=choice).between().frame()
    wide = pilot.pivot(index="participant", columns="visit", values="value")
    change = wide["w5"] - wide["w0"]
    arm = pilot.drop_duplicates("participant").set_index("participant")["arm"]
    plain = ttest_ind(change[arm == "exp"], change[arm == "ctl"])
    row = ours[ours["visit"] == "w5"].iloc[0]
    assert row["statistic"] == pytest.approx(plain.statistic, rel=1e-6)
    assert row["df"] == pytest.approx(plain.df, rel=1e-6)
    assert row["p_value"] == pytest.approx(plain.pvalue, rel=1e-6)


def test_single_arm_change_is_a_paired_t_test(pilot: pd.DataFrame) -> None:
    one = pilot[pilot["arm"] == "ctl"].assign(arm="")
    fit = fit_change(one, "score.total", model=ModelChoice(covariance="unstructured"))
    wide = one.pivot(index="participant", columns="visit", values="value")
    plain = ttest_1samp(wide["w5"] - wide["w0"], 0)
    row = fit.changes().frame().set_index("visit").loc["w5"]
    assert row["statistic"] == pytest.approx(plain.statistic, rel=1e-6)
    assert row["p_value"] == pytest.approx(plain.pvalue, rel=1e-6)
    with pytest.raises(FitError, match="one arm"):
        fit.between()


def test_linear_time_is_the_formula_a_reader_would_write(pilot: pd.DataFrame) -> None:
    fit = fit_change(pilot, "score.total", design=PARALLEL, model=ModelChoice(time="linear"))
    frame = pilot.assign(week=pilot["day"] / 7, arm=pd.Categorical(pilot["arm"], categories=["ctl", "exp"]))
    plain = fit_mixed(frame, "value ~ week * arm", participant="participant", visit="week", random="1 + week")
    assert fit.loglik == pytest.approx(plain.loglik, abs=1e-8)
    slope = fit.slopes().frame().set_index("arm")
    assert slope.loc["exp", "estimate"] - slope.loc["ctl", "estimate"] == pytest.approx(
        plain.fixed().set_index("term").loc["week:arm[T.exp]", "estimate"], rel=1e-8
    )
    assert fit.slopes().unit == "points per week"


def test_the_ladder_says_why(pilot: pd.DataFrame) -> None:
    fit = fit_change(pilot, "score.total", design=PARALLEL)
    # 24 people in 2 arms leave 22; 5 later visits have 5 x 6 / 2 = 15 variances and covariances, 4 people for each.
    assert any("the 15 parameters of an unstructured covariance over 5 visits ask for 60" in n for n in fit.notes)
    assert fit.fit.covariance == "unequal-ante-dependence"
    assert (fit.choice.baseline, fit.choice.df) == ("covariate", "kenward-roger-observed")
    few = fit_change(pilot[pilot["visit"].isin(["w0", "w1", "w2"])], "score.total", design=PARALLEL)
    assert few.fit.covariance == "unstructured"  # 3 parameters ask for 12


def test_a_missing_baseline_is_the_mean_of_everybody(pilot: pd.DataFrame) -> None:
    """One later visit: least squares of statsmodels on the same rows, the missing baseline filled in by hand."""
    two = pilot[pilot["visit"].isin(["w0", "w5"])]
    lost = two[~((two["participant"] == "3") & (two["visit"] == "w0"))]
    fit = fit_change(lost, "score.total", design=PARALLEL)
    assert fit.n_participants == 24
    assert "Participants without a baseline: 1 (3); it is set to the mean of everybody" in " ".join(fit.notes)
    wide = lost.pivot(index="participant", columns="visit", values="value").join(
        lost.drop_duplicates("participant").set_index("participant")["arm"]
    )
    plain = smf.ols("w5 ~ w0 + C(arm, Treatment('ctl'))", wide.fillna({"w0": wide["w0"].mean()})).fit()
    ours = fit.between().frame()
    assert ours["estimate"][0] == pytest.approx(plain.params.iloc[1], rel=1e-8)
    assert ours["p_value"][0] == pytest.approx(plain.pvalues.iloc[1], rel=1e-6)
    left_out = fit_change(lost, "score.total", design=PARALLEL, model=ModelChoice(missing_baseline="leave-out"))
    assert left_out.n_participants == 23


def test_arms_that_were_not_randomised_are_compared_in_their_changes(pilot: pd.DataFrame) -> None:
    """One later visit: the two-sample t test of the changes (scipy); nobody without a baseline takes part."""
    two = pilot[pilot["visit"].isin(["w0", "w5"])]
    lost = two[~((two["participant"] == "3") & (two["visit"] == "w0"))]
    fit = fit_change(lost, "score.total", design=replace(PARALLEL, randomisation=Randomisation(False)))
    assert fit.choice.baseline == "change"
    wide = lost.pivot(index="participant", columns="visit", values="value").dropna()
    arm = lost.drop_duplicates("participant").set_index("participant")["arm"]
    change = wide["w5"] - wide["w0"]
    plain = ttest_ind(change[arm[change.index] == "exp"], change[arm[change.index] == "ctl"])
    ours = fit.between().frame()
    assert ours["statistic"][0] == pytest.approx(plain.statistic, rel=1e-9)
    assert ours["p_value"][0] == pytest.approx(plain.pvalue, rel=1e-8)


def test_a_single_arm_is_a_paired_t_test(pilot: pd.DataFrame) -> None:
    two = pilot[pilot["visit"].isin(["w0", "w5"])]
    single = replace(PARALLEL, design="single-arm", arms=())
    fit = fit_change(two, "score.total", design=single)
    wide = two.pivot(index="participant", columns="visit", values="value")
    plain = ttest_1samp(wide["w5"] - wide["w0"], 0)
    ours = fit.changes().frame()
    assert ours["p_value"][0] == pytest.approx(plain.pvalue, rel=1e-8)
    assert fit.means().frame()["estimate"][0] == pytest.approx(wide["w5"].mean(), rel=1e-12)
    assert fit.contrast("w5 - w0").frame()["estimate"][0] == pytest.approx(plain.statistic * ours["std_error"][0])


def test_names_and_order_of_rows_people_and_visits_do_not_matter(pilot: pd.DataFrame) -> None:
    """The same p values and df with other names and every row elsewhere; text visits in an order of their own."""
    gone = pilot.sample(frac=0.85, random_state=2)  # a few values of everybody are missing
    plain = fit_change(gone, "score.total", design=PARALLEL)
    other = {f"w{k}": name for k, name in enumerate(["entry", "alpha", "week10", "week2", "zz", "middle"])}
    people = {name: f"Q{hash_ % 97:02d}{name}" for hash_, name in enumerate(sorted(set(gone["participant"]))[::-1], 31)}
    told = gone.assign(visit=gone["visit"].map(other), participant=gone["participant"].map(people))
    visits = tuple(replace(visit, id=other[visit.id]) for visit in VISITS)
    again = fit_change(
        told.sample(frac=1, random_state=5), "score.total", design=replace(PARALLEL, visits=visits[::-1])
    )
    for ask in ("between", "changes"):
        before, after = getattr(plain, ask)().frame(), getattr(again, ask)().frame()
        before = before.assign(visit=before["visit"].map(other)).set_index(["arm", "visit"])
        after = after.set_index(["arm", "visit"]).loc[before.index]
        for column in ("estimate", "std_error", "df", "p_value"):
            assert after[column].to_numpy() == pytest.approx(before[column].to_numpy(), rel=1e-6), column
    assert again.joint().p_value == pytest.approx(plain.joint().p_value, rel=1e-6)


def test_few_people_over_many_visits_are_told_what_the_joint_test_may_do(pilot: pd.DataFrame) -> None:
    single = replace(PARALLEL, design="single-arm", arms=())
    eight = pilot[pilot["participant"].isin(sorted(set(pilot["participant"]))[:8])]
    words = "has no answer in about one study in a hundred"
    assert any(words in note for note in fit_change(eight, "score.total", design=single).notes)
    assert not any(words in note for note in fit_change(pilot, "score.total", design=single).notes)


def test_a_visit_nobody_attended_and_an_empty_arm_are_noted(pilot: pd.DataFrame) -> None:
    unseen = pilot.assign(value=pilot["value"].where(pilot["visit"] != "w3"))
    assert any("No value at w3" in note for note in fit_change(unseen, "score.total", design=PARALLEL).notes)
    empty = pilot.assign(value=pilot["value"].where(pilot["arm"] == "ctl"))
    fit = fit_change(empty, "score.total", design=PARALLEL)
    assert any("No value in arm exp" in note for note in fit.notes)
    assert not fit.arms or len(fit.arms) == 1


def test_contrast_by_text(pilot: pd.DataFrame) -> None:
    fit = fit_change(pilot, "score.total", design=PARALLEL, model=ModelChoice(baseline="constrained"))
    by_text = fit.contrast("w5 - w0", by="arm").frame()
    changes = fit.changes().frame()
    for arm in ("ctl", "exp"):
        expected = changes[(changes["arm"] == arm) & (changes["visit"] == "w5")]["estimate"].iloc[0]
        assert by_text.set_index("arm").loc[arm, "estimate"] == pytest.approx(expected, rel=1e-9)
    with pytest.raises(FitError, match="does not name visits"):
        fit.contrast("w9 - w0")


@pytest.mark.parametrize(
    ("damage", "message"),
    [
        (lambda s: s.assign(outcome="other.total"), "not among the scores"),
        (lambda s: s[s["visit"] == "w0"], "one visit only"),
        (lambda s: s.assign(value=np.nan), "no value at any visit"),
        (lambda s: pd.concat([s, s.iloc[:1]]), "two rows at visit"),
        (lambda s: s.assign(value=5.0), "no variation left"),
    ],
)
def test_refusals_say_what_to_do(pilot: pd.DataFrame, damage, message: str) -> None:
    with pytest.raises(FitError, match=message):
        fit_change(damage(pilot), "score.total", design=PARALLEL)


def test_kenward_roger_is_refused_for_maximum_likelihood(pilot: pd.DataFrame) -> None:
    fit = fit_change(pilot, "score.total", design=PARALLEL, model=ModelChoice(method="ml"))
    assert fit.choice.df == "satterthwaite"
    with pytest.raises(FitError, match="defined for REML"):
        fit.between(df="kenward-roger")


def test_grouped_random_effects_are_refused_with_advice(pilot: pd.DataFrame) -> None:
    with pytest.raises(FitError, match="For sites give site="):
        fit_mixed(pilot, "value ~ day", participant="participant", random="1 | arm")


def test_robust_answers_are_those_of_the_model_behind(pilot: pd.DataFrame) -> None:
    fit = fit_change(pilot, "score.total", design=PARALLEL)
    between, robust = fit.between(), fit.robust()
    pd.testing.assert_frame_equal(robust.keys, between.keys)
    np.testing.assert_allclose(robust.estimate, between.estimate)
    test = fit.robust_joint()
    assert (test.term, test.num_df) == ("arm x time", fit.joint().num_df)
    assert test.statistic == pytest.approx(fit.fit.robust_test(between.weights).statistic, rel=1e-12)
    # One later visit: a single row, whose F is the square of its t on the same df.
    two = fit_change(pilot[pilot["visit"].isin(["w0", "w5"])], "score.total", design=PARALLEL)
    row = two.robust().frame().iloc[0]
    assert two.robust_joint().statistic == pytest.approx(row["statistic"] ** 2, rel=1e-9)
    assert two.robust_joint().den_df == pytest.approx(row["df"], rel=1e-9)
    # One arm, every visit attended by all: Hotelling's T-squared of the changes on n - 1 df.
    one = pilot[pilot["arm"] == "ctl"]
    wide = one.pivot(index="participant", columns="visit", values="value").dropna()
    alone = fit_change(one[one["participant"].isin(wide.index)], "score.total")
    changes = wide.to_numpy()[:, 1:] - wide.to_numpy()[:, :1]
    mean, n, m = changes.mean(axis=0), *changes.shape
    squared = n * mean @ np.linalg.solve(np.cov(changes.T), mean)
    assert alone.robust_joint().statistic == pytest.approx(squared * (n - m) / ((n - 1) * m), rel=1e-7)


def test_joint_test_of_three_lines_is_that_of_their_slopes() -> None:
    """Differences at every visit of a straight line are multiples of two slopes: the joint test has 2 df (identity)."""
    study = read_study(Path(__file__).resolve().parents[2] / "studies" / "stroke_recovery")
    fit = fit_change(score(study), study.protocol.primary, design=study.protocol)
    joint, slopes = fit.joint(), fit.fit.test(["time:arm[T.B]", "time:arm[T.C]"])
    assert joint.num_df == 2
    assert joint.statistic == pytest.approx(slopes.statistic, rel=1e-9)
    assert joint.den_df == pytest.approx(slopes.den_df, rel=1e-9)
    by_ml = fit_change(score(study), study.protocol.primary, design=study.protocol, model=study.protocol.sensitivity[1])
    assert by_ml.joint(df="satterthwaite").num_df == 2
