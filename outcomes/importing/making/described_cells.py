"""What every cell that is no measurement says of people and of their visits, collected and not yet a table."""

import re
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date

from outcomes.importing.finding.code_books import Facts
from outcomes.importing.finding.hands_and_trials import SIDE_LETTERS
from outcomes.importing.finding.mapped_tables import Column
from outcomes.importing.finding.observations import Record
from outcomes.importing.finding.training_log import TRAINING
from outcomes.importing.language.calendar_dates import DateText, is_partial, order_of, read_date
from outcomes.importing.language.cell_values import number_text, read_measure, reason_of, status_of
from outcomes.importing.language.code_pairs import pairs_of
from outcomes.importing.language.vocabulary import phrases, simple, tokens, whole
from outcomes.importing.making.accounts import Converted
from outcomes.importing.making.holds import Holds
from outcomes.importing.making.schedule import Schedule
from outcomes.importing.making.training_sessions import TrainingSessions
from outcomes.importing.opening.pages import Cell, Ledger
from outcomes.importing.questions import ASK, CONFIRM, Questions, as_value, slug
from outcomes.onset import DAYS_PER_MONTH

_TICKED = re.compile(r"(?:[☒☑✓✔✗✘■●]|\[\s*[xX✓]\s*\]|\(\s*[xX]\s*\))\s*([^\W\d_]+(?: [^\W\d_]+)*)")
_BOX = re.compile(r"[☐□○]|\[\s*\]|\(\s*\)")
_PERSON_ROLES = (
    "arm",
    "age",
    "sex",
    "affected_side",
    "dominant_side",
    "diagnosis",
    "onset_date",
    "onset_months",
    "site",
)
_ASIDE_ROLES = {
    "personal": "personal data that the study does not need",
    "sequence": "numbering or a second key",
    "consent": "date of consent, no part of the study folder",
    "repeat": "number of a repeated form",
    "entry_state": "state of the form",
    "derived": "derived from other columns",
    "visit only": "a visit without a measure",
    "": "not recognised",
}
# Letters of both hands in the languages where they stand for left and right (common practice, no source).
_BOTH_LETTERS = {frozenset((left, right)): (left, right) for left, right in SIDE_LETTERS}


@dataclass
class Described:
    """Everything about people and visits, as text."""

    participants: list[dict[str, str]] = field(default_factory=list)
    visits: list[dict[str, str]] = field(default_factory=list)
    adverse_events: list[dict[str, str]] = field(default_factory=list)
    sessions: list[dict[str, str]] = field(default_factory=list)
    arms: list[tuple[str, str]] = field(default_factory=list)  # id, label
    dates: dict[str, dict[str, date]] = field(default_factory=dict)  # participant -> visit id -> date


