"""No sentence of the methods says what was not done: studies in which a sentence would be false do not have it.

Every sentence of every study below is held against the data by another way than the one that wrote it; a sentence that
no check knows fails the test, so a new one needs its check here.
"""

import ast
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from notebooks.analysis import Analysis
from notebooks.first_page.answer_page import first_page
from notebooks.first_page.answer_words import against_thresholds, headline
from notebooks.first_page.main_result import Span, main_result
from notebooks.first_page.named_numbers import NamedNumbers
from notebooks.first_page.people_passed import people_passed
from notebooks.report.run import shipped
from notebooks.sections.change import fit_outcomes
from notebooks.sections.methods_words import methods_text
from notebooks.sections.who_took_part import baseline_table, flow_table
from notebooks.show.names import Names
from outcomes import Study, read_study
from outcomes.protocol.trial import BothHands, ModelChoice, Randomisation
from tests.notebooks.sections.test_small_studies import fill, group

ROOT = Path(__file__).resolve().parents[3]
VISITS = {"baseline": 0.0, "week4": 28.0, "week8": 56.0}
Change = Callable[[Study], Study]


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> Study:
    """Twelve people in two randomised arms, Box and Block and grip at three visits, nothing missing."""
    folder = tmp_path_factory.mktemp("whole") / "study"
    fill(folder, group(12), VISITS)
    study = read_study(folder)
    rng = np.random.default_rng(8)
    items, trials = study.items.copy(), study.trials.copy()
    level = dict(zip(study.participants["participant"], rng.normal(0, 4, 12), strict=True))
    items["value"] = (30 + items["participant"].map(level) + rng.normal(0, 3, len(items))).round()
    trials["value"] = 20 + trials["participant"].map(level) + rng.normal(0, 2, len(trials))
    protocol = replace(
        study.protocol, randomisation=Randomisation(randomised=True),
        thresholds={"bbt.blocks": ("bbt-chen-2009-more-affected",)}, estimand={"visit": "week8"},
    )  # fmt: skip
    return replace(study, items=items, trials=trials, protocol=protocol)


def protocol(**changes) -> Change:
    return lambda study: replace(study, protocol=replace(study.protocol, **changes))


def model(**changes) -> Change:
    return protocol(model=ModelChoice(**changes))


def without(people: tuple[str, ...], visits: tuple[str, ...]) -> Change:
    """Scores of some people at some visits taken away."""

    def cut(study: Study) -> Study:
        kept = {
            name: table[~(table["participant"].isin(people) & table["visit"].isin(visits))]
            for name, table in (("items", study.items), ("trials", study.trials))
        }
        return replace(study, **kept)

    return cut


def one_later_visit(study: Study) -> Study:
    two = tuple(visit for visit in study.protocol.visits if visit.id != "week4")
    return without(PEOPLE, ("week4",))(protocol(visits=two)(study))


def one_arm(study: Study) -> Study:
    arms = study.protocol.arms[:1]
    alone = replace(study.protocol, design="single-arm", arms=(replace(arms[0], reference=False),))
    return replace(study, protocol=alone, participants=study.participants.assign(arm=""))


def one_named_arm(study: Study) -> Study:
    alone = one_arm(study)
    return replace(alone, participants=alone.participants.assign(arm=alone.protocol.arms[0].id))


def all_start_at_nothing(study: Study) -> Study:
    """No block and no force at the first visit, as with a hand that cannot grip."""
    none = {
        name: table.assign(value=table["value"].mask(table["visit"] == "baseline", 0.0))
        for name, table in (("items", study.items), ("trials", study.trials))
    }
    return replace(study, **none)


def typed(study: Study, whom: tuple[str, ...] | None = None) -> Study:
    """Blocks of everybody or of some people typed as totals instead of counted item by item."""
    took = study.items if whom is None else study.items[study.items["participant"].isin(whom)]
    columns = {name: took[name] for name in study.totals if name in took} | {"scale": "blocks", "code": ""}
    totals = pd.DataFrame({name: columns.get(name, "") for name in study.totals}, index=took.index)
    return replace(study, items=study.items.drop(took.index), totals=totals.astype({"value": float}))


def typed_twice(study: Study) -> Study:
    """The same blocks counted and typed as well: the typed ones are compared and left out."""
    return replace(study, totals=typed(study).totals)


