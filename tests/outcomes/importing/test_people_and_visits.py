"""What the cells say of people, of their visits and of adverse events, and what an answer makes of them.

Small invented sheets; what a clinic would mean by each cell is stated by hand beside it. How clinics type such cells:
common practice, no source.
"""

import pandas as pd
import pyreadstat
import pytest

from outcomes.importing import propose
from outcomes.onset import onset_days
from tests.outcomes.importing.test_settled_meanings import asked, became, lines, problem, proposed


def told(proposal, *names):
    """These columns of the table of participants, one tuple a person (a text where it is one column)."""
    rows = [tuple(row.get(name, "") for name in names) for row in proposal.described.participants]
    return [row[0] for row in rows] if len(names) == 1 else rows


def visits(proposal):
    return {
        (row["participant"], row["visit"]): (row["status"], row["date"], row["reason"])
        for row in proposal.described.visits
    }


# heading, cells of five people, what is meant without an answer, one answer to each question, what is meant with them
CELLS = [
    ("Sex", "sex", ("☒ female ☐ male", "☐ female ☒ male", "☐ female ☐ male", "w ?", "abc"),
     ("female", "male", "", "", ""), {"sex_w": "weiblich", "sex_abc": "man"}, ("female", "male", "", "female", "male")),
    ("Affected side", "affected_side", ("☒ left ☒ right", "R", "left arm", "zz", "L?"),
     ("both", "right", "left", "", ""), {"affected_side_zz": "unknown", "affected_side_l": "links"},
     ("both", "right", "left", "", "left")),
    ("Age", "age", ("61 y", "fifty", "60-69", 55, "n/a"), ("61", "", "", "55", ""),
     {"age_fifty": "50 (about)", "age_ranges_age": "the middle"}, ("61", "50", "64.5", "55", "")),
    ("Onset", "onset", ("2 years", "6 wk", "2024-03", "15.02.2023", "in spring"), ("24", "1.37988", "2024-03",
     "2023-02-15", ""), {"onset_date_in_spring": "2023-04"}, ("24", "1.37988", "2024-03", "2023-02-15", "2023-04")),
    ("Years since stroke", "onset", (1, 0.5, "2 years", "03.04.2024", "long"), ("12", "6", "24", "2024-04-03", ""),
     {"onset_months_long": "3 years"}, ("12", "6", "24", "2024-04-03", "36")),
    ("Months since stroke", "onset", (1, 0.5, "3 months", "2 years", "long"), ("1", "0.5", "3", "24", ""),
     {"onset_months_long": "2023-05-06"}, ("1", "0.5", "3", "24", "2023-05-06")),
    ("Days since stroke", "onset", (365.25, 60.875, "13/04/2024", "n/a", "long"), ("12", "2", "2024-04-13", "", ""),
     {"onset_months_long": "7"}, ("12", "2", "2024-04-13", "", "7")),
]  # fmt: skip


@pytest.mark.parametrize(
    ("heading", "name", "cells", "plain", "answers", "meant"), CELLS, ids=lambda given: str(given)[:20]
)
def test_cells_about_people_and_the_answers_to_those_in_doubt(heading, name, cells, plain, answers, meant, tmp_path):
    sheet = {"Data": lines((heading, "BBT R pre"), lambda n: cells[n - 1], lambda n: 20 + n)}
    found = proposed(tmp_path, sheet)
    assert tuple(told(found, name)) == plain
    assert {question.id for question in found.open} == answers.keys()
    account = became(found)
    held = [cell for cell, what in account.items() if what == f"held: question about {heading}"]
    assert len(held) == len(answers)
    answered = proposed(tmp_path, sheet, answers)
    assert tuple(told(answered, name)) == meant
    assert not answered.open
    assert became(answered)[held[0]].startswith("converted")
    # An answer that is no sex, no side, no age and no time leaves the question open.
    nonsense = proposed(tmp_path, sheet, dict.fromkeys(answers, "as the moon has it"))
    assert tuple(told(nonsense, name)) == plain
    assert all(problem(nonsense, question) for question in answers)


