"""The analysis plan as a document: whole from study.toml, its hash is the lock's, and nothing departs from it."""

import re
from dataclasses import replace

import pytest

from notebooks.commands import main
from notebooks.plan_document import write_plan as writing
from notebooks.plan_document.conduct_parts import versions
from notebooks.plan_document.invented_trial import invented_study
from notebooks.plan_document.model_parts import choices_table
from notebooks.sections.plan_departures import lock_sentences
from notebooks.show.exhibits import Prose
from notebooks.show.tables import Table
from outcomes import lock_plan, read_study
from outcomes.lock.analysis_plan import plan_digest, plan_of
from outcomes.protocol.study_toml import read_protocol
from stats.choices.choice_grid import BASELINE, BASELINES, model_options
from synthetic_cohort import make_cohort, preset, presets
from synthetic_cohort.cohort import study_text

ANSWERED_BY_AUTHORS = {"1b", "3", "5", "6a", "6b", "6c", "7", "32b", "32c", "32d"}  # what no study.toml can hold


@pytest.fixture(params=["demo", "crossover", "device_pilot"])
def folder(request, tmp_path):
    place = tmp_path / request.param
    place.mkdir()
    (place / "study.toml").write_text(study_text(preset(request.param), 1), encoding="utf-8")
    return place


def test_no_item_that_data_can_answer_is_missing(folder, monkeypatch):
    monkeypatch.setattr(writing, "_shells", lambda study: iter(()))
    protocol = read_protocol(folder / "study.toml")
    parts = writing.plan_sections(invented_study(protocol, folder), "0" * 64)
    assert all(part.shown or part.invented for part in parts)
    items = next(item for item in parts[-1].shown if isinstance(item, Table))
    assert len(items.frame) == 55  # the number of the guideline's items, with their parts
    empty = items.frame[items.frame["here"] == "not from study.toml"]["number"]
    assert set(empty) == ANSWERED_BY_AUTHORS
    told = " ".join(str(item.content()) for part in parts for item in part.shown)
    for empty_key in ("'where': None", "'group': None", "'limit': None", "None, then vibration"):  # the last is an arm
        told = told.replace(empty_key, "")
    assert not re.findall(r"\bnan\b|\bNone\b", told)


def test_the_choices_named_are_those_the_report_runs(folder):
    """Baselines of the plan's table against the options of the what-if itself; a crossover has none of its own."""
    protocol = read_protocol(folder / "study.toml")
    told = choices_table(protocol).frame.set_index("choice")["options"]
    if protocol.periods:
        assert "baseline" not in told
        return
    asked = [one.name for one in model_options(None, protocol) if one.choice == BASELINE]
    kept = BASELINES["change" if len(protocol.arms) < 2 else "covariate"]  # what the protocol's "auto" means here
    assert set(told["baseline"].split("; ")) >= {one for one in asked if one != "by the written rules"} | {kept}
    assert ("covariate" in told["baseline"]) == (len(protocol.arms) > 1)


def test_every_lock_is_a_version_with_its_reason(tmp_path):
    """Items 4a to 4c: what was locked when, why again, and which data were there."""
    (tmp_path / "study.toml").write_text(study_text(preset("demo"), 1), encoding="utf-8")
    lock_plan(tmp_path)
    lock = lock_plan(tmp_path, again="The ethics board asked for another visit.")
    study = replace(invented_study(read_protocol(tmp_path / "study.toml"), tmp_path, per_arm=2), lock=lock)
    table, draft = versions(study), versions(replace(study, lock=None))
    assert isinstance(table, Table)
    assert isinstance(draft, Prose)
    assert table.frame["version"].tolist() == [1, 2]
    assert table.frame["reason"].tolist() == ["first lock", "The ethics board asked for another visit."]
    assert set(table.frame["data"]) == {"no data"}
    assert set(table.frame["sha256"]) == {event.plan_sha256 for event in lock.locks}
    assert "draft" in draft.paragraphs[0]


def test_the_hash_on_the_page_is_what_the_lock_freezes(tmp_path, monkeypatch, capsys):
    folder = tmp_path / "device"
    folder.mkdir()
    (folder / "study.toml").write_text(study_text(preset("device_pilot"), 1), encoding="utf-8")
    monkeypatch.setenv("BROWSER_PATH", str(tmp_path / "none"))
    monkeypatch.setattr(writing, "_shells", lambda study: iter(()))
    assert main(["plan", str(folder), "--to", str(tmp_path / "out")]) == 0
    page = (tmp_path / "out" / "analysis_plan.html").read_text(encoding="utf-8")
    assert (tmp_path / "out" / "analysis_plan.docx").stat().st_size > 5000
    lock = lock_plan(folder)
    assert lock.locks[-1].plan_sha256 in page
    assert lock.locks[-1].plan_sha256 in capsys.readouterr().out


def test_after_the_lock_nothing_departs(tmp_path):
    """Plan, lock, then the data: the report's section on departures says none."""
    place = tmp_path / "demo"
    make_cohort("demo", seed=1, folder=place)
    kept = {path.name: path.read_bytes() for path in place.iterdir() if path.name != "study.toml"}
    for name in kept:
        (place / name).unlink()
    lock = lock_plan(place)
    for name, content in kept.items():
        (place / name).write_bytes(content)
    study = read_study(place)
    assert study.departures == ()
    assert study.plan_sha256 == lock.locks[-1].plan_sha256 == plan_digest(plan_of(study.protocol))
    assert "Departures from the locked plan: none" in lock_sentences(study).paragraphs[-1]


def test_empty_tables_are_filled_with_invented_people_and_marked(tmp_path):
    (tmp_path / "study.toml").write_text(study_text(preset("device_pilot"), 1), encoding="utf-8")
    protocol = read_protocol(tmp_path / "study.toml")
    shown = list(writing._shells(invented_study(protocol, tmp_path)))
    tables = [item for item in shown if isinstance(item, Table)]
    figures = [item for item in shown if hasattr(item, "layout")]
    assert len(tables) >= 3
    assert all(table.caption.startswith("INVENTED PEOPLE") for table in tables)
    assert figures
    assert all(figure.layout.meta["caption"].startswith("INVENTED PEOPLE") for figure in figures)
    assert all("INVENTED PEOPLE" in figure.layout.title.text for figure in figures)


@pytest.mark.parametrize("name", sorted(set(presets()) - {"null_trial", "many_sites", "plexus"}))
def test_people_can_be_invented_for_every_design(name, tmp_path):
    (tmp_path / "study.toml").write_text(study_text(preset(name), 1), encoding="utf-8")
    study = invented_study(read_protocol(tmp_path / "study.toml"), tmp_path, per_arm=3)
    assert set(study.participants["participant"]) == set(study.visits["participant"])
    assert len(study.totals)
    again = invented_study(study.protocol, tmp_path, per_arm=3)
    assert again.totals.equals(study.totals)


def test_a_folder_without_a_protocol_is_refused(tmp_path, capsys):
    assert main(["plan", str(tmp_path), "--to", str(tmp_path / "out")]) == 1
    assert "study.toml" in capsys.readouterr().err
