"""From measured cells to the tables of a study folder, with every cell accounted for."""

import re
from collections import defaultdict
from dataclasses import dataclass, field, replace

from outcomes.force import convert_force
from outcomes.importing.cell_values import REASONS, Reading, reason_of, read_measure, status_of, suspicious
from outcomes.importing.code_books import Facts
from outcomes.importing.headings import FAMILIES, Meaning, item_of
from outcomes.importing.holds import Holds
from outcomes.importing.observations import Observation, Record
from outcomes.importing.pages import Ledger
from outcomes.importing.questions import ASK, CONFIRM, Questions, as_value, slug
from outcomes.importing.schedule import Schedule, Visit
from outcomes.importing.vocabulary import simple, whole
from outcomes.instrument import Instrument
from outcomes.known import find_instrument

_FINGER_JOINTS = ("mcp", "pip", "dip", "ip")
_MINUS_LACKS = "minus = lacks extension, plus = hyperextension"
_PLUS_LACKS = "the numbers are deficits"
_SEVERAL = re.compile(r"\d+(?:[.,]\d+)?(?:\s*[/;|]\s*\d+(?:[.,]\d+)?)+")
_PLAIN = "plain extension, no deficit"


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
        return (self.table, *(value for name, value in self.cells.items() if name not in ("value", "degrees", "unit", "rater")))


@dataclass
class Converted:
    """What the measured cells became. statuses: (participant, visit id) -> status, words, place."""

    rows: list[Row] = field(default_factory=list)
    statuses: dict[tuple[str, str], tuple[str, str, str]] = field(default_factory=dict)
    waiting: set[tuple[str, str]] = field(default_factory=set)  # participant, visit id with a held cell
    remarks: list[dict[str, str]] = field(default_factory=list)
    findings: list[dict[str, str]] = field(default_factory=list)


