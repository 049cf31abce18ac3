"""From measured cells to the tables of a study folder, with every cell accounted for."""

import re
from collections import defaultdict
from dataclasses import replace

from outcomes.dynamometry.force import convert_force
from outcomes.importing.finding.observations import Observation, Record
from outcomes.importing.language.cell_values import (
    REASONS,
    Reading,
    number_text,
    read_measure,
    reason_of,
    status_of,
    suspicious,
)
from outcomes.importing.language.headings import PAIR, Meaning, item_of
from outcomes.importing.language.vocabulary import simple, whole
from outcomes.importing.making.accounts import Converted, Row
from outcomes.importing.making.schedule import Visit
from outcomes.importing.making.settling import Settling
from outcomes.importing.questions import ASK, CONFIRM, as_value
from outcomes.library.instrument import Instrument
from outcomes.library.known import find_instrument

_SEVERAL = re.compile(r"\d+(?:[.,]\d+)?(?:\s*[/;|]\s*\d+(?:[.,]\d+)?)+")
# From how many impossible numbers, and from which share, a column is asked about as a whole (our rule).
_MANY, _SHARE = 3, 0.2


class Conversion(Settling):
    """Converts the observations one after the other; what is doubtful becomes a question."""

    def run(self, observations: list[Observation]) -> Converted:
        observations = [o for o in observations if o.meaning.role]
        self._look_for_codes(observations)
        self.with_items = {
            (id(o.record), o.meaning.instrument) for o in observations if o.meaning.table == "items" and o.text
        }
        self.items_per = self._numbered(observations)
        self.strange = self._strange_ranges(observations)
        for o in sorted(observations, key=lambda o: o.meaning.table != "items"):
            self._one(o)
        self._drop_totals_of_held_items()
        self._conflicts()
        return self.done

    def _look_for_codes(self, observations: list[Observation]) -> None:
        """Values that may be codes, per measure, side and unit."""
        values: dict[tuple[str, str, str], list[float]] = defaultdict(list)
        for o in observations:
            if o.meaning.table in ("totals", "trials"):
                reading = read_measure(o.text, o.codes, o.column.missing, None)
                if reading.kind == "number":
                    values[_measure_key(o.meaning)].append(float(reading.value))
        self.suspects = {key: suspicious(found) for key, found in values.items()}

    def _strange_ranges(self, observations: list[Observation]) -> dict[tuple[str, ...], str]:
        """Columns of which many numbers are impossible for the score they were read as, with how many."""
        outside: dict[tuple[str, ...], list[bool]] = defaultdict(list)
        for o in observations:
            known = find_instrument(o.meaning.instrument)
            reading = read_measure(o.text, o.codes, o.column.missing, None)
            if known is None or o.meaning.part or o.meaning.table == "angles" or reading.kind != "number":
                continue
            item = item_of(o.meaning, known) if o.meaning.table == "items" else ""
            low, high, _, _ = _limits(replace(o.meaning, item=o.meaning.item or item), known)
            number = float(reading.value)
            out = (low is not None and number < low) or (high is not None and number > high)
            outside[_column_key(o)].append(out)
        return {
            key: f"{sum(found)} of {len(found)}"
            for key, found in outside.items()
            if sum(found) >= _MANY and sum(found) > _SHARE * len(found)
        }

    def _fits(self, o: Observation, low: float | None, high: float | None) -> bool:
        """Whether the column may be what it was read as; asked once for a column full of impossible numbers."""
        counted = self.strange.get(_column_key(o))
        if not counted:
            return True
        span = f"{low or 0:g} to {high:g}" if high is not None else f"{low or 0:g} or more"
        name = " ".join(("range", *_column_key(o)))
        answer = self.questions.ask(
            ASK,
            name,
            f"{o.record.source.name}, {o.column.name}",
            f"Read as {o.meaning.outcome}, whose values go from {span}, but {counted} numbers lie outside. Is it that "
            "score all the same? (If it is another one, write its meaning in [columns] of import.toml.)",
            ("yes", "leave out"),
        )
        if not answer:
            self._hold(o, name)
        elif not simple(answer).startswith("yes"):
            self._aside(o, "column left out by the answer")
        return simple(answer).startswith("yes")

    def _numbered(self, observations: list[Observation]) -> dict[tuple[str, str], int]:
        """How many numbered items each instrument (and part) has in the files."""
        highest: dict[tuple[str, str], int] = {}
        for o in observations:
            if o.meaning.table == "items" and o.meaning.number is not None:
                key = (o.meaning.instrument, o.meaning.scale)
                highest[key] = max(highest.get(key, 0), o.meaning.number)
        return highest

    def _reasons_beside(self, records: list[Record]) -> None:
        """ "Test done? no. Why not?": what holds for the blank cells of that test in the same line."""
        for record in records:
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
                words = (
                    after.codes.get(reason_cell.text.strip().lower(), reason_cell.text.strip())
                    if after and reason_cell
                    else ""
                )
                if after:
                    self._mark(record, after.place, "key")
                key = (flag.meaning.instrument, flag.meaning.visit)
                self.reason_columns.setdefault(id(record), {})[key] = (words, after.name if after else flag.name)

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
        hands = o.meaning.side.split(PAIR)
        parts = re.split(r"[/;|]", o.text)
        if o.cell is not None and len(hands) == 2 == len(parts):
            for hand, part in zip(hands, parts, strict=True):  # "21/31" under "Grip R/L"
                own = replace(o.cell, text=part.strip(), value=part.strip())
                self._one(replace(o, cell=own, meaning=replace(o.meaning, side=hand)))
            return
        meaning = self._settled(o)
        if meaning is None:
            return
        visit = self._visit(o)
        if visit is None:
            return
        o.meaning = meaning
        self._value(o, visit)

    def _value(self, o: Observation, visit: Visit) -> None:
        cell, meaning = o.cell, o.meaning
        known = find_instrument(meaning.instrument)
        low, high, extra, levels = _limits(meaning, known)
        if not self._fits(o, low, high):
            return
        if o.fill and self._coloured(o, visit):
            return
        if cell is None:
            self._blank_with_reason(o, visit)
            return
        if cell.unsaved:
            self._unsaved(o)
            return
        row_reason = o.record.text("status") if o.record.source.long else ""
        if not cell.text and row_reason:
            self._remark(o, visit, cell.comment)  # a cell without a text is kept for its comment
            self._blank_with_reason(o, visit)
            return
        if cell.struck and not self._struck(o):
            return
        if cell.comment:
            text = self._commented(o, visit)
            if text is None:
                return
        else:
            text = o.text
        if not text:
            self.ledger.put(o.record.source.table.page, o.row, o.place, "remark", "comment on a blank cell, kept")
            return
        beside = meaning.table == "totals" and (id(o.record), meaning.instrument) in self.with_items
        if (
            known
            and known.main_scale.kind == "trials"
            and _SEVERAL.fullmatch(text)
            and meaning.table in ("totals", "trials")
        ):
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
            ASK,
            name,
            f"{o.address} ({o.record.participant}, {visit.label})",
            f"{o.column.name}: the cell holds {text!r}. Are these trials 1 to {len(parts)}?",
            ("yes, trials", "leave out"),
        )
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
                CONFIRM,
                f"colour {o.fill}",
                o.address,
                "Cells have a colour that is explained nowhere: taken to mean nothing.",
                ("it means nothing", "missed", *REASONS),
                "it means nothing",
            )
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
            o,
            "formula without a stored value",
            "Open the workbook in a spreadsheet program, save it, and import again.",
        )

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

    def _commented(self, o: Observation, visit: Visit) -> str | None:
        """The text that counts where a comment names another number; None while that is open."""
        assert o.cell is not None
        self._remark(o, visit, o.cell.comment)
        own = read_measure(o.text, {}, (), None).value
        others = [n.replace(",", ".") for n in re.findall(r"(?<![\w/])\d+(?:[.,]\d+)?(?![\w/])", o.cell.comment)]
        others = [number for number in others if number != own]
        if not others or not own:
            return o.text
        name = f"comment {o.address}"
        choices = (f"the cell: {own}", *(f"the comment: {number}" for number in dict.fromkeys(others)), "not done")
        answer = self.questions.ask(
            ASK,
            name,
            o.address,
            f"The cell holds {o.text}, its comment says: {o.cell.comment}. Which value counts?",
            choices,
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
            return replace(
                reading,
                kind="ask",
                choices=("not done", reading.value, *REASONS[1:]),
                why="a number like a code, far from all others",
            )
        return reading

    def _asked(self, o: Observation, visit: Visit, reading: Reading) -> Reading:
        """The reading after the answer, or the same where the question is open."""
        value = f"{reading.value} " if reading.value and reading.why.startswith(("allowed", "a number like")) else ""
        if value:
            item = o.column.name if o.meaning.table == "items" else ""
            name = f"value {o.meaning.outcome or o.meaning.joint} {o.text} {item}"
        else:
            name = f"cell {o.text}" if reading.value == "" else f"cell {o.address} {o.text}"
        who = f"{o.record.participant}, {visit.label}"
        answer = self.questions.ask(
            ASK,
            name,
            f"{o.address} ({who})",
            f"{o.column.name}: the cell holds {o.text!r} ({reading.why}). What was it?",
            (*reading.choices, "leave out"),
            reading.choices[0]
            if reading.why in ("a letter among digits", "a number like a code, far from all others")
            else "",
            of=o.address,
        )
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
            return Reading(
                "number", value=number, remark=reading.remark or ("" if number == o.text else f"typed {o.text}")
            )
        if reason:
            return Reading("reason", reason=reason, remark=reading.remark or f"typed {o.text}")
        self.questions.refuse(name, f"found {answer!r}, allowed a number, {', '.join(REASONS)} or leave out")
        self._hold(o, name, visit)
        return reading

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
                "side": side,
                "digit": meaning.digit,
                "joint": meaning.joint,
                "movement": meaning.movement,
                "mode": meaning.mode,
                "degrees": value,
            }
        elif meaning.table == "trials":
            cells |= {
                "instrument": meaning.instrument,
                "side": side,
                "condition": condition,
                "trial": str(meaning.number if meaning.number is not None else 1),
                "value": value,
                "unit": (unit if unit in ("kgf", "lbf", "N") else "") or meaning.unit,
            }
        elif meaning.table == "items":
            cells |= {
                "instrument": meaning.instrument,
                "side": side,
                "condition": condition,
                "item": meaning.item,
                "value": value,
            }
        else:
            typed_unit = (unit if unit in ("kgf", "lbf", "N") else "") or meaning.unit
            if number and typed_unit in ("lbf", "N") and meaning.scale == "force":
                self._remark(o, visit, f"typed {value} {typed_unit}, converted to kgf")
                value = repr(float(convert_force(float(value), typed_unit, "kgf")))
            cells |= {
                "instrument": meaning.instrument,
                "scale": meaning.scale,
                "side": side,
                "condition": condition,
                "value": value,
            }
        self.ledger.put(
            o.record.source.table.page,
            o.row,
            o.place,
            "converted",
            f"{meaning.table}, {o.record.participant}, {visit.id}",
        )
        self.done.rows.append(Row(meaning.table, cells, o, visit, number))

    def reasons_for_blanks(self, records: list[Record]) -> None:
        """Rows for blank cells whose line says why the test was not done."""
        records = [record for record in records if record.participant]
        self._reasons_beside(records)
        affected = {r.participant: whole(text, "sides") for r in records if (text := r.text("affected_side"))}
        for record in records:
            for (instrument, word), (words, name) in self.reason_columns.get(id(record), {}).items():
                columns = [
                    c
                    for c in record.source.measures
                    if c.meaning.instrument == instrument
                    and c.meaning.condition != "assisted"
                    and (word is None or c.meaning.visit is None or c.meaning.visit.key == word.key)
                ]
                blank = [c for c in columns if not record.source.table.view.text(record.line, c.place)]
                visit = self.schedule.find(word or record.visit)
                if not blank or self.holds.why(record):
                    continue
                if visit is None:  # a reason that says not of which visit is kept as words
                    person, where = record.participant, record.where
                    kept = {"participant": person, "visit": "", "what": name, "place": where, "remark": words}
                    self.done.remarks += [kept] if words else []
                    continue
                hands = {c.meaning.side for c in blank}
                covers = "all of them"
                if len(hands) > 1:
                    question = f"reason covers {instrument}"
                    covers = self.questions.ask(
                        ASK,
                        question,
                        f"{record.source.name}, {name}",
                        "The reason is given once for several columns "
                        f"({', '.join(c.name for c in blank)}). Does it hold for all of them?",
                        ("all of them", "the affected hand only"),
                    )
                    if not covers:
                        self.done.waiting.add((record.participant, visit.id))
                reason = reason_of(words)[0] if words else "not done"
                if not reason:
                    question = f"cell {words}"
                    row = record.source.table.view.at(record.line, columns[0].place)[0]
                    answer = self.questions.ask(
                        ASK,
                        question,
                        f"{record.source.name}, row {row} ({record.participant}, {visit.label})",
                        f"{name}: {words!r}. Which of the four ways of not having a number is it?",
                        REASONS,
                    )
                    reason = as_value(answer)[1] if answer else ""
                    if answer and not reason:
                        self.questions.refuse(question, f"found {answer!r}, allowed {', '.join(REASONS)}")
                    if not reason:
                        self.done.waiting.add((record.participant, visit.id))
                if not covers or not reason:
                    continue
                for column in blank:
                    if simple(covers).startswith(("the affected", "affected")) and column.meaning.side not in (
                        "affected",
                        "",
                        affected.get(record.participant),
                    ):
                        continue
                    row, place = record.source.table.view.at(record.line, column.place)
                    o = Observation(record, column, column.meaning, record.visit, row, place, None, "", column.codes)
                    meaning = self._settled(o)
                    if meaning:
                        o.meaning = meaning
                        self._write(o, visit, reason, False)
                        if simple(words) not in (simple(reason), ""):
                            self._remark(o, visit, words)

    def _drop_totals_of_held_items(self) -> None:
        kept = []
        for row in self.done.rows:
            o = row.observation
            if row.table == "totals" and (id(o.record), o.meaning.instrument) in self.held_items:
                self.ledger.put(
                    o.record.source.table.page, o.row, o.place, "held", "an item of this total waits for an answer"
                )
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
        choices = (
            sources if len(sources) > 1 else columns if len(columns) > 1 else [row.observation.address for row in group]
        )
        name = f"differs {' '.join(sources)} {' '.join(columns) if len(sources) < 2 else ''}"
        name += f" {first.observation.address}" if len(sources) < 2 and len(columns) < 2 else ""
        places = " and ".join(row.observation.address for row in group)
        answer = self.questions.ask(
            ASK,
            name,
            places,
            f"The same measurement stands in several places with different values (e.g. {first.cells['participant']}, "
            f"{first.visit.label}, {first.observation.column.name}). Which place counts?",
            choices,
        )
        chosen = [
            row
            for row in group
            if answer
            and simple(answer)
            in (
                simple(row.observation.record.source.name),
                simple(row.observation.address),
                simple(row.observation.column.name),
            )
        ]
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


