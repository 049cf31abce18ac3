"""Cells as typed, read as a person would read them.

Each function works on the distinct texts of a column only, so a million cells cost little more than a thousand.
"""

import re
from collections.abc import Callable
from datetime import date, timedelta

import numpy as np
import pandas as pd

from outcomes.words import MISSING_WORDS

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_COMMA = re.compile(r"[+-]?\d*,\d+")
_COMMA_OR_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
_POINT_OR_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(\.\d{3})+")
_PLAIN_SIGNS = re.compile("[0-9+\\-.eE\u2212]*")  # the last is the minus sign itself
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(,\d{3})+(\.\d+)?")
_POINTS_AND_COMMA = re.compile(r"[+-]?[1-9]\d{0,2}(\.\d{3})+,\d+")
# Signs without a width: joiners, direction marks, soft hyphens, marks of byte order. Nobody sees them in a cell.
_UNSEEN = re.compile("[\u00ad\u061c\u180e\u200b-\u200f\u202a-\u202e\u2060-\u2064\u2066-\u2069\ufeff]")
_TIME = r"\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?(?: ?[AaPp]\.?[Mm]\.?)?(?:Z| ?[+-]\d{2}:?\d{2})?"
_ISO = re.compile(rf"(\d{{4}})[-/.](\d{{1,2}})[-/.](\d{{1,2}})(?:[T ]({_TIME}))?")
_DAY_MONTH = re.compile(rf"(\d{{1,2}})[-/. ](\d{{1,2}})[-/. ](\d{{4}}|\d{{2}})(?:[T ]({_TIME}))?")
_FIRST_YEAR = 69  # two digits from here to 99 are 19.., below 20.. (POSIX, strptime, %y)
_MIDNIGHT = re.compile(r"0?0:00(?::00(?:[.,]0+)?)?")
_SPREADSHEET_DAY_ZERO = date(1899, 12, 30)


def over_distinct(cells: pd.Series, read: Callable[[str], object]) -> pd.Series:
    """`read` of every cell, called once per distinct text."""
    codes, distinct = pd.factorize(cells)
    texts = distinct.tolist()
    made = [read(text) for text in texts]
    if not made:
        return pd.Series(index=cells.index, dtype=object)
    if made == texts and codes.min() >= 0 and isinstance(cells.dtype, pd.StringDtype):
        return cells  # nearly every column: nothing to copy
    return pd.Series(made).take(codes).set_axis(cells.index)


def plain(text: str) -> str:
    """Lower case, single spaces, no surrounding blanks; underscores and hyphens inside words are spaces."""
    return re.sub(r"[\s_\-]+", " ", text).strip().lower()


def tidy(text: str) -> str:
    """A cell without surrounding or invisible blanks, its dashes and minus signs plain."""
    return _UNSEEN.sub("", text.replace("\u00a0", " ")).replace("\u2212", "-").replace("\u2013", "-").strip()


def has_unseen(text: str) -> bool:
    """Whether a cell holds signs without a width beside its text."""
    return _UNSEEN.search(text) is not None


def numbers(cells: pd.Series) -> pd.DataFrame:
    """Cells as numbers: columns `value` (float), `code` (why there is none) and `how` (what was done to read it).

    how: "" (a plain number or a blank), "decimal comma", "thousands comma", "word" (a word for a missing number),
    "other signs" (digits of another script, a dash for a minus), "mixed marks" (a decimal point in a column with
    decimal commas), "ambiguous" (1,234 may be 1.234 or 1234; so may 1.234 in a column with decimal commas), "unseen"
    (signs without a width inside: left unread) or "text" (not a number at all).
    """
    codes, keys = pd.factorize(cells)
    distinct = [tidy(text) for text in keys]
    commas = any(_COMMA.fullmatch(text) and not _COMMA_OR_THOUSANDS.fullmatch(text) for text in distinct)
    commas = commas or any(_POINTS_AND_COMMA.fullmatch(text) for text in distinct)
    parts = list(zip(*(_number(text, commas) for text in keys), strict=True)) if len(keys) else [(), (), ()]
    return pd.DataFrame(
        {
            "value": np.array(parts[0], dtype=float)[codes],
            "code": pd.array(list(parts[1]), dtype="str").take(codes),
            "how": pd.array(list(parts[2]), dtype="str").take(codes),
        },
        index=cells.index,
    )