def undated(study: Study) -> Study:
    visits = study.visits.copy()
    visits.loc[(visits["participant"] == "P3") & (visits["visit"] == "week8"), "date"] = pd.NaT
    return replace(study, visits=visits)


def both_hands(study: Study) -> Study:
    people = study.participants.copy()
    people.loc[people["participant"].isin(("P1", "P2")), "affected_side"] = "both"
    people.loc[people["participant"] == "P2", "dominant_side"] = ""
    return replace(
        study, participants=people, protocol=replace(study.protocol, both_hands=BothHands(analysed="dominant"))
    )


def no_age(study: Study) -> Study:
    ages = study.participants["age"].where(study.participants["participant"] != "P4")
    return model(covariates=("age",))(replace(study, participants=study.participants.assign(age=ages)))


def thirds(study: Study) -> Study:
    """Two men to a woman, whatever their arm."""
    return replace(study, participants=study.participants.assign(sex=["male", "male", "female"] * 4))


def both(*changes: Change) -> Change:
    def done(study: Study) -> Study:
        for change in changes:
            study = change(study)
        return study

    return done


PEOPLE = tuple(f"P{number}" for number in range(1, 13))
EVERYONE, LEFT_OUT = "Everyone with at least one score", "Participants with at least one score who are in the model"
AT_RANDOM, KENWARD, EXACT, MIXED = "missing at random", "Kenward-Roger", "exact t and F", "linear mixed model"
SIZES, COUNTED, ITEMS, TOTALS = "Effect sizes are", "improved by a threshold", "recorded item answers", "taken as typed"
# study -> (what was done to the whole one, what its methods say, what they do not say)
STUDIES: dict[str, tuple[Change, tuple[str, ...], tuple[str, ...]]] = {
    "whole": (lambda study: study, (EVERYONE, "The arms were randomised.", KENWARD, MIXED, SIZES, COUNTED, ITEMS,
                                    "dynamometer trials", "between arms"), (AT_RANDOM, LEFT_OUT, EXACT, TOTALS)),
    "stratified": (both(protocol(randomisation=Randomisation(randomised=True, strata=("sex",))), thirds),
                   ("within levels of sex",), ()),
    "not randomised": (protocol(randomisation=Randomisation(randomised=False)),
                       ("The arms were not randomised.", "the change from baseline as the response"),
                       ("arms were randomised", "baseline as a covariate")),
    "not said": (protocol(randomisation=Randomisation()), ("does not say whether the arms were randomised",),
                 ("The arms were",)),
    "some never came back": (without(("P1", "P2"), ("week4", "week8")),
                             (LEFT_OUT, "2 without a score after the baseline", AT_RANDOM), (EVERYONE,)),
    "a baseline missing": (without(("P5",), ("baseline",)), ("missing for 1: set to the mean", EVERYONE), (LEFT_OUT,)),
    "its indicator": (both(without(("P5",), ("baseline",)), model(missing_baseline="mean-and-indicator")),
                      ("with an indicator",), ()),
    "left out without it": (both(without(("P5",), ("baseline",)), model(missing_baseline="leave-out")),
                            ("1 without a baseline to count a change from",), (EVERYONE, "set to the mean")),
    "an age missing": (no_age, ("1 without all covariates", "covariates age"), (EVERYONE, "after the baseline")),
    "one later visit": (one_later_visit, (EXACT, "ordinary least squares (one later visit)"),
                        (KENWARD, MIXED, "random effects", "covariance over")),
    "one later visit, by ML": (both(one_later_visit, model(method="ml")), ("a linear model (maximum likelihood)",),
                               (EXACT, MIXED, KENWARD, "restricted")),
    "one later visit, one arm": (both(one_later_visit, one_arm, without(("P1",), ("week8",))),
                                 ("missing whatever the scores were",), (AT_RANDOM, KENWARD)),
    "one arm": (one_arm, ("Effect sizes are the model's change",),
                ("in each arm", "between arms", "randomised", "pooled SD")),
    "one arm with a name": (one_named_arm, ("Effect sizes are the model's change",),
                            ("in each arm", "between arms", "randomised", "pooled SD")),
    "all start at nothing": (all_start_at_nothing,
                             ("without the baseline, which is the same for everybody", KENWARD, EVERYONE),
                             ("baseline as a covariate", "Not fitted")),
    "lines": (model(time="linear"), ("a straight line in each arm", "random effects per participant (intercept and"),
              ("own days", "covariance over")),
    "lines apart": (model(time="linear", correlated=False), ("time, uncorrelated",), ()),
    "own days": (both(undated, model(time="linear", days="actual")),
                 ("own days", "the planned day for 1 score without a date"), ()),
    "own days of visits": (model(days="actual"), (KENWARD,), ("own days",)),
    "each arm its own": (model(by_arm=True, covariance="compound-symmetry"), ("parameters of its own in each arm",),
                         ()),
    "by ML": (model(method="ml"), ("maximum likelihood", "Satterthwaite"), ("restricted", KENWARD)),
    "typed": (typed, (TOTALS, "Other totals"), (ITEMS, "missing items")),
    "some typed": (lambda study: typed(study, ("P1", "P2")), (TOTALS, ITEMS), ()),
    "typed as well": (typed_twice, (ITEMS,), (TOTALS,)),
    "only typed": (lambda study: replace(typed(study), trials=study.trials.iloc[:0]), ("Totals were taken as typed",),
                   ("were computed", "Other totals", "dynamometer")),
    "two affected hands": (both_hands, ("Of the 2 participants with both hands affected", "of 1 the rule cannot tell"),
                           ()),
    "baseline only": (without(PEOPLE, ("week4", "week8")), ("Not fitted",),
                      (COUNTED, SIZES, "was modelled", EVERYONE, AT_RANDOM, "Intervals are", "Thresholds for")),
    "no thresholds": (protocol(thresholds={}), (SIZES,), (COUNTED, "Thresholds for")),
}  # fmt: skip


