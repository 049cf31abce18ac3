"""Every measured cell with whose it is, from which visit, and what it measures."""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from outcomes.importing.finding.code_books import Facts
from outcomes.importing.finding.hands_in_codes import code_and_hand
from outcomes.importing.finding.mapped_tables import Column, Source
from outcomes.importing.finding.mapping import SHEET
from outcomes.importing.finding.people import Codes, key_of, make_alike
from outcomes.importing.language.calendar_dates import read_date
from outcomes.importing.language.headings import FAMILIES, MEASURE, Meaning, item_of, recognise
from outcomes.importing.language.visit_words import VisitWord, apart_from_arm, read_visit
from outcomes.importing.language.vocabulary import simple, tokens, whole
from outcomes.importing.opening.pages import Cell
from outcomes.library.instrument import Instrument
from outcomes.library.known import find_instrument

_NOT_VISITS = ("screening", "unscheduled")


@dataclass
class Record:
    """One line of a table: whose it is, and what it says beside its measured cells. typed: the code as it stands "
    "there."""

    source: Source
    line: int
    typed: str
    participant: str
    visit: VisitWord | None = None
    side: str = ""
    condition: str = ""
    unit: str = ""
    arm: str = ""  # that the name of the visit says
    group: str = ""  # words on a line of their own above this one
    trial: int | None = None
    repeat: str = ""
    filled_down: bool = False

    def cell(self, column: Column | None) -> Cell | None:
        return merged_cell(self.source, self.line, column.place) if column else None

    def text(self, role: str) -> str:
        cell = self.cell(self.source.one(role))
        return cell.text.strip() if cell else ""

    @property
    def where(self) -> str:
        row, column = self.source.table.view.at(self.line, self.source.table.key or 1)
        view = self.source.table.view
        return f"{self.source.name}, column {column}" if view.turned else f"{self.source.name}, row {row}"


@dataclass
class Observation:
    """One cell of one measurement. cell: None where it is blank but coloured."""

    record: Record
    column: Column
    meaning: Meaning
    visit: VisitWord | None
    row: int
    place: int
    cell: Cell | None
    fill: str = ""
    codes: dict[str, str] = field(default_factory=dict)

    @property
    def text(self) -> str:
        return self.cell.text.strip() if self.cell else ""

    @property
    def address(self) -> str:
        return self.record.source.table.page.address(self.row, self.place)

    @property
    def instrument(self) -> Instrument | None:
        return find_instrument(self.meaning.instrument) or find_instrument(
            FAMILIES.get(self.meaning.instrument, ("",))[0]
        )


def merged_cell(source: Source, line: int, place: int) -> Cell | None:
    """The cell of a line, or the one merged over it."""
    view = source.table.view
    if cell := view.cell(line, place):
        return cell
    merged = view.merged_at(line, place)
    return view.cell(merged[0], merged[1]) if merged and merged[0] not in source.table.header else None


def collect_records(sources: list[Source]) -> tuple[list[Record], Codes]:
    """The lines of all tables with their participants, and how their codes are spelled alike."""
    records = [record for source in sources for record in _records(source)]
    people = {key_of(record.typed) for record in records if record.typed and not record.typed.startswith(SHEET)}
    for record in records:
        if record.typed.startswith(SHEET):
            name = record.typed.removeprefix(SHEET)
            nobody = (people and key_of(name) not in people) or _of_several(record.source)
            record.typed = "" if nobody and not _sheets_are_people(sources) else name
    listed = [
        r.typed
        for r in records
        if r.source.of("sex") or r.source.of("age") or r.source.of("affected_side") or r.source.of("arm")
    ]
    codes = make_alike([record.typed for record in records if record.typed], listed)
    for record in records:
        record.participant = codes.of(record.typed) if record.typed else ""
    _by_dates(records)
    return records, codes


