"""What only a whole table shows: sides by their values, trials beside means, numbered items, one visit column."""

from collections.abc import Mapping
from dataclasses import replace

from outcomes.importing.finding.code_books import Facts
from outcomes.importing.finding.hands_and_trials import side_letters, sides_in_pairs, trials_and_means
from outcomes.importing.finding.mapped_tables import Column, Source, values_of
from outcomes.importing.finding.numbered_columns import lettered_times, numbered_items, numbered_visits, worded_items
from outcomes.importing.language.cell_values import number_text
from outcomes.importing.language.headings import MEASURE, Meaning, item_of
from outcomes.importing.language.visit_words import read_visit, time_unit
from outcomes.importing.language.vocabulary import simple, whole
from outcomes.library.known import find_instrument


def second_look(source: Source, facts: Facts) -> None:
    """What only the whole table shows: sides by their values, trials beside means, numbered items, one visit column."""
    table = source.table
    values = {c.place: values_of(table, c.place) for c in source.columns}
    _visits_across(source, values)
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
    _visit_by_number(source, values)
    _percent_beside_visits(source)
    _single_roles(source, values)
    _two_names_of_visits(source)
    trials_and_means(source)
    sides_in_pairs(source)
    side_letters(source)
    lettered_times(source)
    numbered_visits(source, values)
    numbered_items(source, values)
    worded_items(source)
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


def _visits_across(source: Source, values: Mapping[int, list[str]]) -> None:
    """ "Test | T0 | T1": a line a person and test, with a value for each visit."""
    if not source.one("instrument") or source.measures or source.of("value"):
        return
    for column in source.of("visit only"):
        if any(number_text(text) for text in values[column.place]):
            column.meaning = replace(column.meaning, role="value")


def _visit_by_number(source: Source, values: Mapping[int, list[str]]) -> None:
    """A column "Week" or "Month" of whole numbers, several lines a person, where no other column is the visit."""
    if source.one("visit") or source.table.key is None or not (source.measures or source.long):
        return
    people = values[source.table.key]
    for column in source.columns:
        unit = time_unit(column.name)
        texts = values[column.place]
        several = 1 < len(set(texts)) < len(people) > len(set(people))
        if unit and column.role in ("", "sequence", "onset_months") and several and all(map(str.isdigit, texts)):
            column.meaning = Meaning("visit", unit=unit)
            return


def _percent_beside_visits(source: Source) -> None:
    """ "%" below a test, beside its visits, is a change in percent; below a test alone it is the unit."""
    timed = {column.name.split(" | ")[0] for column in source.measures if column.meaning.visit}
    for column in source.measures:
        over, _, last = column.name.rpartition(" | ")
        if last == "%" and column.meaning.visit is None and over.split(" | ")[0] in timed:
            column.meaning = replace(column.meaning, role="derived")


def _alone(column: Column, source: Source) -> Meaning:
    """ "Score" on the sheet of one instrument is its total."""
    if source.around.instrument:
        known = find_instrument(source.around.instrument)
        scale = source.around.scale or (known.main_scale.id if known else "")
        return Meaning(MEASURE, table="totals", instrument=source.around.instrument, scale=scale, stat="total")
    return Meaning("", rest=tuple(simple(column.name).split()))


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


def _two_names_of_visits(source: Source) -> None:
    """Names of columns say "t0" and their labels "before", always in the same pairs: two names of one visit.

    Where a pair is not kept to, one of the two is wrong, and the import asks.
    """
    measured = [column for column in source.measures if column.meaning.visit]
    pairs: dict[tuple[object, ...], set[tuple[object, ...]]] = {}
    turned: dict[tuple[object, ...], set[tuple[object, ...]]] = {}
    for column in measured:
        own = column.meaning.visit
        assert own is not None  # the columns were chosen by their visit
        other = column.meaning.other_visit or own
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
    codes = values_of(table, table.key)
    return len(codes) > 1 and len(set(codes)) == len(codes)
