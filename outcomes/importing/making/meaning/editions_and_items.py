"""Which edition, score and item a cell belongs to, where its heading leaves that open."""

import re
from collections.abc import Sequence
from dataclasses import replace

from outcomes.importing.finding.observations import Observation
from outcomes.importing.language.headings import FAMILIES, UNNAMED, Meaning, item_of
from outcomes.importing.language.vocabulary import simple
from outcomes.importing.making.accounts import Accounts
from outcomes.importing.questions import ASK, CONFIRM
from outcomes.library.known import find_instrument


def guessed(accounts: Accounts, o: Observation, meaning: Meaning) -> Meaning | None:
    """Numbered columns under no name: the instrument that fits, once somebody has said so."""
    if meaning.stat != "guess":
        return meaning
    guesses = o.column.guesses
    name = f"instrument {o.record.source.name}"
    answer = accounts.questions.ask(
        ASK,
        name,
        o.record.source.name,
        f"Numbered columns under no name. By their number and values they may be {', '.join(guesses)}. Which "
        f"instrument is it?",
        (*guesses, "leave out"),
        guesses[0] if len(guesses) == 1 else "",
    )
    if not answer:
        accounts.hold(o, name)
        return None
    known = find_instrument(answer)
    if known is None:
        if simple(answer).startswith("leave"):
            accounts.aside(o, "numbered columns left out by the answer")
        else:
            accounts.questions.refuse(name, f"found {answer!r}, allowed {', '.join(guesses)}")
            accounts.hold(o, name)
        return None
    meaning = replace(meaning, instrument=known.id, stat="")
    return replace(meaning, item=item_of(meaning, known))


def worded_items(accounts: Accounts, o: Observation, meaning: Meaning) -> Meaning | None:
    """As many columns with words as the form has items: its items in order, once somebody has said so."""
    if meaning.stat != "worded":
        return meaning
    known = find_instrument(meaning.instrument)
    assert known is not None  # its items were counted
    count = len(known.main_scale.items)
    place = o.record.source.name
    text = (
        f"{count} columns name {known.name} and something else each, and its form has {count} items. Are they items 1 "
        f"to {count}, in this order?"
    )
    name, why = f"items in words {meaning.instrument} {place}", "items left out by the answer"
    return replace(meaning, stat="") if accounts.agreed(o, name, place, text, ("yes", "leave out"), why) else None


def numbered_visits(accounts: Accounts, o: Observation, meaning: Meaning) -> Meaning | None:
    """Columns of one test told apart by a number alone: its visits, once somebody has said so."""
    if meaning.stat != "numbered":
        return meaning
    agreed = accounts.agreed(
        o,
        f"numbers {meaning.instrument}",
        f"{o.record.source.name}, {o.column.name}",
        "The columns of one test are numbered, and no visit is named. Are the numbers the visits?",
        ("visits", "leave out"),
        "numbered columns left out by the answer",
        yes="visit",
        proposal="visits",
    )
    return meaning if agreed else None


def edition(accounts: Accounts, o: Observation, meaning: Meaning) -> Meaning | None:
    """Which edition of an instrument it is: by its name, by the number of its items, or by the answer."""
    if meaning.instrument not in FAMILIES:
        return meaning
    editions = FAMILIES[meaning.instrument]
    said = re.findall(r"\d+", o.column.name + " " + (o.column.variable.label if o.column.variable else ""))
    fits = [name for name in editions if name.rsplit("_", 1)[-1] in said and meaning.table == "totals"]
    highest = accounts.items_per.get((meaning.instrument, meaning.scale), 0)
    fits = fits or [name for name in editions if highest and name.endswith(f"_{highest}")]
    chosen = fits[0] if len(fits) == 1 else _asked_edition(accounts, o, meaning, editions)
    if not chosen:
        return None
    known = find_instrument(chosen)
    scale = meaning.scale if known and known.scale(meaning.scale) else known.main_scale.id if known else ""
    if known and known.main_scale.kind == "trials" and meaning.table == "trials":
        return replace(meaning, instrument=chosen, scale="")
    return replace(meaning, instrument=chosen, scale=scale if meaning.table == "totals" or meaning.scale else "")


