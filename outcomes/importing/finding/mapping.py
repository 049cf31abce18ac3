"""What each column of each table is: the declarative part of an import, written to import.toml and read back."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from outcomes.importing.finding.code_books import Facts
from outcomes.importing.finding.sheet_layout import Table
from outcomes.importing.language.calendar_dates import read_date
from outcomes.importing.language.cell_values import code_keys, number_text
from outcomes.importing.language.headings import MEASURE, Around, Meaning, instrument_of, item_of, recognise
from outcomes.importing.language.visit_words import VisitWord, read_visit
from outcomes.importing.language.vocabulary import simple, tokens, whole, within
from outcomes.importing.opening.pages import Variable
from outcomes.importing.questions import ASK, Questions, slug
from outcomes.library.known import find_instrument
from outcomes.library.registry import instruments

LONG = ("value",)
_MOST = 0.5  # share of the people with several lines from which the lines must be visits (our rule)
_STANDARD = re.compile(
    r"(?:qs|ft|rs|mk|re|nv|mo|vs|fa|ie|dm|sv|ae|sc|su)?"
    r"(testcd|test|cat|scat|orresu|orres|stresu|stresn|stresc|stat|reasnd|dtc|lat|repnum|seq|dy|blfl|lobxfl|spid|grpid|eval|method)"
)
_STANDARD_ROLES = {
    "testcd": "item",
    "test": "item_name",
    "cat": "instrument",
    "scat": "subcategory",
    "orres": "value",
    "stresn": "value",
    "stresc": "value",
    "orresu": "unit",
    "stresu": "unit",
    "stat": "status",
    "reasnd": "reason",
    "dtc": "date",
    "lat": "side",
    "repnum": "trial",
    "seq": "sequence",
    "dy": "sequence",
    "blfl": "sequence",
    "lobxfl": "sequence",
    "spid": "sequence",
    "grpid": "sequence",
    "eval": "sequence",
    "method": "condition",
}


@dataclass
class Column:
    """One column: its place in the table, heading, meaning, and the codes that hold in it."""

    place: int
    name: str
    meaning: Meaning
    variable: Variable | None = None
    codes: dict[str, str] = field(default_factory=dict)
    missing: tuple[str, ...] = ()
    open: str = ""  # the question that asks what the column is
    guesses: tuple[str, ...] = ()  # instruments it may belong to, where no name says so

    @property
    def role(self) -> str:
        return self.meaning.role


@dataclass
class Source:
    """One table with what is known around it. visit: of the whole sheet. participant: typed code of the whole form."""

    table: Table
    columns: list[Column]
    around: Around
    visit: VisitWord | None = None
    participant: str = ""
    waits: str = ""  # the question all its lines wait for
    by_date: bool = False  # the visits are the lines of a person in the order of their dates

    def of(self, role: str) -> list[Column]:
        return [column for column in self.columns if column.role == role]

    def one(self, role: str) -> Column | None:
        return next(iter(self.of(role)), None)

    @property
    def measures(self) -> list[Column]:
        return self.of(MEASURE)

    @property
    def long(self) -> bool:
        """Whether each row is one answer: a column says what was measured, another holds the value."""
        return (
            not self.measures
            and bool(self.of("value"))
            and bool(self.of("instrument") or self.of("item") or self.of("item_name"))
        )

    @property
    def name(self) -> str:
        return self.table.page.name


def map_tables(tables: list[Table], facts: Facts) -> list[Source]:
    """The sources of an import: every table with the meanings of its columns."""
    sources = []
    visits_of_sheets = _sheet_visits(tables)
    for table in tables:
        sources.append(_source(table, tables, facts, visits_of_sheets.get(table.page.name)))
    return [source for source in sources if source.columns]


def _sheet_visits(tables: list[Table]) -> dict[str, VisitWord]:
    """Sheets that are named after their visit, where at least two are."""
    named = {table.page.name: word for table in tables if (word := read_visit(table.page.subject, bare=False))}
    return named if len(named) > 1 else {}


def _source(table: Table, tables: list[Table], facts: Facts, sheet_visit: VisitWord | None) -> Source:
    page = table.page
    instrument, scale = instrument_of(page.subject)
    if not instrument and table.title:
        instrument, scale = instrument_of(table.title)
    timed = (
        sheet_visit is not None
        or bool(table.visits)
        or any(whole(t, "roles") == "visit" for texts in table.heads.values() for t in texts)
    )
    around = Around(instrument=instrument, scale=scale, timed=timed)
    corner = min(table.heads) if table.view.turned else 0
    prefix = ""
    if corner and not whole(table.heads[corner][-1], "roles") and table.key is None:
        prefix = " ".join(table.heads[corner])
    columns = []
    for place, texts in table.heads.items():
        own = texts[1:] if place in table.over else texts
        shown = tuple(facts.legend.get(simple(text), text) if len(text) < 12 else text for text in own)
        variable = page.variables.get(place) or facts.variables.get(simple(texts[-1]))
        if place == corner and table.key is None and not table.form:
            meaning = Meaning("visit" if table.view.turned else "")
        elif place == table.key:
            meaning = Meaning("participant")
        else:
            meaning = _standard(texts) or recognise((prefix, *shown) if prefix else shown, around, variable)
            if place in table.over:
                meaning = replace(meaning, visit=read_visit(table.over[place], bare=False))
        columns.append(_column(place, texts, meaning, variable, facts))
    above = read_visit(table.title, bare=False) if table.title else None
    source = Source(table, columns, around, None if _visits_inside(columns) else above or sheet_visit)
    _second_look(source, facts)
    source.participant = _whose(table, tables)
    return source


def _standard(texts: tuple[str, ...]) -> Meaning | None:
    """Variables of the CDISC SDTM findings domains (an open standard) by their names."""
    match = _STANDARD.fullmatch(texts[-1].strip().lower()) if len(texts) == 1 else None
    if match and len(texts[-1]) > len(match[1]):
        return Meaning(_STANDARD_ROLES[match[1]])
    return None


def _column(place: int, texts: tuple[str, ...], meaning: Meaning, variable: Variable | None, facts: Facts) -> Column:
    codes: dict[str, str] = {}
    for key in (f"role {meaning.role}", *(simple(text) for text in texts), simple(" ".join(texts))):
        codes.update(facts.codes.get(key, {}))
    if meaning.role in (MEASURE, "value", "derived"):
        codes = {**facts.general, **codes}
    missing: tuple[str, ...] = ()
    if variable:
        codes.update(code_keys(variable.codes))
        missing = tuple(code_keys(dict.fromkeys(variable.missing, "")))
    return Column(place, " | ".join(texts), meaning, variable, codes, missing)


def _visits_inside(columns: list[Column]) -> bool:
    return any(column.role == "visit" or column.meaning.visit for column in columns)


def _whose(table: Table, tables: list[Table]) -> str:
    """The code on the form that a table without participants belongs to, or the sheet's name where sheets are "
    "people."""
    if table.key is not None:
        return ""
    forms = [
        other
        for other in tables
        if other.page is table.page and other.form and other.key is not None and other.first <= table.first
    ]
    for form in reversed(forms):
        for line in form.lines:
            if form.key is not None and (text := form.view.text(line, form.key)):
                return text
    same = [other for other in tables if other.page is table.page and other.key is not None]
    return "" if same or forms else f"sheet {table.page.subject}"


