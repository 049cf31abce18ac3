"""Every reading that is not the plain one is told: marks, signs, years and times that a person would stumble over."""

import numpy as np
import pandas as pd
import pytest

from outcomes.reading.cells import date_remarks, dates, has_unseen, numbers, tidy

NUMBERS = {  # cells of a column -> value and how, stated by hand
    "a point among decimal commas": (["3,5", "1.234", "0.5", "7"], [3.5, np.nan, 0.5, 7], ["decimal comma", "ambiguous",
                                     "mixed marks", ""]),
    "points alone": (["3.5", "1.234"], [3.5, 1.234], ["", ""]),
    "thousands among decimal commas": (["1.234,5", "1.234.567"], [1234.5, np.nan], ["decimal comma", "text"]),
    "zero width inside": (["1\u200b2", "1\u20602", "1\u00ad2", "1\u200e2", "1\ufeff2"], [np.nan] * 5, ["unseen"] * 5),
    "zero width at an end": (["\ufeff12", "12\u200b"], [12, 12], ["other signs"] * 2),
    "digits of other scripts": (["１２", "١٢"], [12, 12], ["other signs"] * 2),
    "dashes for a minus": (["\u22125", "\u20135", "-5"], [-5, -5, -5], ["", "other signs", ""]),
    "no numbers": (["1 2", "1_000", "0x10", "5'", "1e999", "=1"], [np.nan] * 6, ["text"] * 6),
}  # fmt: skip
DATES = {
    "two digits": (["2/3/85", "14/3/25", "1/1/69", "1/1/68"], ["1985-03-02", "2025-03-14", "1969-01-01", "2068-01-01"],
                   [True] * 4, [False] * 4),
    "times": (["2025-03-04T10:30", "2025-03-04 00:00:00", "4.3.2025 9:05 pm", "2025-03-04T10:30:00+01:00"],
              ["2025-03-04"] * 4, [False] * 4, [True, False, True, True]),
    "more than a date": (["2025-03-04 or 05", "4.3.2025 about noon", "2025-03-04 - 2025-03-06"], [None] * 3,
                         [False] * 3, [False] * 3),
    "a spreadsheet's time": (["45720.5", "45720"], ["2025-03-04"] * 2, [False] * 2, [True, False]),
}  # fmt: skip


@pytest.mark.parametrize("case", NUMBERS)
def test_numbers(case):
    cells, value, how = NUMBERS[case]
    read = numbers(pd.Series(cells, dtype="str"))
    np.testing.assert_array_equal(read["value"], value)
    assert read["how"].to_list() == how


@pytest.mark.parametrize("case", DATES)
def test_dates(case):
    cells, value, short, timed = DATES[case]
    read = dates(pd.Series(cells, dtype="str"))
    assert [None if pd.isna(day) else f"{day:%Y-%m-%d}" for day in read["value"]] == value
    remarks = date_remarks(pd.Series(cells, dtype="str"))
    assert remarks["short"].to_list() == short
    assert remarks["timed"].to_list() == timed


def test_unseen_signs_are_seen():
    assert has_unseen("P\u200b01")
    assert tidy("P\u200b01") == "P01"
    assert not has_unseen("P01 \u00a0")
