"""Cells that a spreadsheet program would take for a formula, and how the kit writes them into tables.

A text that begins with one of `STARTS` is computed by spreadsheet programs when a table is opened, and can then fetch
or send data. The kit writes such a text with an apostrophe before it, which the programs take as "this is text"; a
hyphen before a digit becomes the minus sign it stands for. Numbers stay numbers.

Source of the list: OWASP, CSV Injection (the ASCII signs, tab and carriage return); their full-width forms besides.
"""

import re
from collections.abc import Iterable

STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")


def like_a_formula(text: str) -> bool:
    """Whether a spreadsheet program could take a text for a formula; a number is none."""
    return text.startswith(STARTS) and _NUMBER.fullmatch(text) is None


def safe_cell(value: object) -> object:
    """A value as it goes into a table: texts like formulas made harmless, everything else as it is."""
    if not isinstance(value, str) or not like_a_formula(value):
        return value
    if re.match(r"-[\d.]", value):
        return f"\N{MINUS SIGN}{value[1:]}"
    return f"'{value}"


def safe_rows(rows: Iterable[Iterable[object]]) -> Iterable[list[object]]:
    """`safe_cell` of every cell."""
    return ([safe_cell(value) for value in row] for row in rows)