def _second_look(source: Source, facts: Facts) -> None:
    """What only the whole table shows: sides by their values, trials beside means, numbered items, one visit column."""
    table = source.table
    values = {c.place: _values(table, c.place) for c in source.columns}
    has_measures = bool(source.measures) or bool(source.of("value"))
    for column in source.columns:
        role, texts = column.role, values[column.place]
        sided = bool(texts) and all(whole(text, "sides") for text in texts)
        said = [column.codes.get(text.lower(), text) for text in texts] if table.key is not None else []
        visits = len(set(texts)) > 1 and bool(said) and all(read_visit(text, bare=False) for text in said)
        if role in ("", "instrument", "item") and visits and not source.one("visit"):
            column.meaning = Meaning("visit")
        elif role == "" and sided and column.meaning.side == "affected":
            column.meaning = Meaning("affected_side")
        elif role == "arm" and sided:
            column.meaning = Meaning("side" if has_measures else "affected_side")
        elif role == "hand":
            column.meaning = Meaning(
                "side" if has_measures and source.one("visit") else "affected_side", rest=("hand",)
            )
        elif role == "side" and (not has_measures or _one_line_each(source)):
            column.meaning = Meaning("affected_side", rest=("side",))
        elif role == "condition" and texts and not all(whole(text, "conditions") for text in texts):
            column.meaning = Meaning("diagnosis" if not has_measures else "")
        elif role == "instrument" and not source.of("value"):
            column.meaning = Meaning("", rest=("instrument",))
        elif role == "value" and not (source.of("instrument") or source.of("item") or source.of("item_name")):
            column.meaning = _alone(column, source)
    _single_roles(source, values)
    _two_names_of_visits(source)
    _trials_and_means(source)
    _sides_in_pairs(source)
    _lettered_times(source)
    _numbered_visits(source, values)
    _numbered_items(source, values)
    for column in source.columns:
        meaning = column.meaning
        if meaning.role == MEASURE and meaning.table == "items" and meaning.number is not None:
            known = find_instrument(meaning.instrument)
            if known and (item := item_of(meaning, known)):
                column.meaning = replace(meaning, item=item)
    pages = facts.sides.get(table.page.name, {})
    for column in source.columns:
        if column.role == MEASURE and not column.meaning.side and not source.one("side"):
            side = pages.get(column.meaning.instrument) or pages.get("", "")
            column.meaning = replace(column.meaning, side=side)