def _asked_edition(accounts: Accounts, o: Observation, meaning: Meaning, editions: Sequence[str]) -> str:
    """The edition that the answer names by its id, its number or its words; blank while that is open."""
    name = f"edition {meaning.instrument}"
    answer = accounts.questions.ask(
        ASK,
        name,
        f"{o.record.source.name}, {o.column.name}",
        f"Which edition of {meaning.instrument.replace('_', ' ')} is it? The files do not say. "
        + "; ".join(_edition_words(name) for name in editions),
        editions,
    )
    number = re.findall(r"\d+", answer)
    words = simple(answer)
    chosen = next(
        (e for e in editions if e == answer or (number and e.endswith(f"_{number[0]}")) or simple(e) in words), ""
    )
    if not chosen:
        last = [e for e in editions if e.rsplit("_", 1)[-1] in words.split()]
        chosen = last[0] if len(last) == 1 else ""
    if not chosen:
        if answer:
            accounts.questions.refuse(name, f"found {answer!r}, allowed {', '.join(editions)}")
        accounts.hold(o, name)
    return chosen


def part(accounts: Accounts, o: Observation, meaning: Meaning) -> Meaning | None:
    """Which score of an instrument a column holds, where its heading names none that the instrument has."""
    if not meaning.part:
        return meaning
    known = find_instrument(meaning.instrument)
    assert known is not None  # a part is found only beside an instrument, and its edition is settled
    name = f"score {known.id} {meaning.part}"
    choices = (*(scale.id for scale in known.scales), "leave out")
    said = "several scores" if meaning.part == UNNAMED else f"no score named {meaning.part!r}"
    answer = accounts.questions.ask(
        ASK,
        name,
        f"{o.record.source.name}, {o.column.name}",
        f"{known.name} has {said}. Which score does the column hold? "
        + "; ".join(f"{scale.id}: {scale.label}{f' ({scale.unit})' if scale.unit else ''}" for scale in known.scales)
        + ".",
        choices,
    )
    chosen = known.scale(answer) or next((s for s in known.scales if simple(s.id) == simple(answer)), None)
    if chosen is None:
        if simple(answer).startswith("leave"):
            accounts.aside(o, "column left out by the answer")
            return None
        if answer:
            accounts.questions.refuse(name, f"found {answer!r}, allowed {', '.join(choices)}")
        accounts.hold(o, name)
        return None
    return replace(meaning, table="totals", scale=chosen.id, number=None, part="", stat="", unit="")


def item(accounts: Accounts, o: Observation, meaning: Meaning) -> Meaning | None:
    """The item that a number or a name in the heading stands for."""
    if meaning.table != "items" or meaning.item:
        return meaning
    known = find_instrument(meaning.instrument)
    if found := item_of(meaning, known) if known else "":
        return replace(meaning, item=found)
    accounts.finding(
        o,
        f"no item {meaning.number} in {meaning.instrument}",
        "Correct the heading, or leave the column out in import.toml.",
    )
    return None


def numbered_items(accounts: Accounts, o: Observation, meaning: Meaning) -> Meaning | None:
    """Items numbered through a form: as many as the form has, in its order (assumed, and said so)."""
    if meaning.table != "items" or meaning.number is None:
        return meaning
    known = find_instrument(meaning.instrument)
    assert known is not None  # the item was found in it
    scale = known.scale(meaning.scale) if meaning.scale else known.main_scale
    wanted = len(scale.items) if scale else len(known.items)
    highest = accounts.items_per.get((o.column.meaning.instrument, meaning.scale), 0) or accounts.items_per.get(
        (meaning.instrument, meaning.scale), 0
    )
    if highest not in (0, wanted) and not meaning.scale and highest != len(known.items):
        text = (
            f"{known.name} has {wanted} items, the files number them up to {highest}. Are they the first "
            f"{highest} items of the form?"
        )
        name, why = f"items {meaning.instrument}", "items left out by the answer"
        if not accounts.agreed(o, name, o.record.source.name, text, ("yes", "leave out"), why):
            return None
    answer = accounts.questions.ask(
        CONFIRM,
        f"order {meaning.instrument}",
        o.record.source.name,
        f"The items of {known.name} are numbered in the order of the form (a wrong order leaves totals right and "
        f"parts wrong).",
        ("yes", "no"),
        "yes",
    )
    if simple(answer).startswith(("no", "leave")):
        accounts.aside(o, "items in another order than the form's, going by the answer")
        return None
    return meaning


def _edition_words(name: str) -> str:
    known = find_instrument(name)
    assert known is not None  # every edition is in the catalogue
    scale = known.main_scale
    ends = f", {scale.low:g} to {scale.high:g} {scale.unit}" if scale.high is not None else ""
    return f"{name}: {known.edition or known.name}{ends}"