@pytest.fixture(scope="module")
def analyses(whole: Study) -> dict[str, Analysis]:
    return {name: Analysis(change(whole)) for name, (change, _, _) in STUDIES.items()}


@pytest.fixture(scope="module")
def said(analyses: dict[str, Analysis]) -> dict[str, tuple[str, ...]]:
    return {name: methods_text(analysis).paragraphs for name, analysis in analyses.items()}


@pytest.mark.parametrize("name", STUDIES)
def test_a_sentence_stands_where_it_holds_and_is_absent_where_it_does_not(name: str, said) -> None:
    _, has, has_not = STUDIES[name]
    text = " ".join(said[name])
    assert [words for words in has if words not in text] == []
    assert [words for words in has_not if words in text] == []


def _fits(analysis: Analysis):
    return fit_outcomes(analysis).main


def _scored(analysis: Analysis, outcome: str) -> set[str]:
    rows = analysis.scores[(analysis.scores["outcome"] == outcome) & analysis.scores["value"].notna()]
    return set(rows["participant"].astype(str))


def _all_in(analysis: Analysis) -> bool:
    """Nobody with a score is missing from the rows that a fit used."""
    return all(_scored(analysis, one.outcome) == set(one.fit.fit.layout.persons) for one in _fits(analysis))


def _design(analysis: Analysis, text: str) -> bool:
    given = analysis.study.protocol.randomisation.randomised
    arms = len(analysis.study.protocol.arms) > 1
    return (
        f"{analysis.study.participants['participant'].nunique()} participants" in text
        and (" were randomised" in text) == (arms and given is True) | ("whether" in text)
        and ("not randomised" in text) == (arms and given is False)
        and all(visit.label in text for visit in analysis.study.protocol.visits)
    )


def _modelled(analysis: Analysis, text: str) -> bool:
    """Every outcome a sentence names: its fit, asked for what the sentence says."""
    names = Names(analysis.study.protocol)
    own = [one for one in _fits(analysis) if f"{names.outcome(one.outcome)} (" in text]
    for one in own:
        fit, frame = one.fit.fit, one.fit.rows
        free = fit.n_rows - len(fit.terms)
        exact = fit.method == "reml" and np.allclose(fit.fixed(one.df)["df"], free)
        parts = set(fit.variances()["component"])
        missing = frame.loc[~frame["participant"].isin(one.fit.entry["participant"]), "participant"].nunique()
        claims = {
            "exact t and F": exact,
            "mixed model": not exact and fit.n_rows > fit.layout.frame["participant"].nunique(),
            "Kenward-Roger": not exact and one.df.startswith("kenward-roger"),
            "restricted": not exact and fit.method == "reml",
            "in each arm": len(one.fit.arms) > 1,
            "random effects": "participant" in parts,
            "covariance over": not exact and "visit" in parts,
            "covariates": bool(one.fit.choice.covariates),
            "set to the mean": missing > 0,
            "baseline as a covariate": any("baseline" in term for term in fit.terms),
        }
        if any((words in text) != holds for words, holds in claims.items()):
            return False
        if f"({frame['participant'].nunique()} participants" not in text and not one.fit.choice.covariates:
            return False
    return bool(own)