def test_a_year_alone_is_no_number_of_months_since_onset(tmp_path):
    found = proposed(tmp_path, {"Data": lines(("Onset", "BBT R pre"), lambda n: 2020 if n < 5 else 30, 20)})
    assert told(found, "onset") == ["2020", "2020", "2020", "2020", "30"]
    days = onset_days(pd.DataFrame(found.described.participants))
    assert days.isna().tolist() == [True] * 4 + [False]


def test_a_comment_beside_a_cell_about_a_person_is_kept(tmp_path):
    sheet = {"Data": lines(("Sex", "Patience", "BBT R pre"), "f", "good", lambda n: 20 + n)}
    found = proposed(tmp_path, sheet, marks=[("Data", "B3", "asked twice"), ("Data", "C4", "on a bad day")])
    kept = [(entry["participant"], entry["what"], entry["remark"]) for entry in found.done.remarks]
    assert kept == [("A2", "Sex", "asked twice"), ("A3", "Patience", "on a bad day")]
    assert became(found)["Data!C4"] == "set aside: not recognised"


def test_a_code_that_a_statistics_file_declares_missing_is_no_sex(tmp_path):
    frame = pd.DataFrame({"id": ["M1", "M2", "M3"], "sex": [1.0, 2, 9], "bbt_r": [21.0, 22, 23]})
    labels = {"sex": {1: "female", 2: "male", 9: "form lost"}}
    ranges = {"sex": [{"lo": 9, "hi": 9}]}
    pyreadstat.write_sav(frame, str(tmp_path / "w.sav"), variable_value_labels=labels, missing_ranges=ranges)
    found = propose([tmp_path / "w.sav"])
    assert told(found, "sex") == ["female", "male", ""]
    assert not [question.id for question in found.open if question.id.startswith("sex")]


def diary(**changed):
    """Lines of six people at three visits after a screening; changed: date of a person at "post", without a value."""
    rows = [["ID", "Visit", "Date", "Rater", "BBT R"]]
    for n in range(1, 7):
        typed = changed.get(f"A{n}", f"0{n}/03/2024")
        rows += [[f"A{n}", "screening", "2024-01-01", "RK", None], [f"A{n}", "pre", "13/02/2024", "RK", 20 + n],
                 [f"A{n}", "post", typed, "RK", None if f"A{n}" in changed else 30 + n]]  # fmt: skip
    return {"Data": rows}


def test_one_date_that_leaves_no_choice_decides_the_order_of_the_others(tmp_path):
    found = proposed(tmp_path, diary())
    assert visits(found)["A3", "post"] == ("attended", "2024-03-03", "")
    assert found.described.dates["A2"]["post"].isoformat() == "2024-03-02"
    assert "date_order_w_xlsx" not in asked(found)
    assert became(found)["Data!C2"] == "set aside: date outside the planned visits"


@pytest.mark.parametrize(
    ("typed", "answer", "visit", "cell"),
    [
        ("did not attend", "", ("missed", "", ""), "converted"),
        ("withdrew - moved", "", ("withdrawn", "", "moved"), "converted"),
        ("refused", "", None, "key"),
        ("snow", "", None, "held"),
        ("snow", "missed", ("missed", "", "snow"), "converted"),
        ("snow", "withdrawn", ("withdrawn", "", "snow"), "converted"),
        ("snow", "17/03/2024", ("attended", "2024-03-17", ""), "converted"),
        ("snow", "04/03/2024", ("attended", "2024-03-04", ""), "converted"),  # in the order of the file
        ("snow", "attended, date unknown", ("attended", "", ""), "converted"),
        ("snow", "who knows", None, "held"),
    ],
)
def test_words_where_the_date_belongs(typed, answer, visit, cell, tmp_path):
    found = proposed(tmp_path, diary(A2=typed), {"date_snow": answer})
    assert visits(found).get(("A2", "post")) == visit
    assert became(found)["Data!C7"].split(":")[0] == cell
    if typed == "snow":
        assert asked(found)["date_snow"].open == (cell == "held")
        assert bool(problem(found, "date_snow")) == (answer == "who knows")
    assert ("absent_visits" in asked(found)) == (typed == "refused")


