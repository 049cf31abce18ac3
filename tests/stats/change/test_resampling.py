"""Re-randomisation and bootstrap: a published exact test, agreement of routes, and reproducibility."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.protocol.trial import Arm, ModelChoice, PlannedVisit, Protocol
from stats import FitError, fit_change, fit_mixed
from stats.change.re_randomisation import ArmSums
from stats.mixed.inference.resampling import bootstrap
from stats.mixed.many import fit_many
from tests.stats.mixed.cohorts import cohort

DATA = Path(__file__).parents[2] / "reference" / "data"
DESIGN = Protocol(
    title="Pilot",
    design="parallel",
    arms=(Arm("ctl", "", reference=True), Arm("exp", "")),
    visits=tuple(PlannedVisit(f"w{k}", "", 7.0 * k) for k in range(6)),
    outcomes=("score.total",),
    primary="score.total",
)
# Efron & Tibshirani 1993, An Introduction to the Bootstrap, table 2.1 and ch. 15: survival of mice, exact one-sided
# permutation p .141 over 11,440 deals (check value f_mouse_permutation).
TREATED = [94, 197, 16, 38, 99, 141, 23]
CONTROL = [52, 104, 146, 10, 51, 30, 40, 27, 46]


def _scores(rows: pd.DataFrame) -> pd.DataFrame:
    return rows.assign(
        instrument="score", scale="total", outcome="score.total", side="", hand="", condition="unassisted",
        unit="points", better="higher", answered=1, items=1, complete=True, reason="",
    )  # fmt: skip


@pytest.fixture
def pilot() -> pd.DataFrame:
    data = pd.read_csv(DATA / "pilot24_rep1.csv")
    plain = {"participant": data["id"].astype(str), "arm": data["farm"], "visit": "w" + data["time"].astype(str)}
    return _scores(pd.DataFrame({**plain, "day": data["time"] * 7.0, "value": data["y"]}))


def test_two_visits_give_the_published_exact_permutation_test() -> None:
    """With equal baselines the change is the value itself, and the test is the two-sample permutation test."""
    rows = []
    for arm, values in (("exp", TREATED), ("ctl", CONTROL)):
        for k, value in enumerate(values):
            # The shared baseline cancels in the change; it differs between people so that variances exist.
            base = 100.0 + 7.0 * k
            rows.append((f"{arm}{k}", arm, "w0", 0.0, base))
            rows.append((f"{arm}{k}", arm, "w1", 7.0, base + value))
    frame = _scores(pd.DataFrame(rows, columns=["participant", "arm", "visit", "day", "value"]))
    choice = ModelChoice(baseline="outcome", covariance="unstructured")
    test = fit_change(frame, "score.total", design=DESIGN, model=choice).permute(np.random.default_rng(1))
    assert test.exact
    assert test.deals == 11440
    from itertools import combinations

    pooled = np.array(TREATED + CONTROL, dtype=float)
    means = np.array([pooled[list(c)].mean() - np.delete(pooled, list(c)).mean() for c in combinations(range(16), 7)])
    seen = np.mean(TREATED) - np.mean(CONTROL)
    assert (means >= seen - 1e-9).mean() == pytest.approx(0.141, abs=5e-4)  # the published one-sided value
    assert test.p_value[0] == pytest.approx((np.abs(means) >= seen - 1e-9).mean(), abs=0.02)


def test_statistics_of_dealt_arms_are_those_of_generalised_least_squares() -> None:
    """Dense weighted least squares for every deal of three arms, stacked responses with a covariance each."""
    frame = cohort(people=12)
    rng = np.random.default_rng(3)
    Y = np.stack([frame["score"], frame["score"] + rng.normal(0, 3, len(frame))])
    many = fit_many(frame, "score ~ visit", Y, participant="participant", visit="visit", random="1 + week")
    layout = many.template.layout
    M = np.column_stack([np.ones(len(frame)), layout.frame["week"]])
    sums = ArmSums.over(many.alike(), layout, many.responses, M, nuisance=1)
    labels = np.stack([rng.permutation(np.arange(12) % 3) for _ in range(4)])
    single, joint = sums.statistics(labels, 3)
    for r in range(2):
        W = np.zeros((len(frame), len(frame)))
        for part in many.alike(np.array([r])):
            for rows in part.rows:
                W[np.ix_(rows, rows)] = np.linalg.inv(part.V[0])
        for b in range(4):
            dealt = labels[b][layout.person]
            X = np.column_stack([layout.X, *(M * (dealt == arm)[:, None] for arm in (1, 2))])
            covariance = np.linalg.inv(X.T @ W @ X)
            beta = covariance @ X.T @ W @ many.responses[r]
            tested = [5, 7]  # the slopes of arms 1 and 2; their intercepts are nuisance
            assert single[r, b] == pytest.approx(np.abs(beta[tested]) / np.sqrt(np.diag(covariance)[tested]), rel=1e-8)
            inner = np.linalg.inv(covariance[np.ix_(tested, tested)])
            assert joint[r, b] == pytest.approx(beta[tested] @ inner @ beta[tested], rel=1e-8)


def test_dealing_within_strata_and_one_arm_refused(pilot: pd.DataFrame) -> None:
    fit = fit_change(pilot, "score.total", design=DESIGN)
    strata = pilot.drop_duplicates("participant").set_index("participant")["arm"]
    with pytest.raises(FitError, match="one arm only"):
        fit.permute(np.random.default_rng(1), strata=strata)
    halves = pd.Series(np.arange(24) % 2, index=strata.index)
    test = fit.permute(np.random.default_rng(1), deals=199, strata=halves)
    assert ((test.p_value > 0) & (test.p_value <= 1)).all()
    with pytest.raises(FitError, match="No stratum"):
        fit.permute(np.random.default_rng(1), strata=halves.iloc[1:])


def test_same_seed_same_numbers(pilot: pd.DataFrame) -> None:
    fit = fit_change(pilot, "score.total", design=DESIGN)
    one, two = (fit.permute(np.random.default_rng(5), deals=99).frame() for _ in range(2))
    pd.testing.assert_frame_equal(one, two)
    for kind in ("parametric", "wild"):
        one, two = (fit.bootstrap(np.random.default_rng(5), kind=kind, replicates=99).frame() for _ in range(2))
        pd.testing.assert_frame_equal(one, two)


def test_permutation_and_likelihood_agree_on_well_behaved_data(pilot: pd.DataFrame) -> None:
    fit = fit_change(pilot, "score.total", design=DESIGN)
    dealt = fit.permute(np.random.default_rng(2), deals=4999)
    likely = fit.between().frame()["p_value"].to_numpy()
    np.testing.assert_allclose(dealt.p_value[:-1], likely, atol=0.05)


@pytest.mark.parametrize("kind", ["parametric", "case", "wild"])
def test_bootstrap_interval_of_a_mean_is_close_to_students(kind: str) -> None:
    """40 people measured twice: the bootstrap-t interval of the mean is near Student's (the same in theory)."""
    rng = np.random.default_rng(8)
    person = rng.normal(50, 8, 40)
    frame = pd.DataFrame(
        {
            "participant": np.repeat(np.arange(40), 2),
            "visit": np.tile([0, 1], 40),
            "value": (person[:, None] + rng.normal(0, 3, (40, 2))).ravel(),
        }
    )
    fit = fit_mixed(frame, "value ~ 1", participant="participant", visit="visit", random="1")
    exact = fit.fixed().iloc[0]
    drawn = bootstrap(fit, np.eye(1), np.random.default_rng(3), kind=kind, replicates=400).frame().iloc[0]
    width = exact["conf_high"] - exact["conf_low"]
    assert drawn["conf_low"] == pytest.approx(exact["conf_low"], abs=0.12 * width)
    assert drawn["conf_high"] == pytest.approx(exact["conf_high"], abs=0.12 * width)


def test_unknown_kind_lists_the_kinds(pilot: pd.DataFrame) -> None:
    fit = fit_change(pilot, "score.total", design=DESIGN)
    with pytest.raises(FitError, match="parametric, case, wild"):
        fit.bootstrap(np.random.default_rng(1), kind="jackknife")