class Conversion:
    """Converts the observations one after the other; what is doubtful becomes a question."""

    def __init__(self, facts: Facts, questions: Questions, ledger: Ledger, schedule: Schedule, holds: Holds):
        self.facts, self.questions, self.ledger = facts, questions, ledger
        self.schedule, self.holds = schedule, holds
        self.done = Converted()
        self.suspects: dict[tuple[str, str, str], set[float]] = {}
        self.with_items: set[tuple[int, str]] = set()
        self.held_items: set[tuple[int, str]] = set()
        self.reason_columns: dict[int, dict[str, tuple[str, str, str]]] = {}

    def run(self, observations: list[Observation]) -> Converted:
        observations = [o for o in observations if o.meaning.role]
        self._look_for_codes(observations)
        self.with_items = {(id(o.record), o.meaning.instrument) for o in observations if o.meaning.table == "items" and o.text}
        self.items_per = self._numbered(observations)
        self._reasons_beside(observations)
        for o in sorted(observations, key=lambda o: o.meaning.table != "items"):
            self._one(o)
        self._drop_totals_of_held_items()
        self._conflicts()
        return self.done

    # --- before the cells ---

    def _look_for_codes(self, observations: list[Observation]) -> None:
        """Values that may be codes, per measure, side and unit."""
        values: dict[tuple[str, str, str], list[float]] = defaultdict(list)
        for o in observations:
            if o.meaning.table in ("totals", "trials"):
                reading = read_measure(o.text, o.codes, o.column.missing, None)
                if reading.kind == "number":
                    values[_measure_key(o.meaning)].append(float(reading.value) if _plain(reading.value) else float("nan"))
        self.suspects = {key: suspicious(found) for key, found in values.items()}

    def _numbered(self, observations: list[Observation]) -> dict[tuple[str, str], int]:
        """How many numbered items each instrument (and part) has in the files."""
        highest: dict[tuple[str, str], int] = {}
        for o in observations:
            if o.meaning.table == "items" and o.meaning.number is not None:
                key = (o.meaning.instrument, o.meaning.scale)
                highest[key] = max(highest.get(key, 0), o.meaning.number)
        return highest

    def _reasons_beside(self, observations: list[Observation]) -> None:
        """ "Test done? no. Why not?": what holds for the blank cells of that test in the same line."""
        records = {id(o.record): o.record for o in observations}
        for number, record in records.items():
            flags = record.source.of("done_flag")
            columns = record.source.columns
            for flag in flags:
                cell = record.cell(flag)
                if not cell:
                    continue
                said = flag.codes.get(cell.text.strip().lower(), cell.text.strip())
                self._mark(record, flag.place, "key")
                if whole(said, "answers") != "no":
                    continue
                after = next((c for c in columns if c.place == flag.place + 1 and c.role == "reason"), None)
                reason_cell = record.cell(after) if after else None
                words = after.codes.get(reason_cell.text.strip().lower(), reason_cell.text.strip()) if after and reason_cell else ""
                if after:
                    self._mark(record, after.place, "key")
                self.reason_columns.setdefault(number, {})[flag.meaning.instrument] = (words, after.name if after else flag.name, said)

    def _mark(self, record: Record, place: int, status: str, why: str = "") -> None:
        row, column = record.source.table.view.at(record.line, place)
        self.ledger.put(record.source.table.page, row, column, status, why)

    # --- one cell ---

    def _one(self, o: Observation) -> None:
        page = o.record.source.table.page
        kept_out = self.holds.why(o.record)
        if kept_out:
            self.ledger.put(page, o.row, o.place, *kept_out)
            if kept_out[0] == "held" and (visit := self._visit_quietly(o)):
                self.done.waiting.add((o.record.participant, visit.id))
            return
        if not o.record.participant:
            self._finding(o, "the line has no participant", "Write the code of the participant into the line.")
            return
        meaning = self._settled(o)
        if meaning is None:
            return
        visit = self._visit(o)
        if visit is None:
            return
        o.meaning = meaning
        self._value(o, visit)

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
        self.done.findings.append({"place": o.address, "found": o.text or (o.cell.formula if o.cell else ""), "what": what, "advice": advice})

    def _visit_quietly(self, o: Observation) -> Visit | None:
        return self.schedule.find(o.visit)

    def _visit(self, o: Observation) -> Visit | None:
        if o.column.meaning.other_visit is not None and not o.record.source.long:
            meaning = o.column.meaning
            name = f"visit of {o.column.name}"
            choices = [word.label for word in (meaning.visit, meaning.other_visit) if word]
            answer = self.questions.ask(
                ASK, name, f"{o.record.source.name}, {o.column.name}",
                f"The name of the column says {choices[0]}, its label {choices[1]}. From which visit are the values?", choices,
            )  # fmt: skip
            if not answer:
                self._hold(o, name)
                return None
            chosen = next((w for w in (meaning.visit, meaning.other_visit) if w and simple(answer).startswith(simple(w.label))), None)
            found = self.schedule.find(chosen) or self._named(answer)
            if found is None:
                self.questions.refuse(name, f"found {answer!r}, allowed {', '.join(choices)}")
                self._hold(o, name)
            return found
        found = self.schedule.find(o.visit)
        if found is not None:
            return found
        where = o.record.source.name
        own = f" {o.column.name}" if any(c.meaning.visit for c in o.record.source.columns) else ""
        name = f"visit of {where}{own}" if o.visit is None else f"visit {o.visit.label}"
        text = "From which visit are these values?" if o.visit is None else f"Which visit is {o.visit.label!r}?"
        answer = self.questions.ask(ASK, name, where, text, [v.label for v in self.schedule.visits])
        found = self._named(answer) if answer else None
        if found is None:
            if answer:
                self.questions.refuse(name, f"found {answer!r}, allowed {', '.join(v.label for v in self.schedule.visits)}")
            self._hold(o, name)
        return found

    def _named(self, text: str) -> Visit | None:
        said = simple(text)
        return next((v for v in self.schedule.visits if said in (simple(v.label), simple(v.id), *map(simple, v.words))), None)

    def _settled(self, o: Observation) -> Meaning | None:
        """The meaning with nothing left open: edition, unit, side, condition, sign; None while a question is."""
        meaning = o.meaning
        if meaning.near:
            known = find_instrument(meaning.instrument)
            self.questions.ask(
                CONFIRM, f"name {meaning.near}", o.column.name,
                f"{meaning.near!r} was read as {known.name if known else meaning.instrument}.", ("yes", "no"), "yes",
            )  # fmt: skip
        if meaning.rest and not (o.column.variable and o.column.variable.label):
            words = " ".join(meaning.rest)
            name = f"column {o.column.name}"
            answer = self.questions.ask(
                ASK, name, f"{o.record.source.name}, {o.column.name}",
                f"The column was read as {meaning.outcome or meaning.joint}, but nobody knows {words!r}. Is it right?", ("yes", "leave out"),
            )  # fmt: skip
            if not answer:
                self._hold(o, name)
                return None
            if not simple(answer).startswith(("yes", "y ")):
                self._aside(o, "column left out by the answer")
                return None
        if meaning.stat == "guess":
            guessed = self._guessed(o, meaning)
            if guessed is None:
                return None
            meaning = guessed
        if meaning.stat == "numbered" and not self._numbers_are_visits(o, meaning):
            return None
        if meaning.instrument in FAMILIES:
            found = self._edition(o, meaning)
            if found is None:
                return None
            meaning = found
        if meaning.table == "items" and not meaning.item:
            found = self._item(o, meaning)
            if found is None:
                return None
            meaning = found
        if meaning.table == "items" and meaning.number is not None and not self._items_fit(o, meaning):
            return None
        if meaning.table == "angles":
            return self._angle(o, meaning)
        known = find_instrument(meaning.instrument)
        if known and known.main_scale.kind == "trials" and not meaning.unit and not _own_unit(o.text):
            unit = self.facts.units.get(o.record.source.name, "")
            name = f"unit {meaning.instrument} {o.record.source.name}"
            unit = unit or self.questions.ask(
                ASK, name, o.record.source.name, f"In which unit is {known.name} ({o.column.name})?", ("kgf", "lbf", "N")
            )
            unit = unit if unit in ("kgf", "lbf", "N") else whole(unit, "units")
            if unit not in ("kgf", "lbf", "N"):
                self._hold(o, name)
                return None
            meaning = replace(meaning, unit=unit)
        if known and known.main_scale.kind == "trials" and meaning.table == "totals":
            what = {"mean": "the mean of the trials", "best": "the best of the trials"}.get(meaning.stat, "the mean of the trials")
            self.questions.ask(
                CONFIRM, f"summary {meaning.instrument}", o.column.name,
                f"{known.name} has one number per hand and visit. Taken for {what} and kept as a total.",
                ("the mean of the trials", "the best of the trials"), what,
            )  # fmt: skip
        return self._sided(o, meaning, known)

    def _guessed(self, o: Observation, meaning: Meaning) -> Meaning | None:
        """Numbered columns under no name: the instrument that fits, once somebody has said so."""
        guesses = o.column.guesses
        name = f"instrument {o.record.source.name}"
        answer = self.questions.ask(
            ASK, name, o.record.source.name,
            f"Numbered columns under no name. By their number and values they may be {', '.join(guesses)}. Which instrument is it?",
            (*guesses, "leave out"), guesses[0] if len(guesses) == 1 else "",
        )  # fmt: skip
        if not answer:
            self._hold(o, name)
            return None
        known = find_instrument(answer)
        if known is None:
            if simple(answer).startswith("leave"):
                self._aside(o, "numbered columns left out by the answer")
            else:
                self.questions.refuse(name, f"found {answer!r}, allowed {', '.join(guesses)}")
                self._hold(o, name)
            return None
        meaning = replace(meaning, instrument=known.id, stat="")
        return replace(meaning, item=item_of(meaning, known))

    def _numbers_are_visits(self, o: Observation, meaning: Meaning) -> bool:
        name = f"numbers {meaning.instrument}"
        answer = self.questions.ask(
            ASK, name, f"{o.record.source.name}, {o.column.name}",
            "The columns of one test are numbered, and no visit is named. Are the numbers the visits?", ("visits", "leave out"), "visits",
        )  # fmt: skip
        if not answer:
            self._hold(o, name)
        elif not simple(answer).startswith("visit"):
            self._aside(o, "numbered columns left out by the answer")
            return False
        return bool(answer)

    def _edition(self, o: Observation, meaning: Meaning) -> Meaning | None:
        editions = FAMILIES[meaning.instrument]
        said = re.findall(r"\d+", o.column.name + " " + (o.column.variable.label if o.column.variable else ""))
        fits = [name for name in editions if name.rsplit("_", 1)[-1] in said and meaning.table == "totals"]
        highest = self.items_per.get((meaning.instrument, meaning.scale), 0)
        fits = fits or [name for name in editions if highest and name.endswith(f"_{highest}")]
        if len(fits) == 1:
            chosen = fits[0]
        else:
            name = f"edition {meaning.instrument}"
            answer = self.questions.ask(
                ASK, name, f"{o.record.source.name}, {o.column.name}",
                f"Which edition of {meaning.instrument} is it? The files do not say.", editions,
            )  # fmt: skip
            number = re.findall(r"\d+", answer)
            said = simple(answer)
            chosen = next((e for e in editions if e == answer or (number and e.endswith(f"_{number[0]}")) or simple(e) in said), "")
            if not chosen:
                last = [e for e in editions if e.rsplit("_", 1)[-1] in said.split()]
                chosen = last[0] if len(last) == 1 else ""
            if not chosen:
                if answer:
                    self.questions.refuse(name, f"found {answer!r}, allowed {', '.join(editions)}")
                self._hold(o, name)
                return None
        known = find_instrument(chosen)
        scale = meaning.scale if known and known.scale(meaning.scale) else known.main_scale.id if known else ""
        if known and known.main_scale.kind == "trials" and meaning.table == "trials":
            return replace(meaning, instrument=chosen, scale="")
        return replace(meaning, instrument=chosen, scale=scale if meaning.table == "totals" or meaning.scale else "")

    def _item(self, o: Observation, meaning: Meaning) -> Meaning | None:
        known = find_instrument(meaning.instrument)
        item = item_of(meaning, known) if known else ""
        if item:
            return replace(meaning, item=item)
        self._finding(o, f"no item {meaning.number} in {meaning.instrument}", "Correct the heading, or leave the column out in import.toml.")
        return None

    def _items_fit(self, o: Observation, meaning: Meaning) -> bool:
        """Items numbered through a form: as many as the form has, in its order (assumed, and said so)."""
        known = find_instrument(meaning.instrument)
        if known is None:
            return False
        scale = known.scale(meaning.scale) if meaning.scale else known.main_scale
        wanted = len(scale.items) if scale else len(known.items)
        highest = self.items_per.get((o.column.meaning.instrument, meaning.scale), 0) or self.items_per.get((meaning.instrument, meaning.scale), 0)
        if highest not in (0, wanted) and not meaning.scale and highest != len(known.items):
            name = f"items {meaning.instrument}"
            answer = self.questions.ask(
                ASK, name, o.record.source.name,
                f"{known.name} has {wanted} items, the files number them up to {highest}. Are they the first {highest} items of the form?",
                ("yes", "leave out"),
            )  # fmt: skip
            if not answer:
                self._hold(o, name)
                return False
            if not simple(answer).startswith("yes"):
                self._aside(o, "items left out by the answer")
                return False
        self.questions.ask(
            CONFIRM, f"order {meaning.instrument}", o.record.source.name,
            f"The items of {known.name} are numbered in the order of the form (a wrong order leaves totals right and parts wrong).",
            ("yes", "no"), "yes",
        )  # fmt: skip
        return True

    def _sided(self, o: Observation, meaning: Meaning, known: Instrument | None) -> Meaning | None:
        if known is None:
            self._finding(o, f"no instrument {meaning.instrument!r} in the catalogue", "Correct the name in import.toml.")
            return None
        if not known.sided:
            return replace(meaning, side="", condition=meaning.condition or "")
        if not meaning.side:
            answer = self.questions.ask(
                CONFIRM, f"side {known.id}", o.record.source.name, f"No side is given for {known.name}: which hand was tested?",
                ("affected", "other", "left", "right"), "affected",
            )  # fmt: skip
            meaning = replace(meaning, side=whole(answer, "sides") or "affected")
        if meaning.side not in ("left", "right", "both", "affected", "other"):
            name = f"side {meaning.side}"
            answer = self.questions.ask(ASK, name, o.record.where, f"Which side is {meaning.side!r}?", ("left", "right", "affected", "other"))
            side = whole(answer, "sides")
            if not side:
                self._hold(o, name)
                return None
            meaning = replace(meaning, side=side)
        if meaning.condition not in ("", "unassisted", "assisted"):
            name = f"condition {meaning.condition}"
            answer = self.questions.ask(ASK, name, o.record.where, f"Is {meaning.condition!r} with or without a device?", ("unassisted", "assisted"))
            condition = whole(answer, "conditions")
            if not condition:
                self._hold(o, name)
                return None
            meaning = replace(meaning, condition=condition)
        return meaning

    def _angle(self, o: Observation, meaning: Meaning) -> Meaning | None:
        for name, value, text, choices in (
            ("mode", meaning.mode, "Was the movement active or passive?", ("active", "passive", "assisted")),
            ("movement", meaning.movement, "Which movement was measured?", ("flexion", "extension", "deficit")),
        ):
            if value:
                continue
            question = f"{name} of {o.column.name}"
            answer = self.questions.ask(ASK, question, f"{o.record.source.name}, {o.column.name}", text, choices)
            if answer not in choices:
                self._hold(o, question)
                return None
            meaning = replace(meaning, **{name: answer})
        if not meaning.side:
            answer = self.questions.ask(
                CONFIRM, "side angles", o.record.source.name, "No side is given for the angles: which hand was measured?",
                ("affected", "other", "left", "right"), "affected",
            )  # fmt: skip
            meaning = replace(meaning, side=whole(answer, "sides") or "affected")
        if meaning.joint in _FINGER_JOINTS and meaning.movement == "extension":
            name = "extension sign"
            answer = self.questions.ask(
                ASK, name, f"{o.record.source.name}, {o.column.name}",
                "Extension of the finger joints: does a negative number say how much extension is lacking (a deficit) and a positive "
                "one hyperextension (deficit 0), or are the numbers deficits already?", (_MINUS_LACKS, _PLUS_LACKS, _PLAIN), _MINUS_LACKS,
            )  # fmt: skip
            if not answer:
                self._hold(o, name)
                return None
            if answer == _PLAIN:
                return meaning
            return replace(meaning, movement="deficit", stat="minus" if answer != _PLUS_LACKS else "")
        return meaning

    # --- its value ---

    def _value(self, o: Observation, visit: Visit) -> None:
        cell, meaning = o.cell, o.meaning
        known = find_instrument(meaning.instrument)
        low, high, extra, levels = _limits(meaning, known)
        if o.fill:
            if self._coloured(o, visit):
                return
        if cell is None:
            self._blank_with_reason(o, visit)
            return
        if cell.unsaved:
            self._unsaved(o)
            return
        row_reason = o.record.text("status") if o.record.source.long else ""
        if not cell.text and row_reason:
            self._blank_with_reason(o, visit)
            return
        if cell.struck and not self._struck(o):
            return
        if cell.comment:
            text = self._commented(o)
            if text is None:
                return
        else:
            text = o.text
        if not text:
            return
        beside = meaning.table == "totals" and (id(o.record), meaning.instrument) in self.with_items
        if known and known.main_scale.kind == "trials" and _SEVERAL.fullmatch(text) and meaning.table in ("totals", "trials"):
            self._several(o, visit, text)
            return
        reading = read_measure(text, o.codes, o.column.missing, high, extra, levels)
        if beside and reading.kind != "number":
            self._aside(o, "text in a total beside its items")
            self._remark(o, visit, text)
            return
        if reading.kind == "number" and not (extra and reading.value in extra):
            reading = self._checked(o, reading, low, high)
        if reading.kind == "ask":
            reading = self._asked(o, visit, reading)
            if reading.kind == "ask":
                return
        self._take(o, visit, reading)

    def _several(self, o: Observation, visit: Visit, text: str) -> None:
        """Several trials in one cell: "18/17/19"."""
        parts = [part.strip().replace(",", ".") for part in re.split(r"[/;|]", text)]
        name = f"trials in one cell {o.meaning.instrument}"
        answer = self.questions.ask(
            ASK, name, f"{o.address} ({o.record.participant}, {visit.label})",
            f"{o.column.name}: the cell holds {text!r}. Are these trials 1 to {len(parts)}?", ("yes, trials", "leave out"),
        )  # fmt: skip
        if not answer:
            self._hold(o, name, visit)
            return
        if not simple(answer).startswith(("yes", "trials")):
            self._aside(o, "left out by the answer")
            return
        for number, part in enumerate(parts, 1):
            copy = replace(o, meaning=replace(o.meaning, table="trials", scale="", number=number, stat=""))
            self._write(copy, visit, part, True)

    def _take(self, o: Observation, visit: Visit, reading: Reading) -> None:
        if reading.remark:
            self._remark(o, visit, reading.remark)
        if reading.kind == "status":
            self._status(o, visit, reading.reason, reading.remark)
            return
        if reading.kind == "reason":
            self._write(o, visit, reading.reason, False)
            return
        if reading.kind == "number":
            self._write(o, visit, reading.value, True, unit=reading.unit)

    def _status(self, o: Observation, visit: Visit, status: str, words: str) -> None:
        self.ledger.put(o.record.source.table.page, o.row, o.place, "converted", f"visit {status}")
        self.done.statuses.setdefault((o.record.participant, visit.id), (status, words, o.address))

    def _coloured(self, o: Observation, visit: Visit) -> bool:
        """What the colour of a cell says; True where that settles the cell."""
        words = self.facts.colours.get(o.fill, "")
        if not words:
            self.questions.ask(
                CONFIRM, f"colour {o.fill}", o.address, "Cells have a colour that is explained nowhere: taken to mean nothing.",
                ("it means nothing", "missed", *REASONS), "it means nothing",
            )  # fmt: skip
            answer = self.questions.ask(CONFIRM, f"colour {o.fill}", o.address, "", (), "it means nothing")
            words = "" if answer == "it means nothing" else answer
        status, reason = status_of(words)[0], reason_of(words)[0]
        if o.cell is not None and o.cell.text:
            if words and not (status or reason):
                self._remark(o, visit, words)
            return False
        if reason and not status:
            self._write(o, visit, reason, False)
            return True
        if status in ("missed", "withdrawn"):
            self.done.statuses.setdefault((o.record.participant, visit.id), (status, "", o.address))
            return True
        return o.cell is None

    def _blank_with_reason(self, o: Observation, visit: Visit) -> None:
        """A line of a long table without a value says why there is none."""
        text = o.record.text("reason") or o.record.text("status")
        if not text:
            return
        reason, remark = reason_of(text)
        if not reason and simple(text) != simple(o.record.text("status")):
            reason, remark = "not done", text
        status = status_of(text)[0]
        if status and not reason:
            self.done.statuses.setdefault((o.record.participant, visit.id), (status, text, o.address))
            return
        if remark:
            self._remark(o, visit, remark)
        self._write(o, visit, reason or "not done", False)

    def _unsaved(self, o: Observation) -> None:
        if o.meaning.table == "totals" and (id(o.record), o.meaning.instrument) in self.with_items:
            self._aside(o, "formula over the items, without a stored value: computed again from the items")
            return
        self._finding(
            o, "formula without a stored value", "Open the workbook in a spreadsheet program, save it, and import again.",
        )  # fmt: skip

    def _struck(self, o: Observation) -> bool:
        name = f"struck {o.address}"
        answer = self.questions.ask(
            ASK, name, o.address, f"The value {o.text!r} is struck through. Leave it out?", ("leave out", "keep")
        )
        if not answer:
            self._hold(o, name)
            return False
        if simple(answer).startswith(("leave", "yes")):
            self._aside(o, "struck through, answered: leave out")
            return False
        return True

    def _commented(self, o: Observation) -> str | None:
        """The text that counts where a comment names another number; None while that is open."""
        assert o.cell is not None
        visit = self._visit_quietly(o)
        if visit:
            self._remark(o, visit, o.cell.comment)
        own = read_measure(o.text, {}, (), None).value
        others = [n.replace(",", ".") for n in re.findall(r"(?<![\w/])\d+(?:[.,]\d+)?(?![\w/])", o.cell.comment)]
        others = [number for number in others if number != own]
        if not others or not own:
            return o.text
        name = f"comment {o.address}"
        choices = (f"the cell: {own}", *(f"the comment: {number}" for number in dict.fromkeys(others)), "not done")
        answer = self.questions.ask(
            ASK, name, o.address, f"The cell holds {o.text}, its comment says: {o.cell.comment}. Which value counts?", choices
        )
        if not answer:
            self._hold(o, name)
            return None
        said = simple(answer)
        if said.startswith("the cell") or said.startswith("cell"):
            return o.text
        if (said.startswith(("the comment", "the repeat", "comment", "repeat"))) and len(set(others)) == 1:
            return others[0]
        value, reason = as_value(answer, own)
        if not value and not reason:
            self.questions.refuse(name, f"found {answer!r}, allowed {', '.join(choices)}")
            self._hold(o, name)
            return None
        return value or reason

    def _checked(self, o: Observation, reading: Reading, low: float | None, high: float | None) -> Reading:
        number = float(reading.value)
        impossible = (low is not None and number < low) or (high is not None and number > high)
        if impossible:
            span = f"{low or 0:g} to {high:g}" if high is not None else f"{low or 0:g} or more"
            return replace(reading, kind="ask", choices=REASONS, why=f"allowed is {span}")
        if number in self.suspects.get(_measure_key(o.meaning), ()):
            return replace(reading, kind="ask", choices=("not done", reading.value, *REASONS[1:]), why="a number like a code, far from all others")
        return reading

    def _asked(self, o: Observation, visit: Visit, reading: Reading) -> Reading:
        """The reading after the answer, or the same where the question is open."""
        value = f"{reading.value} " if reading.value and reading.why.startswith(("allowed", "a number like")) else ""
        if value:
            name = f"value {o.meaning.outcome or o.meaning.joint} {o.text} {o.column.name if o.meaning.table == 'items' else ''}"
        else:
            name = f"cell {o.text}" if reading.value == "" else f"cell {o.address} {o.text}"
        who = f"{o.record.participant}, {visit.label}"
        answer = self.questions.ask(
            ASK, name, f"{o.address} ({who})", f"{o.column.name}: the cell holds {o.text!r} ({reading.why}). What was it?",
            (*reading.choices, "leave out"), of=o.address,
        )  # fmt: skip
        if not answer:
            self._hold(o, name, visit)
            return reading
        status, words = status_of(answer)
        if status in ("missed", "withdrawn"):
            return Reading("status", reason=status, remark=words)
        if simple(answer).startswith("leave out"):
            self._aside(o, "left out by the answer")
            return Reading("blank")
        number, reason = as_value(answer, reading.value)
        if number:
            return Reading("number", value=number, remark=reading.remark or ("" if number == o.text else f"typed {o.text}"))
        if reason:
            return Reading("reason", reason=reason, remark=reading.remark or f"typed {o.text}")
        self.questions.refuse(name, f"found {answer!r}, allowed a number, {', '.join(REASONS)} or leave out")
        self._hold(o, name, visit)
        return reading

    def _remark(self, o: Observation, visit: Visit, text: str) -> None:
        self.done.remarks.append(
            {"participant": o.record.participant, "visit": visit.id, "what": o.column.name, "place": o.address, "remark": text}
        )

    # --- its row ---

    def _write(self, o: Observation, visit: Visit, value: str, number: bool, unit: str = "") -> None:
        meaning = o.meaning
        side = meaning.side
        condition = "assisted" if meaning.condition == "assisted" else ""
        cells = {"participant": o.record.participant, "visit": visit.id}
        if meaning.table == "angles":
            if number and meaning.stat == "minus":
                typed = value
                value = f"{-float(value):g}" if float(value) < 0 else "0"
                if float(typed) > 0:
                    self._remark(o, visit, f"typed {typed}: hyperextension, no deficit")
            cells |= {
                "side": side, "digit": meaning.digit, "joint": meaning.joint, "movement": meaning.movement,
                "mode": meaning.mode, "degrees": value,
            }  # fmt: skip
        elif meaning.table == "trials":
            cells |= {
                "instrument": meaning.instrument, "side": side, "condition": condition,
                "trial": str(meaning.number if meaning.number is not None else 1), "value": value,
                "unit": (unit if unit in ("kgf", "lbf", "N") else "") or meaning.unit,
            }  # fmt: skip
        elif meaning.table == "items":
            cells |= {"instrument": meaning.instrument, "side": side, "condition": condition, "item": meaning.item, "value": value}
        else:
            typed_unit = (unit if unit in ("kgf", "lbf", "N") else "") or meaning.unit
            if number and typed_unit in ("lbf", "N") and meaning.scale == "force":
                self._remark(o, visit, f"typed {value} {typed_unit}, converted to kgf")
                value = repr(float(convert_force(float(value), typed_unit, "kgf")))
            cells |= {"instrument": meaning.instrument, "scale": meaning.scale, "side": side, "condition": condition, "value": value}
        self.ledger.put(o.record.source.table.page, o.row, o.place, "converted", f"{meaning.table}, {o.record.participant}, {visit.id}")
        self.done.rows.append(Row(meaning.table, cells, o, visit, number))

    def reasons_for_blanks(self, records: list[Record], observations: list[Observation]) -> None:
        """Rows for blank cells whose line says why the test was not done."""
        for record in records:
            for instrument, (words, name, _) in self.reason_columns.get(id(record), {}).items():
                columns = [c for c in record.source.measures if c.meaning.instrument == instrument and c.meaning.condition != "assisted"]
                blank = [c for c in columns if not record.source.table.view.text(record.line, c.place)]
                visit = self.schedule.find(record.visit)
                if not blank or visit is None or self.holds.why(record):
                    continue
                hands = {c.meaning.side for c in blank}
                covers = "all of them"
                if len(hands) > 1:
                    question = f"reason covers {instrument}"
                    covers = self.questions.ask(
                        ASK, question, f"{record.source.name}, {name}",
                        "The reason is given once for several columns "
                        f"({', '.join(c.name for c in blank)}). Does it hold for all of them?",
                        ("all of them", "the affected hand only"),
                    )  # fmt: skip
                    if not covers:
                        self.done.waiting.add((record.participant, visit.id))
                reason = reason_of(words)[0] if words else "not done"
                if not reason:
                    question = f"cell {words}"
                    row = record.source.table.view.at(record.line, columns[0].place)[0]
                    answer = self.questions.ask(
                        ASK, question, f"{record.source.name}, row {row} ({record.participant}, {visit.label})",
                        f"{name}: {words!r}. Which of the four ways of not having a number is it?", REASONS,
                    )  # fmt: skip
                    reason = as_value(answer)[1] if answer else ""
                    if not reason:
                        self.done.waiting.add((record.participant, visit.id))
                if not covers or not reason:
                    continue
                for column in blank:
                    if simple(covers).startswith(("the affected", "affected")) and column.meaning.side not in ("affected", ""):
                        continue
                    row, place = record.source.table.view.at(record.line, column.place)
                    o = Observation(record, column, column.meaning, record.visit, row, place, None, "", column.codes)
                    meaning = self._settled(o)
                    if meaning:
                        o.meaning = meaning
                        self._write(o, visit, reason, False)
                        if simple(words) not in (simple(reason), ""):
                            self._remark(o, visit, words)

    # --- after the cells ---

    def _drop_totals_of_held_items(self) -> None:
        kept = []
        for row in self.done.rows:
            o = row.observation
            if row.table == "totals" and (id(o.record), o.meaning.instrument) in self.held_items:
                self.ledger.put(o.record.source.table.page, o.row, o.place, "held", "an item of this total waits for an answer")
                continue
            kept.append(row)
        self.done.rows = kept

    def _conflicts(self) -> None:
        """The same measurement from two places: once where they agree, a question where they differ."""
        groups: dict[tuple[str, ...], list[Row]] = defaultdict(list)
        for row in self.done.rows:
            groups[row.key].append(row)
        for group in groups.values():
            if len(group) == 1:
                continue
            values = {_plain_text(row.cells.get("value", row.cells.get("degrees", ""))) for row in group}
            if len(values) == 1:
                for row in group[1:]:
                    self._aside(row.observation, f"the same value as {group[0].observation.address}")
                    self.done.rows.remove(row)
                continue
            self._ask_conflict(group)

    def _ask_conflict(self, group: list[Row]) -> None:
        first = group[0]
        sources = list(dict.fromkeys(row.observation.record.source.name for row in group))
        columns = list(dict.fromkeys(row.observation.column.name for row in group))
        choices = sources if len(sources) > 1 else columns if len(columns) > 1 else [row.observation.address for row in group]
        name = f"differs {' '.join(sources)} {' '.join(columns) if len(sources) < 2 else ''}"
        name += f" {first.observation.address}" if len(sources) < 2 and len(columns) < 2 else ""
        places = " and ".join(row.observation.address for row in group)
        answer = self.questions.ask(
            ASK, name, places,
            f"The same measurement stands in several places with different values (e.g. {first.cells['participant']}, "
            f"{first.visit.label}, {first.observation.column.name}). Which place counts?", choices,
        )  # fmt: skip
        chosen = [
            row for row in group
            if answer and simple(answer)
            in (simple(row.observation.record.source.name), simple(row.observation.address), simple(row.observation.column.name))
        ]  # fmt: skip
        if answer and not chosen:
            self.questions.refuse(name, f"found {answer!r}, allowed {', '.join(choices)}")
        for row in group:
            if row in chosen[:1]:
                continue
            self.done.rows.remove(row)
            if chosen:
                self._aside(row.observation, f"{answer} was chosen")
            else:
                self._hold(row.observation, name, row.visit)