def _column_key(o: Observation) -> tuple[str, ...]:
    """What stands together in a range: the columns of one score over all visits, the lines of one test or item."""
    if o.record.source.long:
        return o.record.source.name, o.record.text("instrument"), o.record.text("item"), ""
    m = o.column.meaning
    return o.record.source.name, m.instrument, m.scale or m.item, str(m.number or "")


def _measure_key(meaning: Meaning) -> tuple[str, str, str]:
    return meaning.outcome, meaning.side, meaning.unit


def _plain_text(text: str) -> str:
    return f"{float(number):.10g}" if (number := number_text(text)) else text


def _limits(
    meaning: Meaning, known: Instrument | None
) -> tuple[float | None, float | None, dict[str, float], tuple[float, ...]]:
    """What a cell may hold: lowest, highest, answers typed as words, levels. Degrees and forces have generous "
    "limits."""
    if known is None:  # an angle; everything else was settled with its instrument
        return -90.0, 240.0, {}, ()
    if meaning.table == "trials":
        return 0.0, None, {}, ()
    item = known.item(meaning.item) if meaning.table == "items" else known.items[0] if len(known.items) == 1 else None
    if item is not None and item.levels:
        return min(item.levels), max(item.levels), dict(item.codes), item.levels
    if meaning.table == "items":
        if item is None:
            return None, None, {}, ()  # not settled yet; an item that the instrument has not becomes a finding
        return item.low, item.high if item.high > item.low else None, dict(item.codes), ()
    scale = known.scale(meaning.scale) or known.main_scale
    return scale.low, scale.high, {}, ()
