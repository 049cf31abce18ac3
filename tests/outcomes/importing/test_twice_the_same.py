"""Two imports of the same files ask the same questions and write the same bytes, in whatever order sets come."""

import os
import subprocess
import sys

import openpyxl
import pytest

IMPORT = """
import sys
from outcomes.importing import run_import

run_import([sys.argv[1]], sys.argv[2], say=lambda text: None)
"""


@pytest.fixture(scope="module")
def workbook(tmp_path_factory):
    """A list of eight people; the scores have a ninth code, as near to several of theirs."""
    made = openpyxl.Workbook()
    made.active.title = "People"
    for row in [["ID", "Group", "Age"], *([f"K{n:02d}", "xy"[n % 2], 50 + n] for n in range(1, 9))]:
        made.active.append(row)
    scores = made.create_sheet("Scores")
    scores.append(["ID", "BBT R pre", "BBT R post"])
    for n, code in enumerate([*(f"K{n:02d}" for n in range(1, 9)), "K09"]):
        scores.append([code, 20 + n, 30 + n])
    path = tmp_path_factory.mktemp("clinic") / "clinic.xlsx"
    made.save(path)
    return path


def imported(workbook, folder, seed):
    """File -> bytes of an import by a Python of its own."""
    code = [sys.executable, "-c", IMPORT, str(workbook), str(folder)]
    subprocess.run(code, env={**os.environ, "PYTHONHASHSEED": str(seed)}, check=True, capture_output=True)
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_an_import_does_not_depend_on_the_order_of_sets(workbook, tmp_path):
    first, *others = [imported(workbook, tmp_path / str(seed), seed) for seed in (1, 2, 3)]
    assert "K0" in first["import.toml"].decode("utf-8").split("unlisted_k09")[1]
    for other in others:
        assert other == first