def _alone(column: Column, source: Source) -> Meaning:
    """ "Score" on the sheet of one instrument is its total."""
    if source.around.instrument:
        known = find_instrument(source.around.instrument)
        scale = source.around.scale or (known.main_scale.id if known else "")
        return Meaning(MEASURE, table="totals", instrument=source.around.instrument, scale=scale, stat="total")
    return Meaning("", rest=tuple(simple(column.name).split()))


def _values(table: Table, place: int) -> list[str]:
    return [text for line in table.lines if (text := table.view.text(line, place))]


def _single_roles(source: Source, values: Mapping[int, list[str]]) -> None:
    """Of several columns with one role, the best one keeps it."""
    for role in (
        "visit",
        "participant",
        "arm",
        "age",
        "sex",
        "affected_side",
        "dominant_side",
        "diagnosis",
        "instrument",
        "side",
    ):
        columns = [column for column in source.of(role) if not column.meaning.visit]
        if len(columns) < 2:
            continue
        if role == "visit":
            best = max(
                columns,
                key=lambda c: (not all(t.replace(".", "").isdigit() for t in values[c.place]), bool(values[c.place])),
            )
        elif role == "participant":
            best = next((c for c in columns if c.place == source.table.key), columns[0])
        else:
            best = max(columns, key=lambda c: bool(values[c.place]))
        for column in columns:
            if column is not best:
                column.meaning = Meaning("sequence", rest=(f"second column for {role}",))


def _trials_and_means(source: Source) -> None:
    """Means beside the trials they are made of are derived; a total beside trials of the same hand as well."""
    trials = {c.meaning.instrument for c in source.measures if c.meaning.table == "trials"}
    for column in source.measures:
        meaning = column.meaning
        if meaning.table == "totals" and meaning.instrument in trials and (meaning.stat or meaning.number is None):
            column.meaning = replace(meaning, role="derived")


def _two_names_of_visits(source: Source) -> None:
    """Names of columns say "t0" and their labels "before", always in the same pairs: two names of one visit.

    Where a pair is not kept to, one of the two is wrong, and the import asks.
    """
    measured = [column for column in source.measures if column.meaning.visit]
    pairs: dict[tuple[object, ...], set[tuple[object, ...]]] = {}
    turned: dict[tuple[object, ...], set[tuple[object, ...]]] = {}
    for column in measured:
        own, other = column.meaning.visit, column.meaning.other_visit or column.meaning.visit
        if own and other:
            pairs.setdefault(own.key, set()).add(other.key)
            turned.setdefault(other.key, set()).add(own.key)
    apart = [column for column in measured if column.meaning.other_visit]
    kept = all(len(found) == 1 for found in (*pairs.values(), *turned.values()))
    if kept and len(pairs) > 1 and len(apart) == len(measured) > len(pairs):
        for column in apart:
            column.meaning = replace(column.meaning, other_visit=None)


def _one_line_each(source: Source) -> bool:
    """Whether every participant has one line, and the visits stand in the headings."""
    table = source.table
    if table.key is None or source.one("visit") or not any(column.meaning.visit for column in source.measures):
        return False
    codes = _values(table, table.key)
    return len(codes) > 1 and len(set(codes)) == len(codes)


_TIMES = {"m": ("month", 365.25 / 12), "d": ("day", 1.0), "s": ("week", 7.0), "y": ("year", 365.25)}


def _lettered_times(source: Source) -> None:
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


def _numbered_visits(source: Source, values: Mapping[int, list[str]]) -> None:
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


