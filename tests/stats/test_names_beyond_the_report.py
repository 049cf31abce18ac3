"""Every name of `stats` that the page "What the report does not show" sends a reader to is there."""

import importlib
import importlib.util
import re
from pathlib import Path

import pytest

TEXT = Path(__file__).parents[2] / "notebooks" / "guide" / "text" / "reference" / "beyond_the_report.md"
ROWS = [line for line in TEXT.read_text(encoding="utf-8").splitlines() if line.startswith("| ") and "`stats." in line]


def named(row: str):
    """(package, name) of every backticked name of a row; a bare one belongs to the package named before it."""
    package = ""
    for name in re.findall(r"`([\w.]+)`", row.rsplit("| ", 1)[1]):
        if name.startswith("stats."):
            head, _, last = name.rpartition(".")
            if head == "stats" and importlib.util.find_spec(name):
                package = name
                continue
            package = head
            yield package, last
        else:
            yield package, name


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row[2:40])
def test_the_names_of_the_table_are_there(row):
    found = list(named(row))
    assert found
    for package, name in found:
        assert callable(getattr(importlib.import_module(package), name)), f"{package}.{name}"


def test_there_is_a_table():
    assert len(ROWS) > 10
