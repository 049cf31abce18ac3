"""Sites and strata of a protocol in a model of change: which effects, why, and the same numbers as `fit_mixed`."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from outcomes.lock.analysis_plan import plan_of
from outcomes.protocol.trial import Arm, ModelChoice, PlannedVisit, Protocol, Randomisation
from stats import fit_change, fit_mixed
from stats.errors import FitError


def a_study(sites: int, each: int = 8, seed: int = 3) -> tuple[pd.DataFrame, pd.DataFrame, Protocol]:
    """Scores, participants and protocol of a two-arm trial with three visits."""
    rng = np.random.default_rng(seed)
    n = sites * each
    people = pd.DataFrame({
        "participant": [f"P{k:03d}" for k in range(n)],
        "clinic": np.repeat([f"clinic {s}" for s in range(sites)], each),
        "severity": np.tile(["mild", "mild", "severe", "severe"], n // 4),
        "arm": np.tile(["active", "usual"], n // 2),
    })  # fmt: skip
    level = rng.normal(0, 4, sites).repeat(each) + rng.normal(0, 3, n)
    rows = [
        people.assign(visit=visit, day=day, value=30 + level + rng.normal(0, 2, n) + k)
        for k, (visit, day) in enumerate([("start", 0), ("mid", 28), ("end", 56)])
    ]
    scores = pd.concat(rows, ignore_index=True).assign(
        instrument="made",
        scale="total",
        outcome="made.total",
        side="",
        hand="",
        condition="unassisted",
        unit="points",
        better="higher",
        answered=1,
        items=1,
        complete=True,
        reason="",
    )
    design = Protocol(
        title="Made up", design="parallel", outcomes=("made.total",), primary="made.total",
        arms=(Arm("usual", "", reference=True), Arm("active", "")),
        visits=tuple(PlannedVisit(v, v, d) for v, d in (("start", 0), ("mid", 28), ("end", 56))),
        randomisation=Randomisation(randomised=True), model=ModelChoice(site="clinic"),
    )  # fmt: skip
    return scores.drop(columns=["clinic", "severity"]), people, design


def test_many_sites_are_random_with_treatment_by_site() -> None:
    scores, people, design = a_study(6)
    fit = fit_change(scores, "made.total", design=design, participants=people)
    assert {"site"} <= set(fit.fit.variances()["component"])
    assert [name for part, name in fit.fit.moments.sites.effects.names] == ["var(Intercept)", "var(arm)"]
    assert any("6 sites, 5 or more: random effects" in note for note in fit.notes)
    assert any("treatment by site" in note for note in fit.notes)
    assert fit.choice.site_effect == "random"
    between = fit.between().frame().set_index("visit")
    direct = fit_mixed(
        fit.rows, fit.fit.formula, participant="participant", visit="visit", site="site", site_random="1 + arm",
        covariance=fit.fit.covariance,
    )  # fmt: skip
    own = direct.contrast("cell[end, active] - cell[end, usual]", df=fit.choice.df).frame()
    assert between.loc["end", ["estimate", "std_error", "df"]].tolist() == pytest.approx(
        own.loc[0, ["estimate", "std_error", "df"]].tolist(), rel=1e-9
    )
    assert np.isfinite(fit.robust().df).all()
    assert any("each site a cluster (6 of them)" in note for note in fit.robust().notes)
    assert 0 < fit.permute(np.random.default_rng(1), deals=99).p_value[-1] <= 1


def test_few_sites_are_fixed() -> None:
    scores, people, design = a_study(4)
    fit = fit_change(scores, "made.total", design=design, participants=people)
    assert fit.fit.moments.sites is None
    assert fit.adjusted == ("site",)
    assert sum(term.startswith("site[T.") for term in fit.fit.terms) == 3
    assert any("fewer than 5: fixed effects" in note and "these sites" in note for note in fit.notes)
    forced = replace(design, model=ModelChoice(site="clinic", site_effect="random"))
    assert fit_change(scores, "made.total", design=forced, participants=people).fit.moments.sites is not None
    assert 0 < fit.permute(np.random.default_rng(1), deals=99).p_value[-1] <= 1


def test_strata_are_fixed_effects_by_default() -> None:
    scores, people, design = a_study(4)
    design = replace(design, model=ModelChoice(), randomisation=Randomisation(randomised=True, strata=("severity",)))
    fit = fit_change(scores, "made.total", design=design, participants=people)
    assert any("strata (severity): fixed effects" in note for note in fit.notes)
    assert [term for term in fit.fit.terms if "stratum" in term] == ["stratum_1[T.severe]"]
    # Means are of an equal mix of the strata: adding a constant to one stratum moves them by half of it.
    severe = scores["participant"].map(people.set_index("participant")["severity"]) == "severe"
    moved = fit_change(scores.assign(value=scores["value"] + 10 * (severe & (scores["visit"] != "start"))),
                       "made.total", design=design, participants=people)  # fmt: skip
    np.testing.assert_allclose(moved.means().estimate - fit.means().estimate, 5, atol=1e-6)
    np.testing.assert_allclose(moved.between().estimate, fit.between().estimate, atol=1e-6)
    without = fit_change(scores, "made.total", design=replace(design, model=ModelChoice(strata=False)),
                         participants=people)  # fmt: skip
    assert not without.adjusted
    told = fit_change(scores, "made.total", design=design)
    assert any("without participants=" in note for note in told.notes)
    many = people.assign(severity=people["participant"])
    crowded = fit_change(scores, "made.total", design=design, participants=many)
    assert any("they are not in the model" in note for note in crowded.notes)


def test_what_cannot_be_done_is_said() -> None:
    scores, people, design = a_study(6)
    with pytest.raises(FitError, match="give participants="):
        fit_change(scores, "made.total", design=design)
    with pytest.raises(FitError, match="not in the table"):
        fit_change(scores, "made.total", design=design, participants=people.drop(columns="clinic"))
    people.loc[:2, "clinic"] = None
    fit = fit_change(scores, "made.total", design=design, participants=people)
    assert fit.n_participants == 45
    assert any("3 participants have no clinic and are left out" in note for note in fit.notes)
    one = fit_change(scores, "made.total", design=design, participants=people.assign(clinic="the only one"))
    assert any("no effect of sites" in note for note in one.notes)
    apart = people.assign(clinic=people["arm"].str.cat((np.arange(48) % 6 // 2).astype(str)))
    clusters = fit_change(scores, "made.total", design=design, participants=apart)
    assert any("Each site holds one arm" in note for note in clusters.notes)
    assert clusters.fit.moments.sites.effects.names == (("site", "var(Intercept)"),)


def test_a_plan_without_sites_keeps_its_hash() -> None:
    """Keys that came later are in the plan only where they are set: older locks stay good."""
    design = a_study(4)[2]
    assert "site" not in plan_of(replace(design, model=ModelChoice()))["model"]
    assert plan_of(design)["model"]["site"] == "clinic"
