"""Five hundred hard cohorts: each gives a result with notes, or a FitError that says what to do; never a bare NaN.

Common practice, no source: these are the shapes pilots take. Warnings of numeric libraries are errors here.
"""

import warnings

import numpy as np
import pandas as pd
import pytest

from outcomes.protocol.trial import Arm, ModelChoice, PlannedVisit, Protocol
from stats import FitError, fit_change, fit_mixed
from stats.mixed.inference.robust import robust_estimates

KINDS = (
    "three people", "one in an arm", "visit nobody attended", "constant outcome", "constant in one arm",
    "visits of one arm only", "collinear baseline", "in millions", "in millionths", "mostly missing", "two visits",
    "one person seen once", "outlier", "exact lines", "few levels",
)  # fmt: skip
BATCHES = 20
COHORTS = 500
MODELS = (
    {"random": "1"},
    {"random": "1 + week"},
    {"random": "1 + week", "correlated": False},
    {"covariance": "unstructured"},
    {"covariance": "toeplitz"},
    {"covariance": "unequal-ar1"},
    {"covariance": "exponential"},
    {"random": "1", "covariance": "ar1"},
    {"random": "1", "by": "arm"},
)
CHOICES = (
    ModelChoice(),
    ModelChoice(time="linear"),
    ModelChoice(baseline="constrained"),
    ModelChoice(baseline="outcome", covariance="compound-symmetry"),
)


def hard_cohort(seed: int) -> tuple[str, pd.DataFrame]:
    """A two-arm cohort with one of KINDS wrong with it: participant, arm, week, base, score."""
    rng = np.random.default_rng([7, seed])
    kind = KINDS[seed % len(KINDS)]
    people = 3 if kind == "three people" else int(rng.integers(6, 16))
    weeks = np.array([0, 4]) if kind == "two visits" else np.array([0, 2, 4, 8])
    person, week = np.repeat(np.arange(people), len(weeks)), np.tile(weeks, people)
    arm = np.where(person == 0, "new", "usual") if kind == "one in an arm" else np.where(person % 2, "new", "usual")
    level, slope = rng.normal(30, 6, people), rng.normal(0.5, 0.4, people)
    noise = 0.0 if kind == "exact lines" else rng.normal(0, 2, len(person))
    frame = pd.DataFrame({"participant": [f"P{i}" for i in person], "arm": arm, "week": week})
    frame["score"] = level[person] + slope[person] * week + noise
    keep = rng.random(len(frame)) > (0.6 if kind == "mostly missing" else 0.15)
    if kind == "constant outcome":
        frame["score"] = 12.0
    elif kind == "constant in one arm":
        frame.loc[frame["arm"] == "new", "score"] = 12.0
    elif kind == "visit nobody attended":
        frame.loc[frame["week"] == 4, "score"] = np.nan
    elif kind == "visits of one arm only":
        keep &= ~((frame["arm"] == "new") & (frame["week"] == 8)).to_numpy()
    elif kind == "in millions":
        frame["score"] = 5e6 + 1e6 * frame["score"]
    elif kind == "in millionths":
        frame["score"] *= 1e-6
    elif kind == "one person seen once":
        keep &= ~((frame["participant"] == "P0") & (frame["week"] > 0)).to_numpy()
    elif kind == "outlier":
        frame.loc[len(frame) - 1, "score"] = 1e4
    elif kind == "few levels":
        frame["score"] = np.clip(np.round((frame["score"] - 30) / 8), 0, 1)
    frame["base"] = 2.0 * (frame["arm"] == "new") if kind == "collinear baseline" else level[person]
    return kind, frame[keep].reset_index(drop=True)


def as_scores(frame: pd.DataFrame) -> pd.DataFrame:
    """The cohort as a scores frame."""
    return frame.rename(columns={"score": "value"}).assign(
        visit="w" + frame["week"].astype(str), day=frame["week"] * 7.0, outcome="score.total", hand="",
        condition="unassisted", unit="points", better="higher",
    )  # fmt: skip


DESIGN = Protocol(
    title="Hard",
    design="parallel",
    arms=(Arm("usual", "", reference=True), Arm("new", "")),
    visits=tuple(PlannedVisit(f"w{w}", "", 7.0 * w) for w in (0, 2, 4, 8)),
    outcomes=("score.total",),
    primary="score.total",
)