def test_the_order_of_an_answered_date_is_asked_where_the_file_does_not_say(tmp_path):
    sheet = {"Data": lines(("Date pre", "BBT R pre"), lambda n: "snow" if n == 2 else None, lambda n: 20 + n)}
    asking = proposed(tmp_path, sheet, {"date_snow": "04/03/2024"})
    assert "date_order_w_xlsx" in {question.id for question in asking.open}
    assert became(asking)["Data!B3"].startswith("held")
    found = proposed(tmp_path, sheet, {"date_snow": "04/03/2024", "date_order_w_xlsx": "month first"})
    assert visits(found)["A2", "pre"][1] == "2024-04-03"


def by_visit(heads, *changed, names=("pre", "mid", "post"), people=5):
    """A line a person and visit, blocks of the right hand and other columns; changed: person, visit, cells from BBT."""
    rows = [["ID", "Visit", "BBT R", *heads]]
    rows += [[f"A{n}", name, 20 + n, *[None] * len(heads)] for n in range(1, people + 1) for name in names]
    for person, name, *cells in changed:
        row = next(row for row in rows if row[:2] == [person, name])
        row[2:] = cells
    return rows


def test_a_remark_without_a_value_says_that_nobody_came(tmp_path):
    rows = by_visit(
        ("Remarks",), ("A2", "mid", None, "did not attend: snow"), ("A3", "mid", 40, "did not attend: late")
    )
    found = proposed(tmp_path, {"Data": rows})
    assert visits(found)["A2", "mid"] == ("missed", "", "did not attend: snow")
    assert visits(found)["A3", "mid"] == ("attended", "", "")
    assert {entry["remark"] for entry in found.done.remarks} == {"did not attend: snow", "did not attend: late"}


@pytest.mark.parametrize(
    ("answer", "absent"), [("", None), ("leave blank", None), ("who knows", None), ("missed", "missed")]
)
def test_who_withdrew_has_no_later_visits_and_who_missed_one_may_come_back(answer, absent, tmp_path):
    rows = by_visit(("Status",), ("A2", "mid", None, "withdrawn"), ("A2", "post", None, None),
                    ("A3", "mid", None, "did not attend"), ("A4", "mid", None, None))  # fmt: skip
    found = proposed(tmp_path, {"Data": rows}, {"absent_visits": answer})
    said = {key: status for key, (status, _, _) in visits(found).items()}
    assert (said["A2", "mid"], said["A2", "post"]) == ("withdrawn", "withdrawn")
    assert (said["A3", "mid"], said["A3", "post"]) == ("missed", "attended")
    assert said.get(("A4", "mid")) == absent
    assert asked(found)["absent_visits"].places == ["A4 at mid"]
    assert bool(problem(found, "absent_visits")) == (answer == "who knows")


@pytest.mark.parametrize(("answer", "people"), [("", 4), ("leave out", 4), ("keep", 5)])
def test_people_who_were_screened_only_are_left_out_unless_somebody_keeps_them(answer, people, tmp_path):
    rows = by_visit(("Age",), names=("screening", "pre", "post"))[:-2]
    for row in rows[1:]:
        row[3] = 50
    found = proposed(tmp_path, {"Data": rows}, {"never_started": answer})
    assert told(found, "participant") == [f"A{n}" for n in range(1, people + 1)]
    assert asked(found)["never_started"].places == ["A5"]
    assert became(found)["Data!C2"] == "set aside: measured at a visit outside the plan"


def test_adverse_events_with_their_dates_and_one_of_nobody(tmp_path):
    heads = ["ID", "Adverse event", "AE start", "Serious", "Severity", "Related to the device"]
    events = [heads, ["A1", "fall", "13/02/2024", "nein", "mild", None],
              [None, "headache", "2024-02-01", None, None, None],
              ["A2", "blister", "soon", "y", "severe", "yes"], ["A3", None, None, None, None, None]]  # fmt: skip
    people = lines(("Age", "BBT R pre"), lambda n: 50 + n, lambda n: 20 + n)
    found = proposed(tmp_path, {"Data": people, "Events": events})
    assert [tuple(event.values()) for event in found.described.adverse_events] == [
        ("A1", "2024-02-13", "fall", "mild", "no", ""), ("A2", "", "blister", "severe", "yes", "yes"),
    ]  # fmt: skip
    assert [(entry["place"], entry["found"]) for entry in found.done.findings] == [("Events!B3", "headache")]
    assert became(found)["Events!B3"] == "finding: the line has no participant"


