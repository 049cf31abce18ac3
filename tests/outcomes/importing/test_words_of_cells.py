"""How single cells are read: dates of every way of writing, missing codes and what their code book says.

Expectations are stated by hand beside each cell. Ways of writing: common practice, no source.
"""

from datetime import date, datetime

import pytest

from outcomes.importing.language.calendar_dates import is_partial, order_of, read_date
from outcomes.importing.language.cell_values import read_measure, reason_of, status_of, suspicious
from outcomes.importing.language.visit_words import read_visit

DAY = date(2024, 3, 5)
DATES = {
    "2024-03-05": (DAY, DAY),
    "20240305": (DAY, DAY),
    "5.3.2024": (DAY, DAY),  # with points the day comes first
    "5 March 2024": (DAY, DAY),
    "March 5, 2024": (DAY, DAY),
    "5 mars 24": (DAY, DAY),
    "05/03/2024": (DAY, date(2024, 5, 3)),
    "25/03/2024": (date(2024, 3, 25), None),
    "03/25/2024": (None, date(2024, 3, 25)),
}
NO_DATES = ["31.02.2024", "2024-02-30", "5 moon 2024", "soon", "40/40/2024"]


@pytest.mark.parametrize("text", DATES)
def test_a_date_is_read_in_every_way_of_writing(text):
    found = read_date(text, text)
    assert (found.day_first, found.month_first) == DATES[text]
    assert found.open == (text == "05/03/2024")


@pytest.mark.parametrize("text", NO_DATES)
def test_no_date_is_made_of_what_is_none(text):
    assert read_date(text, text) is None


def test_a_date_of_a_workbook_is_taken_as_it_is():
    # Day 45356 of a spreadsheet's calendar, counted from 30 December 1899, is 5 March 2024 (plain counting).
    for value in (DAY, datetime(2024, 3, 5, 9), 45356, 45356.0, 20240305):
        assert read_date(value, "20240305" if value == 20240305 else str(value)).day_first == DAY
    assert read_date(7, "7") is None
    assert (DAY - date(1899, 12, 30)).days == 45356
    assert is_partial("2024-03")
    assert not is_partial("March")


def test_the_order_of_a_column_is_told_by_the_date_that_leaves_no_choice():
    open_, day, month = (read_date(text, text) for text in ("05/03/2024", "25/03/2024", "03/25/2024"))
    assert order_of([open_, day], [], []) == ("day first", "other dates of the column")
    assert order_of([open_, month], [], []) == ("month first", "other dates of the column")
    assert order_of([open_], [], [day]) == ("day first", "other dates of the file")
    assert order_of([day, month], [], []) == ("", "dates of both orders")
    assert order_of([open_], ["dd/mm/yyyy"], []) == ("day first", "how the real dates are shown")
    assert order_of([open_], ["m/d/yyyy"], []) == ("month first", "how the real dates are shown")
    assert order_of([open_], ["mm-dd-yy"], []) == order_of([open_], [], []) == ("", "")


CODES = {"999": "participant refused", "888": "lost sheet", "x": "did not attend", "q": "the moon was full"}
CELLS = [
    # cell, kind, value or reason
    ("41", "number", "41"),
    ("4,5", "number", "4.5"),
    ("999", "reason", "refused"),
    ("888", "ask", ""),  # declared as missing, without a reason anybody knows
    ("x", "status", "missed"),
    ("q", "ask", ""),
    ("O5", "ask", ""),  # a letter among digits
    ("7 of the moon?", "ask", "7"),
    ("", "blank", ""),
]


@pytest.mark.parametrize(("cell", "kind", "said"), CELLS)
def test_a_cell_is_what_its_code_book_says(cell, kind, said):
    found = read_measure(cell, CODES, ("999", "888"), None)
    assert found.kind == kind
    assert (found.reason or found.value) == said


def test_reasons_and_states_keep_the_words_beside_them():
    assert reason_of("refused") == ("refused", "")
    assert reason_of("refused - sore") == ("refused", "sore")
    assert reason_of("-")[0] == "not done"
    assert reason_of("the moon was full") == ("", "")
    assert status_of("did not attend") == ("missed", "")
    assert status_of("did not attend because of snow") == ("missed", "did not attend because of snow")
    assert status_of("a lovely day") == ("", "")


def test_nines_far_from_all_others_look_like_a_code():
    assert suspicious([20, 21, 22, 23, 24, 99]) == {99.0}
    assert suspicious([20, 21, 99]) == set()  # too few to tell
    assert suspicious([95, 97, 98, 99, 100, 101]) == set()  # one of many of its size


VISITS = [
    # text, kind, days after the start, days after the visit before, number
    ("Baseline (wk 0)", "pre", 0, None, None),
    ("vor der Behandlung", "pre", None, None, None),
    ("after the training", "post", None, None, None),
    ("6 weeks post", "time", 42, None, None),  # a time, not the end of the treatment
    ("Week 6 (day 42)", "time", 42, None, None),
    ("3 months later", "fu", None, 91, None),
    ("+6 weeks", "fu", None, 42, None),
    ("FU 6 months", "fu", 183, None, None),
    ("FU 2 months", "fu", 61, None, None),
    ("FU 2", "fu", None, None, 2),
    ("Test 3", "ordinal", None, None, 3),
]


@pytest.mark.parametrize(("text", "kind", "day", "plus", "number"), VISITS)
def test_a_visit_is_counted_from_the_start_or_from_the_visit_before(text, kind, day, plus, number):
    found = read_visit(text, bare=False)
    assert (found.kind, found.day, found.plus, found.number, found.label) == (kind, day, plus, number, text)