def explained(table: pd.DataFrame, notes: tuple[str, ...]) -> None:
    """Numbers are finite, or a note says why one is not."""
    numbers = table[["estimate", "std_error", "df", "p_value"]].to_numpy(dtype=float)
    if np.isnan(numbers).any():
        assert any("cannot be given" in note or "not positive" in note for note in notes)
    assert np.isfinite(table["estimate"]).all()


def robustly_explained(fit) -> None:
    """CR2 answers are finite and no smaller than zero, or a note says why one is missing."""
    made = robust_estimates(fit, np.eye(len(fit.terms)), fit.terms)
    table = made.frame()
    assert np.isfinite(table["estimate"]).all()
    assert (table["std_error"].dropna() >= 0).all()
    if table[["std_error", "df", "p_value"]].isna().any(axis=None):
        assert any("alone decides" in note for note in made.notes)
    test = fit.robust_test("week:arm")
    assert np.isfinite(test.p_value) or any("can be given" in note for note in test.notes)


def says_what_to_do(error: FitError) -> None:
    """A FitError is at least a full sentence and ends with advice."""
    text = str(error)
    assert len(text) > 40
    assert text.rstrip().endswith((".", "?"))


@pytest.mark.parametrize("batch", range(BATCHES))
def test_result_or_advice(batch: int) -> None:
    given = 0
    for seed in range(batch, COHORTS, BATCHES):
        _, frame = hard_cohort(seed)
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            model = MODELS[seed // len(KINDS) % len(MODELS)]
            formula = "score ~ week * arm + base" if seed % 3 == 0 else "score ~ week * arm"
            try:
                fit = fit_mixed(frame, formula, participant="participant", visit="week", **model)
                for df in ("kenward-roger", "kenward-roger-observed", "satterthwaite"):
                    made = fit.estimates(np.eye(len(fit.terms)), fit.terms, df=df)
                    explained(made.frame(), made.notes)
                    test = fit.test("week:arm", df=df)
                    assert np.isfinite(test.p_value) or any("cannot be given" in note for note in test.notes)
                robustly_explained(fit)
                given += 1
            except FitError as error:
                says_what_to_do(error)
            try:
                change = fit_change(as_scores(frame), "score.total", design=DESIGN, model=CHOICES[seed % len(CHOICES)])
                made = change.changes()
                explained(made.frame(), made.notes)
                assert len(change.notes) >= 3
                given += 1
            except FitError as error:
                says_what_to_do(error)
    assert given > 15  # of 50 asked: the batch is not all refusals


@pytest.mark.parametrize("model", [m for m in MODELS if "by" not in m], ids=str)
@pytest.mark.parametrize(("shift", "scale"), [(5e6, 1.0), (0.0, 1e6), (-3e-4, 1e-6)])
def test_answers_follow_the_outcome(model: dict, shift: float, scale: float) -> None:
    """y -> shift + scale y: coefficients, standard errors and covariances follow, df and p stay, to 1e-8."""
    rng = np.random.default_rng(3)
    person, week = np.repeat(np.arange(20), 4), np.tile([0, 2, 4, 8], 20)
    level, slope = rng.normal(30, 6, 20), rng.normal(0.5, 0.4, 20)
    frame = pd.DataFrame({"participant": person, "week": week, "arm": np.where(person % 2, "new", "usual")})
    frame["score"] = level[person] + slope[person] * week + rng.normal(0, 2, 80)
    frame = frame[rng.random(80) > 0.1]
    moved = frame.assign(score=shift + scale * frame["score"])
    keys = {"participant": "participant", "visit": "week", **model}
    one, two = fit_mixed(frame, "score ~ week * arm", **keys), fit_mixed(moved, "score ~ week * arm", **keys)
    a, b = one.fixed(), two.fixed()
    expected = scale * a["estimate"].to_numpy() + shift * (a["term"] == "Intercept")
    size = scale * a["std_error"].to_numpy() + abs(shift) * (a["term"] == "Intercept")
    np.testing.assert_allclose((b["estimate"] - expected) / size, 0, atol=1e-8)
    # An outcome of 5,000,000 +- 8 is stored with 1e-9 of its spread already lost: 1e-7 there, 1e-8 elsewhere.
    rtol = 1e-7 if shift > 1e6 else 1e-8
    np.testing.assert_allclose(b["std_error"], scale * a["std_error"], rtol=rtol)
    np.testing.assert_allclose(b["df"], a["df"], rtol=10 * rtol)