def _own_unit(text: str) -> bool:
    """Whether a cell names its unit itself: "27 kg"."""
    return read_measure(text, {}, (), None).unit in ("kgf", "lbf", "N")


def _measure_key(meaning: Meaning) -> tuple[str, str, str]:
    return meaning.outcome, meaning.side, meaning.unit


def _plain(text: str) -> bool:
    return bool(re.fullmatch(r"-?\d+(\.\d+)?|\.\d+", text))


def _plain_text(text: str) -> str:
    return f"{float(text):.10g}" if _plain(text) else text


def _limits(
    meaning: Meaning, known: Instrument | None
) -> tuple[float | None, float | None, dict[str, float], tuple[float, ...]]:
    """What a cell may hold: lowest, highest, answers typed as words, levels. Degrees and forces have generous limits."""
    if meaning.table == "angles":
        return -90.0, 240.0, {}, ()
    if known is None:
        return None, None, {}, ()
    if meaning.table == "trials":
        return 0.0, None, {}, ()
    item = known.item(meaning.item) if meaning.table == "items" else known.items[0] if len(known.items) == 1 else None
    if item is not None and item.levels:
        return min(item.levels), max(item.levels), dict(item.codes), item.levels
    if meaning.table == "items":
        return (None, None, {}, ()) if item is None else (item.low, item.high if item.high > item.low else None, dict(item.codes), ())
    scale = known.scale(meaning.scale) or known.main_scale
    return scale.low, scale.high, {}, ()
