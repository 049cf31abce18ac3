"""Mistakes of a data manager's day, planted in three clean synthetic trials: most are found, and clean ones stay quiet.

The table says of each mistake what was typed and which findings may report it; it was written from what people do, not
from the list of rules. They are planted in batches, each in a person and sheet of its own, and read back from text as a
hospital would send it. Counts: at least 36 of 40 and at most one false alarm in a clean trial.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import pandas as pd
import pytest

from outcomes import check, read_study
from synthetic_cohort import make_cohort
from synthetic_cohort.cohort import Cohort, write_folder
from synthetic_cohort.preset_files import preset

PRESETS = ("device_pilot", "demo", "cervical_cord")
BATCHES = 2


class Desk:
    """The sheets as typed, people in their order; every mistake takes the next person."""

    def __init__(self, cohort: Cohort):
        self.sheets = {name: sheet.astype(object).copy() for name, sheet in cohort.sheets.items()}
        self.people = self.sheets["participants"]["participant"].tolist()
        self.visits = [visit.id for visit in cohort.design.visits]
        self.turn = 0

    def person(self) -> str:
        """Somebody who came to every visit, another one each time."""
        rows = self.sheets["visits"]
        came = [
            one for one in self.people
            if (rows.loc[rows["participant"] == one, "status"] == "attended").sum() == len(self.visits)
        ]  # fmt: skip
        self.turn += 1
        return came[self.turn % len(came)]

    def rows(self, sheet: str, **facts: str) -> list[int]:
        """Where a sheet has these cells."""
        frame = self.sheets[sheet]
        hit = pd.Series(True, index=frame.index)
        for column, value in facts.items():
            hit &= frame[column] == value
        return frame.index[hit].tolist()

    def longest_form(self, who: str, visit: int) -> str:
        """The form with most answers of a person at a visit."""
        rows = self.rows("items", participant=who, visit=self.visits[visit])
        return str(self.sheets["items"].loc[rows, "instrument"].value_counts().index[0])

    def put(self, sheet: str, row: int, **cells: str) -> None:
        """Types over cells."""
        for column, value in cells.items():
            if column not in self.sheets[sheet]:
                self.sheets[sheet][column] = ""
            self.sheets[sheet].loc[row, column] = value

    def add(self, sheet: str, **cells: str) -> None:
        """Types a row below the others."""
        frame = self.sheets.get(sheet, pd.DataFrame(columns=list(cells)))
        row = dict.fromkeys(frame.columns, "") | cells
        self.sheets[sheet] = pd.concat([frame, pd.DataFrame([row])], ignore_index=True).fillna("")

    def copy(self, sheet: str, row: int, **cells: str) -> None:
        """Types a row again with some cells changed."""
        self.add(sheet, **(self.sheets[sheet].loc[row].to_dict() | cells))


@dataclass(frozen=True)
class Mistake:
    """plant: does it and returns the participant (or "" for a finding of the whole sheet). needs: sheets."""

    name: str
    rules: tuple[str, ...]
    plant: Callable[[Desk], str]
    needs: tuple[str, ...] = ()
    instrument: str = ""


def of_person(sheet: str, **cells: str) -> Callable[[Desk], str]:
    def plant(desk: Desk) -> str:
        who = desk.person()
        desk.put(sheet, desk.rows(sheet, participant=who)[0], **cells)
        return who

    return plant


def of_visit(place: int, **cells: str) -> Callable[[Desk], str]:
    def plant(desk: Desk) -> str:
        who = desk.person()
        desk.put("visits", desk.rows("visits", participant=who, visit=desk.visits[place])[0], **cells)
        return who

    return plant


def of_session(nth: int, **cells: str) -> Callable[[Desk], str]:
    def plant(desk: Desk) -> str:
        trained = list(dict.fromkeys(desk.sheets["sessions"]["participant"]))
        who = trained[nth % len(trained)]
        row = desk.rows("sessions", participant=who)[nth % 5]
        desk.put("sessions", row, **{
            name: value(str(desk.sheets["sessions"].loc[row, name])) if callable(value) else value
            for name, value in cells.items()
        })  # fmt: skip
        return who

    return plant


EVENT = {"severity": "mild", "serious": "no", "related": "unrelated", "device_deficiency": "no", "outcome": "recovered"}


def event(**cells: str) -> Callable[[Desk], str]:
    """A new event of somebody, dated at the second visit unless said otherwise."""

    def plant(desk: Desk) -> str:
        who = desk.person()
        second = desk.sheets["visits"].loc[desk.rows("visits", participant=who, visit=desk.visits[1])[0], "date"]
        desk.add("adverse_events", **{"participant": who, "date": str(second), **EVENT, **cells})
        return who

    return plant


def item(value: str, nth: int = 3, visit: int = 1) -> Callable[[Desk], str]:
    """One answer of the longest form of the visit typed over."""

    def plant(desk: Desk) -> str:
        who = desk.person()
        form = desk.longest_form(who, visit)
        rows = desk.rows("items", participant=who, visit=desk.visits[visit], instrument=form)
        desk.put("items", rows[nth], value=value)
        return who

    return plant


def copied_form(from_other: bool) -> Callable[[Desk], str]:
    def plant(desk: Desk) -> str:
        who = desk.person()
        form = desk.longest_form(who, 1)
        source, visit = (desk.person(), 0) if from_other else (who, 0)
        where = {"instrument": form, "condition": "unassisted"}
        first = desk.rows("items", participant=source, visit=desk.visits[visit], **where)
        answers = dict(
            zip(desk.sheets["items"].loc[first, "item"], desk.sheets["items"].loc[first, "value"], strict=True)
        )
        for row in desk.rows("items", participant=who, visit=desk.visits[1], **where):
            desk.put("items", row, value=answers[desk.sheets["items"].loc[row, "item"]])
        return who

    return plant


def trial(
    change: Callable[[float], float], whole_visit: bool = False, both_hands: bool = False, **cells: str
) -> Callable[[Desk], str]:
    def plant(desk: Desk) -> str:
        who = desk.person()
        where = {"participant": who, "instrument": "grip", "visit": desk.visits[1], "condition": "unassisted"}
        rows = desk.rows("trials", **where)
        side = desk.sheets["trials"].loc[rows[0], "side"]
        rows = [row for row in rows if both_hands or desk.sheets["trials"].loc[row, "side"] == side]
        for row in rows if whole_visit else rows[:1]:
            now = f"{change(float(desk.sheets['trials'].loc[row, 'value'])):.4g}"
            desk.put("trials", row, **({"value": now} | cells))
        return who

    return plant


def swapped_dates(desk: Desk) -> str:
    who = desk.person()
    rows = [desk.rows("visits", participant=who, visit=visit)[0] for visit in desk.visits[1:3]]
    first, second = (str(desk.sheets["visits"].loc[row, "date"]) for row in rows)
    desk.put("visits", rows[0], date=second)
    desk.put("visits", rows[1], date=first)
    return who


def date_of_the_visit_before(desk: Desk) -> str:
    who = desk.person()
    rows = [desk.rows("visits", participant=who, visit=visit)[0] for visit in desk.visits[:2]]
    desk.put("visits", rows[1], date=str(desk.sheets["visits"].loc[rows[0], "date"]))
    return who


def entered_twice(desk: Desk) -> str:
    who = desk.person()
    desk.copy("participants", desk.rows("participants", participant=who)[0], participant="ZZ77")
    return ""


def two_codes_alike(desk: Desk) -> str:
    who = desk.person()
    row = desk.rows("participants", participant=who)[0]
    desk.copy("participants", row, participant=who.lower(), age="51", onset="2019-03-04")
    return ""


def letter_for_a_figure(desk: Desk) -> str:
    who = next(one for one in desk.people if "0" in one)
    row = desk.rows("visits", participant=who)[-1]
    desk.put("visits", row, participant=who.replace("0", "O"))
    return who.replace("0", "O")


def abbreviated_visit(desk: Desk) -> str:
    who = desk.person()
    row = desk.rows("items", participant=who, visit=desk.visits[1])[0]
    desk.put("items", row, visit=f"{desk.visits[1]}x")
    return who


def row_again(value: str) -> Callable[[Desk], str]:
    def plant(desk: Desk) -> str:
        who = desk.person()
        form = desk.longest_form(who, 1)
        rows = desk.rows("items", participant=who, visit=desk.visits[1], instrument=form)
        now = str(desk.sheets["items"].loc[rows[2], "value"])
        desk.copy("items", rows[2], value=now if value == "same" else ("0" if now != "0" else "1"))
        return who

    return plant


def other_side(desk: Desk) -> str:
    who = desk.person()
    row = desk.rows("participants", participant=who)[0]
    now = desk.sheets["participants"].loc[row, "affected_side"]
    desk.put("participants", row, affected_side="left" if now == "right" else "right")
    return who


def mistyped_item(desk: Desk) -> str:
    who = desk.person()
    row = desk.rows("items", participant=who, visit=desk.visits[1])[1]
    desk.put("items", row, item=str(desk.sheets["items"].loc[row, "item"]) + "e")
    return who


def second_trial_one(desk: Desk) -> str:
    who = desk.person()
    row = desk.rows("trials", participant=who, instrument="grip", visit=desk.visits[1], condition="unassisted")[0]
    desk.copy("trials", row, value="3.3")
    return who


def two_sessions_a_day(desk: Desk) -> str:
    who = str(desk.sheets["sessions"]["participant"].iloc[0])
    rows = desk.rows("sessions", participant=who)
    desk.put("sessions", rows[7], date=str(desk.sheets["sessions"].loc[rows[6], "date"]))
    return who


def session_of_a_control(desk: Desk) -> str:
    trained = set(desk.sheets["sessions"]["participant"])
    who = next(one for one in desk.people if one not in trained)
    desk.copy("sessions", 3, participant=who, session="1")
    return who


def same_session_number(desk: Desk) -> str:
    who = str(desk.sheets["sessions"]["participant"].iloc[-1])
    rows = desk.rows("sessions", participant=who)
    desk.put("sessions", rows[4], session=str(desk.sheets["sessions"].loc[rows[3], "session"]))
    return who


def silent_reflexes(desk: Desk) -> str:
    who = desk.person()
    for row in desk.rows("items", participant=who, visit=desk.visits[1], instrument="fma_ue"):
        name = str(desk.sheets["items"].loc[row, "item"])
        desk.put("items", row, value="0" if "reflex" in name else "2")
    return who


def withdrawn_and_back(desk: Desk) -> str:
    who = desk.person()
    desk.put(
        "visits", desk.rows("visits", participant=who, visit=desk.visits[1])[0], status="withdrawn", reason="moved"
    )
    return who


def mistyped_often(desk: Desk) -> str:
    people = list(desk.sheets["adverse_events"]["participant"])
    for _ in range(4):
        event(related="possible")(desk)
    event(related="possbly")(desk)
    return desk.sheets["adverse_events"]["participant"].iloc[-1] if people else ""


def wear(nth: int, **cells: str) -> Callable[[Desk], str]:
    def plant(desk: Desk) -> str:
        who = desk.people[nth % len(desk.people)]
        rows = [
            row for row in desk.rows("wear_log", participant=who) if desk.sheets["wear_log"].loc[row, "gap"] == "no"
        ]
        desk.put("wear_log", rows[nth % 7], **cells)
        return who

    return plant


def day_twice(desk: Desk) -> str:
    who = desk.people[2]
    desk.copy("wear_log", desk.rows("wear_log", participant=who)[4], minutes_worn="12", minutes_active="5")
    return who


def stretch(nth: int, **cells: str) -> Callable[[Desk], str]:
    def plant(desk: Desk) -> str:
        who = desk.people[nth % len(desk.people)]
        rows = desk.rows("angles", participant=who, visit=desk.visits[0], mode="passive", velocity="10")
        desk.put("angles", rows[1], **cells)
        return who

    return plant


def repetition_twice(desk: Desk) -> str:
    who = desk.people[4]
    rows = desk.rows("angles", participant=who, visit=desk.visits[0], mode="passive", velocity="10")
    desk.put("angles", rows[1], repetition="1", degrees="22")
    return who


def passive_below(desk: Desk) -> str:
    who = desk.people[5]
    row = desk.rows("angles", participant=who, visit=desk.visits[0], mode="active", digit="index", movement="flexion")[
        0
    ]
    desk.copy("angles", row, mode="passive", degrees="8", condition="unassisted")
    return who


def first_deficiency(**cells: str) -> Callable[[Desk], str]:
    def plant(desk: Desk) -> str:
        rows = [
            row
            for row in desk.rows("device_deficiencies")
            if desk.sheets["device_deficiencies"].loc[row, "participant"]
        ]
        row = rows[len(cells) + sum(map(len, cells.values())) % 5]
        desk.put("device_deficiencies", row, **cells)
        return str(desk.sheets["device_deficiencies"].loc[row, "participant"])

    return plant


def on_sheet(sheet: str, nth: int, **cells: str) -> Callable[[Desk], str]:
    def plant(desk: Desk) -> str:
        desk.put(sheet, nth, **cells)
        return str(desk.sheets[sheet].loc[nth, "participant"])

    return plant


def day_of(text: str) -> str:
    """Ten years before."""
    return f"{int(text[:4]) - 10}{text[4:]}"


MISTAKES = [
    # people
    Mistake("age 3 for 53", ("age of a child", "age against the protocol"), of_person("participants", age="3")),
    Mistake("year of birth for the age", ("age implausible",), of_person("participants", age="1958")),
    Mistake("letter O in an age", ("text in a number",), of_person("participants", age="5O")),
    Mistake("sex mistyped", ("word not allowed",), of_person("participants", sex="femal")),
    Mistake("affected side the wrong way round", ("only the other hand",), other_side),
    Mistake("one person under two codes", ("one person twice",), entered_twice),
    Mistake("a code in small letters entered again", ("participant codes alike",), two_codes_alike),
    Mistake("onset after entry", ("date before onset", "onset against the protocol"),
            of_person("participants", onset="2025-01-05")),
    Mistake("onset in months typed as days", ("onset against the protocol",), of_person("participants", onset="0.4")),
    Mistake("diagnosis mistyped once", ("word perhaps mistyped",),
            lambda desk: _mistype(desk, "participants", "diagnosis")),
    # visits
    Mistake("attended, and no date", ("attended without a date",), of_visit(1, date="")),
    Mistake("year of the visit ahead", ("date implausible",), of_visit(2, date="2032-05-06")),
    Mistake("two neighbouring visits swapped", ("visits out of order", "visit outside its window"), swapped_dates),
    Mistake("date of the visit before", ("two visits on one day", "visit outside its window"),
            date_of_the_visit_before),
    Mistake("missed, yet measured", ("measured at a missed visit",), of_visit(1, status="missed", reason="on holiday")),
    Mistake("status mistyped", ("word not allowed",), of_visit(2, status="atended")),
    Mistake("left, and came again", ("visit after withdrawal", "measured at a missed visit"), withdrawn_and_back),
    Mistake("letter O in a code", ("unknown participant",), letter_for_a_figure),
    Mistake("the thirty-first of February", ("not a date",), of_visit(1, date="2023-02-31")),
    # answers
    Mistake("an answer above the form's highest", ("above maximum", "between levels"), item("77")),
    Mistake("half a point", ("between levels", "not a whole number"), item("0.5", 5)),
    Mistake("99 for a missing answer", ("number for a missing value",), item("99", 7)),
    Mistake("an answer below 0", ("below minimum",), item("-1", 4)),
    Mistake("letter l for a 1", ("text in a number",), item("l", 6)),
    Mistake("a form of the visit before", ("form copied",), copied_form(False)),
    Mistake("an item's name mistyped", ("unknown item",), mistyped_item),
    Mistake("a visit's name mistyped", ("unknown visit",), abbreviated_visit),
    Mistake("a row typed twice", ("duplicate row",), row_again("same")),
    Mistake("a row typed twice with another answer", ("entered twice differently",), row_again("other")),
    Mistake("no reflexes, and full movement", ("reflexes against movement", "against the gate"), silent_reflexes,
            instrument="fma_ue"),
    # forces
    Mistake("pounds in a column of kilograms", ("looks like another unit",), trial(lambda kg: 2.2046 * kg, True, True),
            ("trials",)),
    Mistake("a decimal point left out", ("implausible force", "trials spread out"), trial(lambda kg: 10 * kg),
            ("trials",)),
    Mistake("a force below 0", ("below minimum",), trial(lambda kg: -kg), ("trials",)),
    Mistake("a pressure for a force", ("unit not a force",), trial(lambda kg: kg, unit="kPa"), ("trials",)),
    Mistake("three readings alike", ("trials identical",), trial(lambda kg: 17.3, True), ("trials",)),
    Mistake("trial 1 twice", ("entered twice differently",), second_trial_one, ("trials",)),
    # sessions
    Mistake("240 repetitions in no time", ("repetitions without minutes",),
            of_session(1, minutes_performed="0", repetitions="240"), ("sessions",)),
    Mistake("9,999 repetitions", ("repetitions implausible",), of_session(2, repetitions="9999"), ("sessions",)),
    Mistake("half a repetition", ("repetitions in fractions",), of_session(3, repetitions="120.5"), ("sessions",)),
    Mistake("a session years before entry", ("before enrolment",), of_session(4, date=day_of), ("sessions",)),
    Mistake("450 minutes for 45", ("far more than prescribed",), of_session(6, minutes_performed="450"),
            ("sessions",)),
    Mistake("minutes below 0", ("session minutes out of range",), of_session(7, minutes_performed="-30"),
            ("sessions",)),
    Mistake("two sessions on one day", ("two sessions on one day",), two_sessions_a_day, ("sessions",)),
    Mistake("one number for two sessions", ("duplicate session",), same_session_number, ("sessions",)),
    # events
    Mistake("died, and not serious", ("fatal outcome not serious",), event(term="second stroke", outcome="fatal"),
            ("adverse_events",)),
    Mistake("an event before entry", ("before enrolment", "date implausible"), event(term="fall", date="2016-05-01"),
            ("adverse_events",)),
    Mistake("an event in a year ahead", ("date implausible",), event(term="fall", date="2031-05-01"),
            ("adverse_events",)),
    Mistake("battery overheated, no deficiency ticked", ("device in the words of an event",),
            event(term="battery overheated"), ("adverse_events",)),
    Mistake("severity left blank", ("adverse event incomplete",), event(term="fall", severity=""), ("adverse_events",)),
    Mistake("possbly", ("word perhaps mistyped",), mistyped_often, ("adverse_events",)),
    Mistake("an end before the start", ("ends before it begins",), event(term="bruise", end_date="2019-05-01"),
            ("adverse_events",)),
    Mistake("hospital, and not serious", ("criterion of an event not serious",),
            event(term="fracture", criterion="hospital"), ("adverse_events",)),
    # devices
    Mistake("moved longer than worn", ("active longer than worn",), wear(1, minutes_worn="30", minutes_active="50"),
            ("wear_log",)),
    Mistake("worn for 27 hours", ("wear out of range",), wear(2, minutes_worn="1620"), ("wear_log",)),
    Mistake("450 percent assisted", ("wear out of range",), wear(3, assisted_percent="450"), ("wear_log",)),
    Mistake("one day logged twice", ("day logged twice",), day_twice, ("wear_log",)),
    Mistake("wear years before entry", ("before enrolment",), wear(4, date="2019-02-03"), ("wear_log",)),
    Mistake("a torque without its unit", ("torque without a unit",), stretch(1, torque_unit=""), ("wear_log",)),
    Mistake("a grade of stiffness mistyped", ("stiffness of no grade",), stretch(2, stiffness="modrate"),
            ("wear_log",)),
    Mistake("one repetition twice", ("entered twice differently",), repetition_twice, ("wear_log",)),
    Mistake("passive below active", ("passive below active",), passive_below, ("wear_log",)),
    Mistake("put right before it broke", ("ends before it begins",), first_deficiency(resolved="2019-01-01"),
            ("device_deficiencies",)),
    Mistake("an event that is not there", ("event that is not there",), first_deficiency(event="E99"),
            ("device_deficiencies",)),
    Mistake("category mistyped", ("word not allowed",), first_deficiency(category="relaibility"),
            ("device_deficiencies",)),
    Mistake("a blister, and no site", ("skin finding without a site",),
            on_sheet("skin_checks", 9, finding="blister", site=""), ("skin_checks",)),
    Mistake("more tasks done than tried", ("more tasks done than tried",),
            on_sheet("device_ratings", 4, tasks_done="9"), ("device_ratings",)),
    Mistake("five hours to put it on", ("donning time implausible",),
            on_sheet("device_ratings", 6, donning_minutes="300"), ("device_ratings",)),
]  # fmt: skip


def _mistype(desk: Desk, sheet: str, column: str) -> str:
    """The last letters of the commonest word turned round in one row."""
    words = desk.sheets[sheet][column]
    common = str(words.value_counts().index[0])
    row = desk.rows(sheet, **{column: common})[-1]
    desk.put(sheet, row, **{column: common[:-2] + common[-1] + common[-2]})
    return str(desk.sheets[sheet].loc[row, "participant"])


def _made(name: str) -> Cohort:
    """A preset without recordings: they have their own table of mistakes, and take long to read."""
    design = preset(name).clean().without_recordings()
    limits = {"eligibility": {"age": [18, 95], "onset_months": [1.0, 600]}}
    return make_cohort(replace(design, protocol={**design.protocol, **limits}), seed=3)


def _findings(cohort: Cohort, sheets: dict[str, pd.DataFrame], folder) -> pd.DataFrame:
    write_folder(replace(cohort, sheets=sheets), folder, with_truth=False)
    return check(read_study(folder)).frame()


@pytest.fixture(scope="module", params=PRESETS)
def planted(request, tmp_path_factory):
    """The clean findings, and for each mistake that fits the preset whether it was found."""
    cohort = _made(request.param)
    base = tmp_path_factory.mktemp(request.param)
    clean = _findings(cohort, cohort.sheets, base / "clean")
    forms = set(cohort.sheets["items"]["instrument"])
    fits = [
        one for one in MISTAKES
        if set(one.needs) <= set(cohort.sheets) and (not one.instrument or one.instrument in forms)
    ]  # fmt: skip
    found: dict[str, bool] = {}
    texts: list[str] = []
    for batch in range(BATCHES):
        desk, who = Desk(cohort), {}
        desk.turn = 5 * batch
        for mistake in fits[batch::BATCHES]:
            who[mistake.name] = mistake.plant(desk)
        frame = _findings(cohort, desk.sheets, base / f"batch{batch}")
        for mistake in fits[batch::BATCHES]:
            near = frame[frame["rule"].isin(mistake.rules)]
            person = who[mistake.name]
            found[mistake.name] = bool((near["participant"] == person).any()) if person else bool(len(near))
        texts += [*frame["found"], *frame["allowed"]]
    return request.param, clean, found, texts


def test_at_least_nine_of_ten_mistakes_are_found(planted):
    name, _, found, _ = planted
    assert len(found) >= 40, (name, len(found))
    missed = [mistake for mistake, seen in found.items() if not seen]
    assert len(missed) <= len(found) / 10, (name, missed)


def test_a_clean_trial_raises_at_most_one_false_alarm(planted):
    name, clean, _, _ = planted
    # Notes say how something was read or what is so; an alarm wants a look.
    alarms = clean[clean["severity"] != "note"]
    assert len(alarms) <= 1, (name, alarms[["rule", "found"]].to_string())


def test_messages_print_numbers_as_people_write_them(planted):
    _, _, _, texts = planted
    long = [text for text in texts for word in text.replace(",", " ").split() if _raw(word)]
    assert not long


def _raw(word: str) -> bool:
    """A number with a tail nobody types: more than six digits behind its point, or a whole number with .0."""
    head, point, tail = word.partition(".")
    return head.lstrip("-").isdigit() and bool(point) and tail.isdigit() and (len(tail) > 6 or tail == "0")