def _typed(analysis: Analysis, text: str) -> bool:
    """Typed totals that no item of the same person and visit stands for."""
    study = analysis.study
    counted = set(study.items[["participant", "visit"]].itertuples(index=False, name=None))
    rows = study.totals[["participant", "visit"]].itertuples(index=False, name=None)
    return f"({len([row for row in rows if row not in counted])} scores)" in text


def _planned(analysis: Analysis) -> int:
    return len(analysis.study.participants) * len(analysis.study.protocol.visits)


def _something_missing(analysis: Analysis) -> bool:
    values = analysis.scores[analysis.scores["value"].notna() & (analysis.scores["hand"] != "other")]
    return bool((values.groupby("outcome").size() < _planned(analysis)).any())


def _pairs(analysis: Analysis) -> bool:
    wide = analysis.scores.pivot_table(
        index=["outcome", "participant"], columns="visit", values="value", aggfunc="first"
    )
    return "week8" in wide and bool(wide[["baseline", "week8"]].notna().all(axis=1).any())


CHECKS: dict[str, Callable[[Analysis, str], bool]] = {
    r"Design: ": _design,
    r"Primary outcome: ": lambda a, text: Names(a.study.protocol).outcome(a.study.protocol.primary) in text,
    r"Of the \d+ participants with both hands": lambda a, text: (
        f"Of the {(a.study.participants['affected_side'] == 'both').sum()} " in text
    ),
    r"Scores were computed from": lambda a, text: (
        ("item answers" in text) == (len(a.study.items) > 0) and ("dynamometer" in text) == (len(a.study.trials) > 0)
    ),
    r"(Other t|T)otals were taken as typed": _typed,
    r"Change in ": _modelled,
    r"Everyone with at least one score": lambda a, text: _all_in(a),
    r"Participants with at least one score": lambda a, text: not _all_in(a),
    r"Missing scores are taken": lambda a, text: _something_missing(a),
    r"Where the change to a single later visit": lambda a, text: (
        _something_missing(a) and len(a.study.protocol.visits) == 2
    ),
    r"Thresholds for ": lambda a, text: bool(a.study.protocol.thresholds),
    r"Participants who improved": lambda a, text: bool(a.study.protocol.thresholds) and _pairs(a),
    r"Effect sizes are": lambda a, text: (
        _pairs(a) and ("between arms" in text) == (len(a.study.protocol.arms) > 1)
    ),
    r"(Intervals are|Random numbers)": lambda a, text: ("Intervals are" in text) == (bool(_fits(a)) or _pairs(a)),
    r"Not fitted: ": lambda a, text: len(_fits(a)) < len(a.study.protocol.outcomes),
}  # fmt: skip


@pytest.mark.parametrize("name", STUDIES)
def test_every_sentence_holds(name: str, analyses, said) -> None:
    for text in said[name]:
        known = [check for start, check in CHECKS.items() if re.match(start, text)]
        assert len(known) == 1, f"No check, or several, for: {text}"
        assert known[0](analyses[name], text), text


def test_an_arm_alone_is_the_same_with_and_without_a_name(analyses, said) -> None:
    """Names are for telling arms apart: the answer, who passed and the words do not hang on one."""
    assert said["one arm with a name"] == said["one arm"]
    named, plain = (analyses[name] for name in ("one arm with a name", "one arm"))
    assert named.study.participants["arm"].tolist() == plain.study.participants["arm"].tolist()
    results = [main_result(analysis) for analysis in (named, plain)]
    assert [(one.changes, one.entered) for one in results[:1]] == [(one.changes, one.entered) for one in results[1:]]
    passed = [people_passed(analysis, result)[0] for analysis, result in zip((named, plain), results, strict=True)]
    assert passed[0] == passed[1]
    assert passed[0][0].shares[0].observed == 12
    assert named.findings.frame()["rule"].tolist() == plain.findings.frame()["rule"].tolist()


def test_every_check_meets_its_sentence(said) -> None:
    lines = [line for lines in said.values() for line in lines]
    assert [start for start in CHECKS if not any(re.match(start, line) for line in lines)] == []