@pytest.mark.parametrize(
    ("answers", "diagnosis", "arms"),
    [
        ({}, "stroke", {"group_1": "1", "group_2": "2"}),
        ({"diagnosis": "leave blank", "arms": "1 = Robot, 7 = Nobody, 2 = ..."}, "",
         {"group_1": "Robot", "group_2": "2"}),
        ({"diagnosis": "brain injury", "arms": {"1": "Robot", "2": "Usual (control)"}}, "brain injury",
         {"group_1": "Robot", "group_2": "Usual"}),
    ],
)  # fmt: skip
def test_the_title_names_the_diagnosis_and_codes_of_arms_are_named_by_an_answer(answers, diagnosis, arms, tmp_path):
    rows = lines(("Group", "Age", "BBT R pre"), lambda n: 1 + n % 2, 50, lambda n: 20 + n)
    found = proposed(tmp_path, {"Data": [["Stroke patients of the robot trial"], *rows]}, answers)
    assert set(told(found, "diagnosis")) == {diagnosis}
    assert dict(found.described.arms) == arms
    assert found.title == "Stroke patients of the robot trial"
    assert became(found)["Data!A1"] == "remark: title"


@pytest.mark.parametrize(
    ("answer", "arms"),
    [("arms", {"R": "robot", "U": "usual"}), ("the wards", {"R": "", "U": ""}), ("no", {"R": "", "U": ""})],
)
def test_sheets_of_people_may_be_the_arms(answer, arms, tmp_path):
    sheets = {
        name: [["Pt", "Age", "BBT R pre"], *([f"{name[0]}{n}", 50, 20 + n] for n in range(1, 5))]
        for name in ("Robot", "Usual")
    }
    found = proposed(tmp_path, sheets, {"people_by_sheet": answer}, marks=[("Robot", "A2", "struck")])
    # Whoever is struck through waits, and has no row.
    assert told(found, "participant") == ["R2", "R3", "R4", "U1", "U2", "U3", "U4"]
    assert {(code[0], arm) for code, arm in told(found, "participant", "arm")} == set(arms.items())
    assert bool(problem(found, "people_by_sheet")) == (answer == "the wards")


def test_the_site_a_list_of_people_names_counts_before_the_one_of_the_sheet(tmp_path):
    codes = [f"{letter}{n:02d}" for letter in "BS" for n in range(1, 4)]
    sheets = {
        "People": [["Pat.-Nr.", "Site", "Age"], *([code, "Hill" if code == "B03" else None, 50] for code in codes)]
    }
    for name in ("Berg", "See"):
        rows = ([code, n, n + 5] for n, code in enumerate(codes) if code[0] == name[0])
        sheets[f"Zentrum {name}"] = [["Pat.-Nr.", "ARAT T0", "ARAT T1"], *rows]
    assert told(proposed(tmp_path, sheets), "site") == ["Berg", "Berg", "Hill", "See", "See", "See"]


@pytest.mark.parametrize(("answer", "age"), [("leave blank", ""), ("the middle", "64.5"), ("", ""), ("about", "")])
def test_ages_in_ranges_are_their_middle_only_where_somebody_says_so(answer, age, tmp_path):
    found = proposed(tmp_path, {"Data": lines(("Age", "BBT R pre"), "60-69", 20)}, {"age_ranges_age": answer})
    assert set(told(found, "age")) == {age}
    assert became(found)["Data!B2"].startswith("converted" if answer in ("leave blank", "the middle") else "held")
    assert bool(problem(found, "age_ranges_age")) == (answer == "about")


def two_tables(first, second):
    """Blocks at the visits of the first table, another test at those of the second."""
    sheets = {}
    for name, test, names in (("First", "BBT R", first), ("Second", "ARAT", second)):
        values = [lambda n, k=k: 20 + n + k for k in range(len(names))]
        sheets[name] = lines([f"{test} {visit}" for visit in names], *values)
    return sheets


