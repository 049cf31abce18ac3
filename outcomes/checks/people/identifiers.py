"""Checks for direct identifiers: columns and cells that could name a person. What a cell holds is never repeated.

Patterns find what looks like an identifier, in a dozen languages; they do not find every one. Somebody who knows the
people has to look through the folder before it leaves the hospital.
"""

import re
import tomllib
import unicodedata
from collections.abc import Iterator
from functools import cache, lru_cache
from importlib.resources import files

import pandas as pd

from outcomes.checks.register import place, reports
from outcomes.findings import flag
from outcomes.reading.cells import dates, plain
from outcomes.sheets import SHEETS
from outcomes.study import Study

_EMAIL = re.compile(r"[^\s@]+@[^\s@]+\.[A-Za-z]{2,}")
_PHONE = re.compile(r"(?<![\w.,])\+?\(?\d[\d ()/.-]{7,}\d(?![\w.,])")
_FEWEST_DIGITS = 9  # of a telephone number; a date has eight
_COMPUTED = re.compile(r"[-+]?\d{1,3}\.\d{12,}")  # 14.299999999999999: a number as a spreadsheet computed it
_TO_31 = r"(?:0?[1-9]|[12]\d|3[01])"
_DAY = rf"(?:\d{{4}}[-/.]\d{{1,2}}[-/.]\d{{1,2}}|{_TO_31}[-/. ]{{1,2}}{_TO_31}[-/. ]{{1,2}}(?:\d{{4}}|\d{{2}}))"
ANY_DATE = re.compile(rf"(?<!\d){_DAY}(?!\d)")
# National numbers by their form alone: three groups of a social security or health number, a birth date with a suffix
# (Nordic), eleven digits in the Brazilian grouping, letters and digits of the Italian tax code. Forms: public documents
# of the issuing offices, from memory.
_NUMBERS = re.compile(
    r"(?<!\d)(?:\d{3}-\d{2}-\d{4}|\d{3} \d{3} \d{4}|\d{6}[-+A]\d{3}[0-9A-Z]|\d{8}-\d{4}|\d{3}\.\d{3}\.\d{3}-\d{2})"
    r"(?!\d)"
    r"|\b[A-Z]{6}\d{2}[A-Z]\d{2}[A-Z]\d{3}[A-Z]\b"
)
_STROKES = (("ø", "o"), ("Ø", "O"), ("ł", "l"), ("Ł", "L"), ("ı", "i"), ("ß", "ss"), ("æ", "ae"), ("Æ", "Ae"))
_YEARS_BEFORE = 10  # a date that lies this much before the visits, or more, is more likely of a person than of a trial


@reports("header of a direct identifier")
def headers(study: Study) -> Iterator[pd.DataFrame]:
    for table in SHEETS:
        for name in study.table(table).columns:
            if name not in SHEETS[table].names and names_a_person(str(name)):
                yield flag("header of a direct identifier", file=study.files.get(table, ""), column=str(name))


@reports("cell with a direct identifier")
def cells(study: Study) -> Iterator[pd.DataFrame]:
    """Addresses, telephone and record numbers, dates of birth, titles with names, in columns of text."""
    first = study.visits["date"].min()
    for table, sheet in SHEETS.items():
        if table == "published":  # names of papers and their authors
            continue
        frame = study.table(table)
        worded = [column.name for column in sheet.columns if column.kind in ("text", "id")]
        own = [name for name in frame.columns if name not in (*sheet.names, "row", "file", "header", "typed", "code")]
        for name in (*worded, *own):
            if frame.empty or not pd.api.types.is_string_dtype(frame[name]):
                continue
            distinct = [text for text in frame[name].unique().tolist() if identifies(text)]
            if name in own:
                distinct += old_dates(frame[name], first)
            if distinct:
                rows = frame[frame[name].isin(distinct)]
                yield flag("cell with a direct identifier", rows, **place(study, table, str(name)))


@lru_cache(maxsize=2**20)  # a code stands in every table, and in every part of a study that is read in parts
def identifies(text: str) -> bool:
    """Whether a text holds what could lead to one person."""
    if not text or _COMPUTED.fullmatch(text.strip()):
        return False
    if _EMAIL.search(text) or _NUMBERS.search(text):
        return True
    numbers = _PHONE.findall(ANY_DATE.sub(" ", text))
    if any(sum(map(str.isdigit, number)) >= _FEWEST_DIGITS for number in numbers):
        return True
    bare = _bare(text)
    return bool(_born().search(bare) or _record().search(bare) or _titled().search(_bare(text, small=False)))


def old_dates(typed: pd.Series, first: object) -> list[str]:
    """Full dates long before the study, in a column of the study's own: dates of birth, as a rule."""
    read = dates(typed)
    limit = pd.Timestamp(2000, 1, 1) if pd.isna(first) else pd.Timestamp(first) - pd.DateOffset(years=_YEARS_BEFORE)
    spelled = read["value"].notna() & (read["how"] != "spreadsheet number")
    return list(typed[spelled & (read["value"] < limit)].unique())


def names_a_person(header: str) -> bool:
    """Whether a header is one of names, dates of birth, addresses or record numbers."""
    return bool(_headers().search(_bare(plain(header))))


def _bare(text: str, small: bool = True) -> str:
    """Without accents, strokes and dots, in small letters: as people type when they are in a hurry."""
    for sign, instead in _STROKES:
        text = text.replace(sign, instead)
    text = unicodedata.normalize("NFKD", text)
    text = "".join(sign for sign in text if not unicodedata.combining(sign))
    return text.casefold() if small else text


@cache
def _words(kind: str) -> tuple[str, ...]:
    """Every word of a kind in every language, longest first."""
    text = files("outcomes").joinpath("checks/people/identifying_words.toml").read_text(encoding="utf-8")
    return tuple(sorted({word for language in tomllib.loads(text).values() for word in language[kind]}, key=len)[::-1])


def _any_of(kind: str) -> str:
    return "|".join(re.escape(word).replace(r"\ ", r"[ ._-]{0,2}") for word in _words(kind))


@cache
def _headers() -> re.Pattern:
    return re.compile(rf"(?<![^\W\d_])(?:{_any_of('header')})(?![^\W\d_])")


@cache
def _born() -> re.Pattern:
    return re.compile(rf"(?<!\w)(?:{_any_of('born')}|\*)[ .:]{{0,3}}{_DAY}")


@cache
def _record() -> re.Pattern:
    number = r"(?:(?:no|nr|n|num|numero|number)[ .:#°]{0,2})?[a-z]{0,3}\d{4,}"
    return re.compile(rf"(?<!\w)(?:{_any_of('record')})[ .:#-]{{0,3}}{number}")


@cache
def _titled() -> re.Pattern:
    titles = "|".join(f"{word[0].upper()}{word[1:]}" for word in _words("title")).replace(" ", "[. -]?")
    return re.compile(rf"(?<!\w)(?:{titles})\.? (?:[A-Z]\. ?)?[A-Z][a-z]+(?:[-' ][A-Z][a-z]+)?(?!\w)")