@pytest.mark.parametrize(("name", "has", "has_not"), [
    ("whole", "The arms were randomised: differences come from chance", "not randomised"),
    ("not randomised", "not randomised: such a difference may explain", "come from chance"),
    ("not said", "only where the arms were randomised", "come from chance"),
    ("one arm", "Mean (SD)", "Standardised difference"),
])  # fmt: skip
def test_notes_at_baseline_say_what_the_study_was(name: str, has: str, has_not: str, analyses) -> None:
    notes = " ".join(baseline_table(analyses[name].scores, analyses[name].study).notes)
    assert has in notes
    assert has_not not in notes


def test_screening_is_asked_for_only_where_it_is_not_told(whole) -> None:
    told = protocol(randomisation=Randomisation(randomised=True, assessed=40, excluded={"declined": 28}))(whole)
    assert "40 people were assessed" in " ".join(flow_table(Analysis(told).scores, told).notes)
    assert "screening log" not in " ".join(flow_table(Analysis(told).scores, told).notes)
    assert "screening log" in " ".join(flow_table(Analysis(whole).scores, whole).notes)


def test_every_library_that_is_listed_is_imported_by_what_makes_a_report(said) -> None:
    """By the imports of the code itself, from the notebooks and the maker of reports on."""
    listed = re.search(r"Software: (.*)\.", said["whole"][-1])[1].split(", ")
    computing = {"numpy", "scipy", "pandas", "statsmodels", "formulaic", "pingouin", "plotly"}
    named = {entry.split()[0] for entry in listed} - {"python"}
    assert named <= _libraries()
    assert (_libraries() & computing) - named == {"pingouin"}  # for hours of wear alone, which this study has not


def _libraries() -> set[str]:
    cells = [
        "".join(cell["source"])
        for path in shipped().values()
        for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]
        if cell["cell_type"] == "code"
    ]
    todo: list[str] = [name for text in cells for name in _imported(text)] + ["notebooks.report.make"]
    seen: set[str] = set()
    found: set[str] = set()
    while todo:
        name = todo.pop()
        if name in seen:
            continue
        seen.add(name)
        place = ROOT.joinpath(*name.split("."))
        if name.partition(".")[0] not in ("outcomes", "stats", "notebooks"):
            found.add(name.partition(".")[0])
        elif place.with_suffix(".py").exists():
            todo += _imported(place.with_suffix(".py").read_text(encoding="utf-8"))
        elif not place.is_dir():  # a name that a front door takes from a module behind it
            door = place.parent / "__init__.pyi"
            lines = door.read_text(encoding="utf-8").splitlines() if door.exists() else []
            package = name.rpartition(".")[0]
            ways = [way[1] for line in lines if (way := re.match(rf"from (\S+) import {place.name}\b", line))]
            todo += [f"{package}{way}" if way.startswith(".") else way for way in ways]
    return found


def _imported(text: str) -> list[str]:
    names = []
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            names += [one.name for one in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names += [node.module, *(f"{node.module}.{one.name}" for one in node.names)]
    return names


def test_a_difference_of_nothing_has_no_direction(analyses) -> None:
    """-0.01 said with one decimal is 0.0, neither more nor less; an interval that holds two things joins them."""
    analysis = analyses["whole"]
    result = main_result(analysis)
    tiny = tuple(replace(one, span=Span(-0.01, -3.0, 9.0)) for one in result.differences)
    (told,), _ = headline(analysis, replace(result, differences=tiny), NamedNumbers())
    assert "more*" in told
    assert "less" not in told
    less = tuple(replace(one, span=Span(-2.0, -3.0, 9.0)) for one in result.differences)
    (told,), _ = headline(analysis, replace(result, differences=less), NamedNumbers())
    assert "less*" in told
    words = " ".join(against_thresholds(replace(result, differences=tiny), people_passed(analysis, result)[0],
                                        NamedNumbers()))  # fmt: skip
    assert "includes no difference and " in words


def test_a_visit_is_called_primary_where_the_plan_says_so(analyses) -> None:
    """A study with one later visit has no other; of several the plan names one, or the last is shown."""
    named = analyses["whole"]
    plain = Analysis(replace(named.study, protocol=replace(named.study.protocol, estimand={})))
    for analysis, words in ((named, "primary visit"), (plain, "visit shown")):
        drawn = first_page(analysis).html()
        other = {"primary visit": ">visit shown<", "visit shown": ">primary visit<"}[words]
        assert f">{words}<" in drawn
        assert other not in drawn