def _number(text: str, commas: bool) -> tuple[float, str, str]:
    cell = tidy(text)
    if re.search(r"\d", cell) and _UNSEEN.search(text.strip()[1:-1]):
        return np.nan, "", "unseen"
    if _NUMBER.fullmatch(cell):
        number = float(cell)
        if not np.isfinite(number):
            return np.nan, "", "text"
        if commas and _POINT_OR_THOUSANDS.fullmatch(cell):
            return np.nan, "", "ambiguous"
        if commas and "." in cell:
            return number, "", "mixed marks"
        return number, "", "" if _PLAIN_SIGNS.fullmatch(text.strip()) else "other signs"
    word = re.sub(r"\s+", " ", cell).lower()
    if word in MISSING_WORDS:
        return np.nan, MISSING_WORDS[word], "word" if word else ""
    if _COMMA_OR_THOUSANDS.fullmatch(cell) and not commas:
        return np.nan, "", "ambiguous"
    if _COMMA.fullmatch(cell):
        return float(cell.replace(",", ".")), "", "decimal comma"
    if _POINTS_AND_COMMA.fullmatch(cell):
        return float(cell.replace(".", "").replace(",", ".")), "", "decimal comma"
    if _THOUSANDS.fullmatch(cell) and not commas:
        return float(cell.replace(",", "")), "", "thousands comma"
    return np.nan, "", "text"


def dates(cells: pd.Series) -> pd.DataFrame:
    """Cells as dates: columns `value` (datetime) and `how`.

    how: "" (year first or blank), "day first", "month first", "order assumed" (no cell of the column shows which of
    the first two numbers is the day: day first is taken), "spreadsheet number", "mixed order" or "text".
    The order of day and month is decided once for the column, from the cells that leave no choice.
    """
    pairs = [_DAY_MONTH.fullmatch(tidy(text)) for text in pd.unique(cells)]
    first = max((int(match[1]) for match in pairs if match), default=0)
    second = max((int(match[2]) for match in pairs if match), default=0)
    order = {
        (True, True): "mixed order",
        (True, False): "day first",
        (False, True): "month first",
        (False, False): "order assumed",
    }[(first > 12, second > 12)]
    read = {text: _date(tidy(text), order) for text in pd.unique(cells)}
    value = over_distinct(cells, lambda text: read[text][0])
    how = over_distinct(cells, lambda text: read[text][1])
    return pd.DataFrame({"value": pd.to_datetime(value), "how": how.astype("str")}, index=cells.index)


def date_remarks(cells: pd.Series) -> pd.DataFrame:
    """What else there is to say of dates: columns `short` (the year has two digits) and `timed` (a time of day stands
    behind the date, and is left out)."""
    short = over_distinct(cells, lambda text: bool((match := _DAY_MONTH.fullmatch(tidy(text))) and len(match[3]) == 2))
    timed = over_distinct(cells, _has_time)
    return pd.DataFrame({"short": short.astype(bool), "timed": timed.astype(bool)}, index=cells.index)


def _has_time(text: str) -> bool:
    match = _ISO.fullmatch(tidy(text)) or _DAY_MONTH.fullmatch(tidy(text))
    if match is None:
        return bool(re.fullmatch(r"\d{5}\.\d*[1-9]\d*", tidy(text)))  # a spreadsheet's day count with a part of a day
    return bool(match[4]) and not _MIDNIGHT.fullmatch(match[4])


def _date(cell: str, order: str) -> tuple[pd.Timestamp | None, str]:
    if re.sub(r"\s+", " ", cell).lower() in MISSING_WORDS:
        return None, ""
    if match := _ISO.fullmatch(cell):
        return _day(int(match[1]), int(match[2]), int(match[3]), "")
    if match := _DAY_MONTH.fullmatch(cell):
        if order == "mixed order":
            return None, order
        year = int(match[3])
        if len(match[3]) == 2:
            year += 1900 if year >= _FIRST_YEAR else 2000
        one, two = int(match[1]), int(match[2])
        return _day(year, one, two, order) if order == "month first" else _day(year, two, one, order)
    if _NUMBER.fullmatch(cell) and 20000 <= float(cell) <= 80000:  # 1954 to 2119
        day = _SPREADSHEET_DAY_ZERO + timedelta(days=int(float(cell)))
        return pd.Timestamp(day), "spreadsheet number"
    return None, "text"


def _day(year: int, month: int, day: int, how: str) -> tuple[pd.Timestamp | None, str]:
    try:
        return pd.Timestamp(date(year, month, day)), how
    except ValueError:  # 31 February
        return None, "text"
