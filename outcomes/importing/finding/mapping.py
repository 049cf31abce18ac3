"""What each column of each table is: the declarative part of an import, written to import.toml and read back."""

import re
from dataclasses import replace

from outcomes.importing.finding.code_books import Facts
from outcomes.importing.finding.mapped_tables import Column, Source
from outcomes.importing.finding.page_tables import Table, ids_of
from outcomes.importing.finding.second_look import second_look
from outcomes.importing.finding.training_log import training_log
from outcomes.importing.language.cell_values import code_keys, reason_of
from outcomes.importing.language.code_pairs import heading_codes
from outcomes.importing.language.headings import MEASURE, Around, Meaning, instrument_of, recognise
from outcomes.importing.language.visit_words import NUMBERED, VisitWord, read_visit
from outcomes.importing.language.vocabulary import groups, simple, whole, within
from outcomes.importing.opening.pages import Variable
from outcomes.library.known import find_instrument

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


_NUMBERED = re.compile(r"[\W_]*\d+$")


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
    if corner and not whole(table.heads[corner][-1], "roles") and table.key is None and not table.form:
        prefix = " ".join(table.heads[corner])
    if _numbers_of_trials(table, around):
        around = replace(around, numbered=True)
    columns = []
    for place, texts in table.heads.items():
        own = texts[1:] if place in table.over else texts
        shown = tuple(facts.legend.get(simple(text), text) if len(text) < 12 else text for text in own)
        variable = page.variables.get(place) or facts.variables.get(simple(texts[-1]))
        if variable is None and (stem := facts.variables.get(simple(_NUMBERED.sub("", texts[-1])))):
            variable = replace(stem, label="")  # "quickdash" in a code book holds for quickdash_1 to quickdash_11
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
    second_look(source, facts)
    training_log(source)
    source.participant = _whose(table, tables)
    return source


def _numbers_of_trials(table: Table, around: Around) -> bool:
    """ "Grip pre 1, pre 2, post 1, post 2": the numbers behind "post" are the trials (or items) seen at "pre"."""
    found = [recognise(texts, replace(around, numbered=True)) for texts in table.heads.values()]
    numbers: dict[tuple[str, ...], dict[tuple[object, ...], set[int]]] = {}
    for meaning in found:
        if meaning.role == MEASURE and meaning.visit and meaning.number is not None:
            per_visit = numbers.setdefault((meaning.instrument, meaning.scale, meaning.side, meaning.condition), {})
            per_visit.setdefault((meaning.visit.kind, *meaning.visit.key), set()).add(meaning.number)
    return any(
        len(own) > 1 and any(own == other and kind[0] not in NUMBERED for kind, other in visits.items())
        for visits in numbers.values()
        for kind_of, own in visits.items()
        if kind_of[0] in NUMBERED
    )


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
    for text in texts:
        own = heading_codes(text)[1]
        # Of a measure "10 = worst" says what a number means, and only "9 = refused" that there is none.
        if meaning.role in (MEASURE, "value", "derived"):
            own = {code: words for code, words in own.items() if reason_of(words)[0]}
        codes.update(code_keys(own))
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
    if forms:  # the last form above the table: where its code is blank, the table is nobody's
        return next(iter(ids_of(forms[-1])), "")
    same = [other for other in tables if other.page is table.page and other.key is not None]
    return "" if same else f"{SHEET}{table.page.subject}"


SHEET = "sheet\t"  # before the name of a sheet that may be a code: no cell that names a person holds a tab
_FIELDS = ("side", "condition", "unit", "mode", "stat")
_ROLES = frozenset((*groups()["roles"], *groups()["training"], "training_date", "derived", "visit only"))


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
    instrument, _, part = name.partition(".")
    known = find_instrument(instrument)  # what is not in the catalogue is said with its cells
    if what == "total" and name:
        if known and part and not known.scale(part):
            scales = ", ".join(scale.id for scale in known.scales)
            raise ValueError(f"found {head!r}, allowed are the scores {scales} of {instrument}")
        meaning = Meaning(MEASURE, "totals", instrument, part or (known.main_scale.id if known else ""))
    elif what == "item" and part:
        if known and not known.item(part) and not part.isdigit():
            items = ", ".join(item.id for item in known.items[:3])
            raise ValueError(f"found {head!r}, allowed is an item of {instrument} by its id ({items}, ...) or number")
        number = int(part) if part.isdigit() and not (known and known.item(part)) else None
        meaning = Meaning(MEASURE, "items", instrument, item="" if number else part, number=number)
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
    elif head in ("left out", ""):
        meaning = Meaning()
    elif head in _ROLES:
        meaning = Meaning(head)
    else:
        measures = "total INSTRUMENT.SCALE, item INSTRUMENT.ITEM, trial NUMBER of INSTRUMENT, angle WORDS"
        raise ValueError(f"found {head!r}, allowed {measures}, left out, {', '.join(sorted(_ROLES))}")
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
