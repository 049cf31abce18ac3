"""Rows that cannot all be kept: totals of items that wait, one measurement in several places."""

from collections import defaultdict

from outcomes.importing.language.cell_values import number_text
from outcomes.importing.language.vocabulary import simple
from outcomes.importing.making.accounts import Accounts
from outcomes.importing.making.rows import Row
from outcomes.importing.questions import ASK


def drop_totals_of_held_items(accounts: Accounts) -> None:
    """A total waits with its items: beside fewer of them it would be found wrong."""
    kept = []
    for row in accounts.done.rows:
        o = row.observation
        if row.table == "totals" and (id(o.record), o.meaning.instrument) in accounts.held_items:
            accounts.ledger.put(
                o.record.source.table.page, o.row, o.place, "held", "an item of this total waits for an answer"
            )
            continue
        kept.append(row)
    accounts.done.rows = kept


def settle_conflicts(accounts: Accounts) -> None:
    """The same measurement from two places: once where they agree, a question where they differ."""
    groups: dict[tuple[str, ...], list[Row]] = defaultdict(list)
    for row in accounts.done.rows:
        groups[row.key].append(row)
    for group in groups.values():
        if len(group) == 1:
            continue
        values = {_plain_text(row.cells.get("value", row.cells.get("degrees", ""))) for row in group}
        if len(values) == 1:
            for row in group[1:]:
                accounts.aside(row.observation, f"the same value as {group[0].observation.address}")
                accounts.done.rows.remove(row)
            continue
        _ask_conflict(accounts, group)


def _ask_conflict(accounts: Accounts, group: list[Row]) -> None:
    first = group[0]
    sources = list(dict.fromkeys(row.observation.record.source.name for row in group))
    columns = list(dict.fromkeys(row.observation.column.name for row in group))
    choices = (
        sources if len(sources) > 1 else columns if len(columns) > 1 else [row.observation.address for row in group]
    )
    name = f"differs {' '.join(sources)} {' '.join(columns) if len(sources) < 2 else ''}"
    name += f" {first.observation.address}" if len(sources) < 2 and len(columns) < 2 else ""
    places = " and ".join(row.observation.address for row in group)
    answer = accounts.questions.ask(
        ASK,
        name,
        places,
        f"The same measurement stands in several places with different values (e.g. {first.cells['participant']}, "
        f"{first.visit.label}, {first.observation.column.name}). Which place counts?",
        choices,
    )
    chosen = [
        row
        for row in group
        if answer
        and simple(answer)
        in (
            simple(row.observation.record.source.name),
            simple(row.observation.address),
            simple(row.observation.column.name),
        )
    ]
    if answer and not chosen:
        accounts.questions.refuse(name, f"found {answer!r}, allowed {', '.join(choices)}")
    for row in group:
        if row in chosen[:1]:
            continue
        accounts.done.rows.remove(row)
        if chosen:
            accounts.aside(row.observation, f"{answer} was chosen")
        else:
            accounts.hold(row.observation, name, row.visit)


def _plain_text(text: str) -> str:
    return f"{float(number):.10g}" if (number := number_text(text)) else text
