"""The last part of every notebook: short lines to copy and change, which run as they stand."""

import ast
from pathlib import Path

import pandas as pd
import pytest

from notebooks.analysis import Analysis, hand_over
from outcomes import read_study
from tests.notebooks.adapted import LINES, ON_A_REPORT, before, notebooks, offered

COHORT = Path(__file__).resolve().parents[1] / "studies" / "five_person_cohort"


@pytest.fixture(scope="module")
def shared():
    hand_over(str(COHORT), Analysis(read_study(COHORT)))
    return COHORT


def shown(source: str, names: dict) -> object:
    """Run lines as a notebook does; the value of the last one."""
    tree = ast.parse(source)
    *head, last = tree.body
    exec(compile(ast.Module(head, []), "<adapted>", "exec"), names)
    assert isinstance(last, ast.Expr)
    return eval(compile(ast.Expression(last.value), "<adapted>", "eval"), names)


@pytest.mark.parametrize("name", notebooks())
def test_the_lines_are_few_and_run(name, shared, cohort_report):
    given = {"report": cohort_report} if name == ON_A_REPORT else {"folder": shared}
    names: dict = {}
    for source in before(name, **given):
        exec(source, names)
    pieces = offered(name)
    assert pieces
    for source in pieces:
        assert len(source.splitlines()) <= LINES
        value = shown(source, names)
        assert value is not None
        if isinstance(value, pd.DataFrame) and name not in ("9_movement_over_time",):  # this study has no recordings
            assert len(value)


def test_a_size_of_ones_own_changes_the_count(shared):
    """The worked edit of the notebook on thresholds: another number, another count."""
    names: dict = {}
    for source in before("4_who_passed_the_threshold", folder=shared):
        exec(source, names)
    source = offered("4_who_passed_the_threshold")[0]
    few, many = (shown(source.replace(", 5,", f", {size},"), names)["improved"].iloc[0] for size in (20, 1))
    assert few < many
