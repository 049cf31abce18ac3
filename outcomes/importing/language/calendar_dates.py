"""Dates as people type them; day or month first is decided from evidence, or asked."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from outcomes.importing.language.vocabulary import simple

_ZERO = date(1899, 12, 30)  # day zero of spreadsheet serial numbers
_ISO = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:[T ].*)?")
_PAIR = re.compile(r"(\d{1,2})\s*([-/. ])\s*(\d{1,2})\s*[-/. ]\s*(\d{4}|\d{2})(?:\s+\d.*)?")
_COMPACT = re.compile(r"(19|20)(\d{2})(\d{2})(\d{2})")
_OF = r"(?:de\s+|di\s+)?"
_DAY_WORD = re.compile(
    rf"(?:\w+,?\s+)?(\d{{1,2}})(?:\.|st|nd|rd|th|º|er)?\s*{_OF}[- ]?([a-z]+)\.?\s*{_OF},?[- ]?(\d{{4}}|\d{{2}})"
)
_WORD_DAY = re.compile(r"([a-z]+)\.?\s+(\d{1,2})(?:st|nd|rd|th)?,?\s+(\d{4}|\d{2})")
_ISO_PARTIAL = re.compile(r"(19|20)\d{2}(-\d{2})?")
_MONTHS = (
    ("jan", "gen", "ene", "janv", "januar", "enero", "gennaio", "ianuarie"),
    ("feb", "fev", "fevr", "febr", "fevrier"),
    ("mar", "marz", "mars", "mrt", "maart", "maerz", "mrz"),
    ("apr", "avr", "abr", "avril", "abril"),
    ("may", "mai", "mayo", "mag", "mei", "maggio", "maio", "maj"),
    ("jun", "juin", "giu", "juni", "junio", "giugno", "june"),
    ("jul", "juil", "lug", "juli", "julio", "luglio", "july"),
    ("aug", "aou", "aout", "ago", "agosto"),
    ("sep", "sept", "set", "settembre"),
    ("oct", "okt", "ott", "out", "ottobre", "octobre"),
    ("nov",),
    ("dec", "dez", "dic", "des", "dicembre", "decembre"),
)


@dataclass(frozen=True)
class DateText:
    """A date as typed: two readings where day and month could change places, one otherwise, none where it is no "
    "date."""

    day_first: date | None
    month_first: date | None
    mark: str = ""  # the sign between the numbers, where the order is open

    @property
    def open(self) -> bool:
        return self.day_first != self.month_first and None not in (self.day_first, self.month_first)

    @property
    def evidence(self) -> str:
        """The order this date leaves no choice about: "day first", "month first" or ""."""
        if self.mark and self.day_first and not self.month_first:
            return "day first"
        if self.mark and self.month_first and not self.day_first:
            return "month first"
        return ""


def read_date(value: object, text: str) -> DateText | None:
    """The date in a cell, None where it holds none."""
    if isinstance(value, datetime):
        return DateText(value.date(), value.date())
    if isinstance(value, date):
        return DateText(value, value)
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        if 15000 <= float(value) <= 80000:  # 1941 to 2119
            day = _ZERO + timedelta(days=int(value))
            return DateText(day, day)
        if not _COMPACT.fullmatch(text):
            return None
    cell = " ".join(text.split())
    if match := _ISO.fullmatch(cell):
        return _sure(int(match[1]), int(match[2]), int(match[3]))
    if match := _COMPACT.fullmatch(cell):
        return _sure(int(match[1] + match[2]), int(match[3]), int(match[4]))
    if match := _PAIR.fullmatch(cell):
        one, two, year = int(match[1]), int(match[3]), _year(match[4])
        first, second = _day(year, two, one), _day(year, one, two)
        if match[2] == "." and first:  # written with points the day comes first
            return DateText(first, first)
        return DateText(first, second, match[2]) if first or second else None
    folded = simple(cell)
    for pattern, at in ((_DAY_WORD, (1, 2, 3)), (_WORD_DAY, (2, 1, 3))):
        match = pattern.fullmatch(folded)
        if match and (month := _month(match[at[1]])):
            return _sure(_year(match[at[2]]), month, int(match[at[0]]))
    return None


def is_partial(text: str) -> bool:
    """A year, or a year and a month."""
    return bool(_ISO_PARTIAL.fullmatch(text.strip()))


def _sure(year: int, month: int, day: int) -> DateText | None:
    found = _day(year, month, day)
    return DateText(found, found) if found else None


def _day(year: int, month: int, day: int) -> date | None:
    try:
        return date(year, month, day)
    except ValueError:
        return None


def _year(text: str) -> int:
    return int(text) + (2000 if len(text) == 2 else 0)


def _month(word: str) -> int:
    for number, starts in enumerate(_MONTHS, 1):
        if word in starts or (len(word) >= 3 and word[:3] in starts and word.startswith(tuple(starts))):
            return number
    return 0


def order_of(dates: Iterable[DateText], formats: Iterable[str], others: Iterable[DateText]) -> tuple[str, str]:
    """Day or month first, and the evidence: the column itself, then how real dates of the workbook are shown."""
    dates = list(dates)
    for known, words in ((dates, "other dates of the column"), (list(others), "other dates of the file")):
        said = {entry.evidence for entry in known} - {""}
        if len(said) == 1:
            return said.pop(), words
        if said:
            return "", "dates of both orders"
    shown = {_shown(text) for text in formats} - {""}
    return (shown.pop(), "how the real dates are shown") if len(shown) == 1 else ("", "")


def _shown(number_format: str) -> str:
    text = re.sub(r"\[.*?\]|\\.|\".*?\"", "", number_format.lower())
    day, month = text.find("d"), text.find("m")
    if "y" not in text or text.startswith("y") or min(day, month) < 0 or text.startswith("mm-dd-yy"):
        return ""  # the standard format of a program says nothing of the person
    return "day first" if day < month else "month first"
