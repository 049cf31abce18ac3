"""Sheets with one line a training session, and with one line an adverse event: several lines of a person are no slip.

People and values are invented. How clinics keep logs: common practice, no source.
"""

import csv
import datetime as dt

import pytest

from outcomes import check, read_study
from outcomes.importing import run_import
from tests.outcomes.importing.test_any_answer import book, line
from tests.outcomes.importing.test_code_books import asked, imported
from tests.outcomes.importing.test_unusual_columns import numbers

SCORES = line(("ARAT T0", "ARAT T1"), *numbers(count=2))
PEOPLE = [f"A{n}" for n in range(1, 7)]


def log(heads, *cells, of=(1, 2, 3)):
    """A line for each session of each person; a cell is made of the number of the session."""
    return [["ID", *heads], *([who, *(cell(n) for cell in cells)] for who in PEOPLE for n in of)]


LOGS = {
    "numbers, dates, minutes, repetitions": (
        {"Sessions": log(("Session", "Date", "Duration (min)", "Repetitions"), int, lambda n: dt.date(2025, 1, n),
                         lambda n: 40 + n, lambda n: 100 + n)},
        {"session": "2", "date": "2025-01-02", "minutes_performed": "42", "repetitions": "102"}),
    "hours, and no number": (
        {"Training log": log(("Date", "Duration (h)"), lambda n: dt.date(2025, 1, 9 - n), lambda n: n / 4)},
        {"session": "2", "date": "2025-01-07", "minutes_performed": "30"}),
    "in German, with minutes planned": (
        {"Sitzungen": log(("Sitzung", "Datum", "Geplante Minuten", "Dauer", "Wiederholungen"), lambda n: f"Nr. {n}",
                          lambda n: f"1{n}.03.2025", lambda n: 45, lambda n: f"{40 + n},5", lambda n: 90)},
        {"session": "2", "date": "2025-03-12", "minutes_prescribed": "45", "minutes_performed": "42.5",
         "repetitions": "90"}),
}  # fmt: skip


@pytest.mark.parametrize("what", LOGS)
def test_a_log_becomes_the_table_of_sessions(what, tmp_path):
    sheets, second = LOGS[what]
    proposal = imported(book(tmp_path / "w.xlsx", {"Scores": SCORES, **sheets}))
    rows = proposal.described.sessions
    assert [row["participant"] for row in rows] == [who for who in PEOPLE for _ in range(3)]
    assert rows[1] == {"participant": "A1", **second}
    assert not [name for name in asked(proposal) if not name.startswith(("visit_days", "primary", "side", "affected"))]
    assert not proposal.done.findings
    assert len(proposal.done.rows) == 12


def test_what_is_no_number_is_a_finding_and_a_line_of_nothing_is_no_session(tmp_path):
    rows = [["ID", "Session", "Minutes", "Reps"], ["A1", 1, "some", 90], ["A1", 2, 40, None], ["A1", 3, None, None],
            ["A2", 1, "not done", 80], ["A2", 2, 30, "9o"]]  # fmt: skip
    proposal = imported(book(tmp_path / "w.xlsx", {"Scores": SCORES, "Log": rows}))
    assert [(row["participant"], row["session"]) for row in proposal.described.sessions] == [
        ("A1", "1"), ("A1", "2"), ("A2", "1"), ("A2", "2")
    ]  # fmt: skip
    assert {found["place"]: found["found"] for found in proposal.done.findings} == {"Log!C2": "some", "Log!D6": "9o"}


def test_the_sessions_are_written_and_read(tmp_path):
    sheets, _ = LOGS["numbers, dates, minutes, repetitions"]
    run_import([book(tmp_path / "w.xlsx", {"Scores": SCORES, **sheets})], tmp_path / "study", say=lambda text: None)
    with (tmp_path / "study" / "sessions.csv").open(encoding="utf-8") as file:
        assert len(list(csv.DictReader(file))) == 18
    study = read_study(tmp_path / "study")
    assert study.table("sessions")["minutes_performed"].sum() == pytest.approx(6 * (41 + 42 + 43))
    assert not check(study).blocking


@pytest.mark.parametrize(
    "sheets",
    [
        {"Sessions": line(("Session", "ARAT", "Minutes"), lambda n: 1, lambda n: 20 + n, lambda n: 45)},
        {"Scores": SCORES, "People": line(("Age", "Duration"), lambda n: 50 + n, lambda n: 10 * n)},
    ],
)
def test_a_table_of_scores_or_of_people_is_no_log(sheets, tmp_path):
    assert imported(book(tmp_path / "w.xlsx", sheets)).described.sessions == []


def test_a_person_may_have_several_adverse_events(tmp_path):
    events = [["ID", "Start of event", "Adverse event", "Severity"], ["A2", dt.date(2025, 1, 8), "red skin", "mild"],
              ["A2", dt.date(2025, 1, 9), "pain", "mild"], ["A3", dt.date(2025, 1, 9), "pain", "mild"]]  # fmt: skip
    proposal = imported(book(tmp_path / "w.xlsx", {"Scores": SCORES, "AE": events}))
    assert [row["term"] for row in proposal.described.adverse_events] == ["red skin", "pain", "pain"]
    assert not [name for name in asked(proposal) if name.startswith("twice")]


@pytest.mark.parametrize(("answer", "first"), [("", ""), ("day first", "2025-04-03"), ("month first", "2025-03-04")])
def test_a_date_that_may_be_two_waits_for_the_order(answer, first, tmp_path):
    logged = log(("Session", "Date", "Minutes"), int, lambda n: f"03/0{3 + n}/2025", lambda n: 40 + n)
    path = book(tmp_path / "w.xlsx", {"Scores": SCORES, "Log": logged})
    proposal = imported(path, {"date_order_w_xlsx": answer})
    assert proposal.described.sessions[0].get("date", "") == first
    held = [row for row in proposal.ledger.rows() if row["status"] == "held"]
    assert len(held) == (18 if not answer else 0)


def test_lines_without_a_number_take_those_that_are_free(tmp_path):
    rows = [["ID", "Session", "Date", "Minutes"], ["A1", None, "2025-01-01", 40], ["A1", 1, "2025-01-02", 41],
            ["A1", None, "2025-01-03", 42]]  # fmt: skip
    proposal = imported(book(tmp_path / "w.xlsx", {"Scores": SCORES, "Log": rows}))
    assert {row["date"]: row["session"] for row in proposal.described.sessions} == {
        "2025-01-01": "2", "2025-01-02": "1", "2025-01-03": "3"
    }  # fmt: skip
