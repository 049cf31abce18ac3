"""From measured cells to the tables of a study folder, with every cell accounted for."""

import re
from dataclasses import replace

from outcomes.importing.finding.observations import Observation
from outcomes.importing.language.cell_values import Reading, read_measure
from outcomes.importing.language.headings import PAIR
from outcomes.importing.making.accounts import Accounts
from outcomes.importing.making.blank_cells import blank_with_reason, settled_by_colour
from outcomes.importing.making.conflicts import drop_totals_of_held_items, settle_conflicts
from outcomes.importing.making.doubtful_cells import (
    asked,
    commented,
    counts_though_struck,
    holds_several,
    minutes_and_seconds,
    several_trials,
    unsaved,
)
from outcomes.importing.making.meaning.settling import settled
from outcomes.importing.making.meaning.visits_of_cells import visit_of
from outcomes.importing.making.schedule import Visit
from outcomes.importing.making.value_ranges import Ranges, limits_of
from outcomes.library.known import find_instrument


def convert(accounts: Accounts, observations: list[Observation]) -> None:
    """Takes the observations one after the other into the accounts; what is doubtful becomes a question."""
    ranges = Ranges(observations)
    for o in sorted(observations, key=lambda o: o.meaning.table != "items"):
        _convert(accounts, ranges, o)
    drop_totals_of_held_items(accounts)
    settle_conflicts(accounts)


def _convert(accounts: Accounts, ranges: Ranges, o: Observation) -> None:
    kept_out = accounts.holds.why(o.record)
    if kept_out:
        accounts.keep_out(o, *kept_out)
        return
    if not o.record.participant:
        accounts.finding(o, "the line has no participant", "Write the code of the participant into the line.")
        return
    hands = o.meaning.side.split(PAIR)
    parts = re.split(r"[/;|]", o.text)
    if o.cell is not None and len(hands) == 2 == len(parts):
        for hand, part in zip(hands, parts, strict=True):  # "21/31" under "Grip R/L"
            own = replace(o.cell, text=part.strip(), value=part.strip())
            _convert(accounts, ranges, replace(o, cell=own, meaning=replace(o.meaning, side=hand)))
        return
    meaning = settled(accounts, o)
    if meaning is None:
        return
    visit = visit_of(accounts, o)
    if visit is None:
        return
    o.meaning = meaning
    _value(accounts, ranges, o, visit)


def _value(accounts: Accounts, ranges: Ranges, o: Observation, visit: Visit) -> None:
    cell, meaning = o.cell, o.meaning
    limits = limits_of(meaning)
    if not ranges.column_fits(accounts, o, limits):
        return
    if o.fill and settled_by_colour(accounts, o, visit):
        return
    if cell is None:
        blank_with_reason(accounts, o, visit)
        return
    if cell.unsaved:
        unsaved(accounts, o)
        return
    if not cell.text and o.record.source.long and o.record.text("status"):
        accounts.remark(o, visit, cell.comment)  # a cell without a text is kept for its comment
        blank_with_reason(accounts, o, visit)
        return
    if cell.struck and not counts_though_struck(accounts, o):
        return
    text = commented(accounts, o, visit) if cell.comment else o.text
    if text is None:
        return
    if not text:
        accounts.comment_alone(o)
        return
    known = find_instrument(meaning.instrument)
    if known and known.main_scale.kind == "trials" and holds_several(text) and meaning.table in ("totals", "trials"):
        several_trials(accounts, o, visit, text)
        return
    reading = minutes_and_seconds(meaning, text) or read_measure(
        text, o.codes, o.column.missing, limits.high, limits.words, limits.levels
    )
    if reading.kind != "number" and accounts.beside_items(o):
        accounts.aside(o, "text in a total beside its items")
        accounts.remark(o, visit, text)
        return
    if reading.kind == "number" and reading.value not in limits.words:
        reading = ranges.checked(o, reading, limits)
    if reading.kind == "ask":
        reading = asked(accounts, o, visit, reading)
    _take(accounts, o, visit, reading)


def _take(accounts: Accounts, o: Observation, visit: Visit, reading: Reading) -> None:
    """The row, or the status of the visit, that a cell says; nothing while it is asked about."""
    if reading.kind == "ask":
        return
    if reading.remark:
        accounts.remark(o, visit, reading.remark)
    if reading.kind == "status":
        accounts.visit_status(o, visit, reading.reason, reading.remark)
    elif reading.kind == "reason":
        accounts.write(o, visit, reading.reason, number=False)
    elif reading.kind == "number":
        accounts.write(o, visit, reading.value, number=True, unit=reading.unit)
