"""Lines that may not be converted before somebody has answered: hidden, struck through, twice, of nobody in the "
"list."""

from collections import defaultdict
from collections.abc import Iterable
from datetime import date

from outcomes.importing.finding.observations import Observation, Record
from outcomes.importing.finding.page_tables import shape
from outcomes.importing.finding.people import key_of
from outcomes.importing.finding.sites import NAME, part_sites
from outcomes.importing.finding.training_log import TRAINING
from outcomes.importing.language.calendar_dates import read_date
from outcomes.importing.language.vocabulary import simple
from outcomes.importing.questions import ASK, CONFIRM, Questions, slug

HELD, DROPPED = "held", "set aside"
_YES = ("yes", "y", "ja", "keep", "use", "a participant", "include")
_LISTED = 0.7  # share of the measured people that the list must hold before somebody outside it is asked about


class Holds:
    """What keeps a line out: id of the record -> (status, why)."""

    def __init__(self) -> None:
        self.of: dict[int, tuple[str, str]] = {}
        self.people: dict[str, tuple[str, str]] = {}  # participants who are kept out everywhere
        self.sites: dict[str, str] = {}  # participant -> site, where the place of the data says it

    def why(self, record: Record) -> tuple[str, str] | None:
        return self.of.get(id(record)) or self.people.get(record.participant)

    def put(self, record: Record, question: str, answer: str, *, keep: bool, why: str, person: bool = False) -> None:
        """Holds a record while its question is open, drops it where the answer says so."""
        entry = None
        if not answer:
            entry = (HELD, f"question {slug(question)}")
        elif not keep:
            entry = (DROPPED, why)
        if entry and id(record) not in self.of:
            self.of[id(record)] = entry
            if person and record.participant:
                self.people[record.participant] = entry


def says_yes(answer: str) -> bool:
    return simple(answer).split(" ")[0] in _YES or simple(answer) in _YES


def find_holds(records: list[Record], observations: list[Observation], questions: Questions) -> Holds:
    """Asks about every line whose place in the study is not plain."""
    holds = Holds()
    _leading_zeros(records, questions)
    measured = {id(o.record) for o in observations if o.cell}
    for record in records:
        if waits := record.source.waits:
            left_out = questions.asked[waits].answer and not questions.asked[waits].problem
            holds.put(record, waits, "leave out" if left_out else "", keep=False, why="table left out by the answer")
        _hidden_or_struck(record, holds, questions)
    _second_forms(records, holds, questions)
    _nobody(records, measured, holds, questions)
    holds.sites = part_sites(
        records,
        observations,
        questions,
        lambda record: holds.put(record, NAME, "", keep=False, why=""),
    )
    _twice(records, observations, holds, questions)
    _unlisted(records, measured, holds, questions)
    return holds


def _leading_zeros(records: list[Record], questions: Questions) -> None:
    """1 and 01 are one person until somebody says no."""
    differ = [r for r in records if r.typed.strip() != r.participant and _zeros_differ(r)]
    if not differ:
        return
    zeros = {r.typed.strip(): r.participant for r in differ}
    example = next(iter(zeros.items()))
    answer = questions.ask(
        CONFIRM,
        "leading zeros",
        ", ".join(sorted({r.source.name for r in records if r.typed.strip() in zeros})),
        f"Leading zeros of the codes differ: is {example[0]} the same person as {example[1]} (and so on, "
        f"{len(zeros)} codes)?",
        ("yes", "no"),
        "yes",
    )
    if simple(answer).startswith("no"):
        for record in differ:
            record.participant = record.typed.strip()


def _zeros_differ(record: Record) -> bool:
    digits = [part for part in key_of(record.typed) if part.isdigit()]
    typed = "".join(c for c in record.typed.strip().removesuffix(".0") if c.isdigit())
    return bool(digits) and typed != "".join(c for c in record.participant if c.isdigit())


