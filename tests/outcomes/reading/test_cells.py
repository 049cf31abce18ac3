"""Cells read as a person would. The cases are stated by hand: common practice in spreadsheets, no source."""

import math

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.reading.cells import dates, numbers


def one(text: str, *others: str) -> tuple[float, str, str]:
    row = numbers(pd.Series([text, *others], dtype="str")).iloc[0]
    return row["value"], row["code"], row["how"]


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("3", 3),
        (" 3 ", 3),
        ("3.50", 3.5),
        (".5", 0.5),
        ("-2", -2),
        ("\u22122", -2),
        ("1e2", 100),
        ("007", 7),
        ("5.", 5),
    ],
)
def test_plain_numbers(text, value):
    assert one(text) == (value, "", "")


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "not done"),
        ("  ", "not done"),
        ("n/a", "not done"),
        ("NA", "not done"),
        ("-", "not done"),
        ("not done", "not done"),
        ("Not  testable", "not testable"),
        ("NT", "not testable"),
        ("unable", "unable"),
        ("could not", "unable"),
        ("Refused", "refused"),
        ("declined", "refused"),
    ],
)
def test_words_for_missing_numbers(text, code):
    value, read, how = one(text)
    assert math.isnan(value)
    assert read == code
    assert how == ("word" if text.strip() else "")


@pytest.mark.parametrize("text", ["abc", "3 kg", "12/3", "1_000", "inf", "0x10", "> 120", "1+", "2-3", "3,4,5"])
def test_what_is_no_number_stays_unread(text):
    value, code, how = one(text)
    assert math.isnan(value)
    assert (code, how) == ("", "text")


def test_a_decimal_comma_is_read():
    assert one("3,5") == (3.5, "", "decimal comma")
    assert one("1.234,5") == (1234.5, "", "decimal comma")


def test_one_comma_and_three_digits_is_left_unread_unless_the_column_shows_what_commas_mean():
    assert one("1,234")[2] == "ambiguous"
    assert one("1,234", "3,5") == (1.234, "", "decimal comma")
    assert one("1,234,567") == (1234567, "", "thousands comma")
    assert one("1,234.5") == (1234.5, "", "thousands comma")
    assert one("0,123") == (0.123, "", "decimal comma")  # no thousands begin with 0


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_number_comes_back_as_it_was_written(number):
    value, code, how = one(repr(number))
    assert value == number
    assert (code, how) == ("", "")


@given(st.text(max_size=12))
def test_no_text_is_ever_both_a_number_and_missing(text):
    """Whatever is typed, exactly one holds: a number, a reason, or a text that stays unread."""
    value, code, how = one(text)
    assert [not math.isnan(value), bool(code), how in ("text", "ambiguous")].count(True) == 1


def days(*cells: str) -> list[tuple[str, str]]:
    read = dates(pd.Series(cells, dtype="str"))
    return [(f"{value:%Y-%m-%d}" if value == value else "", how) for value, how in read.itertuples(index=False)]


def test_dates_year_first_need_no_remark():
    assert days("2025-03-04", "2025/3/4", "2025-03-04T10:30:00", "") == [("2025-03-04", "")] * 3 + [("", "")]


def test_the_column_decides_what_comes_first():
    assert days("03/04/2025", "25/04/2025") == [("2025-04-03", "day first"), ("2025-04-25", "day first")]
    assert days("03/04/2025", "04/25/2025") == [("2025-03-04", "month first"), ("2025-04-25", "month first")]
    assert days("03/04/2025") == [("2025-04-03", "order assumed")]
    assert days("25/04/2025", "04/25/2025") == [("", "mixed order")] * 2


def test_short_years_points_and_spreadsheet_days():
    assert days("25.4.25") == [("2025-04-25", "day first")]
    # Day 45728 of a spreadsheet that counts 1900-01-01 as day 1 (and a 29 February 1900 that was not) is 2025-03-12.
    assert days("45728") == [("2025-03-12", "spreadsheet number")]


def test_impossible_days_stay_unread():
    assert days("2025-02-30", "31.04.2025", "yesterday", "2025-13-01") == [("", "text")] * 4


@given(st.dates(min_value=pd.Timestamp("1950-01-01").date(), max_value=pd.Timestamp("2090-12-31").date()))
def test_every_date_comes_back_day_first(date):
    (read, _), _ = days(f"{date:%d.%m.%Y}", "25.04.2025")
    assert read == f"{date:%Y-%m-%d}"