def _by_dates(records: list[Record]) -> None:
    """Numbers the lines of each person in the order of their dates, where somebody said that those are the visits."""
    groups: dict[tuple[int, str], dict[str, list[Record]]] = {}
    for record in records:
        if record.source.by_date and (cell := record.cell(record.source.one("date"))):
            found = read_date(cell.value, cell.text)
            day = found and (found.day_first or found.month_first)
            if day and record.visit is None:
                groups.setdefault((id(record.source), record.participant), {}).setdefault(str(day), []).append(record)
    for days in groups.values():
        for number, name in enumerate(sorted(days), 1):
            for record in days[name]:
                record.visit = VisitWord("ordinal", str(number), number=number)


def _of_several(source: Source) -> bool:
    """Whether a sheet without codes has a visit in several lines: it holds several people, and is none itself."""
    visit, told = source.one("visit"), ("side", "condition", "trial", "repeat", "instrument", "item")
    if visit is None or source.long:
        return False
    keys = [
        tuple(source.table.view.text(line, c.place) for c in source.columns if c is visit or c.role in told)
        for line in source.table.lines
    ]
    return len(keys) - len(set(keys)) > 1


def _sheets_are_people(sources: list[Source]) -> bool:
    """Whether most sheets without a participant are named like codes (letters and a number)."""
    names = {s.table.page.subject for s in sources if s.participant.startswith(SHEET)}
    coded = [name for name in names if any(t.isdigit() for t in tokens(name)) and not read_visit(name, bare=False)]
    return len(coded) >= 2 and len(coded) >= 0.7 * len(names)


def _records(source: Source) -> Iterator[Record]:
    table = source.table
    visit_column, side_column = source.one("visit"), source.one("side")
    last = ""
    for line in table.lines:
        filled = False
        if table.key is None:
            typed = source.participant
        else:
            cell = merged_cell(source, line, table.key)
            typed = cell.text.strip() if cell else ""
            if typed:
                last = typed
            elif last and visit_column and table.view.text(line, visit_column.place):
                typed, filled = last, True
        hand = ""
        if source.hands:
            typed, hand = code_and_hand(typed)
        above = table.visits.get(line, "")
        record = Record(source, line, typed, typed, read_visit(above) if above else source.visit, filled_down=filled)
        record.group = table.groups.get(line, "")
        record.side, record.condition = hand or whole(record.group, "sides"), whole(record.group, "conditions")
        if visit_column:
            text, record.arm = apart_from_arm(record.text("visit"))
            if visit_column.meaning.unit and text.isdigit():
                text = f"{visit_column.meaning.unit} {text}"
            record.visit = read_visit(text) or (VisitWord("word", text) if text else source.visit)
            if text and visit_column.codes and (said := visit_column.codes.get(text.lower())):
                word = read_visit(said) or VisitWord("word", said)
                record.visit = replace(word, label=said)
        if side_column:
            text = record.text("side")
            record.side = whole(side_column.codes.get(text.lower(), text), "sides") or text
        if column := source.one("condition"):
            text = record.text("condition")
            record.condition = whole(column.codes.get(text.lower(), text), "conditions") or text
        record.unit = whole(record.text("unit"), "units")
        number = record.text("trial")
        record.trial = int(float(number)) if number.replace(".0", "").isdigit() else None
        record.repeat = record.text("repeat")
        yield record


def observe(records: list[Record], facts: Facts) -> list[Observation]:
    """All measured cells."""
    found: list[Observation] = []
    for record in records:
        if record.source.long:
            found += _of_long(record, facts)
            continue
        table = record.source.table
        for column in record.source.measures:
            row, place = table.view.at(record.line, column.place)
            cell = table.page.cells.get((row, place))
            fill = table.page.fills.get((row, place), "")
            if cell is None and not fill:
                continue
            meaning = _completed(column.meaning, record)
            visit = column.meaning.visit or record.visit
            found.append(
                Observation(
                    record, column, meaning, visit, row, place, cell, fill or (cell.fill if cell else ""), column.codes
                )
            )
    return found