def ask_unknown(sources: list[Source], questions: Questions) -> None:
    """Columns of numbers under words that nobody knows are asked about: one question for one name, whatever its "
    "visits."""
    for source in sources:
        if source.long:
            continue
        changed = False
        for column in source.columns:
            if column.role or column.place == source.table.key:
                continue
            texts = _values(source.table, column.place)
            numeric = sum(bool(number_text(text)) for text in texts)
            if numeric < max(3, len(texts) / 2) or len(set(texts)) < 3:
                continue
            rest = [word for word in column.meaning.rest if len(word) > 1]
            stem = " ".join(rest) or " ".join(word for word in tokens(column.name) if len(word) > 1)
            answer = questions.ask(
                ASK,
                f"what is {stem}",
                f"{source.name}: {column.name}",
                f"Columns of numbers named {stem!r} were not recognised. What do they hold? Write the name of an "
                f"instrument "
                "(and its scale or unit), or leave out.",
                ("leave out",),
            )
            column.open = "" if answer else slug(f"what is {stem}")
            if not answer or simple(answer).startswith("leave"):
                continue
            found = recognise([f"{answer} {column.meaning.number or ''}".strip()], source.around)
            if found.role == "":
                questions.refuse(
                    f"what is {stem}",
                    f"found {answer!r}, allowed the name of an instrument of the catalogue, or leave out",
                )
                column.open = slug(f"what is {stem}")
                continue
            own = column.meaning
            column.meaning = replace(
                found,
                visit=own.visit,
                side=found.side or own.side,
                condition=found.condition or own.condition,
                unit=found.unit or own.unit,
                rest=tuple(word for word in own.rest if len(word) == 1),
            )
            changed = True
        if changed:
            _trials_and_means(source)
            _sides_in_pairs(source)


BY_DATE = "the order of the dates"


def ask_visits(sources: list[Source], questions: Questions) -> None:
    """A table with several lines a person and no visit that anybody knows: which column tells the visits apart?"""
    for source in sources:
        table = source.table
        visits = source.visit or table.visits or any(c.role == "visit" or c.meaning.visit for c in source.columns)
        if visits or table.key is None or table.form or not (source.measures or source.long):
            continue
        apart = [c for c in source.columns if c.role in ("side", "condition", "trial", "repeat", "instrument", "item")]
        lines: dict[tuple[str, ...], list[int]] = {}
        for line in table.lines:
            if code := table.view.text(line, table.key):
                lines.setdefault((code, *(table.view.text(line, c.place) for c in apart)), []).append(line)
        several = [group for group in lines.values() if len(group) > 1]
        if len(several) < 2 or len(several) < _MOST * len(lines):
            continue
        choices = [
            column.name
            for column in source.columns
            if column.role in ("", "sequence", "instrument", "status") and _tells_apart(table, column, several)
        ]
        dates = [source.one("date") or next((c for c in source.columns if c.role == "" and _dated(table, c)), None)]
        choices += [BY_DATE] if dates[0] else []
        name = f"visit column {source.name}"
        answer = questions.ask(
            ASK,
            name,
            source.name,
            f"Most people have several lines here (up to {max(map(len, several))}), and no column was recognised as "
            "the visit. Which column tells the visits apart?",
            (*choices, "leave out"),
            choices[0] if len(choices) == 1 else "",
        )
        chosen = next((c for c in source.columns if c.name == answer), None)
        if chosen is not None:
            chosen.meaning, chosen.open = Meaning("visit"), ""
        elif answer == BY_DATE and dates[0] is not None:
            source.by_date = True
            dates[0].meaning, dates[0].open = Meaning("date"), ""
        else:
            if answer and not simple(answer).startswith("leave"):
                questions.refuse(name, f"found {answer!r}, allowed {', '.join((*choices, 'leave out'))}")
            source.waits = slug(name)


def _dated(table: Table, column: Column) -> bool:
    cells = [cell for line in table.lines if (cell := table.view.cell(line, column.place))]
    return len(cells) > 1 and all(read_date(cell.value, cell.text) for cell in cells)


def _tells_apart(table: Table, column: Column, groups: list[list[int]]) -> bool:
    """Whether each line of a person has another text there, of texts that come back with other people."""
    texts = [[table.view.text(line, column.place) for line in group] for group in groups]
    distinct = {text for group in texts for text in group}
    return all("" not in group and len(set(group)) == len(group) for group in texts) and len(distinct) <= 2 * max(
        map(len, groups)
    )


def _numbered_items(source: Source, values: Mapping[int, list[str]]) -> None:
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
        and typed <= {level for item in known.items for level in item.levels}
    ]
    if not fits:
        return
    for column, number in zip(columns, numbers, strict=True):
        column.meaning = Meaning(MEASURE, "items", fits[0], number=number, stat="guess", near="", rest=())
        column.guesses = tuple(fits)


