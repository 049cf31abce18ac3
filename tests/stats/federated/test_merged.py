"""Sums of sites merged are the model of all rows: estimates to 1e-9, df to 1e-6, for splits into 2 to 20 sites.

The other side is `fit_change` on the rows of everybody, itself held against references elsewhere.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.protocol.trial import Arm, ModelChoice, PlannedVisit, Protocol, Randomisation
from stats import fit_change
from stats.errors import FitError
from stats.federated import memory_limit
from stats.federated.added_sums import together_sums
from stats.federated.moments_file import from_plain, to_plain
from stats.federated.outcome_sums import outcome_sums
from stats.federated.sums_fit import fit_sums
from tests.stats.change.test_site_rules import a_study

PLANS = {
    "covariate": {},
    "not randomised": {"randomisation": Randomisation(randomised=False)},
    "constrained": {"model": ModelChoice(baseline="constrained")},
    "outcome, by arm": {"model": ModelChoice(baseline="outcome", by_arm=True, covariance="unequal-compound-symmetry")},
    "indicator": {"model": ModelChoice(missing_baseline="mean-and-indicator")},
    "left out": {"model": ModelChoice(missing_baseline="leave-out")},
    "lines": {"model": ModelChoice(time="linear")},
    "knots": {"model": ModelChoice(time="piecewise", knots=(4.0,), random="1")},
    "lines, constrained": {"model": ModelChoice(time="linear", baseline="constrained", random="1")},
    "strata": {"randomisation": Randomisation(randomised=True, strata=("severity",))},
    "covariates": {"model": ModelChoice(covariates=("age", "severity"))},
    "random sites": {"model": ModelChoice(site="clinic", site_effect="random")},
    "fixed sites": {"model": ModelChoice(site="clinic", site_effect="fixed")},
}


def rows_and_plan(name: str, sites: int = 6, each: int = 12) -> tuple[pd.DataFrame, pd.DataFrame, Protocol]:
    scores, people, design = a_study(sites, each)
    rng = np.random.default_rng(8)
    people["age"] = rng.integers(40, 80, len(people)).astype(float)
    scores = scores[rng.random(len(scores)) > 0.12].reset_index(drop=True)
    return scores, people, replace(design, **({"model": ModelChoice()} | PLANS[name]))


def split(scores: pd.DataFrame, people: pd.DataFrame, design: Protocol, parts: int, *, by: str | None = None):
    """Sums of each part, through the file's form and back."""
    group = people[by] if by else pd.Series(np.arange(len(people)) * parts // len(people))
    made = []
    for _, own in people.groupby(group.to_numpy()):
        mine = scores[scores["participant"].isin(own["participant"])]
        sums = outcome_sums(mine, "made.total", design, own).sums
        made.append(from_plain("made.total", to_plain(sums)))
    return fit_sums(together_sums(made), design)


def agree(one, other) -> None:
    assert other.loglik == pytest.approx(one.loglik, abs=1e-7)
    for ask in ("between", "changes", "means"):
        ours, theirs = getattr(other, ask)(), getattr(one, ask)()
        a, b = ours.frame(), theirs.frame()
        assert a[["arm", "visit"]].astype(str).equals(b[["arm", "visit"]].astype(str))
        np.testing.assert_allclose(a["estimate"], b["estimate"], rtol=1e-9, atol=1e-9 * b["std_error"].min())
        np.testing.assert_allclose(a["std_error"], b["std_error"], rtol=1e-8)
        np.testing.assert_allclose(a["df"], b["df"], rtol=1e-6)
    assert other.joint().p_value == pytest.approx(one.joint().p_value, rel=1e-6)
    assert other.label == one.label
    assert other.choice == one.choice
    assert other.n_participants == one.n_participants


@pytest.mark.parametrize("name", PLANS)
def test_merged_is_the_model_of_all_rows(name: str) -> None:
    scores, people, design = rows_and_plan(name)
    whole = fit_change(scores, "made.total", design=design, participants=people)
    agree(whole, split(scores, people, design, 3, by="clinic" if "sites" in name else None))


@pytest.mark.parametrize("parts", [2, 7, 20])
def test_any_number_of_parts(parts: int) -> None:
    scores, people, design = rows_and_plan("strata", sites=8, each=20)
    whole = fit_change(scores, "made.total", design=design, participants=people)
    agree(whole, split(scores, people, design, parts))


TRIALS = {  # data of the reference cases: file, participant, arm, visit, value, first visit
    "stroke": ("stroke_recovery.csv", "Subject", "Group", "week", "barthel", 1),
    "stroke, gaps": ("stroke_unbalanced.csv", "subject", "group", "week", "score", 1),
    "pilot": ("pilot24_rep1.csv", "id", "arm", "time", "y", 0),
    "growth": ("orthodont.csv", "Subject", "Sex", "age", "distance", 8),
    "sites": ("../next/data/sim_sites.csv", "id", "arm", "visit", "y", 1),
    "sites by arm": ("../next/data/sim_sites_arm.csv", "id", "arm", "visit", "y", 1),
}
CHOICES = ({}, {"baseline": "constrained", "covariance": "unequal-compound-symmetry"},
           {"time": "linear"}, {"baseline": "change", "by_arm": True, "covariance": "ar1"})  # fmt: skip


@pytest.mark.parametrize("name", TRIALS)
def test_reference_data_in_2_to_20_files(name: str) -> None:
    """The trials of tests/reference, cut into sites, by two of four kinds of models of change."""
    file, who, arm, visit, value, first = TRIALS[name]
    data = pd.read_csv(Path(__file__).parents[2] / "reference" / "data" / file)
    data = pd.DataFrame({
        "participant": data[who].map("P{}".format), "arm": data[arm].map("g{}".format), "day": data[visit] * 7.0,
        "value": data[value].astype(float), "site": data["site"].map("s{}".format) if "site" in data else "",
    })  # fmt: skip
    scores = data.drop(columns="site").assign(
        visit=data["day"].map("d{:.0f}".format), instrument="made", scale="total", outcome="made.total", side="",
        hand="", condition="unassisted", unit="points", better="higher", answered=1, items=1, complete=True, reason="",
    )  # fmt: skip
    people = data.drop_duplicates("participant")[["participant", "arm", "site"]].reset_index(drop=True)
    arms = sorted(people["arm"].unique())
    visits = tuple(PlannedVisit(f"d{day:.0f}", "", day) for day in sorted(data["day"].unique()))
    assert visits[0].day == 7.0 * first
    design = Protocol(
        title="Read", design="parallel", outcomes=("made.total",), primary="made.total", visits=visits,
        arms=tuple(Arm(a, "", reference=a == arms[0]) for a in arms), randomisation=Randomisation(randomised=True),
    )  # fmt: skip
    by_site = {"site": "site"} if people["site"].nunique() > 1 else {}
    at = list(TRIALS).index(name)
    for k, choice in enumerate(CHOICES[at % 2 :: 2]):
        plan = replace(design, model=ModelChoice(**choice, **by_site))
        whole = fit_change(scores, "made.total", design=plan, participants=people)
        parts = min((2, 5, 11, 20)[(k + at) % 4], len(people) // 2)
        agree(whole, split(scores, people, plan, parts, by="site" if by_site else None))


def test_a_level_that_one_site_has_not() -> None:
    scores, people, design = rows_and_plan("covariates")
    people.loc[people["clinic"] == "clinic 0", "severity"] = "mild"
    whole = fit_change(scores, "made.total", design=design, participants=people)
    agree(whole, split(scores, people, design, 6, by="clinic"))


def test_sums_that_would_not_fit_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Before they are made: at a site, and of all sites together (which have more patterns than any one)."""
    scores, people, design = rows_and_plan("covariate")
    halves = [people.iloc[:36], people.iloc[36:]]
    made = [outcome_sums(scores[scores["participant"].isin(own["participant"])], "made.total", design, own).sums
            for own in halves]  # fmt: skip
    together = together_sums(made).moments
    P, T, q = len(together.n), len(together.slots), together.A.shape[-1]
    monkeypatch.setattr(memory_limit, "MOST_NUMBERS", P * (T * q) ** 2)
    together_sums(made)
    monkeypatch.setattr(memory_limit, "MOST_NUMBERS", P * (T * q) ** 2 - 1)
    with pytest.raises(FitError, match=f"in {P} patterns of {T} visits"):
        together_sums(made)
    with pytest.raises(FitError, match="Plan fewer visits"):
        outcome_sums(scores, "made.total", design, people)


def test_a_single_arm_in_parts() -> None:
    scores, people, design = rows_and_plan("covariate")
    one = replace(design, design="single-arm", arms=())
    for model in (ModelChoice(), ModelChoice(baseline="outcome", covariance="compound-symmetry")):
        plan = replace(one, model=model)
        own = people[people["arm"] == "active"]
        mine = scores[scores["participant"].isin(own["participant"])].assign(arm="")
        whole = fit_change(mine, "made.total", design=plan, participants=own.assign(arm=""))
        parts = [own.iloc[:20], own.iloc[20:]]
        sums = [outcome_sums(mine[mine["participant"].isin(part["participant"])], "made.total", plan, part).sums
                for part in parts]  # fmt: skip
        merged = fit_sums(together_sums(sums), plan)
        ours, theirs = merged.changes().frame(), whole.changes().frame()
        np.testing.assert_allclose(ours["estimate"], theirs["estimate"], rtol=1e-9)
        np.testing.assert_allclose(ours["std_error"], theirs["std_error"], rtol=1e-8)


@pytest.mark.parametrize("name", ["random sites", "fixed sites"])
def test_sites_that_cannot_have_effects_are_told(name: str) -> None:
    """One site; and sites with one arm each, whose treatment cannot differ between them: as from the rows."""
    scores, people, design = rows_and_plan(name)
    for moved in (people.assign(clinic="one"), people.assign(clinic=people["clinic"] + people["arm"])):
        if name == "fixed sites" and moved["clinic"].nunique() > 1:
            continue  # the effect of the arm is that of its sites: nothing to estimate
        whole = fit_change(scores, "made.total", design=design, participants=moved)
        merged = split(scores, moved, design, 1)
        agree(whole, merged)
        told = [note for note in whole.notes if "site" in note or "clinic" in note]
        assert told
        assert set(told) <= set(merged.notes)


@pytest.mark.parametrize("gap", [0, 7])
def test_one_baseline_for_everybody_in_parts(gap: int) -> None:
    scores, people, design = rows_and_plan("covariate")
    first = scores["visit"] == "start"
    flat = scores.assign(value=scores["value"].mask(first, 20.1))
    known = set(flat.loc[first, "participant"])
    flat = flat[flat["participant"].isin(known)]
    flat = flat[~(flat["visit"].eq("start") & flat["participant"].isin(sorted(known)[:gap]))]
    whole = fit_change(flat, "made.total", design=design, participants=people)
    assert any("nothing to adjust for" in note for note in whole.notes)
    agree(whole, split(flat, people, design, 3))


def test_strata_that_ask_for_too_much_are_left_out_as_from_the_rows() -> None:
    scores, people, design = rows_and_plan("strata")
    many = people.assign(severity=[f"level {k % 30}" for k in range(len(people))])
    whole = fit_change(scores, "made.total", design=design, participants=many)
    merged = split(scores, many, design, 2)
    agree(whole, merged)
    assert any("they are not in the model" in note for note in merged.notes)


def test_sites_that_disagree_on_what_a_column_is_are_refused() -> None:
    scores, people, design = rows_and_plan("covariates")
    halves = [people.iloc[:36], people.iloc[36:]]
    made = []
    for k, own in enumerate(halves):
        own = own.assign(age=own["age"].astype(str)) if k else own
        mine = scores[scores["participant"].isin(own["participant"])]
        made.append(outcome_sums(mine, "made.total", design, own).sums)
    with pytest.raises(FitError, match="age is a number at one site and words at another"):
        together_sums(made)
    with pytest.raises(FitError, match="units differ, points and other"):
        together_sums([made[0], replace(made[0], unit="other")])


WRONG = {
    "a crossover": (lambda s, p, d: (s, p, replace(d, design="crossover")), "a crossover"),
    "days that were": (
        lambda s, p, d: (s, p, replace(d, model=ModelChoice(time="linear", days="actual"))), 'days = "actual"'),
    "a covariate nobody has": (
        lambda s, p, d: (s, p, replace(d, model=ModelChoice(covariates=("height",)))), "height is not in"),
    "sites nobody has": (
        lambda s, p, d: (s, p.drop(columns="clinic"), replace(d, model=ModelChoice(site="clinic"))), "clinic"),
    "nobody with what the plan uses": (
        lambda s, p, d: (s, p.assign(age=np.nan), replace(d, model=ModelChoice(covariates=("age",)))), "nobody here"),
}  # fmt: skip


@pytest.mark.parametrize("what", WRONG)
def test_what_the_plan_asks_of_tables_that_have_it_not(what: str) -> None:
    change, words = WRONG[what]
    scores, people, design = change(*rows_and_plan("covariate"))
    with pytest.raises(FitError, match=words):
        outcome_sums(scores, "made.total", design, people)


def test_people_left_out_are_in_no_sum() -> None:
    scores, people, design = rows_and_plan("covariate")
    out = set(people["participant"].iloc[:5])
    rest = people[~people["participant"].isin(out)]
    ours = outcome_sums(scores, "made.total", design, people, leave_out=out).sums
    theirs = outcome_sums(scores[~scores["participant"].isin(out)], "made.total", design, rest).sums
    np.testing.assert_array_equal(ours.moments.n, theirs.moments.n)
    np.testing.assert_allclose(ours.moments.C, theirs.moments.C)


def test_what_sums_cannot_carry_is_refused() -> None:
    scores, people, design = rows_and_plan("covariate")
    for model in (ModelChoice(random="1 + baseline"), ModelChoice(covariates=("log(age)",))):
        with pytest.raises(FitError, match="cannot be merged from sums"):
            outcome_sums(scores, "made.total", replace(design, model=model), people)
