"""What an import has made so far: rows, statuses, remarks, findings, and what became of each cell."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from outcomes.importing.finding.code_books import Facts
from outcomes.importing.finding.observations import Observation, Record
from outcomes.importing.language.vocabulary import simple
from outcomes.importing.making.holds import Holds
from outcomes.importing.making.rows import Row, row_of
from outcomes.importing.making.schedule import Schedule, Visit
from outcomes.importing.opening.pages import Ledger
from outcomes.importing.questions import ASK, Questions, slug


@dataclass
class Converted:
    """What the measured cells became. statuses: (participant, visit id) -> status, words, place."""

    rows: list[Row] = field(default_factory=list)
    statuses: dict[tuple[str, str], tuple[str, str, str]] = field(default_factory=dict)
    waiting: set[tuple[str, str]] = field(default_factory=set)  # participant, visit id with a held cell
    remarks: list[dict[str, str]] = field(default_factory=list)
    findings: list[dict[str, str]] = field(default_factory=list)

    def summaries(self, instrument: str) -> set[str]:
        """What the totals of an instrument with trials are: "mean", "best", or both."""
        kept = [row for row in self.rows if row.number and row.table == "totals"]
        return {row.observation.meaning.stat for row in kept if row.cells["instrument"] == instrument} - {""}


class Accounts:
    """Keeps the account of the cells while they are converted."""

    def __init__(
        self,
        facts: Facts,
        questions: Questions,
        ledger: Ledger,
        schedule: Schedule,
        holds: Holds,
        observations: Iterable[Observation],
    ):
        self.facts, self.questions, self.ledger = facts, questions, ledger
        self.schedule, self.holds = schedule, holds
        self.done = Converted()
        self.held_items: set[tuple[int, str]] = set()  # record and instrument with an item that waits
        self._with_items: set[tuple[int, str]] = set()  # record and instrument with an answer to an item
        self.items_per: dict[tuple[str, str], int] = {}  # instrument and part -> how many numbered items the files have
        for o in observations:
            if o.meaning.table != "items":
                continue
            if o.text:
                self._with_items.add((id(o.record), o.meaning.instrument))
            if o.meaning.number is not None:
                key = (o.meaning.instrument, o.meaning.scale)
                self.items_per[key] = max(self.items_per.get(key, 0), o.meaning.number)

    def beside_items(self, o: Observation) -> bool:
        """Whether a total stands in one line with answers to its items."""
        return o.meaning.table == "totals" and (id(o.record), o.meaning.instrument) in self._with_items

    def hold(self, o: Observation, question: str, visit: Visit | None = None) -> None:
        """The cell waits for the answer to a question."""
        self._put(o, "held", f"question {slug(question)}")
        visit = visit or self.schedule.find(o.visit)
        if visit:
            self.done.waiting.add((o.record.participant, visit.id))
        if o.meaning.table == "items":
            self.held_items.add((id(o.record), o.meaning.instrument))

    def aside(self, o: Observation, why: str) -> None:
        """The cell is not taken over."""
        self._put(o, "set aside", why)

    def finding(self, o: Observation, what: str, advice: str) -> None:
        """The cell cannot be taken over until somebody changes it."""
        self._put(o, "finding", what)
        self.done.findings.append(
            {"place": o.address, "found": o.text or (o.cell.formula if o.cell else ""), "what": what, "advice": advice}
        )

    def agreed(
        self, o: Observation, name: str, place: str, text: str, choices: tuple[str, ...], why: str, *,
        yes: str | tuple[str, ...] = "yes", proposal: str = "", visit: Visit | None = None,
    ) -> bool:  # fmt: skip
        """Whether the answer begins with yes; else the cell waits for it, or is left out by it for the reason `why`."""
        answer = self.questions.ask(ASK, name, place, text, choices, proposal)
        if not answer:
            self.hold(o, name, visit)
        elif not simple(answer).startswith(yes):
            self.aside(o, why)
            return False
        return bool(answer)

    def remark(self, o: Observation, visit: Visit, text: str) -> None:
        """Words beside a cell, kept as they are."""
        self.done.remarks.append(
            {
                "participant": o.record.participant,
                "visit": visit.id,
                "what": o.column.name,
                "place": o.address,
                "remark": text,
            }
        )

    def write(self, o: Observation, visit: Visit, value: str, *, number: bool, unit: str = "") -> None:
        """The cell becomes a row: a number, or the reason why there is none."""
        row, remark = row_of(o, visit, value, number=number, unit=unit)
        if remark:
            self.remark(o, visit, remark)
        self._put(o, "converted", f"{row.table}, {o.record.participant}, {visit.id}")
        self.done.rows.append(row)

    def status(self, o: Observation, visit: Visit, status: str, words: str) -> None:
        """The cell says what became of the visit; the first one counts."""
        self.done.statuses.setdefault((o.record.participant, visit.id), (status, words, o.address))

    def visit_status(self, o: Observation, visit: Visit, status: str, words: str) -> None:
        """The cell itself holds a word for what became of the visit."""
        self._put(o, "converted", f"visit {status}")
        self.status(o, visit, status, words)

    def keep_out(self, o: Observation, status: str, why: str) -> None:
        """The whole line waits, or is set aside."""
        self._put(o, status, why)
        if status == "held" and (visit := self.schedule.find(o.visit)):
            self.done.waiting.add((o.record.participant, visit.id))

    def comment_alone(self, o: Observation) -> None:
        """A blank cell with a comment, which is kept among the remarks."""
        self._put(o, "remark", "comment on a blank cell, kept")

    def mark(self, record: Record, place: int, status: str, why: str = "") -> None:
        row, column = record.source.table.view.at(record.line, place)
        self.ledger.put(record.source.table.page, row, column, status, why)

    def named(self, text: str) -> Visit | None:
        """The visit that an answer names."""
        said = simple(text)
        return next(
            (v for v in self.schedule.visits if said in (simple(v.label), simple(v.id), *map(simple, v.words))), None
        )

    def _put(self, o: Observation, status: str, why: str) -> None:
        self.ledger.put(o.record.source.table.page, o.row, o.place, status, why)
