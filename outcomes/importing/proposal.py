"""One import from the files to the tables: what was found, what it is taken for, what is asked."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

from outcomes.errors import StudyError
from outcomes.importing.finding.code_books import (
    Facts,
    dictionary_columns,
    read_dictionary,
    read_loose,
    read_notes_of_tables,
)
from outcomes.importing.finding.hands_in_codes import ask_hands
from outcomes.importing.finding.mapped_tables import Source
from outcomes.importing.finding.mapping import map_tables, meaning_of, text_of
from outcomes.importing.finding.observations import Observation, Record, collect_records, observe, planned
from outcomes.importing.finding.page_tables import Region, Table
from outcomes.importing.finding.sheet_layout import find_tables, people_headings
from outcomes.importing.finding.sites import NAME
from outcomes.importing.finding.unknown_columns import ask_trials, ask_unknown, ask_visits
from outcomes.importing.language.headings import MEASURE
from outcomes.importing.language.visit_words import VisitWord
from outcomes.importing.language.vocabulary import simple
from outcomes.importing.making.accounts import Accounts, Converted
from outcomes.importing.making.blank_cells import reasons_for_blanks
from outcomes.importing.making.conversion import convert
from outcomes.importing.making.described import Describer
from outcomes.importing.making.described_cells import Described
from outcomes.importing.making.holds import find_holds
from outcomes.importing.making.schedule import Schedule, make_schedule, plan_days
from outcomes.importing.making.stated import (
    account_for_structure,
    affected_hand,
    tables_of_nobody,
    two_summaries,
    unknown_measure,
    unused_columns,
)
from outcomes.importing.making.written_protocol import study_text
from outcomes.importing.opening.pages import Ledger, Page
from outcomes.importing.opening.workbooks import open_files
from outcomes.importing.questions import ASK, CONFIRM, Question, Questions, slug


@dataclass
class Proposal:
    """What an import makes of some files. answers: question id -> answer. columns: sheet -> heading -> meaning, as
    edited in import.toml; what is not there is proposed anew.
    """

    files: tuple[Path, ...]
    answers: dict[str, str | Mapping[str, str]] = field(default_factory=dict)
    columns: dict[str, dict[str, str]] = field(default_factory=dict)
    title: str = ""
    pages: tuple[Page, ...] = ()
    sources: list[Source] = field(default_factory=list)
    schedule: Schedule | None = None
    described: Described = field(default_factory=Described)
    done: Converted = field(default_factory=Converted)
    facts: Facts = field(default_factory=Facts)
    ledger: Ledger = field(default_factory=lambda: Ledger(()))
    asked: Questions = field(default_factory=lambda: Questions({}))
    study: str = ""
    new_columns: list[str] = field(default_factory=list)

    @property
    def questions(self) -> list[Question]:
        """All questions: those that hold cells back, those study.toml needs, those assumed until answered."""
        return self.asked.listed

    @property
    def open(self) -> list[Question]:
        """Questions without an answer that cells or study.toml wait for."""
        return [question for question in self.questions if question.open and question.kind != CONFIRM]


def propose(
    files: Sequence[str | Path],
    answers: Mapping[str, str | Mapping[str, str]] | None = None,
    columns: Mapping[str, Mapping[str, str]] | None = None,
    title: str = "",
) -> Proposal:
    """Looks at the files and proposes what they mean; nothing is written.

    answers: question id -> answer, where some are known. columns: sheet -> heading -> meaning that overrides the
    proposal, as in import.toml.

    Raises:
        StudyError: a file cannot be read, or there is no table with participants in any of them.
    """
    proposal = Proposal(
        tuple(Path(name) for name in files),
        dict(answers or {}),
        {k: dict(v) for k, v in (columns or {}).items()},
        title,
    )
    proposal.pages = open_files(files)
    _run(proposal)
    _ask_behind(proposal)
    return proposal


_PEOPLE = "participant_column"
_BLOCKING = (slug(NAME), _PEOPLE, "visit_column", "trials_or_visits")


def _ask_people(proposal: Proposal, questions: Questions) -> bool:
    """Asks which column holds the participants' codes, where none was recognised; False where none may be it."""
    choices: list[str] = []
    for page in proposal.pages:
        page.people = ""
        choices += people_headings(page)
    if not choices:
        return False
    answer = questions.ask(
        ASK,
        _PEOPLE,
        ", ".join(page.name for page in proposal.pages),
        "No column was recognised as the participants' codes. Which heading stands over them?",
        tuple(dict.fromkeys(choices)),
        choices[0],
    )
    if answer:
        questions.refuse(_PEOPLE, f"found {answer!r}, allowed {', '.join(dict.fromkeys(choices))}")
    return True


def _ask_behind(proposal: Proposal) -> None:
    """Puts the questions that wait behind one which holds nearly every line: they would come one after the other."""
    while True:  # people, visits, sites: every round but the last brings up another one
        assumed = {
            question.id: "different people" if question.id == slug(NAME) else question.proposal or question.choices[0]
            for question in proposal.questions
            if question.open and question.id not in proposal.answers and question.id.startswith(_BLOCKING)
        }
        if not assumed:
            return
        behind = replace(proposal, answers={**proposal.answers, **assumed}, title=proposal.title, new_columns=[])
        _run(behind)
        new = {name: entry for name, entry in behind.asked.asked.items() if name not in proposal.asked.asked}
        for name, question in new.items():
            proposal.asked.asked[name] = question
        if not any(name.startswith(_BLOCKING) for name in new):
            return


