"""Whatever is answered, every cell of a workbook keeps its account, and an answer nobody understands converts nothing.

The account is held against a count of the workbook's cells made without the import.
"""

import random

import openpyxl
import pytest
from openpyxl.comments import Comment
from openpyxl.styles import Font

from outcomes.importing import convert, propose
from tests.outcomes.importing.damage import damaged, filled_cells

NONSENSE = "as the moon has it"


def book(path, sheets, *, struck=(), comments=()):
    """A workbook of sheets as rows; struck and comments: cells by sheet and address."""
    made = openpyxl.Workbook()
    made.remove(made.active)
    for name, rows in sheets.items():
        sheet = made.create_sheet(name)
        for row in rows:
            sheet.append(row)
    for name, address in struck:
        made[name][address].font = Font(strike=True)
    for name, address, text in comments:
        made[name][address].comment = Comment(text, "x")
    made.save(path)
    return path


def line(head, *cells):
    """A sheet: headings, and six people with a code each."""
    return [["ID", *head], *([f"A{number}", *(cell(number) for cell in cells)] for number in range(1, 7))]


# Each sheet types something that may be meant in two ways. All invented; how clinics type: common practice, no source.
MESSY = {
    "forces in pounds and without a unit": {
        "Grip": line(("Group", "Grip lb R pre", "Grip lb R post", "Pinch R pre"), lambda n: "xy"[n % 2],
                     lambda n: 20 + n, lambda n: "18/17/19" if n == 2 else 25 + n, lambda n: f"{n},5"),
    },
    "angles and their signs": {
        "ROM": line(("Wrist flexion R pre", "Wrist extension R pre", "Index MCP extension R pre", "Elbow flexion pre"),
                    lambda n: 40 + n, lambda n: 30 - n, lambda n: -5 * n, lambda n: "12-80" if n == 3 else 80 + n),
    },
    "people described in words": {
        "People": line(("Sex", "Age", "Date of birth", "Affected", "Date of stroke", "Dominant hand", "Diagnosis"),
                       lambda n: ("f", "m", "1", "w", "?", "female")[n - 1], lambda n: "61 y" if n == 1 else 50 + n,
                       lambda n: f"0{n}/0{n}/1950", lambda n: ("R", "L", "right", "both", "li", "?")[n - 1],
                       lambda n: ("03/04/2024", "May 2024", "3 months", "2024-02-30", 45000, "")[n - 1],
                       lambda n: "r", lambda n: "stroke"),
        "Scores": line(("BBT R pre", "BBT R post"), lambda n: 20 + n, lambda n: 30 + n),
    },
    "visits with states and ambiguous dates": {
        "Visits": [["ID", "Visit", "Date", "BBT R", "Comment", "Status"],
                   *([f"A{n}", visit, f"0{n}/0{n + 1}/2024", cell, note, state] for n in range(1, 7)
                     for visit, cell, note, state in (("pre", 20 + n, "", "attended"),
                                                      ("post", None if n == 2 else 30 + n, "tired" if n == 3 else "",
                                                       "withdrawn" if n == 2 else "rescheduled" if n == 4 else "")))],
    },
    "a reason beside the test": {
        "Tests": line(("BBT done pre", "Reason not done", "BBT R pre", "BBT L pre", "ARAT pre", "Rater pre"),
                      lambda n: "no" if n == 2 else "yes", lambda n: "too sore" if n == 2 else "",
                      lambda n: None if n == 2 else 20 + n, lambda n: None if n == 2 else 10 + n,
                      lambda n: f"={n}+30" if n == 4 else 30 + n, lambda n: "RK"),
    },
    "numbered columns": {
        "Items": line([f"FMA {k}" for k in range(1, 34)], *[lambda n, k=k: (n + k) % 3 for k in range(33)]),
        "Trials": line(("Grip R 1", "Grip R 2", "Grip R 3"), *[lambda n, k=k: 20 + n + k for k in range(3)]),
    },
    "the same twice": {
        "Data": [*line(("BBT R pre", "BBT R post"), lambda n: 20 + n, lambda n: 30 + n), ["A1", 21, 99],
                 ["A2", 22, 32]],
        "Again": line(("BBT R pre",), lambda n: 20 + n if n < 5 else 40),
    },
}  # fmt: skip
MARKS = {
    "the same twice": {
        "struck": [("Data", "B3")],
        "comments": [("Data", "C4", "repeated: 35"), ("Data", "B5", "video")],
    }
}


def answered(questions, choose):
    return {question.id: choose(question) for question in questions}


def accounted(path, choose, rounds=3):
    """Propose, answer what is open, propose again; the account of every round. The last proposal."""
    answers: dict[str, str] = {}
    for _ in range(rounds):
        proposal = propose([path], answers)
        assert sum(proposal.ledger.counts().values()) == filled_cells(path), answers
        more = answered(proposal.open, choose)
        if not more.keys() - answers.keys():
            break
        answers |= more
    return proposal


@pytest.mark.parametrize("what", MESSY)
def test_every_cell_keeps_its_account_whatever_is_answered(what, tmp_path):
    path = book(tmp_path / "w.xlsx", MESSY[what], **MARKS.get(what, {}))
    for place in range(3):
        proposal = accounted(
            path, choose=lambda question, place=place: question.choices[min(place, len(question.choices) - 1)]
            if question.choices else str(place)
        )  # fmt: skip
    convert(proposal, tmp_path / "study")
    # An answer that means nothing converts no cell that waited for one: there are no more values than without it.
    silent = propose([path])
    nonsense = propose([path], answered(silent.open, lambda question: NONSENSE))
    assert sum(nonsense.ledger.counts().values()) == filled_cells(path)
    assert len(nonsense.done.rows) <= len(silent.done.rows)


@pytest.mark.parametrize("seed", range(40, 46))
def test_every_cell_of_a_damaged_workbook_keeps_its_account_whatever_is_answered(seed, tmp_path):
    rng = random.Random(seed)
    path = damaged(seed, tmp_path)
    accounted(path, choose=lambda question: rng.choice([*question.choices, NONSENSE, "leave", "yes"]))
