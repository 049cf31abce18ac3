"""The meaning of a cell with nothing left open: edition, item, unit, side, condition, sign."""

from dataclasses import replace

from outcomes.importing.finding.observations import Observation
from outcomes.importing.language.cell_values import read_measure
from outcomes.importing.language.headings import Meaning
from outcomes.importing.language.vocabulary import simple, whole
from outcomes.importing.making.accounts import Accounts
from outcomes.importing.making.doubtful_cells import holds_several
from outcomes.importing.making.meaning.editions_and_items import (
    edition,
    guessed,
    item,
    numbered_items,
    numbered_visits,
    part,
    worded_items,
)
from outcomes.importing.making.meaning.sides_and_signs import angle, sided
from outcomes.importing.questions import ASK, CONFIRM
from outcomes.library.known import find_instrument

_MEAN, _BEST = "the mean of the trials", "the best of the trials"


def settled(accounts: Accounts, o: Observation) -> Meaning | None:
    """The meaning with nothing left open; None while a question is, or where the answer leaves the cell out."""
    meaning = o.meaning
    for step in _STEPS:
        found = step(accounts, o, meaning)
        if found is None:
            return None
        meaning = found
    return meaning


def _near_name(accounts: Accounts, o: Observation, meaning: Meaning) -> Meaning | None:
    """A name that is spelt nearly like an instrument's."""
    if not meaning.near:
        return meaning
    known = find_instrument(meaning.instrument)
    answer = accounts.questions.ask(
        CONFIRM,
        f"name {meaning.near}",
        o.column.name,
        f"{meaning.near!r} was read as {known.name if known else meaning.instrument}.",
        ("yes", "no"),
        "yes",
    )
    if simple(answer).startswith(("no", "leave")):
        accounts.aside(o, f"not {known.name if known else meaning.instrument}, going by the answer")
        return None
    return meaning


def _unknown_words(accounts: Accounts, o: Observation, meaning: Meaning) -> Meaning | None:
    """Words of a heading that nobody knows: it may still be right, or one of them names a hand."""
    if not meaning.rest or (o.column.variable and o.column.variable.label):
        return meaning
    words = " ".join(meaning.rest)
    long = o.record.source.long
    said = " ".join(filter(None, (o.record.text("instrument"), o.record.text("item_name")))) if long else ""
    alike = [c.meaning for c in o.record.source.measures if c.meaning.rest == meaning.rest]
    # One question a cause: a word over several columns is one word that nobody knows.
    shared = not long and len(alike) > 1
    name = f"word {words}" if shared else f"column {said or o.column.name}"
    tests = [find_instrument(one.instrument) for one in alike]
    named = all(test and test.sided for test in tests) and len({one.side for one in alike}) < 2
    hands = ("left", "right", "affected", "other") if named else ()
    read_as = ", ".join(sorted({one.outcome or one.joint for one in alike} - {""}))
    if shared:
        text = f"Nobody knows {words!r} in headings that were read as {read_as}. Are they right"
    else:
        what = f"{said!r}" if said else "The column"
        text = f"{what} was read as {meaning.outcome or meaning.joint}, but nobody knows {words!r}. Is it right"
    text += f"{', and if the word names a hand, which one' if hands else ''}?"
    answer = accounts.questions.ask(
        ASK, name, f"{o.record.source.name}, {said or o.column.name}", text, ("yes", *hands, "leave out")
    )
    if not answer:
        accounts.hold(o, name)
        return None
    if hands and (side := whole(answer, "sides")) in hands:
        meaning = replace(meaning, side=side)
    elif not simple(answer).startswith(("yes", "y ")):
        accounts.aside(o, "column left out by the answer")
        return None
    return meaning


def _unit(accounts: Accounts, o: Observation, meaning: Meaning) -> Meaning | None:
    """In what forces were measured, where neither cell nor column says."""
    known = find_instrument(meaning.instrument)
    if known and known.main_scale.kind == "trials" and not meaning.unit and not _own_unit(o.text):
        unit = accounts.facts.units.get(o.record.source.name, "")
        name = f"unit {meaning.instrument} {o.record.source.name}"
        unit = unit or accounts.questions.ask(
            ASK,
            name,
            o.record.source.name,
            f"In which unit is {known.name} ({o.column.name})?",
            ("kgf", "lbf", "N"),
        )
        unit = unit if unit in ("kgf", "lbf", "N") else whole(unit, "units")
        if unit not in ("kgf", "lbf", "N"):
            accounts.hold(o, name)
            return None
        meaning = replace(meaning, unit=unit)
    return meaning


def _summary(accounts: Accounts, o: Observation, meaning: Meaning) -> Meaning:
    """One number where the instrument has trials: their mean or the best of them."""
    known = find_instrument(meaning.instrument)
    if not known or known.main_scale.kind != "trials" or meaning.table != "totals" or holds_several(o.text):
        return meaning
    read_as = _BEST if meaning.stat == "best" else _MEAN
    answer = accounts.questions.ask(
        CONFIRM,
        f"summary {meaning.instrument}{' best' if read_as == _BEST else ''}",
        o.column.name,
        f"{known.name} has one number per hand and visit. Taken for {read_as} and kept as a total.",
        (_MEAN, _BEST),
        read_as,
    )
    return replace(meaning, stat="best" if "best" in simple(answer) else "mean")


def _own_unit(text: str) -> bool:
    """Whether a cell names its unit itself: "27 kg"."""
    return read_measure(text, {}, (), None).unit in ("kgf", "lbf", "N")


# In this order: what a later question is about may be the answer to an earlier one.
_STEPS = (
    _near_name, _unknown_words, guessed, worded_items, numbered_visits, edition, part, item, numbered_items, angle,
    _unit, _summary, sided,
)  # fmt: skip