def _number_of(name: str) -> int | None:
    words = [
        word
        for word in tokens(name)
        if word not in ("item", "q", "question", "frage", "item", "pregunta", "domanda", "vraag", "nr", "no")
    ]
    return int(words[0]) if len(words) == 1 and words[0].isdigit() else None


# Left and right as letters: Romance languages, Polish and Czech, Scandinavian languages, Finnish, Russian, Greek.
_SIDE_LETTERS = (
    *((letter, "d") for letter in "gise"), ("l", "p"), ("v", "h"), ("v", "o"), ("л", "п"), ("α", "δ")
)  # fmt: skip


def _sides_in_pairs(source: Source) -> None:
    """ "D" and "G", "D" and "I": right and left in the languages where those are the letters."""
    rests = [set(column.meaning.rest) for column in source.measures if not column.meaning.side]
    known = {column.meaning.side for column in source.measures}
    for left, right in _SIDE_LETTERS:
        has = [any(letter in rest for rest in rests) for letter in (left, right)]
        # "L" is known as left, so that its partner ("P" in Polish) stands alone.
        if not (has[0] or (left == "l" and "left" in known)) or not has[1]:
            continue
        for column in source.measures:
            rest = column.meaning.rest
            for letter, side in ((left, "left"), (right, "right")):
                if letter in rest and not column.meaning.side:
                    rest = tuple(word for word in rest if word != letter)
                    column.meaning = replace(column.meaning, side=side, rest=rest)
        break
    _one_sided_pairs(source)


def _one_sided_pairs(source: Source) -> None:
    """Of one test two columns, one of a named hand and one of none: which hand the other is, is asked, not assumed."""
    groups: dict[tuple[object, ...], list[Column]] = {}
    for column in source.measures:
        m = column.meaning
        if m.table != "angles":
            visit = m.visit.key if m.visit else None
            key = (m.table, m.instrument, m.scale, m.item, m.number, m.stat, m.condition, visit)
            groups.setdefault(key, []).append(column)
    for columns in groups.values():
        named = {column.meaning.side for column in columns}
        if len(columns) > 1 and "" in named and named & {"left", "right", "affected", "other"}:
            for column in columns:
                if not column.meaning.side:
                    column.meaning = replace(column.meaning, side=" ".join(tokens(column.name)))


_FIELDS = ("side", "condition", "unit", "mode", "stat")


def text_of(meaning: Meaning) -> str:
    """A meaning as one line of import.toml, which `meaning_of` reads back."""
    if meaning.role != MEASURE:
        parts = [meaning.role or "left out"]
    elif meaning.table == "angles":
        parts = ["angle " + " ".join(filter(None, (meaning.digit, meaning.joint, meaning.movement)))]
    elif meaning.table == "items":
        parts = [f"item {meaning.instrument}.{meaning.item or meaning.number}"]
    elif meaning.table == "trials":
        parts = [f"trial {meaning.number} of {meaning.instrument}"]
    else:
        parts = [f"total {meaning.outcome}"]
    if meaning.visit:
        parts.append(f"visit {meaning.visit.label}")
    parts += [f"{name} {getattr(meaning, name)}" for name in _FIELDS if getattr(meaning, name)]
    return "; ".join(parts)


def meaning_of(text: str) -> Meaning:
    """The meaning a line of import.toml describes.

    Raises ValueError with what is wrong.
    """
    head, *rest = [part.strip() for part in text.split(";")]
    what, _, name = head.partition(" ")
    if what == "total" and "." in name:
        instrument, scale = name.split(".", 1)
        meaning = Meaning(MEASURE, "totals", instrument, scale)
    elif what == "item" and "." in name:
        instrument, item = name.split(".", 1)
        meaning = Meaning(MEASURE, "items", instrument, item=item)
    elif match := re.fullmatch(r"trial (\d+) of (\w+)", head):
        meaning = Meaning(MEASURE, "trials", match[2], number=int(match[1]))
    elif what == "angle":
        words = name
        meaning = Meaning(
            MEASURE,
            "angles",
            digit=(within(words, "digits") or [""])[0],
            joint=(within(words, "joints") or [""])[0],
            movement=(within(words, "movements") or [""])[0],
        )
    else:
        meaning = Meaning("" if head in ("left out", "") else head)
    for part in rest:
        name, _, value = part.partition(" ")
        if name == "visit":
            word = read_visit(value)
            meaning = replace(meaning, visit=word or VisitWord("word", value))
        elif name in _FIELDS:
            meaning = replace(meaning, **{name: value})  # type: ignore[arg-type]  # a text field by name
        elif part:
            raise ValueError(f"found {part!r}, allowed {', '.join(('visit', *_FIELDS))} with a word")
    return meaning
