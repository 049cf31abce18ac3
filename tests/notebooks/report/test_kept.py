"""What is kept from one report to the next is taken only as it was written, whoever edits the folder."""

import json
import shutil
from pathlib import Path

import pytest

from notebooks.report.kept import Kept, question
from notebooks.report.make import make_report

COHORT = Path(__file__).resolve().parents[2] / "studies" / "five_person_cohort"
PLANTED = "<script>document.title='planted'</script>"


def test_an_answer_comes_back_for_its_own_question_only(tmp_path):
    kept = Kept(tmp_path)
    kept.keep(question("a", "b"), {"value": 1.5, "text": "ü"})
    assert Kept(tmp_path).take(question("a", "b")) == {"value": 1.5, "text": "ü"}
    assert Kept(tmp_path).take(question("ab")) is None
    assert question("a", "b") != question("ab", "") != question("", "ab")


@pytest.mark.parametrize("place", [0, 31, 32, -1])
def test_one_changed_byte_and_the_answer_is_gone(tmp_path, place):
    kept = Kept(tmp_path)
    kept.keep(question("a"), "answer")
    (path,) = tmp_path.glob("*.kept")
    body = bytearray(path.read_bytes())
    body[place] ^= 1
    path.write_bytes(body)
    assert Kept(tmp_path).take(question("a")) is None


def test_an_answer_moved_to_another_question_is_gone(tmp_path):
    kept = Kept(tmp_path)
    kept.keep(question("a"), "answer")
    (tmp_path / f"{question('a')}.kept").rename(tmp_path / f"{question('b')}.kept")
    assert Kept(tmp_path).take(question("b")) is None


def test_what_another_user_sealed_is_not_taken(tmp_path, monkeypatch):
    Kept(tmp_path).keep(question("a"), "answer")
    monkeypatch.setattr("notebooks.report.kept.user_state_path", lambda name: tmp_path / "someone else")
    assert Kept(tmp_path).take(question("a")) is None


def test_without_a_place_for_the_secret_nothing_is_kept(tmp_path, monkeypatch):
    (tmp_path / "a file").write_text("")
    monkeypatch.setattr("notebooks.report.kept.user_state_path", lambda name: tmp_path / "a file" / "below")
    kept = Kept(tmp_path / "kept")
    kept.keep(question("a"), "answer")
    assert kept.take(question("a")) is None
    assert not (tmp_path / "kept").exists()


def test_what_nobody_asked_for_is_swept_away_and_nothing_else(tmp_path):
    Kept(tmp_path).keep(question("old"), 1)
    (tmp_path / "mine.txt").write_text("")
    kept = Kept(tmp_path)
    kept.keep(question("new"), 2)
    kept.sweep()
    assert {path.name for path in tmp_path.iterdir()} == {"mine.txt", f"{question('new')}.kept"}


def test_an_edited_notebook_never_becomes_the_report(cohort_report, tmp_path, numbers):
    """A changed number and a planted script in an executed copy: the notebook is run again, the others are not."""
    copy = tmp_path / "copy"
    shutil.copytree(cohort_report, copy)
    path = copy / "notebooks" / "5_effect_sizes.ipynb"
    notebook = json.loads(path.read_text(encoding="utf-8"))
    for cell in notebook["cells"]:
        for output in cell.get("outputs", []):
            output["data"]["text/html"] = PLANTED
            for _, values in output["data"].get("application/vnd.outcomes-kit+json", {}).get("frame", []):
                values[:] = [value + 1 if isinstance(value, float) else value for value in values]
    path.write_text(json.dumps(notebook), encoding="utf-8")
    lines: list[str] = []
    make_report(COHORT, copy, pictures=(), say=lines.append)
    assert [line for line in lines if line.startswith("5_effect_sizes: done")]
    others = len(list((copy / "notebooks").glob("*.ipynb"))) - 1
    assert sum("taken from the last run" in line for line in lines) == others
    assert numbers(copy) == numbers(cohort_report)
    assert PLANTED not in (copy / "report.html").read_text(encoding="utf-8")
    assert PLANTED not in path.read_text(encoding="utf-8")


def test_a_report_from_a_stranger_is_computed_again(cohort_report, tmp_path, monkeypatch):
    copy = tmp_path / "copy"
    shutil.copytree(cohort_report, copy)
    monkeypatch.setattr("notebooks.report.kept.user_state_path", lambda name: tmp_path / "state")
    lines: list[str] = []
    make_report(COHORT, copy, only=["7"], pictures=(), say=lines.append)
    assert not [line for line in lines if "taken from the last run" in line]


def test_a_changed_cell_of_another_outcome_leaves_what_the_primary_one_decides(cohort_report, tmp_path, numbers):
    study, copy = tmp_path / "study", tmp_path / "copy"
    shutil.copytree(COHORT, study)
    shutil.copytree(cohort_report, copy)
    table = (study / "totals.csv").read_text(encoding="utf-8")
    row = next(line for line in table.splitlines() if ",bbt,blocks," in line)
    value = row.split(",")[-1]
    (study / "totals.csv").write_text(table.replace(row, row[: -len(value)] + str(int(value) + 1)), encoding="utf-8")
    lines: list[str] = []
    make_report(study, copy, only=["3"], pictures=(), say=lines.append)
    # The primary outcome under every assumption, under other choices, and what is missing of it.
    assert [line for line in lines if "running, 3 of its cells are from the last run" in line]
    lines.clear()
    make_report(study, tmp_path / "anew", only=["3"], pictures=(), say=lines.append)
    assert [line for line in lines if line.endswith(": running")]
    assert numbers(copy) == numbers(tmp_path / "anew") != numbers(cohort_report)


def test_a_changed_title_runs_no_notebook_and_a_changed_cell_runs_them(cohort_report, tmp_path):
    study, copy = tmp_path / "study", tmp_path / "copy"
    shutil.copytree(COHORT, study)
    shutil.copytree(cohort_report, copy)
    protocol = (study / "study.toml").read_text(encoding="utf-8")
    title = next(line for line in protocol.splitlines() if line.startswith("title"))
    (study / "study.toml").write_text(protocol.replace(title, 'title = "Another title"'), encoding="utf-8")
    lines: list[str] = []
    make_report(study, copy, only=["7"], pictures=(), say=lines.append)
    assert [line for line in lines if "taken from the last run" in line]
    assert "<h1>Another title</h1>" in (copy / "report.html").read_text(encoding="utf-8")
    table = (study / "totals.csv").read_text(encoding="utf-8").splitlines()
    (study / "totals.csv").write_text("\n".join(table[:-1]) + "\n", encoding="utf-8")
    lines.clear()
    make_report(study, copy, only=["7"], pictures=(), say=lines.append)
    assert not [line for line in lines if "taken from the last run" in line]