def _run(proposal: Proposal) -> None:
    pages = proposal.pages
    ledger, facts, questions = Ledger(pages), Facts(), Questions(proposal.answers)
    tables: list[Table] = []
    loose: list[tuple[Page, list[Region], list[Table]]] = []
    people = proposal.answers.get(_PEOPLE, "")
    for page in pages:
        page.people = simple(people) if isinstance(people, str) and people != "none" else ""
        if columns := dictionary_columns(page):
            read_dictionary(page, columns, facts, ledger)
            continue
        found, rest = find_tables(page)
        tables += found
        loose.append((page, rest, found))
    for page, rest, _ in loose:
        read_loose(page, rest, tables, facts, ledger)
    read_notes_of_tables(tables, facts)
    sources = map_tables(tables, facts)
    _override(proposal, sources)
    ask_hands(sources, questions)
    ask_trials(sources, questions)
    ask_visits(sources, questions)
    ask_unknown(sources, questions)
    records, _ = collect_records(sources)
    sources = [source for source in sources if any(record.source is source for record in records)]
    if not any(record.participant for record in records) and _ask_people(proposal, questions):
        for page in pages:
            for row, column in page.cells:
                ledger.put(page, row, column, "held", f"question {_PEOPLE}")
        proposal.facts, proposal.ledger, proposal.asked = facts, ledger, questions
        proposal.schedule = make_schedule((), questions)
        proposal.title = proposal.title or proposal.files[0].stem
        return
    if not any(record.participant for record in records):
        there = "; ".join(f"{page.name}: {len(page.cells)} cells" for page in pages)
        raise StudyError(
            f"No table with participants was found: found {there}; allowed is a table with one column (or row) of "
            f"participants' "
            'codes under a heading like "Participant" or "ID", and headings that name the tests. Add the heading and '
            "import again."
        )
    observations = observe(records, facts)
    planned_ones = [o for o in observations if planned(o)]
    schedule = make_schedule(_scopes(records, planned_ones), questions)
    holds = find_holds(records, observations, questions)
    measured = [o for o in planned_ones if o.meaning.role]
    accounts = Accounts(facts, questions, ledger, schedule, holds, measured)
    describer = Describer(records, facts, questions, ledger, schedule, holds)
    account_for_structure(sources, tables, ledger)
    for page, rest, _ in loose:
        tables_of_nobody(page, rest, ledger, questions)
    convert(accounts, measured)
    for o in observations:
        if not planned(o):
            ledger.put(o.record.source.table.page, o.row, o.place, "set aside", "measured at a visit outside the plan")
        elif not o.meaning.role:
            unknown_measure(o, questions, ledger)
    reasons_for_blanks(accounts, records)
    done = accounts.done
    describer.read(done)
    described = describer.finish(done)
    affected_hand(described, done, questions)
    two_summaries(done, questions)
    unused_columns(sources, questions)
    plan_days(schedule, _days_of(described), questions)
    proposal.title = proposal.title or _title(proposal, tables)
    proposal.study = study_text(proposal.title, schedule, described, done, questions)
    ledger.close()
    proposal.sources, proposal.schedule, proposal.described, proposal.done = sources, schedule, described, done
    proposal.facts, proposal.ledger, proposal.asked = facts, ledger, questions


def _override(proposal: Proposal, sources: list[Source]) -> None:
    """Takes the meanings of import.toml, where they differ from the proposal."""
    for source in sources:
        listed = proposal.columns.get(source.name)
        for column in source.columns:
            own = text_of(column.meaning)
            if listed is None:
                continue
            said = listed.get(column.name)
            if said is None:
                proposal.new_columns.append(f"{source.name}, {column.name}")
            elif said != own:
                try:
                    meaning = meaning_of(said)
                except ValueError as error:
                    raise StudyError(
                        f"import.toml, {source.name}, {column.name}: {error}. Correct the line."
                    ) from error
                column.meaning, column.said = replace(meaning, near="", rest=()), True


def _scopes(records: list[Record], observations: list[Observation]) -> list[tuple[str, list[VisitWord]]]:
    """Visit words with at least one measured cell, per table; sheets named after visits count as one."""
    words: dict[str, list[VisitWord]] = {}
    for o in observations:
        if o.visit is None or not o.text:
            continue
        record = o.record
        name = (
            "the sheets" if record.source.visit is not None and o.visit is record.source.visit else record.source.name
        )
        if record.source.table.form or record.source.participant:
            name = "the forms"
        words.setdefault(name, []).append(o.visit)
    return list(words.items())


def _days_of(described: Described) -> dict[str, dict[str, date]]:
    return described.dates


def _title(proposal: Proposal, tables: list[Table]) -> str:
    titles = [table.title for table in tables if table.title]
    return titles[0] if titles else proposal.files[0].stem.replace("_", " ")


__all__ = ["ASK", "MEASURE", "Proposal", "propose"]
