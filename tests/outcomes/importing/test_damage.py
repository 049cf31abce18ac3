"""A few of the damaged workbooks of `damage.py`, which runs hundreds by one command.

The workbook of seed 31 has numbers with a comma in a column of sides.
"""

import pytest

from tests.outcomes.importing.damage import outcome_of


@pytest.mark.parametrize("seed", [31, *range(9001, 9007)])
def test_every_cell_of_a_damaged_workbook_is_accounted_for(seed, tmp_path):
    assert outcome_of(seed, tmp_path) in ("accounted", "refused")