class DescribedCells:
    """Reads the cells of the columns that describe people and visits."""

    def __init__(
        self,
        records: list[Record],
        facts: Facts,
        questions: Questions,
        ledger: Ledger,
        schedule: Schedule,
        holds: Holds,
    ):
        self.records, self.facts, self.questions, self.ledger = records, facts, questions, ledger
        self.schedule, self.holds = schedule, holds
        self.found = Described()
        self.said: dict[str, dict[str, list[tuple[str, str]]]] = defaultdict(lambda: defaultdict(list))
        self.visit_facts: dict[tuple[str, str], dict[str, str]] = defaultdict(dict)
        self.held_dates: set[tuple[str, str]] = set()
        self.arm_words: dict[str, str] = {}
        self.training = TrainingSessions(ledger)
        self.open_letters: set[str] = set()  # columns of sexes whose letters differ between languages
        self.open_codes: set[tuple[str, str]] = set()  # (role, heading) whose codes nobody has explained yet

    # --- cells ---

    def read(self, done: Converted) -> None:
        """Every cell that is no measurement."""
        self.orders = self._date_orders()
        self._explain_codes()
        for record in self.records:
            for column in record.source.columns:
                if column.role in ("measure", "value"):
                    continue
                cell = record.source.table.view.cell(record.line, column.place)
                if cell is not None:
                    self._cell(record, column, cell, done)

    def _cell(self, record: Record, column: Column, cell: Cell, done: Converted) -> None:
        page, role = record.source.table.page, column.role
        at = (cell.row, cell.column)
        kept_out = self.holds.why(record)
        if kept_out:
            self.ledger.put(page, *at, *kept_out)
            return
        if column.open:
            self.ledger.put(page, *at, "held", f"question {column.open}")
            return
        if role == "affected_side" and column.meaning.rest and not self._affected(record, column):
            self.ledger.put(page, *at, "set aside", "column left out by the answer")
            return
        if role in _ASIDE_ROLES:
            self.ledger.put(page, *at, "set aside", _ASIDE_ROLES[role], over=False)
            if cell.comment:
                self._remark(record, column, cell.comment, done, cell)
            return
        if not record.participant:
            measured = any(record.source.table.view.text(record.line, c.place) for c in record.source.measures)
            empty = not measured and not record.text("ae_term")
            if role == "ae_term":
                place, advice = page.address(*at), "Write the code of the participant into the line."
                found = {"place": place, "found": cell.text, "what": "an adverse event of nobody", "advice": advice}
                done.findings.append(found)
            self.ledger.put(
                page,
                *at,
                "set aside" if empty else "finding",
                "a line without a participant and without values" if empty else "the line has no participant",
            )
            return
        if role in _PERSON_ROLES:
            self._person(record, column, cell)
        elif role in ("date", "rater", "status"):
            self._visit_cell(record, column, cell, done)
        elif role == "remark":
            self._remark(record, column, cell.text, done, cell)
            self.ledger.put(page, *at, "remark", "kept in import/remarks.csv")
        elif role.startswith("ae_"):
            self.ledger.put(page, *at, "converted", "adverse_events")
        elif role.startswith(TRAINING):
            self.training.read(record, column, cell, lambda found: self.one_date(record, column, found), done)
        elif role == "done_flag":
            self.ledger.put(page, *at, "key", "says whether the test was done")
        else:
            self.ledger.put(page, *at, "key", role)
            if role == "visit" and record.arm and not any(r.source.of("arm") for r in self.records):
                self.said[record.participant]["arm"].append((self._arm(record.arm, ""), page.address(*at)))
        if cell.comment and role not in ("remark",):
            self._remark(record, column, cell.comment, done, cell)

    def _affected(self, record: Record, column: Column) -> bool:
        """Whether a column under "hand" or "side" holds the affected side: assumed until somebody says no."""
        answer = self.questions.ask(
            CONFIRM,
            f"affected side {record.source.name}",
            f"{record.source.name}: {column.name}",
            f"The column {column.name!r} is taken for the affected side.",
            ("affected side", "leave out"),
            "affected side",
        )
        return not simple(answer).startswith(("leave", "no"))

    def _remark(self, record: Record, column: Column, text: str, done: Converted, cell: Cell) -> None:
        visit = (
            self.schedule.find(column.meaning.visit or record.visit) if (column.meaning.visit or record.visit) else None
        )
        place = record.source.table.page.address(cell.row, cell.column)
        done.remarks.append(
            {
                "participant": record.participant,
                "visit": visit.id if visit else "",
                "what": column.name,
                "place": place,
                "remark": text,
            }
        )
        status = status_of(text)[0]
        measured = any(record.source.table.view.text(record.line, c.place) for c in record.source.measures)
        if visit and status in ("missed", "withdrawn") and not measured and record.source.measures:
            done.statuses.setdefault((record.participant, visit.id), (status, text, place))

    # --- people ---

    def _explain_codes(self) -> None:
        """Numbers for sexes, sides and arms that no code book explains."""
        used: dict[tuple[str, str], set[str]] = defaultdict(set)
        columns: dict[tuple[str, str], list[Column]] = defaultdict(list)
        for record in self.records:
            for column in record.source.columns:
                if column.role in ("sex", "affected_side", "dominant_side") and (cell := record.cell(column)):
                    text = cell.text.strip()
                    if number_text(text) and text.lower() not in column.codes:
                        used[column.role, column.name].add(text)
                        if column not in columns[column.role, column.name]:
                            columns[column.role, column.name].append(column)
                if column.role == "sex" and (cell := record.cell(column)):
                    used["letters", column.name].add(simple(cell.text))
                    columns["letters", column.name].append(column)
                if column.role in ("affected_side", "dominant_side") and (cell := record.cell(column)):
                    page = record.source.table.page
                    for place in (f"file {page.file}", f"page {page.name}"):
                        used["side letters", place].add(simple(cell.text))
                        columns["side letters", place].append(column)
        for (role, name), texts in used.items():
            if role == "letters":
                if texts <= {"h", "m"} and "h" in texts:  # hombre, homme and mujer
                    for column in columns[role, name]:
                        column.codes = {**column.codes, "h": "male", "m": "female"}
                if texts <= {"v", "m"} and "v" in texts:  # vrouw and man, or varon and mujer
                    spanish = {"sexo", "genero"}.intersection(tokens(name))
                    for column in columns[role, name]:
                        meant = {"v": "male", "m": "female"} if spanish else {"v": "female", "m": "male"}
                        column.codes = {**column.codes, **(meant if spanish or "geslacht" in tokens(name) else {})}
                        if not (spanish or "geslacht" in tokens(name)):
                            self.open_letters.add(column.name)
                continue
            if role == "side letters":
                if pair := _BOTH_LETTERS.get(frozenset(texts)):
                    for column in columns[role, name]:
                        column.codes = {**column.codes, pair[0]: "left", pair[1]: "right"}
                continue
            words = ("female", "male") if role == "sex" else ("left", "right")
            codes = sorted(texts, key=lambda text: float(number_text(text)))
            pairs = [
                f"{codes[0]} = {words[0]}, {codes[-1]} = {words[1]}",
                f"{codes[0]} = {words[1]}, {codes[-1]} = {words[0]}",
            ]

            answer = self.questions.ask(
                ASK,
                f"codes {name}",
                name,
                f"What do the codes {', '.join(codes)} of {name} mean?",
                pairs if len(codes) == 2 else (),
            )
            if not answer:
                self.open_codes.add((role, name))
            meant = {code.lower(): word for code, word in pairs_of(answer).items()}
            for column in columns[role, name]:
                column.codes = {**column.codes, **meant}

    def _person(self, record: Record, column: Column, cell: Cell) -> None:
        page, role = record.source.table.page, column.role
        value = self._person_value(record, column, cell)
        place = page.address(cell.row, cell.column)
        if value is None:
            self.ledger.put(page, cell.row, cell.column, "held", f"question about {column.name}")
            self.said[record.participant]  # the person exists
            return
        self.ledger.put(page, cell.row, cell.column, "converted", f"participants, {record.participant}")
        name = "onset" if role.startswith("onset") else role
        if value:
            self.said[record.participant][name].append((value, place))

    def _person_value(self, record: Record, column: Column, cell: Cell) -> str | None:
        """The value of a cell about a person, "" for none, None while a question is open."""
        role, text = column.role, cell.text.strip()
        ticked = _TICKED.findall(text) if (_BOX.search(text) or _TICKED.search(text)) else None
        if ticked is not None:
            if not ticked:
                return ""
            text = ticked[0] if len(ticked) == 1 else "both"
        coded = column.codes.get(code_key(text), "")
        if column.variable and code_key(text) in column.missing:
            return ""
        words = coded or text
        if reason_of(words)[0] or text == "?":
            return ""
        if number_text(text) and not coded and (column.role, column.name) in self.open_codes:
            return None
        if role == "arm":
            return self._arm(text, coded)
        if role == "age":
            reading = read_measure(text, {}, (), None)
            if reading.kind == "number" and 0 <= float(reading.value) <= 120:
                return reading.value
            if span := re.fullmatch(r"(\d{1,3})\s*(?:-|–|to|bis|à)\s*(\d{1,3})", text):
                return self._age_range(record, column, float(span[1]), float(span[2]))
            return self._ask_person(record, column, text, (reading.value,) if reading.value else ())
        if role in ("sex", "affected_side", "dominant_side"):
            group = "sexes" if role == "sex" else "sides"
            found = whole(words, group)
            if role == "sex" and column.name in self.open_letters and not coded:
                found = ""
            if found and not (text.endswith("?")) and not (number_text(text) and not coded):
                return (
                    "both" if found == "both" else found if found not in ("affected", "other") or role == "sex" else ""
                )
            return self._ask_person(
                record,
                column,
                text,
                ("female", "male", "other") if role == "sex" else ("left", "right", "both", "unknown"),
            )
        if role == "onset_date":
            return self._onset(record, column, cell, text)
        if role == "onset_months":
            reading = read_measure(text, {}, (), None)
            if reading.kind == "number":
                return _months(reading.value, text, column.name)
            if when := read_date(cell.value, text):
                return self.one_date(record, column, when)
            return self._ask_person(record, column, text, ())
        return words

    def _age_range(self, record: Record, column: Column, low: float, high: float) -> str | None:
        """Ages given as ranges: the middle, or nothing, by one answer for all."""
        name = f"age ranges {column.name}"
        answer = self.questions.ask(
            ASK,
            name,
            f"{record.source.name}, {column.name}",
            f"{column.name} holds ranges, for example {low:g} to {high:g}. Take the middle of each as the age?",
            ("the middle", "leave blank"),
        )
        if simple(answer).startswith(("the middle", "middle", "yes")):
            return f"{(low + high) / 2:g}"
        if simple(answer).startswith(("leave", "no", "blank")):
            return ""
        if answer:
            self.questions.refuse(name, f"found {answer!r}, allowed the middle, leave blank")
        return None

    def _ask_person(self, record: Record, column: Column, text: str, choices: tuple[str, ...]) -> str | None:
        name = f"{column.role} {text}"
        place = f"{record.where}, {column.name}"
        answer = self.questions.ask(
            ASK,
            name,
            place,
            f"{column.name} of {record.participant} is {text!r}. What is it?"
            + (" A date, or months since then." if column.role.startswith("onset") else ""),
            (*choices, "leave blank"),
            of=record.participant,
        )
        if not answer:
            return None
        if simple(answer) in ("leave blank", "unknown", "blank"):
            return ""
        if choices and answer in choices:
            return answer
        group = "sexes" if column.role == "sex" else "sides"
        if choices and (found := whole(answer, group)):
            return found
        onset = column.role.startswith("onset")
        if onset and (when := read_date(answer, answer)):
            return self.one_date(record, column, when)
        if onset and is_partial(answer):
            return answer.strip()
        if value := as_value(answer)[0] if onset or column.role == "age" else "":
            return _months(value, answer, "") if onset else value
        self.questions.refuse(name, f"found {answer!r}, allowed {', '.join((*choices, 'leave blank'))}")
        return None

    def _onset(self, record: Record, column: Column, cell: Cell, text: str) -> str | None:
        found = read_date(cell.value, text)
        if found is None:
            if is_partial(text):
                return text
            reading = read_measure(text, {}, (), None)
            if reading.kind == "number" and float(reading.value) < 1200:
                return _months(reading.value, text, "")
            return self._ask_person(record, column, text, ())
        return self.one_date(record, column, found)

    def one_date(self, record: Record, column: Column, found: DateText) -> str | None:
        """The day as year-month-day; None while the order of day and month is asked for."""
        if not found.open:
            day = found.day_first or found.month_first
            return day.isoformat() if day else ""
        file = record.source.table.page.file
        order = self.orders.get((file, column.name)) or self._ask_order(file, column.name)
        if not order:
            return None
        day = found.month_first if order == "month first" else found.day_first
        return day.isoformat() if day else ""

    def _arm(self, text: str, words: str) -> str:
        """The id of an arm; spelled alike whatever the case."""
        if words and number_text(text):
            text = words
        for known in self.arm_words:
            if simple(known) == simple(text):
                return slug_arm(known)
        self.arm_words[text] = words or text
        return slug_arm(text)

    # --- visits ---

    def _date_orders(self) -> dict[tuple[str, str], str]:
        """For each column of dates: day first or month first, where the evidence decides."""
        dates: dict[tuple[str, str], list[DateText]] = defaultdict(list)
        by_file: dict[str, list[DateText]] = defaultdict(list)
        formats: dict[str, set[str]] = defaultdict(set)
        for record in self.records:
            for column in record.source.columns:
                if column.role not in ("date", "onset_date", "ae_date", "training_date"):
                    continue
                cell = record.source.table.view.cell(record.line, column.place)
                found = read_date(cell.value, cell.text) if cell else None
                if cell and found:
                    file = record.source.table.page.file
                    dates[file, column.name].append(found)
                    by_file[file].append(found)
                    if cell.date_format:
                        formats[file].add(cell.date_format)
        orders = {}
        for (file, name), column_dates in dates.items():
            order, _ = order_of(column_dates, formats[file], by_file[file])
            if order:
                orders[file, name] = order
        return orders

    def _ask_order(self, file: str, name: str) -> str:
        answer = self.questions.ask(
            ASK,
            f"date order {file}",
            f"{file}, {name}",
            "In the dates of this file, does the day or the month come first?",
            ("day first", "month first"),
        )
        return answer if answer in ("day first", "month first") else ""

    def _visit_cell(self, record: Record, column: Column, cell: Cell, done: Converted) -> None:
        page = record.source.table.page
        place = page.address(cell.row, cell.column)
        visit = self.schedule.find(column.meaning.visit or record.visit)
        if visit is None:
            self.ledger.put(page, cell.row, cell.column, "set aside", f"{column.role} outside the planned visits")
            return
        key = (record.participant, visit.id)
        self.said[record.participant]
        text = cell.text.strip()
        status = "converted"
        if column.role == "rater":
            self.visit_facts[key].setdefault("rater", text)
        elif column.role == "status":
            found = whole(column.codes.get(code_key(text), text), "statuses") or status_of(text)[0]
            if found in ("missed", "withdrawn"):
                done.statuses.setdefault(key, (found, "", place))
        else:
            status = self._visit_date(record, column, cell, visit.id, done)
        self.ledger.put(page, cell.row, cell.column, status, f"visits, {record.participant}, {visit.id}")

    def _visit_date(self, record: Record, column: Column, cell: Cell, visit: str, done: Converted) -> str:
        key, text = (record.participant, visit), cell.text.strip()
        place = record.source.table.page.address(cell.row, cell.column)
        found = read_date(cell.value, text)
        if found is None:
            status, words = status_of(text)
            if status in ("missed", "withdrawn"):
                done.statuses.setdefault(key, (status, words, place))
                return "converted"
            if reason_of(text)[0]:
                return "key"
            name = f"date {text}"
            answer = self.questions.ask(
                ASK,
                name,
                f"{place} ({record.participant}, {visit})",
                f"{text!r} stands where the date belongs. What happened?",
                ("missed", "withdrawn", "attended, date unknown"),
                of=record.participant,
            )
            if not answer:
                self.held_dates.add(key)
                return "held"
            status = status_of(answer)[0]
            if status in ("missed", "withdrawn"):
                done.statuses.setdefault(key, (status, text, place))
                return "converted"
            found = read_date(answer, answer)
            if found is None and (status == "attended" or simple(answer).startswith("attended")):
                self.visit_facts[key]["attended"] = "yes"
                return "converted"
            if found is None:
                self.questions.refuse(name, f"found {answer!r}, allowed missed, withdrawn, attended, or a date")
                self.held_dates.add(key)
                return "held"
        day = self.one_date(record, column, found)
        if day is None:
            self.held_dates.add(key)
            return "held"
        before = self.visit_facts[key].setdefault("date", day)
        if before != day:
            self.visit_facts[key]["other date"] = f"{day} ({place})"
        self.found.dates.setdefault(record.participant, {}).setdefault(visit, date.fromisoformat(before))
        return "converted"


