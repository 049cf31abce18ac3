"""A few of the damaged workbooks of `damage.py`, which runs hundreds by one command."""

import pytest

from tests.outcomes.importing.damage import outcome_of


@pytest.mark.parametrize("seed", range(9001, 9009))
def test_every_cell_of_a_damaged_workbook_is_accounted_for(seed, tmp_path):
    assert outcome_of(seed, tmp_path) in ("accounted", "refused")