def _hidden_or_struck(record: Record, holds: Holds, questions: Questions) -> None:
    table = record.source.table
    page, view = table.page, table.view
    if page.hidden:
        name = f"hidden sheet {page.name}"
        answer = questions.ask(
            ASK,
            name,
            f"sheet {page.name}",
            "The sheet is hidden. Does it belong to the data of the study?",
            ("ignore it", "use it"),
        )
        holds.put(
            record,
            name,
            answer,
            keep=simple(answer).startswith("use") or says_yes(answer),
            why="hidden sheet, answered: ignore",
        )
        return
    row, column = view.at(record.line, table.key or min(table.heads))
    line_hidden = column in page.hidden_columns if view.turned else row in page.hidden_rows
    who = record.participant or f"row {row}"
    if line_hidden:
        name = f"hidden {page.name} {who}"
        answer = questions.ask(
            ASK,
            name,
            record.where,
            f"The line of {who} is hidden. Is it part of the study?",
            ("yes, part of the study", "leave out"),
        )
        holds.put(record, name, answer, keep=says_yes(answer), why="hidden line, answered: leave out")
    cells = [cell for place in table.heads if (cell := view.cell(record.line, place))]
    struck = [cell for cell in cells if cell.struck]
    key = view.cell(record.line, table.key) if table.key is not None else None
    if struck and ((key and key.struck) or len(struck) > len(cells) / 2):
        name = f"struck {page.name} {who}"
        answer = questions.ask(
            ASK,
            name,
            record.where,
            f"The line of {who} is struck through. Leave the person out?",
            ("leave out", "keep"),
        )
        keep = simple(answer).startswith(("keep", "no"))
        holds.put(record, name, answer, keep=keep, why="struck through, answered: leave out", person=True)


def _second_forms(records: list[Record], holds: Holds, questions: Questions) -> None:
    """Two sheets of forms with the same code: the later one waits."""
    pages: dict[tuple[str, ...], list[str]] = defaultdict(list)
    for record in records:
        if not (record.source.table.form and record.source.table.key is not None and record.typed):
            continue
        if record.source.name not in pages[key_of(record.typed)]:
            pages[key_of(record.typed)].append(record.source.name)
    for names in pages.values():
        for name in names[1:]:
            for record in records:
                if record.source.name == name and record.participant:
                    question = f"same person {name}"
                    answer = questions.ask(
                        ASK,
                        question,
                        f"sheets {names[0]} and {name}",
                        f"Both sheets carry the code {record.participant}. Are they the same person?",
                        ("yes, the same person", "no"),
                    )
                    holds.put(record, question, answer, keep=says_yes(answer), why="another person under the same code")


def _nobody(records: list[Record], measured: set[int], holds: Holds, questions: Questions) -> None:
    """Lines whose code looks like no other."""
    shapes: dict[int, list[str]] = defaultdict(list)
    for record in records:
        shapes[id(record.source)].append(shape(record.typed))
    for record in records:
        others = shapes[id(record.source)]
        if record.source.table.form or record.source.table.key is None or len(others) < 4:
            continue
        mine = shape(record.typed)
        usual = max(dict.fromkeys(others), key=others.count)
        if record.typed and mine != usual and "9" in usual and "9" not in mine:
            name = f"person {record.typed}"
            answer = questions.ask(
                ASK,
                name,
                record.where,
                f"{record.typed!r} looks unlike the other codes. Is it a participant?",
                ("a participant", "leave out"),
            )
            holds.put(record, name, answer, keep=says_yes(answer), why="no participant")


def _twice(records: list[Record], observations: list[Observation], holds: Holds, questions: Questions) -> None:
    """Two lines of one table for the same person, visit, side and condition: neither is converted before the answer."""
    filled: dict[int, set[object]] = defaultdict(set)
    for o in observations:
        if o.cell and not o.record.source.long:
            filled[id(o.record)].add(o.column.place)
    groups: dict[tuple[object, ...], list[Record]] = defaultdict(list)
    for record in records:
        if record.source.long or not record.participant or holds.why(record) or _a_line_an_event(record):
            continue
        visit = record.visit.key if record.visit else None
        described = not record.source.measures
        if described or filled[id(record)]:
            key = (
                id(record.source),
                record.participant,
                visit,
                record.side,
                record.condition,
                record.trial,
                record.repeat,
            )
            groups[key].append(record)
    for group in groups.values():
        if len(group) < 2:
            continue
        shared = [a for a in group if any(filled[id(a)] & filled[id(b)] for b in group if b is not a)]
        if group[0].source.measures and not shared:
            continue  # one person's values spread over several lines
        if not group[0].source.measures and _alike(group):
            for record in group[1:]:
                holds.of[id(record)] = (DROPPED, "the same line twice")
            continue
        _ask_which(group, holds, questions)


