"""Which hand, with or without a device, and what the sign of an angle says."""

from dataclasses import replace

from outcomes.importing.finding.observations import Observation
from outcomes.importing.language.headings import Meaning
from outcomes.importing.language.vocabulary import whole, within
from outcomes.importing.making.accounts import Accounts
from outcomes.importing.questions import ASK, CONFIRM
from outcomes.library.known import find_instrument

_FINGER_JOINTS = ("mcp", "pip", "dip", "ip")
_MINUS_LACKS = "minus = lacks extension, plus = hyperextension"
_PLUS_LACKS = "the numbers are deficits"
_PLAIN = "plain extension, no deficit"


def sided(accounts: Accounts, o: Observation, meaning: Meaning) -> Meaning | None:
    """The meaning with its hand and condition, None while one of them is asked for."""
    if meaning.table == "angles":
        return meaning
    known = find_instrument(meaning.instrument)
    if known is None:
        accounts.finding(
            o, f"no instrument {meaning.instrument!r} in the catalogue", "Correct the name in import.toml."
        )
        return None
    if not known.sided:
        return replace(meaning, side="", condition=meaning.condition or "")
    if not meaning.side:
        answer = accounts.questions.ask(
            CONFIRM,
            f"side {known.id}",
            o.record.source.name,
            f"No side is given for {known.name}: which hand was tested?",
            ("affected", "other", "left", "right"),
            "affected",
        )
        meaning = replace(meaning, side=whole(answer, "sides") or "affected")
    if meaning.side not in ("left", "right", "both", "affected", "other"):
        name = f"side {meaning.side}"
        answer = accounts.questions.ask(
            ASK, name, o.record.where, f"Which side is {meaning.side!r}?", ("left", "right", "affected", "other")
        )
        side = whole(answer, "sides")
        if not side:
            accounts.hold(o, name)
            return None
        meaning = replace(meaning, side=side)
    if meaning.condition not in ("", "unassisted", "assisted", "unpowered"):
        name = f"condition {meaning.condition}"
        answer = accounts.questions.ask(
            ASK,
            name,
            o.record.where,
            f"Is {meaning.condition!r} with or without a device?",
            ("unassisted", "assisted", "unpowered"),
        )
        condition = whole(answer, "conditions")
        if not condition:
            accounts.hold(o, name)
            return None
        meaning = replace(meaning, condition=condition)
    return meaning


def angle(accounts: Accounts, o: Observation, meaning: Meaning) -> Meaning | None:
    """The meaning of an angle with mode, movement, hand and sign, None while one of them is asked for."""
    if meaning.table != "angles":
        return meaning
    source = o.record.source
    over = set(within(f"{source.table.page.subject} {source.table.title}", "modes"))  # "AROM" over the table
    if not meaning.mode and len(over) == 1:
        meaning = replace(meaning, mode=over.pop())
    for name, value, text, choices in (
        ("mode", meaning.mode, "Was the movement active or passive?", ("active", "passive", "assisted")),
        ("movement", meaning.movement, "Which movement was measured?", ("flexion", "extension", "deficit")),
    ):
        if value:
            continue
        # One table is measured in one mode, or its headings say which: one question for all that do not.
        question = f"{name} of {source.name}" if name == "mode" else f"{name} of {o.column.name}"
        answer = accounts.questions.ask(ASK, question, f"{source.name}, {o.column.name}", text, choices)
        if answer not in choices:
            accounts.hold(o, question)
            return None
        meaning = replace(meaning, **{name: answer})  # type: ignore[arg-type]  # a text field by name
    if not meaning.side:
        answer = accounts.questions.ask(
            CONFIRM,
            "side angles",
            o.record.source.name,
            "No side is given for the angles: which hand was measured?",
            ("affected", "other", "left", "right"),
            "affected",
        )
        meaning = replace(meaning, side=whole(answer, "sides") or "affected")
    if meaning.joint in _FINGER_JOINTS and meaning.movement == "extension":
        name = "extension sign"
        answer = accounts.questions.ask(
            ASK,
            name,
            f"{o.record.source.name}, {o.column.name}",
            "Extension of the finger joints: does a negative number say how much extension is lacking (a "
            "deficit) and a positive "
            "one hyperextension (deficit 0), or are the numbers deficits already?",
            (_MINUS_LACKS, _PLUS_LACKS, _PLAIN),
            _MINUS_LACKS,
        )
        if not answer:
            accounts.hold(o, name)
            return None
        if answer == _PLAIN:
            return meaning
        return replace(meaning, movement="deficit", stat="minus" if answer != _PLUS_LACKS else "")
    return meaning
