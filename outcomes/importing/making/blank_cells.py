"""Why a cell is blank: what its line, its colour or a column beside it says."""

from outcomes.importing.finding.mapped_tables import Column
from outcomes.importing.finding.observations import Observation, Record
from outcomes.importing.language.cell_values import REASONS, reason_of, status_of
from outcomes.importing.language.visit_words import VisitWord
from outcomes.importing.language.vocabulary import simple, whole
from outcomes.importing.making.accounts import Accounts
from outcomes.importing.making.meaning.settling import settled
from outcomes.importing.making.schedule import Visit
from outcomes.importing.questions import ASK, CONFIRM, as_value

_ALL = "all of them"


def blank_with_reason(accounts: Accounts, o: Observation, visit: Visit) -> None:
    """A line of a long table without a value says why there is none."""
    text = o.record.text("reason") or o.record.text("status")
    reason, remark = reason_of(text)
    if not reason and simple(text) != simple(o.record.text("status")):
        reason, remark = "not done", text
    status = status_of(text)[0]
    if status and not reason:
        accounts.status(o, visit, status, text)
        return
    if remark:
        accounts.remark(o, visit, remark)
    accounts.write(o, visit, reason or "not done", number=False)


def settled_by_colour(accounts: Accounts, o: Observation, visit: Visit) -> bool:
    """What the colour of a cell says; True where nothing else of the cell is left to read."""
    words = accounts.facts.colours.get(o.fill, "")
    if not words:
        answer = accounts.questions.ask(
            CONFIRM,
            f"colour {o.fill}",
            o.address,
            "Cells have a colour that is explained nowhere: taken to mean nothing.",
            ("it means nothing", "missed", *REASONS),
            "it means nothing",
        )
        words = "" if answer == "it means nothing" else answer
    status, reason = status_of(words)[0], reason_of(words)[0]
    if o.cell is not None and o.cell.text:
        if words and not (status or reason):
            accounts.remark(o, visit, words)
        return False
    if reason and not status:
        accounts.write(o, visit, reason, number=False)
        return True
    if status in ("missed", "withdrawn"):
        accounts.status(o, visit, status, "")
        return True
    return o.cell is None


def reasons_for_blanks(accounts: Accounts, records: list[Record]) -> None:
    """Rows for blank cells whose line says why the test was not done."""
    records = [record for record in records if record.participant]
    beside = {id(record): _reasons_beside(accounts, record) for record in records}
    affected = {r.participant: whole(text, "sides") for r in records if (text := r.text("affected_side"))}
    for record in records:
        for (instrument, word), (words, name) in beside[id(record)].items():
            columns = [
                c
                for c in record.source.measures
                if c.meaning.instrument == instrument
                and c.meaning.condition != "assisted"
                and (word is None or c.meaning.visit is None or c.meaning.visit.key == word.key)
            ]
            blank = [c for c in columns if not record.source.table.view.text(record.line, c.place)]
            visit = accounts.schedule.find(word or record.visit)
            if not blank or accounts.holds.why(record):
                continue
            if visit is None:  # a reason that says not of which visit is kept as words
                person, where = record.participant, record.where
                kept = {"participant": person, "visit": "", "what": name, "place": where, "remark": words}
                accounts.done.remarks += [kept] if words else []
                continue
            covers = _covered(accounts, record, name, instrument, blank)
            reason = _reason(accounts, record, visit, name, words, columns[0])
            if not covers or not reason:
                accounts.done.waiting.add((record.participant, visit.id))
                continue
            if simple(covers).startswith(("the affected", "affected")):
                hands = ("affected", "", affected.get(record.participant))
                blank = [c for c in blank if c.meaning.side in hands]
            for column in blank:
                _write_reason(accounts, record, column, visit, reason, words)


def _reasons_beside(accounts: Accounts, record: Record) -> dict[tuple[str, VisitWord | None], tuple[str, str]]:
    """ "Test done? no. Why not?": of each test and visit that was not done the reason, and the column it stands in."""
    found: dict[tuple[str, VisitWord | None], tuple[str, str]] = {}
    for flag in record.source.of("done_flag"):
        cell = record.cell(flag)
        if not cell:
            continue
        said = flag.codes.get(cell.text.strip().lower(), cell.text.strip())
        accounts.mark(record, flag.place, "key")
        if whole(said, "answers") != "no":
            continue
        columns = record.source.columns
        after = next((c for c in columns if c.place == flag.place + 1 and c.role == "reason"), None)
        reason_cell = record.cell(after) if after else None
        words = ""
        if after and reason_cell:
            words = after.codes.get(reason_cell.text.strip().lower(), reason_cell.text.strip())
        if after:
            accounts.mark(record, after.place, "key")
        found[flag.meaning.instrument, flag.meaning.visit] = (words, after.name if after else flag.name)
    return found


def _covered(accounts: Accounts, record: Record, name: str, instrument: str, blank: list[Column]) -> str:
    """For which of the blank columns one reason holds; blank while that is open."""
    if len({c.meaning.side for c in blank}) < 2:
        return _ALL
    return accounts.questions.ask(
        ASK,
        f"reason covers {instrument}",
        f"{record.source.name}, {name}",
        "The reason is given once for several columns "
        f"({', '.join(c.name for c in blank)}). Does it hold for all of them?",
        (_ALL, "the affected hand only"),
    )


def _reason(accounts: Accounts, record: Record, visit: Visit, name: str, words: str, column: Column) -> str:
    """The way of not having a number that words stand for; blank while that is open."""
    reason = reason_of(words)[0] if words else "not done"
    if reason:
        return reason
    question = f"cell {words}"
    row = record.source.table.view.at(record.line, column.place)[0]
    answer = accounts.questions.ask(
        ASK,
        question,
        f"{record.source.name}, row {row} ({record.participant}, {visit.label})",
        f"{name}: {words!r}. Which of the four ways of not having a number is it?",
        REASONS,
    )
    reason = as_value(answer)[1] if answer else ""
    if answer and not reason:
        accounts.questions.refuse(question, f"found {answer!r}, allowed {', '.join(REASONS)}")
    return reason


def _write_reason(accounts: Accounts, record: Record, column: Column, visit: Visit, reason: str, words: str) -> None:
    row, place = record.source.table.view.at(record.line, column.place)
    o = Observation(record, column, column.meaning, record.visit, row, place, None, "", column.codes)
    meaning = settled(accounts, o)
    if meaning is None:
        return
    o.meaning = meaning
    accounts.write(o, visit, reason, number=False)
    if simple(words) not in (simple(reason), ""):
        accounts.remark(o, visit, words)