# Visits of two tables; the question about them; answer -> labels of the visits, and where the second table's lie
NAMED = [
    (("T0", "T1"), ("pre", "post"), "visit_words_second",
     {"": ("T0 T1", "T0 T1"), "yes": ("T0 T1", "T0 T1"), "no": ("T0 T1 post", "T0 post")}),
    (("T0", "T1", "T2"), ("baseline", "T1"), "visit_baseline",
     {"": ("T0 T1 T2", "T0 T1"), "no": ("T0 baseline T1 T2", "baseline T1")}),
    (("pre", "post", "FU 3 months"), ("pre", "follow-up"), "visit_follow_up",
     {"": ("pre post FU", "pre FU"), "no": ("pre post follow-up FU", "pre follow-up")}),
    (("pre", "T2 (6 weeks)", "T3 (12 weeks)"), ("pre", "12 weeks"), "visit_12_weeks",
     {"": ("pre T2 T3", "pre T3"), "no": ("pre T2 T3 12-weeks", "pre 12-weeks")}),
    (("pre", "week 3", "week 9"), ("pre", "week 6"), "", {"": ("pre week-3 week-6 week-9", "pre week-6")}),
]  # fmt: skip


@pytest.mark.parametrize(
    ("first", "second", "name", "answer", "labels", "places"),
    [(*given, answer, *expected) for *given, answers in NAMED for answer, expected in answers.items()],
)
def test_visits_under_other_names_are_the_same_unless_somebody_says_no(
    first, second, name, answer, labels, places, tmp_path
):
    found = proposed(tmp_path, two_tables(first, second), {name: answer})
    assert [visit.label.replace(" ", "-") for visit in found.schedule.visits] == labels.split()
    own = [row.visit for row in found.done.rows if row.cells["instrument"] == "arat"]
    assert {visit.label.replace(" ", "-") for visit in own} == set(places.split())
    assert (name in asked(found)) == bool(name)
    assert len(found.done.rows) == 5 * (len(first) + len(second))


def test_two_visits_of_one_name_get_ids_of_their_own_and_days_that_fall_are_put_in_order(tmp_path):
    found = proposed(tmp_path, two_tables(("pre", "6 weeks", "+6 weeks"), ("pre",)))
    assert [visit.id for visit in found.schedule.visits] == ["pre", "6_weeks", "6_weeks_2"]
    falling = proposed(tmp_path, two_tables(("pre", "T2 (12 weeks)", "T3 (6 weeks)"), ("pre",)))
    assert [(visit.label, visit.day) for visit in falling.schedule.visits] == [("pre", 0), ("T3", 42), ("T2", 84)]
    assert asked(falling)["visit_days"].proposal == "0, 84, 42"


@pytest.mark.parametrize(("answer", "people", "age"), [("", 5, "51"), ("yes", 5, "51"), ("no", 10, "")])
def test_codes_that_differ_by_leading_zeros_are_one_person_unless_somebody_says_no(answer, people, age, tmp_path):
    sheets = {"People": [["ID", "Age"], *([f"0{n}", 50 + n] for n in range(1, 6))],
              "Data": [["ID", "BBT R pre"], *([n, 20 + n] for n in range(1, 6))]}  # fmt: skip
    found = proposed(tmp_path, sheets, {"leading_zeros": answer})
    ages = dict(told(found, "participant", "age"))
    assert len(ages) == people
    assert ages[found.done.rows[0].cells["participant"]] == age


@pytest.mark.parametrize(("answer", "side", "cell"), [("", "right", "converted"), ("leave out", "", "set aside")])
def test_a_column_of_hands_is_the_affected_side_unless_somebody_leaves_it_out(answer, side, cell, tmp_path):
    sheets = {"Data": lines(("Hand", "ARAT pre", "ARAT post"), "R", lambda n: 20 + n, lambda n: 30 + n)}
    found = proposed(tmp_path, sheets, {"affected_side_data": answer})
    assert set(told(found, "affected_side")) == {side}
    assert became(found)["Data!B2"].startswith(cell)
