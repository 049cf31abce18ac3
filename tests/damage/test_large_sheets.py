"""Large sheets, small: the whole is `python -m tests.damage.large_sheets`."""

import pytest

from tests.damage.large_sheets import measure


@pytest.mark.parametrize("form", ["csv", "xlsx"])
def test_every_line_row_and_score_of_a_large_sheet_is_right(form):
    found = measure(1_900, form)
    assert found.right
    assert found.administrations > 80