# Units of time since onset in a heading; words of the vocabulary such as "s" or "m" would say something else there.
_YEARS = frozenset({"year", "years", "yrs", "jahre", "ans", "anos", "anni", "jaar"})
_MONTHS = frozenset({"months", "mths", "monate", "mois", "meses", "mesi", "maanden"})
_DAYS = frozenset({"day", "days", "tage", "tagen", "jours", "dias", "giorni", "dagen", "dage", "dagar", "dni"})


def _months(value: str, text: str, heading: str) -> str:
    """Months since onset: in the unit typed beside the number, else in the one of the heading, else as they stand."""
    typed = {meaning for word in tokens(text) for _, meaning in phrases("durations").get((word,), ())}
    words = set(tokens(heading)) if not typed else set()
    if "year" in typed or (words & _YEARS and not words & _MONTHS):
        return f"{12 * float(value):g}"
    if "day" in typed or words & _DAYS:
        return f"{float(value) / DAYS_PER_MONTH:.6g}"
    return f"{7 * float(value) / DAYS_PER_MONTH:.6g}" if "week" in typed else value


def code_key(text: str) -> str:
    """A code as code books name it: 1, 1.0 and 01 are one code."""
    value = number_text(text)
    if value:
        number = float(value)
        return str(int(number)) if number.is_integer() else repr(number)
    return text.strip().lower()


def slug_arm(text: str) -> str:
    """The id of an arm: the code of a letter as typed, a number as group_1, words as one word."""
    if re.fullmatch(r"[A-Z]", text):
        return text
    return f"group_{slug(text)}" if number_text(text) else slug(text)
