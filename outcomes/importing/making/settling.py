"""The meaning of a cell with nothing left open: edition, item, unit, side, condition, sign, visit."""

import re
from collections import Counter
from dataclasses import replace

from outcomes.importing.finding.observations import Observation
from outcomes.importing.language.cell_values import read_measure
from outcomes.importing.language.headings import FAMILIES, UNNAMED, Meaning, item_of
from outcomes.importing.language.visit_words import VisitWord
from outcomes.importing.language.vocabulary import simple, whole
from outcomes.importing.making.accounts import Accounts
from outcomes.importing.making.schedule import Visit
from outcomes.importing.questions import ASK, CONFIRM
from outcomes.library.instrument import Instrument
from outcomes.library.known import find_instrument

_FINGER_JOINTS = ("mcp", "pip", "dip", "ip")
_MINUS_LACKS = "minus = lacks extension, plus = hyperextension"
_PLUS_LACKS = "the numbers are deficits"
_PLAIN = "plain extension, no deficit"


class Settling(Accounts):
    """Settles meanings; what is doubtful becomes a question, and the cell waits."""

    items_per: dict[tuple[str, str], int]

    def _visit(self, o: Observation) -> Visit | None:
        other = o.column.meaning.other_visit
        if other is not None and not o.record.source.long:
            name = f"visit of {o.column.name}"
            choices = [word.label for word in (o.column.meaning.visit, other) if word]
            answer = self.questions.ask(
                ASK,
                name,
                f"{o.record.source.name}, {o.column.name}",
                f"The name of the column says {choices[0]}, its label {choices[1]}. From which visit are the values?",
                choices,
            )
            if not answer:
                self._hold(o, name)
                return None
            found = self._named(answer)
            if found is None and simple(answer) == simple(other.label):
                found = self.schedule.find(other) or self._labelled(o, other)
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
                self.questions.refuse(
                    name, f"found {answer!r}, allowed {', '.join(v.label for v in self.schedule.visits)}"
                )
            self._hold(o, name)
        return found

    def _labelled(self, o: Observation, word: VisitWord) -> Visit | None:
        """The visit that most other columns with this word in their label have by their name."""
        named = Counter(
            c.meaning.visit
            for c in o.record.source.measures
            if c is not o.column and c.meaning.other_visit and c.meaning.other_visit.key == word.key
        )
        often = [visit for visit, count in named.items() if count == max(named.values())]
        return self.schedule.find(often[0]) if len(often) == 1 else None

    def _settled(self, o: Observation) -> Meaning | None:
        """The meaning with nothing left open: edition, unit, side, condition, sign; None while a question is."""
        meaning = o.meaning
        if meaning.near:
            known = find_instrument(meaning.instrument)
            answer = self.questions.ask(
                CONFIRM,
                f"name {meaning.near}",
                o.column.name,
                f"{meaning.near!r} was read as {known.name if known else meaning.instrument}.",
                ("yes", "no"),
                "yes",
            )
            if simple(answer).startswith(("no", "leave")):
                self._aside(o, f"not {known.name if known else meaning.instrument}, going by the answer")
                return None
        if meaning.rest and not (o.column.variable and o.column.variable.label):
            words = " ".join(meaning.rest)
            known = find_instrument(meaning.instrument)
            long = o.record.source.long
            said = " ".join(filter(None, (o.record.text("instrument"), o.record.text("item_name")))) if long else ""
            alike = [c.meaning for c in o.record.source.measures if c.meaning.rest == meaning.rest]
            # One question a cause: a word over several columns is one word that nobody knows.
            shared = not long and len(alike) > 1
            name = f"word {words}" if shared else f"column {said or o.column.name}"
            named = bool(known and known.sided) and len({(one.outcome, one.side) for one in alike}) < 2
            hands = ("left", "right", "affected", "other") if named else ()
            read_as = ", ".join(sorted({one.outcome or one.joint for one in alike} - {""}))
            if shared:
                text = f"Nobody knows {words!r} in headings that were read as {read_as}. Are they right"
            else:
                what = f"{said!r}" if said else "The column"
                text = f"{what} was read as {meaning.outcome or meaning.joint}, but nobody knows {words!r}. Is it right"
            text += f"{', and if the word names a hand, which one' if hands else ''}?"
            answer = self.questions.ask(
                ASK, name, f"{o.record.source.name}, {said or o.column.name}", text, ("yes", *hands, "leave out")
            )
            if not answer:
                self._hold(o, name)
                return None
            if hands and (side := whole(answer, "sides")) in hands:
                meaning = replace(meaning, side=side)
            elif not simple(answer).startswith(("yes", "y ")):
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
        if meaning.part:
            found = self._part(o, meaning)
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
                ASK,
                name,
                o.record.source.name,
                f"In which unit is {known.name} ({o.column.name})?",
                ("kgf", "lbf", "N"),
            )
            unit = unit if unit in ("kgf", "lbf", "N") else whole(unit, "units")
            if unit not in ("kgf", "lbf", "N"):
                self._hold(o, name)
                return None
            meaning = replace(meaning, unit=unit)
        if known and known.main_scale.kind == "trials" and meaning.table == "totals":
            what = {"mean": "the mean of the trials", "best": "the best of the trials"}.get(
                meaning.stat, "the mean of the trials"
            )
            self.questions.ask(
                CONFIRM,
                f"summary {meaning.instrument}",
                o.column.name,
                f"{known.name} has one number per hand and visit. Taken for {what} and kept as a total.",
                ("the mean of the trials", "the best of the trials"),
                what,
            )
        return self._sided(o, meaning, known)

    def _guessed(self, o: Observation, meaning: Meaning) -> Meaning | None:
        """Numbered columns under no name: the instrument that fits, once somebody has said so."""
        guesses = o.column.guesses
        name = f"instrument {o.record.source.name}"
        answer = self.questions.ask(
            ASK,
            name,
            o.record.source.name,
            f"Numbered columns under no name. By their number and values they may be {', '.join(guesses)}. Which "
            f"instrument is it?",
            (*guesses, "leave out"),
            guesses[0] if len(guesses) == 1 else "",
        )
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
            ASK,
            name,
            f"{o.record.source.name}, {o.column.name}",
            "The columns of one test are numbered, and no visit is named. Are the numbers the visits?",
            ("visits", "leave out"),
            "visits",
        )
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
                ASK,
                name,
                f"{o.record.source.name}, {o.column.name}",
                f"Which edition of {meaning.instrument.replace('_', ' ')} is it? The files do not say. "
                + "; ".join(_edition_words(name) for name in editions),
                editions,
            )
            number = re.findall(r"\d+", answer)
            words = simple(answer)
            chosen = next(
                (e for e in editions if e == answer or (number and e.endswith(f"_{number[0]}")) or simple(e) in words),
                "",
            )
            if not chosen:
                last = [e for e in editions if e.rsplit("_", 1)[-1] in words.split()]
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

    def _part(self, o: Observation, meaning: Meaning) -> Meaning | None:
        """Which score of an instrument a column holds, where its heading names none that the instrument has."""
        known = find_instrument(meaning.instrument)
        assert known is not None  # a part is found only beside an instrument, and its edition is settled
        name = f"score {known.id} {meaning.part}"
        choices = (*(scale.id for scale in known.scales), "leave out")
        said = "several scores" if meaning.part == UNNAMED else f"no score named {meaning.part!r}"
        answer = self.questions.ask(
            ASK,
            name,
            f"{o.record.source.name}, {o.column.name}",
            f"{known.name} has {said}. Which score does the column hold? "
            + "; ".join(
                f"{scale.id}: {scale.label}{f' ({scale.unit})' if scale.unit else ''}" for scale in known.scales
            )
            + ".",
            choices,
        )
        chosen = known.scale(answer) or next((s for s in known.scales if simple(s.id) == simple(answer)), None)
        if chosen is None:
            if simple(answer).startswith("leave"):
                self._aside(o, "column left out by the answer")
                return None
            if answer:
                self.questions.refuse(name, f"found {answer!r}, allowed {', '.join(choices)}")
            self._hold(o, name)
            return None
        return replace(meaning, table="totals", scale=chosen.id, number=None, part="", stat="", unit="")

    def _item(self, o: Observation, meaning: Meaning) -> Meaning | None:
        known = find_instrument(meaning.instrument)
        if item := item_of(meaning, known) if known else "":
            return replace(meaning, item=item)
        self._finding(
            o,
            f"no item {meaning.number} in {meaning.instrument}",
            "Correct the heading, or leave the column out in import.toml.",
        )
        return None

    def _items_fit(self, o: Observation, meaning: Meaning) -> bool:
        """Items numbered through a form: as many as the form has, in its order (assumed, and said so)."""
        known = find_instrument(meaning.instrument)
        assert known is not None  # the item was found in it
        scale = known.scale(meaning.scale) if meaning.scale else known.main_scale
        wanted = len(scale.items) if scale else len(known.items)
        highest = self.items_per.get((o.column.meaning.instrument, meaning.scale), 0) or self.items_per.get(
            (meaning.instrument, meaning.scale), 0
        )
        if highest not in (0, wanted) and not meaning.scale and highest != len(known.items):
            name = f"items {meaning.instrument}"
            answer = self.questions.ask(
                ASK,
                name,
                o.record.source.name,
                f"{known.name} has {wanted} items, the files number them up to {highest}. Are they the first "
                f"{highest} items of the form?",
                ("yes", "leave out"),
            )
            if not answer:
                self._hold(o, name)
                return False
            if not simple(answer).startswith("yes"):
                self._aside(o, "items left out by the answer")
                return False
        answer = self.questions.ask(
            CONFIRM,
            f"order {meaning.instrument}",
            o.record.source.name,
            f"The items of {known.name} are numbered in the order of the form (a wrong order leaves totals right and "
            f"parts wrong).",
            ("yes", "no"),
            "yes",
        )
        if simple(answer).startswith(("no", "leave")):
            self._aside(o, "items in another order than the form's, going by the answer")
            return False
        return True

    def _sided(self, o: Observation, meaning: Meaning, known: Instrument | None) -> Meaning | None:
        if known is None:
            self._finding(
                o, f"no instrument {meaning.instrument!r} in the catalogue", "Correct the name in import.toml."
            )
            return None
        if not known.sided:
            return replace(meaning, side="", condition=meaning.condition or "")
        if not meaning.side:
            answer = self.questions.ask(
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
            answer = self.questions.ask(
                ASK, name, o.record.where, f"Which side is {meaning.side!r}?", ("left", "right", "affected", "other")
            )
            side = whole(answer, "sides")
            if not side:
                self._hold(o, name)
                return None
            meaning = replace(meaning, side=side)
        if meaning.condition not in ("", "unassisted", "assisted", "unpowered"):
            name = f"condition {meaning.condition}"
            answer = self.questions.ask(
                ASK,
                name,
                o.record.where,
                f"Is {meaning.condition!r} with or without a device?",
                ("unassisted", "assisted", "unpowered"),
            )
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
            meaning = replace(meaning, **{name: answer})  # type: ignore[arg-type]  # a text field by name
        if not meaning.side:
            answer = self.questions.ask(
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
            answer = self.questions.ask(
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
                self._hold(o, name)
                return None
            if answer == _PLAIN:
                return meaning
            return replace(meaning, movement="deficit", stat="minus" if answer != _PLUS_LACKS else "")
        return meaning


def _edition_words(name: str) -> str:
    known = find_instrument(name)
    assert known is not None  # every edition is in the catalogue
    scale = known.main_scale
    ends = f", {scale.low:g} to {scale.high:g} {scale.unit}" if scale.high is not None else ""
    return f"{name}: {known.edition or known.name}{ends}"


def _own_unit(text: str) -> bool:
    """Whether a cell names its unit itself: "27 kg"."""
    return read_measure(text, {}, (), None).unit in ("kgf", "lbf", "N")
