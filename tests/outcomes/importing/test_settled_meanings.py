"""What a column means once somebody has answered: its visit, instrument, edition, score, item, side, condition.

Small invented sheets; what a clinic would mean by them is stated by hand beside each. How clinics name their columns:
common practice, no source.
"""

import tomllib

import openpyxl
import pandas as pd
import pyreadstat
import pytest
from openpyxl.comments import Comment
from openpyxl.styles import Font, PatternFill

from outcomes.importing import propose
from tests.outcomes.importing.damage import filled_cells


def book(path, sheets, *, marks=()):
    """A workbook of sheets as rows. marks: sheet, address, and a comment, "struck", or "fill" with a colour."""
    made = openpyxl.Workbook()
    made.remove(made.active)
    for name, rows in sheets.items():
        sheet = made.create_sheet(name)
        for row in rows:
            sheet.append(row)
    for name, address, mark in marks:
        cell = made[name][address]
        if mark == "struck":
            cell.font = Font(strike=True)
        elif mark.startswith("fill "):
            cell.fill = PatternFill("solid", fgColor=mark.removeprefix("fill "))
        else:
            cell.comment = Comment(mark, "x")
    made.save(path)
    return path


def became(proposal):
    """What every cell became: its converted values, else its status and why. Every filled cell is accounted for."""
    account = {row["cell"]: f"{row['status']}: {row['why']}" for row in proposal.ledger.rows()}
    written = {}
    for row in proposal.done.rows:
        value = row.cells.get("value", row.cells.get("degrees"))
        written.setdefault(row.observation.address, []).append(value)
    for cell, values in written.items():
        if cell in account:
            assert account[cell].startswith("converted")
            account[cell] = " ".join(values)
    for page in proposal.pages:
        assert {page.address(*at) for at in page.cells} <= account.keys()
    return account


def asked(proposal):
    return {question.id: question for question in proposal.questions}


def lines(heads, *cells, people=5):
    """Headings, and people with a code each; a cell is a value or makes one of the number of the person."""
    return [
        ["ID", *heads],
        *([f"A{n}", *(cell(n) if callable(cell) else cell for cell in cells)] for n in range(1, people + 1)),
    ]


def proposed(tmp_path, sheets, answers=None, *, marks=(), columns=None):
    path = book(tmp_path / "w.xlsx", sheets, marks=marks)
    found = propose([path], answers, columns)
    assert sum(found.ledger.counts().values()) == filled_cells(path)
    return found


def problem(proposal, name):
    """Why the answer to a question was not understood, "" where it was."""
    return asked(proposal)[name].problem


