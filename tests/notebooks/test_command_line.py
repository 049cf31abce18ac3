"""The console command: readable refusals, exit statuses, and no traceback whatever is wrong."""

import argparse
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from notebooks.command_line.arguments import EXAMPLES, command_parser
from notebooks.commands import main

ROOT = Path(__file__).resolve().parents[2]
STUDIES = ROOT / "tests" / "studies"
COHORT = STUDIES / "five_person_cohort"


@pytest.fixture
def cohort(tmp_path) -> Path:
    """A copy of the five-person study to damage."""
    folder = tmp_path / "study"
    shutil.copytree(COHORT, folder)
    return folder


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def test_check_of_a_good_study_exits_0(capsys):
    assert main(["check", str(COHORT)]) == 0
    assert "0 errors" in capsys.readouterr().out


def test_check_of_a_bad_study_exits_1_and_says_where(cohort, capsys):
    edit(cohort / "totals.csv", "fma_ue,motor,57", "fma_ue,motor,570")
    assert main(["check", str(cohort)]) == 1
    out = capsys.readouterr().out
    assert "totals.csv" in out
    assert "570" in out


def test_report_on_a_bad_study_prints_the_findings_exits_1_and_writes_nothing(cohort, tmp_path, capsys):
    edit(cohort / "totals.csv", "fma_ue,motor,57", "fma_ue,motor,570")
    assert main(["report", str(cohort), "--to", str(tmp_path / "out")]) == 1
    printed = capsys.readouterr()
    assert "570" in printed.out
    assert "No report was made" in printed.err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("command", ["check", "report"])
def test_a_folder_that_is_not_there_or_empty_is_refused_in_words(command, tmp_path, capsys):
    more = ["--to", str(tmp_path / "out")] if command == "report" else []
    (tmp_path / "empty").mkdir()
    for name in ("nowhere", "empty"):
        assert main([command, str(tmp_path / name), *more]) == 1
        error = capsys.readouterr().err
        assert error.startswith("outcomes: ")
        assert name in error
        assert "Traceback" not in error


def test_report_never_writes_into_a_folder_of_other_files(cohort, tmp_path, capsys):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.docx").write_text("keep me")
    assert main(["report", str(cohort), "--to", str(tmp_path / "mine")]) == 1
    assert "thesis.docx" in capsys.readouterr().err
    assert (tmp_path / "mine" / "thesis.docx").read_text() == "keep me"


def test_report_never_writes_into_the_study_folder(cohort, capsys):
    assert main(["report", str(cohort), "--to", str(cohort)]) == 1
    assert "study folder itself" in capsys.readouterr().err


def test_an_unknown_notebook_is_refused_with_the_list(cohort, tmp_path, capsys):
    assert main(["report", str(cohort), "--to", str(tmp_path / "out"), "--only", "99"]) == 1
    assert "1_check_and_score" in capsys.readouterr().err


def test_the_demo_is_never_written_over_other_files(tmp_path, capsys):
    (tmp_path / "notes.txt").write_text("mine")
    assert main(["demo", str(tmp_path)]) == 1
    assert "not empty" in capsys.readouterr().err


@pytest.mark.parametrize("asked", ["--help", "--version"])
def test_help_and_version_import_nothing_heavy(asked):
    """They must come at once: what computes and draws is imported by the subcommand that needs it."""
    code = (
        "import sys; from notebooks.commands import main\n"
        f"try: main([{asked!r}])\n"
        "except SystemExit as end: assert not end.code\n"
        "heavy = {'numpy', 'pandas', 'scipy', 'plotly', 'IPython', 'nbformat', 'docx'} & set(sys.modules)\n"
        "sys.exit(', '.join(sorted(heavy)) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "outcomes" in done.stdout


def test_every_example_of_the_help_is_a_call_that_is_understood():
    parser = command_parser()
    (commands,) = (action for action in parser._actions if isinstance(action, argparse._SubParsersAction))
    assert set(EXAMPLES) == set(commands.choices), "a subcommand without an example in its help"
    for name, lines in EXAMPLES.items():
        assert lines
        for line in lines:
            assert callable(parser.parse_args(shlex.split(line.partition("|")[0])).run)
            assert f"outcomes {line}" in commands.choices[name].format_help()


def test_notebooks_are_copied_whole_and_never_over_changed_ones(tmp_path, capsys):
    assert main(["notebooks", str(tmp_path / "mine")]) == 0
    of_the_kit = sorted((ROOT / "notebooks").glob("*.ipynb"))
    copied = sorted((tmp_path / "mine").iterdir())
    assert [path.read_bytes() for path in copied] == [path.read_bytes() for path in of_the_kit] != []
    copied[0].write_text("changed")
    capsys.readouterr()
    assert main(["notebooks", str(tmp_path / "mine")]) == 1
    assert copied[0].name in capsys.readouterr().err
    assert copied[0].read_text() == "changed"


@pytest.mark.skipif(sys.platform == "win32", reason="a pipe closed by its reader is a signal of Unix systems")
def test_a_reader_that_has_enough_ends_the_command_quietly():
    """`outcomes thresholds ... | head -1`: the pipe is closed before the rest is written."""
    call = [sys.executable, "-m", "notebooks", "thresholds", "fma_ue"]
    with subprocess.Popen(call, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        process.stdout.close()
        said = process.stderr.read()
    assert (process.returncode, said) == (0, "")