def _completed(meaning: Meaning, record: Record) -> Meaning:
    """The meaning with what the line says: its side, condition, unit and trial."""
    side = meaning.side or (record.side if meaning.table != "" else "")
    found = replace(
        meaning,
        side=side,
        condition=meaning.condition or record.condition,
        unit=meaning.unit or record.unit,
    )
    if record.trial is not None and found.table == "totals":
        known = find_instrument(found.instrument)
        if known and known.main_scale.kind == "trials":
            found = replace(found, table="trials", scale="", number=record.trial)
    return found


def _of_long(record: Record, facts: Facts) -> Iterator[Observation]:
    """The one answer of a line of a long table, or the one of each visit that stands over its values."""
    source, table = record.source, record.source.table
    meaning = _completed(_long_meaning(record, source, facts), record)
    reason = record.text("status") or record.text("reason")
    for column in [c for c in source.of("value") if c.meaning.visit] or [value_column(source)]:
        row, place = table.view.at(record.line, column.place)
        cell = table.page.cells.get((row, place))
        if cell is not None or reason:
            visit = column.meaning.visit or record.visit
            yield Observation(record, column, meaning, visit, row, place, cell, "", column.codes)


def value_column(source: Source) -> Column:
    """Of several value columns the one that holds most numbers; the first of equals."""
    table = source.table

    def numbers(column: Column) -> int:
        return sum(
            table.view.text(line, column.place).replace(".", "", 1).replace(",", "", 1).lstrip("-").isdigit()
            for line in table.lines
        )

    return max(source.of("value"), key=numbers)


def _long_meaning(record: Record, source: Source, facts: Facts) -> Meaning:
    said = [record.text("instrument"), record.text("subcategory"), record.text("item_name")]
    item = record.text("item")
    known_id = simple(said[0]).replace(" ", "_")
    variable_text = " ".join(filter(None, said))
    exact = find_instrument(record.text("instrument").strip().lower()) or find_instrument(known_id)
    meaning = recognise(
        [variable_text or item], replace(source.around, instrument=exact.id if exact else source.around.instrument)
    )
    if exact:
        meaning = replace(meaning, role=MEASURE, instrument=exact.id)
    if meaning.role != MEASURE:
        meaning = recognise([f"{variable_text} {item}"], source.around)
    if meaning.role == MEASURE and meaning.instrument in FAMILIES and not meaning.number:
        return replace(meaning, table="totals")  # which edition it is will be asked
    known = find_instrument(meaning.instrument) if meaning.role == MEASURE else None
    if known is None:
        return replace(meaning, role="", rest=(*meaning.rest, *tokens(variable_text)))
    named = record.text("item_name").strip().lower()
    if exact_item := known.item(item) or known.item(item.lower()) or known.item(named):
        return replace(meaning, table="items", item=exact_item.id, number=None, part="", rest=())
    if own_score := known.scale(named.removeprefix("score ")):
        return replace(meaning, table="totals", scale=own_score.id, number=None, part="", rest=())
    if known.main_scale.kind == "trials":
        number = meaning.number or record.trial or _trailing(item)
        return replace(
            meaning, table="trials" if number else "totals", number=number, scale="" if number else known.main_scale.id
        )
    total = meaning.stat in ("total", "mean") or whole(item, "statistics") == "total" or known.scale(item.lower())
    if total:
        scale = known.scale(item.lower())
        return replace(
            meaning, table="totals", number=None, scale=scale.id if scale else meaning.scale or known.main_scale.id
        )
    number = meaning.number if meaning.number is not None else _trailing(item)
    if number is None or len(known.items) == 1:
        return replace(meaning, table="totals", number=None, scale=meaning.scale or known.main_scale.id)
    meaning = replace(meaning, table="items", number=number)
    return replace(meaning, item=item_of(meaning, known))


def _trailing(text: str) -> int | None:
    words = tokens(text)
    return int(words[-1][-2:]) if words and words[-1].isdigit() else None


def planned(observation: Observation) -> bool:
    """Whether the visit of an observation is one of the plan."""
    return observation.visit is None or observation.visit.kind not in _NOT_VISITS