BLOCKS = {"Data": lines(("BBT R pre", "BBT R post"), lambda n: 20 + n, lambda n: 30 + n)}
NO_VISIT = {"Data": lines(("BBT R pre", "BBT R post", "ARAT"), lambda n: 20 + n, lambda n: 30 + n, lambda n: 40 + n)}
MISSPELT = {"Data": lines(("Box and Blok test R pre",), lambda n: 20 + n)}
ZORK = {"Data": lines(("Zork ARAT", "Zork FMA"), lambda n: 20 + n, lambda n: 30 + n)}
NUMBERED = {"Data": lines(("BBT R 1", "BBT R 2"), lambda n: 20 + n, lambda n: 30 + n)}
UNNAMED = {"Data": lines(("Age", *map(str, range(1, 34))), 50, *[lambda n, k=k: (n + k) % 3 for k in range(33)])}
TIMES = {"Data": lines(("WMFT time pre",), lambda n: n + 1)}
FEW = {"Data": lines(("Age", "FMA 1", "FMA 2", "FMA 3", "FMA 70"), 50, *[lambda n, k=k: (n + k) % 3 for k in range(4)])}
LOG = {"Data": lines(("Age", "MAL AOU 1", "MAL AOU 2", "MAL AOU 40"), 50, lambda n: n % 3, 2, 1)}
PINCH = {"Data": lines(("Pinch R 1 pre (kg)", "Pinch R 2 pre (kg)"), lambda n: 2 + n, lambda n: 3 + n)}
SIDED = {"Data": lines(("Sex", "BBT left", "BBT"), "f", lambda n: 20 + n, lambda n: 30 + n)}
FINGERS = {"Data": lines(("Index MCP extension active R pre",), lambda n: 10 if n == 1 else -5 * n)}
HIGH = {"Data": lines(("Age", "ARAT pre"), 50, lambda n: 40 + 5 * n, people=8)}
# sheets, the question, and for each answer what its cells became ("" stands for no answer)
MEANT = [
    (NO_VISIT, "visit_of_data_arat", {"post": {"D2": "41"}, "sometime": {"D2": "held"}, "": {"D2": "held"}}),
    (MISSPELT, "name_box_blok", {"": {"B2": "21"}, "yes": {"B2": "21"}, "no": {"B2": "set aside: not Box and Block"}}),
    (ZORK, "word_zork", {"yes": {"B2": "21", "C2": "31"}, "leave out": {"B2": "set aside", "C3": "set aside"}}),
    (NUMBERED, "numbers_bbt", {"": {"B2": "held"}, "visits": {"B2": "21", "C2": "31"}, "leave out": {"C2": "set"}}),
    (UNNAMED, "instrument_data", {"": {"C2": "held"}, "fma_ue": {"C2": "1", "AI2": "0"}, "yes": {"D2": "2"},
                                  "leave out": {"C2": "set aside"}, "as usual": {"C2": "held"}}),
    (TIMES, "score_wmft_time", {"time_median": {"B2": "2"}, "leave out": {"B2": "set aside"}, "time": {"B2": "held"}}),
    (FEW, "items_fma_ue", {"": {"C2": "held"}, "yes": {"C2": "1", "E2": "0", "F2": "finding: no item 70"},
                           "leave out": {"D2": "set aside", "F2": "finding"}}),
    (LOG, "edition_mal", {"": {"C2": "held"}, "mal_28": {"C2": "1", "E2": "finding: no item 40 in mal_28"}}),
    (PINCH, "edition_pinch", {"": {"B2": "held"}, "tip": {"B2": "3", "C2": "4"}}),
    (SIDED, "side_bbt", {"": {"D2": "held"}, "right": {"D2": "31"}, "the strong one": {"D2": "held"}}),
    (FINGERS, "extension_sign", {"yes": {"B2": "0", "B3": "10"}, "the numbers are deficits": {"B2": "10"},
                                 "": {"B2": "held"}}),
    (HIGH, "range_data_arat_total", {"": {"C2": "held"}, "yes": {"C2": "45"}, "leave out": {"C2": "set aside"}}),
]  # fmt: skip
CASES = [(sheets, name, answer, cells) for sheets, name, answers in MEANT for answer, cells in answers.items()]
NOT_UNDERSTOOD = {"sometime", "as usual", "time"}


@pytest.mark.parametrize(
    ("sheets", "name", "answer", "cells"), CASES, ids=lambda given: given if isinstance(given, str) else ""
)
def test_an_answer_settles_what_a_column_holds(sheets, name, answer, cells, tmp_path):
    found = proposed(tmp_path, sheets, {name: answer})
    account = became(found)
    for cell, expected in cells.items():
        assert account[f"Data!{cell}"].startswith(expected), (cell, account[f"Data!{cell}"])
    assert bool(problem(found, name)) == (answer in NOT_UNDERSTOOD)
    if "held" in cells.values() and answer != "the strong one":
        assert name in {question.id for question in found.open}


def test_what_was_settled_is_written_with_its_side_item_trial_and_score(tmp_path):
    rows = {
        "tip": proposed(tmp_path, PINCH, {"edition_pinch": "tip"}),
        "side": proposed(tmp_path, SIDED, {"side_bbt": "right"}),
        "unnamed": proposed(tmp_path, UNNAMED, {"instrument_data": "fma_ue"}),
        "time": proposed(tmp_path, TIMES, {"score_wmft_time": "time_median"}),
        "fingers": proposed(tmp_path, FINGERS, {"extension_sign": "yes"}),
        "log": proposed(tmp_path, LOG, {"edition_mal": "mal_28"}),
    }
    cells = {
        name: [row.cells for row in found.done.rows if row.cells["participant"] == "A1"] for name, found in rows.items()
    }
    assert [(row["instrument"], row["trial"], row["unit"]) for row in cells["tip"]] == [
        ("pinch_tip", "1", "kgf"), ("pinch_tip", "2", "kgf"),
    ]  # fmt: skip
    assert [(row["side"], row["value"]) for row in cells["side"]] == [("left", "21"), ("right", "31")]
    assert len({row["item"] for row in cells["unnamed"]}) == 33
    assert [row["scale"] for row in cells["time"]] == ["time_median"]
    assert [(row["movement"], row["degrees"]) for row in cells["fingers"]] == [("deficit", "0")]
    assert [entry["remark"] for entry in rows["fingers"].done.remarks] == ["typed 10: hyperextension, no deficit"]
    assert {row["instrument"] for row in cells["log"]} == {"mal_28"}
    assert "no item 40 in mal_28" in rows["log"].done.findings[0]["what"]


