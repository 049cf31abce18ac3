"""Intercurrent events in study.toml: read, refused with a reason, part of the plan, and what they do to the answer."""

import pytest

from notebooks.analysis import analyse
from notebooks.sections.missing import missing_visits
from outcomes import StudyError, read_study
from outcomes.lock.analysis_plan import plan_of
from synthetic_cohort import make_cohort

EVENT = """
[[events]]
id = "chest"
label = "hospital stay for a chest infection"
strategy = "{strategy}"
table = "adverse_events"
column = "term"
values = ["{term}"]
score = 0
"""


@pytest.fixture
def folder(tmp_path):
    make_cohort("demo", seed=1, folder=tmp_path / "study")
    return tmp_path / "study"


def with_event(folder, strategy: str) -> None:
    term = read_study(folder).adverse_events["term"].iloc[0]
    file = folder / "study.toml"
    file.write_text(file.read_text(encoding="utf-8") + EVENT.format(strategy=strategy, term=term), encoding="utf-8")


def test_no_event_leaves_the_plan_as_it_was(folder):
    assert "events" not in plan_of(read_study(folder).protocol)


@pytest.mark.parametrize("strategy", ["treatment policy", "hypothetical", "composite", "while on treatment"])
def test_a_strategy_is_read_and_bears_on_the_answer(folder, strategy):
    with_event(folder, strategy)
    study = read_study(folder)
    assert [one.strategy for one in study.protocol.events] == [strategy]
    assert plan_of(study.protocol)["events"]["chest"]["strategy"] == strategy
    found = missing_visits.missing_exhibits(analyse(folder))
    table = next(one for one in found.shown if getattr(one, "name", "") == "strategies")
    asked, kept = table.frame["estimate"]
    assert (asked == kept) == (strategy == "treatment policy")
    assert any("values after it" in note for note in table.notes)


def test_each_strategy_of_a_study_with_all_of_them_shows_the_difference_it_makes(folder):
    """Four events with a strategy each; the answer without one of them is that of a study that never named it."""
    study = read_study(folder)
    found = study.adverse_events[["participant", "term", "date"]].drop_duplicates("participant").head(3)
    asked = ["hypothetical", "composite", "while on treatment"]
    assert len(found) == 3
    table = study.adverse_events.copy()
    text = (folder / "study.toml").read_text(encoding="utf-8")
    first = study.visits.groupby("participant")["date"].nsmallest(2).groupby("participant").last()
    for number, (strategy, row) in enumerate(zip(asked, found.itertuples(), strict=True)):
        text += EVENT.format(strategy=strategy, term=f"event {number}").replace('"chest"', f'"e{number}"')
        text = text.replace("hospital stay for a chest infection", f"event {number}")
        table.loc[row.Index, "term"] = f"event {number}"
        table.loc[row.Index, "date"] = first[row.participant]
    text += EVENT.format(strategy="treatment policy", term="nothing such")
    (folder / "study.toml").write_text(text, encoding="utf-8")
    analysis = analyse(folder)
    object.__setattr__(analysis.study, "adverse_events", table)
    made = missing_visits.missing_exhibits(analysis)
    shown = next(one for one in made.shown if getattr(one, "name", "") == "strategies").frame
    answers = dict(zip(shown["answer"], shown["estimate"], strict=True))
    assert len(answers) == 2 + len(asked)
    planned = answers.pop("as the protocol says")
    for strategy in asked:
        (without,) = [value for name, value in answers.items() if strategy in name]
        assert abs(without - planned) > 0.01


def test_the_principal_stratum_is_refused_where_it_is_read(folder):
    with_event(folder, "principal stratum")
    with pytest.raises(StudyError, match="cannot be seen in anybody"):
        read_study(folder)
