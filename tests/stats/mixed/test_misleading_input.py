"""Input that would mislead: refused with what is wrong, where, and what to do (common practice, no source)."""

import numpy as np
import pandas as pd
import pytest

from stats import FitError, fit_change, fit_mixed
from stats.mixed.covariance.structure import Sum
from stats.mixed.many import fit_many

WEEKS = (0, 4, 8)


def study(people: int = 12) -> pd.DataFrame:
    """Two arms of six, three visits each."""
    rng = np.random.default_rng(8)
    person, week = np.repeat(np.arange(people), 3), np.tile(WEEKS, people)
    frame = pd.DataFrame({"id": [f"P{k:02d}" for k in person], "week": week})
    frame["arm"] = np.where(person < people // 2, "new", "usual")
    frame["site"] = np.where(person % 2, "north", "south")
    frame["score"] = 30 + rng.normal(0, 5, people)[person] + rng.normal(0, 2, 3 * people)
    return frame


@pytest.mark.parametrize("visit", ["week", None])
def test_ids_that_start_again_in_another_arm(visit: str | None) -> None:
    frame = study()
    frame["id"] = [f"P{int(name[1:]) % 6:02d}" for name in frame["id"]]
    with pytest.raises(FitError, match=r"arm.*unique"):
        fit_mixed(frame, "score ~ week * arm", participant="id", visit=visit)
    if visit:
        with pytest.raises(FitError, match="P00 has two rows at week 0, one with arm new and one with arm usual"):
            fit_mixed(frame, "score ~ week * arm", participant="id", visit=visit)
    one = pd.concat([study(), study().iloc[[0]]])
    with pytest.raises(FitError, match="P00 has two rows at visit 0; one is allowed"):
        fit_mixed(one, "score ~ week * arm", participant="id", visit="week")


@pytest.mark.parametrize("visit", ["week", None])
def test_an_arm_that_changes_within_a_participant(visit: str | None) -> None:
    frame = study()
    frame.loc[4, "arm"] = "usual"
    with pytest.raises(FitError, match=r"arm changes within 1 of 12 participants \(row 4 .*new and usual"):
        fit_mixed(frame, "score ~ week * arm", participant="id", visit=visit)
    crossover = study().assign(arm=lambda d: np.where((d["week"] == 4) == (d["arm"] == "new"), "new", "usual"))
    fit_mixed(crossover, "score ~ arm", participant="id", visit=visit)  # everybody changes: treatments in turn


@pytest.mark.parametrize("nothing", ["", None])
@pytest.mark.parametrize("kind", ["object", "category"])
def test_an_arm_that_is_missing_is_somebody_to_ask_about(nothing: str | None, kind: str) -> None:
    frame = study()
    frame.loc[frame["id"].isin(["P03", "P08"]), "arm"] = nothing
    with pytest.raises(FitError, match=r"arm is missing in 6 of 36 rows, of participants P03, P08\. Fill it in"):
        fit_mixed(frame.astype({"arm": kind}), "score ~ week * arm", participant="id", visit="week")
    fit_mixed(frame, "score ~ week", participant="id", visit="week")  # where no arm is asked for, none is missed
    scores = frame.rename(columns={"id": "participant", "score": "value"}).assign(
        visit="week" + frame["week"].astype(str), day=7.0 * frame["week"], outcome="score.total", hand="",
        condition="unassisted", unit="points", better="higher",
    )  # fmt: skip
    with pytest.raises(FitError, match="participants P03, P08 have scores and no arm"):
        fit_change(scores, "score.total")


@pytest.mark.parametrize(
    ("formula", "said"),
    [
        ("score ~ week * arm + (1|site)", r"random effects, '1' by 'site'.*random='1'.*participant='site'"),
        ("score ~ week + (1 + week | id)", r"random='1 \+ week' with participant='id'"),
        ("score ~ week + (week || id)", "random='week'"),
        ("score ~ week | arm", "A formula holds fixed effects only"),
        ("score ~ week + offset(week)", r"uses offset\(\).*subtract it from the outcome"),
        ("score ~ week + weights(week)", r"uses weights\(\).*'unequal-' structure"),
        ("score ~ week +* arm", "cannot be read"),
        ("score ~ log(week", "cannot be read"),
        ("score ~ np.nothing(week)", "cannot be evaluated"),
    ],
)
def test_formulas_that_ask_for_something_else(formula: str, said: str) -> None:
    with pytest.raises(FitError, match=said) as error:
        fit_mixed(study(), formula, participant="id")
    assert str(error.value).isprintable()  # no colours of a terminal
    assert "⧛" not in str(error.value)


def test_weights_and_offsets_are_refused_in_words() -> None:
    frame = study()
    with pytest.raises(FitError, match=r"weights= was given.*structure"):
        fit_mixed(frame, "score ~ week", participant="id", weights=frame["week"])  # type: ignore[arg-type]
    with pytest.raises(FitError, match=r"offset= was given.*subtract"):
        fit_mixed(frame, "score ~ week", participant="id", offset="week")  # type: ignore[arg-type]


def test_a_singular_matrix_is_one_replicate_without_an_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where one replicate's covariance is singular to the last bit, the others keep their answers."""
    frame = study()
    rng = np.random.default_rng(3)
    Y = frame["score"].to_numpy() + rng.normal(0, 1, (4, len(frame)))
    model = {"participant": "id", "visit": "week", "random": "1", "covariance": "unequal-ar1"}
    L = np.eye(6)[3:]
    expected = fit_many(frame, "score ~ arm * C(week)", Y, **model)
    good = expected.test(L).p_value
    fits = fit_many(frame, "score ~ arm * C(week)", Y, **model)
    # Kenward-Roger's covariance of replicate 2 is made singular: a bare inverse would fail for all four.
    small = fits.solution.free
    adjusted = small.adjusted("expected").copy()
    adjusted[2] = 0.0
    monkeypatch.setitem(small._adjusted, "expected", adjusted)
    found = fits.test(L).p_value
    assert np.isnan(found[2])
    np.testing.assert_allclose(found[[0, 1, 3]], good[[0, 1, 3]], rtol=1e-12)
    # and the likelihood itself: a covariance of exactly zero in one replicate
    whole = Sum.matrix

    def zero(self: Sum, theta: np.ndarray) -> np.ndarray:
        S = np.array(whole(self, theta))
        if len(S) == 4:
            S[1] = 0.0
        return S

    monkeypatch.setattr(Sum, "matrix", zero)
    likelihood = fits.solution.small.likelihood
    point = likelihood.at(fits.solution.small.point.theta)
    assert point.loglik[1] == -np.inf
    assert np.isfinite(point.loglik[[0, 2, 3]]).all()


def test_many_null_trials_of_an_intercept_with_unequal_ar1_have_no_bare_error() -> None:
    """A model that runs to its edge, two hundred times: each has an answer or NaN, none stops the rest."""
    rng = np.random.default_rng(5)
    frame = study(16)
    keep = rng.random(len(frame)) > 0.12
    frame = frame[keep]
    Y = (
        40
        + rng.normal(0, 1, (200, 16)).repeat(3, axis=1)[:, keep] * 7
        + rng.normal(0, 1, (200, len(frame))) * (1 + frame["week"].to_numpy())
    )
    fits = fit_many(
        frame, "score ~ 0 + C(week) + C(week):arm", Y, participant="id", visit="week", random="1",
        covariance="unequal-ar1",
    )  # fmt: skip
    L = np.eye(len(fits.terms))[3:]
    for df in ("kenward-roger", "kenward-roger-observed", "satterthwaite"):
        p = fits.test(L, df).p_value
        # Kenward-Roger's covariance of so many parameters is often not positive definite; that is no p of 1.
        assert np.isfinite(p[fits.converged]).mean() > (0.9 if df == "satterthwaite" else 0.5)
        assert np.isnan(p[~fits.converged]).all()
