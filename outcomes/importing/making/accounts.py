"""What an import has made so far: rows, statuses, remarks, findings, and what became of each cell."""

from dataclasses import dataclass, field

from outcomes.importing.finding.code_books import Facts
from outcomes.importing.finding.observations import Observation, Record
from outcomes.importing.language.visit_words import VisitWord
from outcomes.importing.language.vocabulary import simple
from outcomes.importing.making.holds import Holds
from outcomes.importing.making.schedule import Schedule, Visit
from outcomes.importing.opening.pages import Ledger
from outcomes.importing.questions import Questions, slug


@dataclass
class Row:
    """One line of a table to write, and the cell it comes from."""

    table: str
    cells: dict[str, str]
    observation: Observation
    visit: Visit
    number: bool  # holds a number, not a reason

    @property
    def key(self) -> tuple[str, ...]:
        return (
            self.table,
            *(value for name, value in self.cells.items() if name not in ("value", "degrees", "unit", "rater")),
        )


@dataclass
class Converted:
    """What the measured cells became. statuses: (participant, visit id) -> status, words, place."""

    rows: list[Row] = field(default_factory=list)
    statuses: dict[tuple[str, str], tuple[str, str, str]] = field(default_factory=dict)
    waiting: set[tuple[str, str]] = field(default_factory=set)  # participant, visit id with a held cell
    remarks: list[dict[str, str]] = field(default_factory=list)
    findings: list[dict[str, str]] = field(default_factory=list)


class Accounts:
    """Keeps the account of the cells while they are converted."""

    def __init__(self, facts: Facts, questions: Questions, ledger: Ledger, schedule: Schedule, holds: Holds):
        self.facts, self.questions, self.ledger = facts, questions, ledger
        self.schedule, self.holds = schedule, holds
        self.done = Converted()
        self.suspects: dict[tuple[str, str, str], set[float]] = {}
        self.with_items: set[tuple[int, str]] = set()
        self.held_items: set[tuple[int, str]] = set()
        # record -> test and visit of the column that says whether it was done -> the reason, and its column
        self.reason_columns: dict[int, dict[tuple[str, VisitWord | None], tuple[str, str]]] = {}

    def _hold(self, o: Observation, question: str, visit: Visit | None = None) -> None:
        self.ledger.put(o.record.source.table.page, o.row, o.place, "held", f"question {slug(question)}")
        visit = visit or self._visit_quietly(o)
        if visit:
            self.done.waiting.add((o.record.participant, visit.id))
        if o.meaning.table == "items":
            self.held_items.add((id(o.record), o.meaning.instrument))

    def _aside(self, o: Observation, why: str) -> None:
        self.ledger.put(o.record.source.table.page, o.row, o.place, "set aside", why)

    def _finding(self, o: Observation, what: str, advice: str) -> None:
        self.ledger.put(o.record.source.table.page, o.row, o.place, "finding", what)
        self.done.findings.append(
            {"place": o.address, "found": o.text or (o.cell.formula if o.cell else ""), "what": what, "advice": advice}
        )

    def _visit_quietly(self, o: Observation) -> Visit | None:
        return self.schedule.find(o.visit)

    def _remark(self, o: Observation, visit: Visit, text: str) -> None:
        self.done.remarks.append(
            {
                "participant": o.record.participant,
                "visit": visit.id,
                "what": o.column.name,
                "place": o.address,
                "remark": text,
            }
        )

    def _mark(self, record: Record, place: int, status: str, why: str = "") -> None:
        row, column = record.source.table.view.at(record.line, place)
        self.ledger.put(record.source.table.page, row, column, status, why)

    def _named(self, text: str) -> Visit | None:
        said = simple(text)
        return next(
            (v for v in self.schedule.visits if said in (simple(v.label), simple(v.id), *map(simple, v.words))), None
        )
