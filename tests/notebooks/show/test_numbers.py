"""Numbers as they are written: rounding by hand, and the ends of what can be written (common practice, no source)."""

import pytest

from notebooks.show.numbers import number


@pytest.mark.parametrize(
    ("value", "decimals", "written"),
    [
        (2.25, 1, "2.3"),  # halves away from zero
        (-0.04, 1, "0.0"),  # never "-0"
        (-5.0, 0, "−5"),
        (None, 1, "–"),
        (float("nan"), 1, "–"),
        (-5.743073e50, 2, "−5.7 × 10^50"),  # a limit on hardly any degree of freedom
        (float("inf"), 1, "∞"),
        (float("-inf"), 1, "−∞"),
        (999999999999999.0, 0, "999999999999999"),
    ],
)
def test_a_number_is_written_so_that_it_can_be_read(value, decimals, written):
    assert number(value, decimals) == written
