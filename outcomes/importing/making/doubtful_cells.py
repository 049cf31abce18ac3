"""Cells that say more or less than one number: struck through, commented, several trials, unreadable."""

import re
from dataclasses import replace

from outcomes.importing.finding.observations import Observation
from outcomes.importing.language.cell_values import REASONS, Reading, read_measure, status_of
from outcomes.importing.language.headings import Meaning
from outcomes.importing.language.vocabulary import simple
from outcomes.importing.making.accounts import Accounts
from outcomes.importing.making.schedule import Visit
from outcomes.importing.making.value_ranges import LIKE_A_CODE
from outcomes.importing.questions import ASK, as_value
from outcomes.library.known import find_instrument

_SEVERAL = re.compile(r"\d+(?:[.,]\d+)?(?:\s*[/;|]\s*\d+(?:[.,]\d+)?)+")

_CLOCK = re.compile(r"(\d{1,2}):([0-5]\d(?:[.,]\d+)?)")


def holds_several(text: str) -> bool:
    """Whether a cell holds several numbers: "18/17/19"."""
    return bool(_SEVERAL.fullmatch(text))


def several_trials(accounts: Accounts, o: Observation, visit: Visit, text: str) -> None:
    """The numbers of one cell as trials, once somebody has said so."""
    parts = [part.strip().replace(",", ".") for part in re.split(r"[/;|]", text)]
    agreed = accounts.agreed(
        o,
        f"trials in one cell {o.meaning.instrument}",
        f"{o.address} ({o.record.participant}, {visit.label})",
        f"{o.column.name}: the cell holds {text!r}. Are these trials 1 to {len(parts)}?",
        ("yes, trials", "leave out"),
        "left out by the answer",
        yes=("yes", "trials"),
        visit=visit,
    )
    if not agreed:
        return
    for number, part in enumerate(parts, 1):
        copy = replace(o, meaning=replace(o.meaning, table="trials", scale="", number=number, stat=""))
        accounts.write(copy, visit, part, number=True)


def minutes_and_seconds(meaning: Meaning, text: str) -> Reading | None:
    """ "1:10" where seconds belong is asked about: 70, unless it was a slip."""
    known = find_instrument(meaning.instrument)
    match = _CLOCK.fullmatch(text.strip())
    if known is None or known.main_scale.unit != "s" or match is None:
        return None
    seconds = f"{60 * float(match[1]) + float(match[2].replace(',', '.')):g}"
    return Reading("ask", seconds, choices=(seconds, *REASONS[:1]), why=f"minutes and seconds would be {seconds} s")


def unsaved(accounts: Accounts, o: Observation) -> None:
    """A formula that was never computed: no value, but where the items beside it give the total again."""
    if accounts.beside_items(o):
        accounts.aside(o, "formula over the items, without a stored value: computed again from the items")
        return
    accounts.finding(
        o,
        "formula without a stored value",
        "Open the workbook in a spreadsheet program, save it, and import again.",
    )


def counts_though_struck(accounts: Accounts, o: Observation) -> bool:
    """Whether a value that is struck through counts all the same."""
    name = f"struck {o.address}"
    answer = accounts.questions.ask(
        ASK, name, o.address, f"The value {o.text!r} is struck through. Leave it out?", ("leave out", "keep")
    )
    if not answer:
        accounts.hold(o, name)
        return False
    if simple(answer).startswith(("leave", "yes")):
        accounts.aside(o, "struck through, answered: leave out")
        return False
    return True


def commented(accounts: Accounts, o: Observation, visit: Visit) -> str | None:
    """The text that counts where a comment names another number; None while that is open."""
    assert o.cell is not None
    accounts.remark(o, visit, o.cell.comment)
    own = read_measure(o.text, {}, (), None).value
    others = [n.replace(",", ".") for n in re.findall(r"(?<![\w/])\d+(?:[.,]\d+)?(?![\w/])", o.cell.comment)]
    others = [number for number in others if number != own]
    if not others or not own:
        return o.text
    name = f"comment {o.address}"
    choices = (f"the cell: {own}", *(f"the comment: {number}" for number in dict.fromkeys(others)), "not done")
    answer = accounts.questions.ask(
        ASK,
        name,
        o.address,
        f"The cell holds {o.text}, its comment says: {o.cell.comment}. Which value counts?",
        choices,
    )
    if not answer:
        accounts.hold(o, name)
        return None
    said = simple(answer)
    if said.startswith(("the cell", "cell")):
        return o.text
    if said.startswith(("the comment", "the repeat", "comment", "repeat")) and len(set(others)) == 1:
        return others[0]
    value, reason = as_value(answer, own)
    if not value and not reason:
        accounts.questions.refuse(name, f"found {answer!r}, allowed {', '.join(choices)}")
        accounts.hold(o, name)
        return None
    return value or reason


def asked(accounts: Accounts, o: Observation, visit: Visit, reading: Reading) -> Reading:
    """The reading after the answer, or the same where the question is open."""
    value = f"{reading.value} " if reading.value and reading.why.startswith(("allowed", LIKE_A_CODE)) else ""
    if value:
        item = o.column.name if o.meaning.table == "items" else ""
        name = f"value {o.meaning.outcome or o.meaning.joint} {o.text} {item}"
    else:
        name = f"cell {o.text}" if reading.value == "" else f"cell {o.address} {o.text}"
    who = f"{o.record.participant}, {visit.label}"
    answer = accounts.questions.ask(
        ASK,
        name,
        f"{o.address} ({who})",
        f"{o.column.name}: the cell holds {o.text!r} ({reading.why}). What was it?",
        (*reading.choices, "leave out"),
        reading.choices[0] if reading.why in ("a letter among digits", LIKE_A_CODE) else "",
        of=o.address,
    )
    if not answer:
        accounts.hold(o, name, visit)
        return reading
    status, words = status_of(answer)
    if status in ("missed", "withdrawn"):
        return Reading("status", reason=status, remark=words)
    if simple(answer).startswith("leave out"):
        accounts.aside(o, "left out by the answer")
        return Reading("blank")
    number, reason = as_value(answer, reading.value)
    if number:
        return Reading("number", value=number, remark=reading.remark or ("" if number == o.text else f"typed {o.text}"))
    if reason:
        return Reading("reason", reason=reason, remark=reading.remark or f"typed {o.text}")
    accounts.questions.refuse(name, f"found {answer!r}, allowed a number, {', '.join(REASONS)} or leave out")
    accounts.hold(o, name, visit)
    return reading