def _a_line_an_event(record: Record) -> bool:
    """Whether the table has as many lines a person as things happened: adverse events, training sessions."""
    return any(column.role.startswith(("ae_term", TRAINING)) for column in record.source.columns)


def _alike(group: list[Record]) -> bool:
    texts = [
        tuple(simple(record.source.table.view.text(record.line, place)) for place in record.source.table.heads)
        for record in group
    ]
    return len(set(texts)) == 1


def _ask_which(group: list[Record], holds: Holds, questions: Questions) -> None:
    first = group[0]
    view = first.source.table.view
    choices = [f"{'column' if view.turned else 'row'} {record.line}" for record in group]
    visit = f" at {first.visit.label}" if first.visit else ""
    name = f"twice {first.source.name} {first.participant}{visit}"
    days = [_day(record) for record in group]
    shown = [str(day) if day else record.text("date") for day, record in zip(days, group, strict=True)]
    dates = [f"{choice} ({text})" for choice, text in zip(choices, shown, strict=True) if text]
    # Earlier and later are those of the dates, where every line has one; lines may stand in any order.
    known = [day for day in days if day]
    if len(set(known)) == len(group):
        in_time = [record for _, record in sorted(zip(known, group, strict=True), key=lambda pair: pair[0])]
    else:
        in_time = group
    answer = questions.ask(
        ASK,
        name,
        f"{first.source.name}, {', '.join(choices)}",
        f"{first.participant} has {len(group)} lines{visit}{': ' + ', '.join(dates) if dates else ''}. Which one "
        f"counts?",
        (*choices, "the later one", "the earlier one", "leave out"),
    )
    said = simple(answer)
    chosen: Record | None = None
    if said.startswith(("the later", "later", "the last", "last", "the second", "second")):
        chosen = in_time[-1]
    elif said.startswith(("the earlier", "earlier", "the first", "first")):
        chosen = in_time[0]
    else:
        chosen = next(
            (r for r, choice in zip(group, choices, strict=True) if said == simple(choice) or said == str(r.line)), None
        )
    if answer and chosen is None and not said.startswith(("leave", "none")):
        questions.refuse(name, f"found {answer!r}, allowed {', '.join(choices)}, the later one, leave out")
        answer = ""
    for record in group:
        holds.put(record, name, answer, keep=record is chosen, why=f"{first.participant}{visit}: {answer} was chosen")


def _day(record: Record) -> date | None:
    """The day of a line; None where there is none, or day and month could change places."""
    cell = record.cell(record.source.one("date"))
    found = read_date(cell.value, cell.text) if cell else None
    return None if found is None or found.open else found.day_first or found.month_first


def _unlisted(records: list[Record], measured: set[int], holds: Holds, questions: Questions) -> None:
    """Measured people who are not in the list of participants."""
    lists = [
        r
        for r in records
        if not r.source.measures and not r.source.long and not r.source.table.form and r.source.table.key is not None
    ]
    listed = {record.participant for record in lists if record.participant}
    everyone = {record.participant for record in records if id(record) in measured and record.participant}
    if not listed or len(everyone & listed) < _LISTED * len(everyone):
        return
    for record in records:
        if id(record) in measured and record.participant and record.participant not in listed and not holds.why(record):
            name = f"unlisted {record.participant}"
            answer = questions.ask(
                ASK,
                name,
                record.where,
                f"{record.participant} is not in the list of participants. A participant of the study, or "
                "another code typed wrongly?",
                ("a participant", "leave out", *_nearest(record.participant, listed)),
            )
            if answer in listed:
                record.participant = answer
                continue
            holds.put(record, name, answer, keep=says_yes(answer), why="not in the list of participants")


def _nearest(code: str, listed: Iterable[str]) -> list[str]:
    from rapidfuzz import process

    return [text for text, likeness, _ in process.extract(code, sorted(listed), limit=2) if likeness >= 60]
