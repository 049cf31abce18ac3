"""A user's file that bears the name of one of the packages is named in the error."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


def run(folder: Path, code: str) -> subprocess.CompletedProcess:
    """Python as a notebook's kernel runs it: the working folder comes first on the path."""
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    return subprocess.run([sys.executable, "-c", code], cwd=folder, env=environment, capture_output=True, text=True)


@pytest.mark.parametrize(
    ("file", "code"),
    [
        ("stats.py", "from outcomes import read_study"),
        ("notebooks/__init__.py", "import outcomes"),
        ("outcomes.py", "from stats import fit_change"),
        ("synthetic_cohort.py", "import outcomes"),
    ],
)
def test_the_file_is_named(tmp_path, file, code):
    (tmp_path / file).parent.mkdir(exist_ok=True)
    (tmp_path / file).write_text("x = 1\n", encoding="utf-8")
    done = run(tmp_path, code)
    assert done.returncode == 1
    last = done.stderr.strip().splitlines()[-1]
    assert last.startswith("ImportError")
    assert str(tmp_path / file) in last
    assert "Rename" in last


def test_other_files_and_plain_folders_are_left_alone(tmp_path):
    (tmp_path / "notebooks").mkdir()  # a folder of notebooks is no package
    (tmp_path / "statistics_of_mine.py").write_text("", encoding="utf-8")
    done = run(tmp_path, "from outcomes import read_study; from stats import fit_change")
    assert done.returncode == 0, done.stderr


def test_front_doors_load_nothing_heavy(tmp_path):
    done = run(
        tmp_path, "import sys, outcomes, stats, stats.errors; print('pandas' in sys.modules, 'numpy' in sys.modules)"
    )
    assert done.stdout.split() == ["False", "False"], done.stderr
