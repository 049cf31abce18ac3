"""The sheets participants, visits and adverse_events, and the arms, from what the cells said of people and visits."""

import re
from collections import defaultdict
from collections.abc import Mapping

from outcomes.importing.language.calendar_dates import read_date
from outcomes.importing.language.cell_values import number_text, status_of
from outcomes.importing.language.code_pairs import pairs_of
from outcomes.importing.language.vocabulary import simple, whole
from outcomes.importing.making.accounts import Converted
from outcomes.importing.making.described_cells import Described, DescribedCells, code_key, slug_arm
from outcomes.importing.questions import ASK, CONFIRM, STUDY


class Describer(DescribedCells):
    """Makes the tables of people, visits and events of what the cells said."""

    def finish(self, done: Converted) -> Described:
        """The tables, after all cells were read and the measurements converted."""
        measured: dict[str, set[str]] = defaultdict(set)
        seen: dict[str, None] = dict.fromkeys(self.said)
        for row in done.rows:
            person = row.cells["participant"]
            seen.setdefault(person)
            if row.number or row.cells.get("value", row.cells.get("degrees")) in ("refused", "unable", "not testable"):
                measured[person].add(row.visit.id)
        for person, _ in (*done.statuses, *done.waiting):
            if person not in self.holds.people:
                seen.setdefault(person)
        self._leave_out_unstarted(seen, measured, done)
        for person, site in self.holds.sites.items():
            if person in self.said and not self.said[person]["site"]:
                self.said[person]["site"].append((site, ""))
        self._people_by_heading(set(seen))
        self._people_by_sheet(set(seen))
        self._conflicting()
        held = {record.participant for record in self.records if self.holds.why(record) and record.participant}
        free = {record.participant for record in self.records if not self.holds.why(record)}
        people = [person for person in seen if person and not (person in held and person not in free)]
        order = {record.participant: number for number, record in reversed(list(enumerate(self.records)))}
        people.sort(key=lambda person: order.get(person, 0))
        self._arms()
        for person in people:
            self.found.participants.append(self._row(person))
        self._visits(people, measured, done)
        self._events()
        self.found.sessions = self.training.numbered()
        return self.found

    def _people_by_sheet(self, seen: set[str]) -> None:
        """Where no column names the arms and every sheet has people of its own, the sheets may be the arms."""
        if self.arm_words or self.holds.sites or any(record.source.table.form for record in self.records):
            return
        people: dict[str, set[str]] = defaultdict(set)
        for record in self.records:
            source = record.source
            if record.participant in seen:
                if source.table.key is None or source.visit or source.around.instrument:
                    return
                people[source.table.page.name].add(record.participant)
        self._groups_of_people(
            people, "people by sheet", f"The people stand on {len(people)} sheets, nobody on two of them", "the sheets"
        )

    def _people_by_heading(self, seen: set[str]) -> None:
        """Where no column names the arms and words stand above the lines of some people each, they may be the arms."""
        people: dict[str, set[str]] = defaultdict(set)
        for record in self.records:
            if record.group and record.participant in seen:
                people[record.group].add(record.participant)
        if not self.arm_words and not self.holds.sites:
            words = " and ".join(repr(word) for word in people)
            self._groups_of_people(people, "people by heading", f"{words} stand above the lines of some people", "they")

    def _groups_of_people(self, people: dict[str, set[str]], question: str, found: str, what: str) -> None:
        """Asks what groups of people are that share nobody."""
        alone = sum(map(len, people.values())) == len(set().union(*people.values()))
        if len(people) < 2 or not alone or min(map(len, people.values())) < 2:
            return
        answer = self.questions.ask(
            STUDY,
            question,
            ", ".join(people),
            f"{found}, and no column says who was in which arm. What are {what}?",
            ("arms", "sites", "neither"),
        )
        role = {"arms": "arm", "sites": "site"}.get(answer, "")
        if answer and not role and not simple(answer).startswith(("neither", "no")):
            self.questions.refuse(question, f"found {answer!r}, allowed arms, sites, neither")
        for word, own in people.items() if role else ():
            for person in sorted(own):
                self.said[person][role].append((self._arm(word, "") if role == "arm" else word, ""))

    def _leave_out_unstarted(self, seen: dict[str, None], measured: dict[str, set[str]], done: Converted) -> None:
        """People with a screening line and nothing else."""
        only: dict[str, set[str]] = defaultdict(set)
        for record in self.records:
            if record.participant:
                only[record.participant].add(record.visit.kind if record.visit else "")
        unstarted = [person for person in seen if only[person] == {"screening"} and not measured[person]]
        if unstarted:
            answer = self.questions.ask(
                CONFIRM,
                "never started",
                ", ".join(unstarted),
                "They were screened and have nothing else: left out of the study?",
                ("leave out", "keep"),
                "leave out",
            )
            if not simple(answer).startswith("keep"):
                for person in unstarted:
                    seen.pop(person)

    def _conflicting(self) -> None:
        for person, roles in self.said.items():
            for role, values in roles.items():
                distinct = list(dict.fromkeys(value for value, _ in values))
                if len(distinct) < 2:
                    continue
                name = f"differs {person} {role}"
                answer = self.questions.ask(
                    ASK,
                    name,
                    ", ".join(place for _, place in values),
                    f"{role.replace('_', ' ')} of {person} is given as {' and '.join(distinct)}. Which is right?",
                    (*distinct, "leave blank"),
                )
                roles[role] = [(answer, "")] if answer in distinct else []

    def _arms(self) -> None:
        words = self.arm_words
        coded = [text for text, label in words.items() if number_text(text) and label == text]
        if coded:
            answer = self.questions.ask(
                STUDY,
                "arms",
                "participants, arm",
                f"What are the groups {' and '.join(sorted(coded))}?",
                (", ".join(f"{code} = ..." for code in sorted(coded)),),
            )
            given = self.questions.answers.get(
                "arms"
            )  # a table of the answers file, or text such as "1 = ..., 2 = ..."
            pairs = {str(k): str(v) for k, v in given.items()} if isinstance(given, Mapping) else pairs_of(answer)
            for code, label in pairs.items():
                if code in words and label.strip(". "):
                    words[code] = re.sub(r"\s*\((?:the )?(?:reference|control)[^)]*\)", "", label).strip()
        used = {value for roles in self.said.values() for value, _ in roles.get("arm", [])}
        self.found.arms = [(slug_arm(text), label) for text, label in words.items() if slug_arm(text) in used]

    def _row(self, person: str) -> dict[str, str]:
        roles = self.said.get(person, {})

        def first(role: str) -> str:
            return roles[role][0][0] if roles.get(role) else ""

        row = {"participant": person, "arm": first("arm") if len(self.found.arms) > 1 else ""}
        for role in ("age", "sex", "affected_side", "dominant_side", "diagnosis", "onset"):
            row[role] = first(role)
        if not row["diagnosis"] and self.facts.diagnosis[0]:
            words, place = self.facts.diagnosis
            answer = self.questions.ask(
                CONFIRM,
                "diagnosis",
                place,
                f"No column holds the diagnosis. Taken from the title: {words}.",
                (words, "leave blank"),
                words,
            )
            row["diagnosis"] = "" if simple(answer) == "leave blank" else answer
        if any(said.get("site") for said in self.said.values()):
            row["site"] = first("site")
        return row

    def _visits(self, people: list[str], measured: dict[str, set[str]], done: Converted) -> None:
        for person in people:
            gone = ""
            for visit in self.schedule.visits:
                key = (person, visit.id)
                facts = self.visit_facts.get(key, {})
                row = {
                    "participant": person,
                    "visit": visit.id,
                    "date": facts.get("date", ""),
                    "status": "",
                    "reason": "",
                    "rater": facts.get("rater", ""),
                }
                there = visit.id in measured[person] or bool(row["date"] or facts.get("attended"))
                status = done.statuses.get(key)
                if status and not there:
                    row["status"], row["reason"] = status[0], status[1]
                    gone = status[1] or "withdrawn" if status[0] == "withdrawn" else ""
                elif there:
                    row["status"], gone = "attended", ""
                elif key in done.waiting or key in self.held_dates:
                    continue
                elif gone:
                    row["status"] = "withdrawn"
                else:
                    answer = self.questions.ask(
                        ASK,
                        "absent visits",
                        f"{person} at {visit.label}",
                        "Nothing was measured there. Was the visit missed, or had the person withdrawn? (One word "
                        "for all, or a table "
                        'with one each: {"code at visit" = "missed", rest = "withdrawn"}.)',
                        ("missed", "withdrawn", "leave blank"),
                        of=person,
                    )
                    found = status_of(answer)[0] if answer else ""
                    if found not in ("missed", "withdrawn"):
                        if answer and simple(answer) != "leave blank":
                            self.questions.refuse(
                                "absent visits", f"found {answer!r}, allowed missed, withdrawn or leave blank"
                            )
                        continue
                    row["status"] = found
                    gone = "withdrawn" if found == "withdrawn" else ""
                self.found.visits.append(row)

    def _events(self) -> None:
        """Adverse events: one row per line that names one."""
        for record in self.records:
            term = record.text("ae_term")
            if not term or not record.participant or self.holds.why(record):
                continue
            row = {"participant": record.participant, "date": "", "term": term}
            for role, name in (("ae_severity", "severity"), ("ae_serious", "serious"), ("ae_related", "related")):
                column = record.source.one(role)
                text = record.text(role)
                words = column.codes.get(code_key(text), text) if column else ""
                row[name] = (whole(words, "answers") or words) if name == "serious" else words
            column = record.source.one("ae_date")
            cell = record.cell(column) if column else None
            if column and cell and (found := read_date(cell.value, cell.text)):
                row["date"] = self.one_date(record, column, found) or ""
            self.found.adverse_events.append(row)