@pytest.mark.parametrize(
    ("heads", "edition"), [([f"MAL AOU {k}" for k in range(1, 29)], "mal_28"), (["MAL 14 AOU pre"], "mal_14")]
)
def test_the_edition_is_the_one_with_as_many_items_or_the_number_in_the_heading(heads, edition, tmp_path):
    found = proposed(tmp_path, {"Data": lines(heads, *[lambda n, k=k: (n + k) % 6 for k in range(len(heads))])})
    assert {row.cells["instrument"] for row in found.done.rows} == {edition}
    assert not [name for name in asked(found) if name.startswith("edition")]


def test_items_in_another_order_than_the_forms_are_left_out(tmp_path):
    items = {
        "Data": lines([f"QuickDASH {k}" for k in range(1, 12)], *[lambda n, k=k: (n + k) % 5 + 1 for k in range(11)])
    }
    assert became(proposed(tmp_path, items))["Data!B2"] == "2"
    left = became(proposed(tmp_path, items, {"order_quickdash": "no"}))
    assert left["Data!B2"] == "set aside: items in another order than the form's, going by the answer"


@pytest.mark.parametrize(
    ("said", "answers", "cell"),
    [
        ("total bbt.blocks; visit pre; side right", {}, "21"),
        ("total foo.bar; visit pre", {}, "finding: no instrument 'foo' in the catalogue"),
        ("total bbt.blocks; side wrist; visit pre", {}, "held: question side_wrist"),
        ("total bbt.blocks; side wrist; visit pre", {"side_wrist": "left"}, "21"),
        ("total bbt.blocks; side left; condition robot; visit pre", {}, "held: question condition_robot"),
        ("total bbt.blocks; side left; condition robot; visit pre", {"condition_robot": "assisted"}, "21"),
    ],
)  # fmt: skip
def test_a_line_of_the_import_file_says_what_a_column_is(said, answers, cell, tmp_path):
    found = proposed(tmp_path, BLOCKS, answers, columns={"Data": {"ID": "participant", "BBT R pre": said}})
    assert became(found)["Data!B2"] == cell
    assert found.new_columns == ["Data, BBT R post"]  # a column that the import file does not name yet
    assert became(found)["Data!C2"] == "31"


# The label of the last column does not fit its name: t1, and "before".
LABELS = {"pat": "Patientennummer", "fma_t0": "Fugl-Meyer vorher", "fma_t1": "Fugl-Meyer nachher"}
LABELS |= {"bb_t0": "Box and Block vorher", "bb_t1": "Box and Block vorher"}


@pytest.mark.parametrize(("answer", "visit"), [("t1", "t1"), ("vorher", "t0"), ("Monday", ""), ("", "")])
def test_a_column_whose_name_and_label_disagree_is_of_the_visit_that_is_answered(answer, visit, tmp_path):
    frame = pd.DataFrame({"pat": ["M1", "M2", "M3"], **{name: [1.0, 2, 3] for name in list(LABELS)[1:]}})
    pyreadstat.write_sav(frame, str(tmp_path / "w.sav"), column_labels=LABELS)
    found = propose([tmp_path / "w.sav"], {"visit_of_bb_t1": answer})
    assert {row.visit.id for row in found.done.rows} == ({visit} if visit else set())
    assert bool(problem(found, "visit_of_bb_t1")) == (answer == "Monday")
    assert became(found)["w.sav!E2"] == ("1" if visit else "held: question visit_of_bb_t1")


@pytest.mark.parametrize(
    ("heads", "answers", "summary", "told"),
    [
        (("Grip R kg pre", "Grip R kg post"), {}, None, False),
        (("Grip R kg pre", "Grip R kg post"), {"summary_grip": "the best of the trials"}, "max", False),
        (("Grip best R kg pre", "Grip best R kg post"), {}, "max", False),
        (("Grip best R kg pre", "Grip best R kg post"), {"summary_grip_best": "the mean of the trials"}, None, False),
        (("Grip mean R kg pre", "Grip mean R kg post"), {}, None, False),
        (("Grip mean R kg pre", "Grip best R kg post"), {}, None, True),
    ],
)
def test_the_protocol_says_which_summary_of_trials_the_numbers_are(heads, answers, summary, told, tmp_path):
    """The highest force of three is no mean of them; the kit's own default is the mean."""
    proposal = proposed(tmp_path, {"Grip": lines(heads, lambda n: 20 + n, lambda n: 22 + n)}, answers)
    assert tomllib.loads(proposal.study).get("instruments", {}).get("grip", {}).get("summary") == summary
    assert ("summaries_grip" in asked(proposal)) is told
    assert len(proposal.done.rows) == 10
