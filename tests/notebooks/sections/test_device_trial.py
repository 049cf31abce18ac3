"""The chapter on a device: its answers are those of the tables, and lists stand only where the protocol allows them."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from notebooks.analysis import Analysis
from notebooks.report.run import asked_for, shipped
from notebooks.sections.device import device_answers, ease_of_use, faults_and_harm, home_use, levels_reached
from notebooks.sections.device import grades_of_motion as grades
from notebooks.sections.device import repeated_stretches as stretches
from notebooks.sections.who_took_part import events_list
from notebooks.show.exhibits import Prose
from notebooks.show.tables import Table
from synthetic_cohort import make_cohort
from synthetic_cohort.preset_files import preset


@pytest.fixture(scope="module")
def analysis():
    return Analysis(make_cohort(preset("device_pilot").without_recordings(), seed=1, flaws={}).study)


def tables(exhibits) -> dict[str, pd.DataFrame]:
    shown = [exhibits] if isinstance(exhibits, Table) else list(exhibits)
    return {one.name: one.frame for one in shown if isinstance(one, Table)}


def test_five_answers_and_a_caution(analysis):
    told = "\n".join(device_answers.first_answers(analysis).paragraphs)
    for part in ("With the device on", "without it", "what stayed without the device", "who reached it at Week 6",
                 "The device was worn by 12 of 12 people", "adverse events in", "deficiencies",
                 "no proof that the device is safe"):  # fmt: skip
        assert part in told, part


def test_levels_by_plain_counting(analysis):
    frame = tables(levels_reached.level_tables(analysis))["levels_reached"]
    scores = analysis.scores
    own = scores[(scores["outcome"] == "grip.force") & (scores["visit"] == "v2")]
    for condition in ("unassisted", "assisted"):
        values = own.loc[own["condition"] == condition, "value"].dropna()
        row = frame[(frame["level"] == "Force of the carrying task") & (frame["visit"] == "v2")]
        row = row[row["condition"] == condition].iloc[0]
        assert (row["reached"], row["measured"]) == ((values >= 15).sum(), len(values))


def test_wear_by_plain_sums(analysis):
    frame = tables(home_use.wear_table(analysis.study))["wear"].set_index("participant")
    log = analysis.study.wear_log
    person = frame.index[0]
    own = log[(log["participant"] == person) & (log["gap"] == "no")]
    assert frame.loc[person, "hours"] == pytest.approx(own["minutes_worn"].sum() / 60)
    asked = own["minutes_prescribed"].sum()
    assert frame.loc[person, "percent"] == pytest.approx(100 * own["minutes_worn"].sum() / asked)
    assert frame.loc[person, "unknown"] == (log[log["participant"] == person]["gap"] == "yes").sum()


def test_hours_before_a_visit_are_those_before_it(analysis):
    frame = home_use.wear_up_to_visits(analysis, "bbt.blocks")
    assert (frame.loc[frame["visit"] == "v0", "hours"] == 0).all()
    person = frame["participant"].iloc[0]
    date = analysis.study.visits.set_index(["participant", "visit"]).loc[(person, "v2"), "date"]
    log = analysis.study.wear_log
    before = log[(log["participant"] == person) & (log["date"] < date)]["minutes_worn"].sum() / 60
    own = frame[(frame["participant"] == person) & (frame["visit"] == "v2")]["hours"].iloc[0]
    assert own == pytest.approx(before)


def test_deficiencies_by_category_and_their_exact_rate(analysis):
    frame = tables(faults_and_harm.faults_table(analysis.study))["device_deficiencies"].set_index("kind")
    faults = analysis.study.device_deficiencies
    assert frame.loc["Any", "count"] == len(faults)
    assert frame.loc["reliability", "count"] == (faults["category"] == "reliability").sum()
    hours = analysis.study.wear_log["minutes_worn"].sum() / 60
    assert frame.loc["Any", "rate"] == pytest.approx(100 * len(faults) / hours)


def test_every_part_has_its_figure(analysis):
    study = analysis.study
    made = [
        *levels_reached.level_figures(analysis), stretches.stretches_figure(study), grades.grades_figure(study),
        home_use.wear_figure(study), ease_of_use.ratings_figure(analysis), faults_and_harm.faults_figure(study),
        faults_and_harm.skin_figure(study), next(iter(home_use.use_and_score(analysis))),
    ]  # fmt: skip
    names = [figure.layout.meta["name"] for figure in made]
    assert len(set(names)) == 9
    people = set(study.participants["participant"])
    for figure in made:
        words = " ".join(str(part) for trace in figure.data for part in (*np.ravel(trace.y), trace.name))
        assert not people & set(words.split()), figure.layout.meta["name"]  # no codes of people in a picture


def test_single_events_only_where_the_protocol_allows(analysis):
    study = analysis.study
    assert set(tables(faults_and_harm.lists(study))) == {"deficiency_list", "event_details"}
    quiet = replace(study, protocol=replace(study.protocol, event_list=False))
    assert isinstance(faults_and_harm.lists(quiet), Prose)
    assert isinstance(events_list(quiet), Prose)


def test_a_study_without_a_device_has_no_such_chapter():
    study = make_cohort("demo", seed=1, flaws={}).study
    assert not asked_for(shipped()["10_a_trial_of_a_device"], study)
    other = Analysis(study)
    parts = (
        *(levels_reached.levels(other), stretches.stretches(study), grades.grades(study), home_use.wear(study)),
        *(home_use.use_and_score(other), faults_and_harm.faults(study), faults_and_harm.skin(study)),
    )
    for part in parts:
        assert not [one for one in part if not isinstance(one, Prose)]
        assert part.left_out
