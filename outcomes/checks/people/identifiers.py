"""Checks for direct identifiers: columns and cells that could name a person. What a cell holds is never repeated."""

import re
from collections.abc import Iterator

import pandas as pd

from outcomes.checks.register import place, reports
from outcomes.findings import flag
from outcomes.reading.cells import plain
from outcomes.sheets import SHEETS
from outcomes.study import Study

# Kinds of direct identifier in the headers of tables; common practice, no source.
_HEADERS = re.compile(
    r"\b(name|names|surname|first ?name|last ?name|initials|email|e mail|phone|telephone|mobile|address|street|"
    r"post ?code|zip( code)?|birth ?date|date of birth|birthday|dob|national id|insurance( no| number)?|ssn|mrn|"
    r"hospital( no| number)|record number|passport|ip address|photo)\b"
)
_EMAIL = re.compile(r"[^\s@]+@[^\s@]+\.[A-Za-z]{2,}")
_PHONE = re.compile(r"(?<![\w.,])\+?\d[\d ()/-]{7,}\d(?![\w.,])")
_FEWEST_DIGITS = 9  # of a telephone number; a date has eight


@reports("header of a direct identifier")
def headers(study: Study) -> Iterator[pd.DataFrame]:
    for table in SHEETS:
        for name in study.table(table).columns:
            if name not in SHEETS[table].names and _HEADERS.search(plain(str(name))):
                yield flag("header of a direct identifier", file=study.files.get(table, ""), column=str(name))


@reports("cell with a direct identifier")
def cells(study: Study) -> Iterator[pd.DataFrame]:
    """Electronic addresses and telephone numbers in columns of text."""
    for table, sheet in SHEETS.items():
        frame = study.table(table)
        worded = [column.name for column in sheet.columns if column.kind in ("text", "id")]
        own = [name for name in frame.columns if name not in (*sheet.names, "row", "file", "header", "typed", "code")]
        for name in (*worded, *own):
            if frame.empty or not pd.api.types.is_string_dtype(frame[name]):
                continue
            distinct = [text for text in frame[name].unique() if _identifies(text)]
            if distinct:
                rows = frame[frame[name].isin(distinct)]
                yield flag("cell with a direct identifier", rows, **place(study, table, str(name)))


def _identifies(text: str) -> bool:
    numbers = _PHONE.findall(re.sub(r"\d{4}-\d{2}-\d{2}", "", text))
    return bool(_EMAIL.search(text)) or any(sum(map(str.isdigit, number)) >= _FEWEST_DIGITS for number in numbers)
