"""Columns that carry a number: months, visits or items."""

from collections.abc import Mapping
from dataclasses import replace

from outcomes.importing.finding.mapped_tables import Column, Source
from outcomes.importing.language.cell_values import number_text
from outcomes.importing.language.headings import MEASURE, Meaning
from outcomes.importing.language.visit_words import VisitWord
from outcomes.importing.language.vocabulary import tokens, whole
from outcomes.library.known import find_instrument
from outcomes.library.registry import instruments

_TIMES = {"m": ("month", 365.25 / 12), "d": ("day", 1.0), "s": ("week", 7.0), "y": ("year", 365.25), "j": ("day", 1.0)}


def lettered_times(source: Source) -> None:
    """ "FMUE_m1, FMUE_m3, FMUE_m6": a letter and a number that rise together over one measure are months."""
    groups: dict[tuple[str, ...], list[Column]] = {}
    for column in source.measures:
        meaning = column.meaning
        letters = [word for word in meaning.rest if word in _TIMES]
        words = tokens(column.name)
        if meaning.visit or meaning.number is None or len(letters) != 1 or meaning.table == "angles":
            continue
        at = words.index(letters[0])
        if words[at + 1 : at + 2] == (str(meaning.number),):
            key = (letters[0], meaning.instrument, meaning.scale, meaning.side, meaning.condition, meaning.stat)
            groups.setdefault(key, []).append(column)
    for (letter, instrument, *_), columns in groups.items():
        others = [c for c in source.measures if c.meaning.instrument == instrument and c.meaning.visit]
        numbers = {c.meaning.number for c in columns}
        if len(numbers) < len(columns) or len(numbers) + bool(others) < 2:
            continue
        known = find_instrument(instrument)
        for column in columns:
            meaning, number = column.meaning, column.meaning.number or 0
            column.meaning = replace(
                meaning,
                table="totals",
                number=None,
                scale=meaning.scale or (known.main_scale.id if known else ""),
                visit=VisitWord("time", f"{letter}{number}", day=round(number * _TIMES[letter][1])),
                rest=tuple(word for word in meaning.rest if word != letter),
            )


def numbered_visits(source: Source, values: Mapping[int, list[str]]) -> None:
    """ "BBT 1, BBT 2, BBT 3" where no visit is named anywhere: the numbers may be visits; the import asks."""
    if source.visit or any(c.role == "visit" or c.meaning.visit for c in source.columns):
        return
    groups: dict[tuple[str, ...], list[Column]] = {}
    for column in source.measures:
        meaning = column.meaning
        known = find_instrument(meaning.instrument)
        if meaning.number is None or meaning.table not in ("items", "totals") or known is None:
            continue
        top = max((max(item.levels, default=item.high) for item in known.items), default=0.0)
        numbers = [float(t) for text in values[column.place] if (t := number_text(text))]
        above = bool(numbers) and max(numbers) > top
        if len(known.items) == 1 or above:
            groups.setdefault((meaning.instrument, meaning.side, meaning.condition, meaning.scale), []).append(column)
    for columns in groups.values():
        if len(columns) < 2:
            continue
        numbered = {column.meaning.number for column in columns}
        for column in source.columns:
            word, _, last = column.name.strip().rpartition(" ")
            if column.role == "" and last.isdigit() and int(last) in numbered and whole(word, "roles") == "date":
                column.meaning = Meaning("date", visit=VisitWord("ordinal", last, number=int(last)))
        for column in columns:
            known = find_instrument(column.meaning.instrument)
            number = column.meaning.number
            column.meaning = replace(
                column.meaning,
                table="totals",
                number=None,
                stat="numbered",
                visit=VisitWord("ordinal", str(number), number=number),
                scale=column.meaning.scale or (known.main_scale.id if known else ""),
            )


def numbered_items(source: Source, values: Mapping[int, list[str]]) -> None:
    """ "1" to "33" under no name: a form with that many items and these answers, if one is in the catalogue; it is "
    "asked."""
    columns = [
        c
        for c in source.columns
        if c.role in ("", "item") and not c.meaning.instrument and _number_of(c.name) is not None
    ]
    numbers = [_number_of(column.name) for column in columns]
    if len(columns) < 4 or sorted(n for n in numbers if n is not None) != list(range(1, len(columns) + 1)):
        return
    typed = {float(t) for column in columns for text in values[column.place] if (t := number_text(text))}
    fits = [
        name
        for name, known in instruments().items()
        if len(known.main_scale.items) == len(columns)
        and typed <= {level for item in known.items if item.id in known.main_scale.items for level in item.levels}
    ]
    if not fits:
        return
    for column, number in zip(columns, numbers, strict=True):
        column.meaning = Meaning(MEASURE, "items", fits[0], number=number, stat="guess", near="", rest=())
        column.guesses = tuple(fits)


def worded_items(source: Source) -> None:
    """As many columns of one test as its form has items, each with words of its own: its items, which is asked."""
    groups: dict[tuple[object, ...], list[Column]] = {}
    for column in source.measures:
        meaning = column.meaning
        if meaning.table == "totals" and meaning.number is None and not meaning.stat:
            visit = meaning.visit.key if meaning.visit else None
            groups.setdefault((meaning.instrument, visit, meaning.side, meaning.condition), []).append(column)
    for (name, *_), columns in groups.items():
        known = find_instrument(str(name))
        items = known.main_scale.items if known else ()
        worded = sum(bool(column.meaning.rest or column.meaning.part) for column in columns)
        if len(columns) < 4 or len(columns) != len(items) or worded < 0.75 * len(columns):
            continue
        for number, column in enumerate(columns, 1):
            column.meaning = replace(
                column.meaning, table="items", scale="", item="", number=number, stat="worded", part="", rest=()
            )


def _number_of(name: str) -> int | None:
    words = [
        word
        for word in tokens(name)
        if word not in ("item", "q", "question", "frage", "item", "pregunta", "domanda", "vraag", "nr", "no")
    ]
    return int(words[0]) if len(words) == 1 and words[0].isdigit() else None
