"""What a file says about itself: code books, colours, titles, notes below a table, labels of a statistics file.

People and values are invented; what each note means is stated by hand. How clinics note such things: common practice,
no source.
"""

import openpyxl
import pandas as pd
import pyreadstat
import pytest
from openpyxl.comments import Comment
from openpyxl.styles import PatternFill
from openpyxl.styles.colors import Color

from outcomes.importing import propose
from tests.outcomes.importing.damage import filled_cells
from tests.outcomes.importing.test_any_answer import book, line


def imported(path, answers=None, columns=None):
    """What is proposed for a workbook, of which every filled cell has its account."""
    proposal = propose([path], answers, columns)
    assert sum(proposal.ledger.counts().values()) == filled_cells(path)
    return proposal


def table(proposal):
    """ "bbt.blocks right pre" -> participant -> value as it will be written."""
    found: dict[str, dict[str, str]] = {}
    for row in proposal.done.rows:
        cells = row.cells
        if row.table == "angles":
            what = " ".join(filter(None, (cells["digit"], cells["joint"], cells["movement"], cells["mode"])))
        else:
            what = f"{cells['instrument']}.{cells.get('scale') or cells.get('item') or cells.get('trial')}"
        key = " ".join(filter(None, (what, cells["side"], row.visit.label)))
        found.setdefault(key, {})[cells["participant"]] = cells.get("value", cells.get("degrees", ""))
    return found


def everybody(value):
    return {f"A{n}": str(value(n)) for n in range(1, 7)}


def accounts(proposal):
    """Address of a cell -> status and reason."""
    return {row["cell"]: (row["status"], row["why"]) for row in proposal.ledger.rows()}


def asked(proposal):
    return {question.id for question in proposal.open}


def coded(*headings):
    """Six people with their sex as a code, their arm as a letter, and a blocks test where A2 has the code 888."""
    return line(("Sex", "Arm", *headings), lambda n: 1 + n % 2, lambda n: "ab"[n % 2],
                lambda n: 888 if n == 2 else 20 + n, lambda n: 30 + n)  # fmt: skip


BOOKS = {
    "a line a code": [["Variable", "Codes", "Meaning"], ["Sex", 1, "male"], ["Sex", 2, "female"],
                      ["BBT R pre", 888, "refused"]],
    "codes under a heading nobody knows": [["Variable", "Option", "Meaning"], [None, 5, "of no variable"],
                                           ["Sex", 1, "male"], [None, 2, "female"], ["BBT R pre", 888, "refused"]],
    "codes and words in one cell": [["Variable", "Label", "Choices"], ["Sex", "Sex of people", "1, male | 2, female"],
                                    ["BBT R pre", "Blocks", "888=refused"]],
    "the meaning of the variable beside its codes": [["Variable", "Meaning", "Choices"],
                                                     ["Sex", "Sex", "1, male | other words | 2, female"],
                                                     ["BBT R pre", "", "888=refused"]],
    "no heading": [["Sex", 1, "male"], ["Sex", 2, "female"], ["any score", 888, "refused"]],
}  # fmt: skip


@pytest.mark.parametrize("what", BOOKS)
def test_a_code_book_explains_every_code(what, tmp_path):
    path = book(tmp_path / "w.xlsx", {"Data": coded("BBT R pre", "BBT R post"), "Codes": BOOKS[what]})
    proposal = imported(path)
    assert [row["sex"] for row in proposal.described.participants] == ["female", "male"] * 3
    assert table(proposal)["bbt.blocks right pre"] == everybody(lambda n: 20 + n) | {"A2": "refused"}
    assert {q for q in asked(proposal) if not q.startswith(("visit_days", "reference"))} == set()
    codes = [status for cell, (status, _) in accounts(proposal).items() if cell.startswith("Codes")]
    assert set(codes) <= {"heading", "code"}


def test_a_code_book_names_a_column_that_does_not_name_itself(tmp_path):
    """ "Meaning" without codes beside it is the meaning of the variable, and gives the visit; the name gives none."""
    for heading in ("Meaning", "Description"):
        codes = [
            ["Variable", heading],
            ["x17", "Box and Block right before"],
            ["x18", "Grip of the left hand (kg) before"],
        ]
        codes += [["x19", "Y7"], ["Arm", "Group"]]
        path = book(tmp_path / "w.xlsx", {"Data": coded("x17", "x18"), "Codes": codes})
        proposal = imported(path)
        found = table(proposal)
        assert found["grip.force left before"] == everybody(lambda n: 30 + n)
        assert found["bbt.blocks right before"] == {k: v for k, v in everybody(lambda n: 20 + n).items() if k != "A2"}
        assert "value_bbt_blocks_888" in asked(proposal)  # 888 is explained nowhere


def test_a_name_that_reads_like_another_visit_does_not_rename_the_visit_of_the_label(tmp_path):
    codes = [["Variable", "Label"], ["Y7", "Box and Block right before"]]
    path = book(tmp_path / "w.xlsx", {"Data": line(("Sex", "Y7"), lambda n: "f", lambda n: n), "Codes": codes})
    assert table(imported(path)) == {"bbt.blocks right before": everybody(lambda n: n)}


YELLOW, THEME = PatternFill("solid", fgColor="FFFFFF00"), PatternFill("solid", fgColor=Color(theme=4))


def changed(path, change):
    opened = openpyxl.load_workbook(path)
    change(opened)
    opened.save(path)
    return path


def test_colours_mean_what_the_legend_says(tmp_path):
    """One colour for a reason, one for a remark, one by its name; striking through is explained as well."""
    legend = [["", "refused"], ["", "video kept"], ["Struck through = entered twice"], ["Rot: not testable"]]
    legend.append(["Team: hand clinic"])
    data = line(("Sex", "BBT R pre"), lambda n: "f", lambda n: None if n in (2, 5) else 20 + n)

    def mark(opened):
        opened["Data"]["C3"].fill = opened["Legend"]["A1"].fill = YELLOW
        opened["Data"]["C4"].fill = opened["Legend"]["A2"].fill = THEME
        opened["Data"]["C6"].fill = PatternFill("solid", fgColor="FFFF0000")

    proposal = imported(changed(book(tmp_path / "w.xlsx", {"Data": data, "Legend": legend}), mark))
    wanted = everybody(lambda n: 20 + n) | {"A2": "refused", "A5": "not testable"}
    assert table(proposal) == {"bbt.blocks right pre": wanted}
    assert [(entry["place"], entry["remark"]) for entry in proposal.done.remarks] == [("Data!C4", "video kept")]
    legend_cells = {cell: why for cell, why in accounts(proposal).items() if cell.startswith("Legend")}
    assert legend_cells.pop("Legend!A5") == ("remark", "text outside the tables")
    assert set(legend_cells.values()) == {("code", "explains codes or marks")}
    assert proposal.facts.struck == "Struck through = entered twice"
    assert not [question for question in proposal.questions if question.id.startswith("colour")]


def test_a_coloured_note_below_the_table_explains_its_colour(tmp_path):
    data = line(("Sex", "BBT R pre"), lambda n: "f", lambda n: None if n == 2 else 20 + n)
    rows = [*data, ["refused on that day"], ["see the protocol, p = 12"]]

    def mark(opened):
        opened["Data"]["C3"].fill = opened["Data"]["A8"].fill = YELLOW

    proposal = imported(changed(book(tmp_path / "w.xlsx", {"Data": rows}), mark))
    assert table(proposal)["bbt.blocks right pre"]["A2"] == "refused"
    assert accounts(proposal)["Data!A8"] == accounts(proposal)["Data!A9"] == ("set aside", "note below the table")


def test_a_comment_on_a_blank_cell_outside_the_tables_is_reported(tmp_path):
    notes = [["first note"], [None], ["last note"]]
    data = line(("Sex", "BBT R pre"), lambda n: "f", lambda n: 20 + n)

    def remark(opened):
        opened["Notes"]["A2"].comment = Comment("whose cell is this?", "x")

    proposal = imported(changed(book(tmp_path / "w.xlsx", {"Data": data, "Notes": notes}), remark))
    assert [accounts(proposal)[f"Notes!A{row}"][0] for row in (1, 2, 3)] == ["remark", "finding", "remark"]


def noted(heading, *notes, title=""):
    """A sheet with a title, two scores without a hand or unit, and notes below them."""
    rows = [[title]] if title else []
    rows += [
        ["ID", "Sex", "Affected side", *heading],
        *([f"A{n}", 1 + n % 2, 1 + n % 2, 20 + n, 30 + n] for n in range(1, 7)),
    ]
    return rows + [[note] for note in notes]


KGF = 0.45359237  # one pound in kilograms (exact by definition), as the conversion of pounds-force to kgf
NOTED = {
    # title, headings, notes; expected: part of the table, sex of A1, affected side of A1, diagnosis
    "a title names test, hand, unit and diagnosis": (
        "Stroke trial, right hand, in pounds", ("Grip pre", "Grip post"),
        ("Sex: 1 = female, 2 = male", "Affected side: 1 = left, 2 = right"),
        {"grip.force right pre": 21 * KGF}, "male", "right", "stroke"),
    "codes of hands are no hand of the sheet": (
        "", ("BBT pre", "BBT post"), ("1 = left, 2 = right", "1 = female, 2 = male"),
        {"bbt.blocks affected pre": 21}, "male", "right", ""),
    "a note names hands test by test": (
        "People without stroke", ("BBT pre", "ARAT pre"),
        ("BBT: unaffected side. ARAT, FMA: right hand", "see the other book"),
        {"bbt.blocks other pre": 21, "arat.total right pre": 31}, "", "", ""),
    "a long title that names tests says nothing of their hand": (
        "Box and Block and ARAT before and after training of the right hand at home for six weeks in a row",
        ("BBT pre", "ARAT pre"), ("Arm: 7 = Robot", "Mood: 1 = fine"),
        {"bbt.blocks pre": 21, "arat.total pre": 31}, "", "", ""),
    "forces in pounds": (
        "", ("Grip R pre", "Grip L pre"), ("Forces in lbs.", "No diagnosis was noted"),
        {"grip.force right pre": 21 * KGF, "grip.force left pre": 31 * KGF}, "", "", ""),
}  # fmt: skip


@pytest.mark.parametrize("what", NOTED)
def test_titles_and_notes_say_what_holds_for_the_sheet(what, tmp_path):
    title, headings, notes, values, sex, side, diagnosis = NOTED[what]
    path = book(tmp_path / "w.xlsx", {"Data": noted(headings, *notes, title=title)})
    proposal = imported(path)
    found = table(proposal)
    for key, value in values.items():
        assert float(found[key]["A1"]) == pytest.approx(value, rel=1e-12), key
    first = proposal.described.participants[0]
    assert (first["sex"], first["affected_side"], first["diagnosis"]) == (sex, side, diagnosis)
    assert accounts(proposal)["Data!A1"] == (("remark", "title") if title else ("heading", ""))


def test_letters_over_the_columns_are_those_of_the_note_below(tmp_path):
    """ "WO" and "P + D" have a legend; a sentence that begins with the name of a test is none."""
    rows = [["ID", "Sex", "BBT R", "BBT R", "Wrist extension R", "BBT"], [None, None, "WO", "O", "P", "L"],
            *([f"A{n}", "f", 20 + n, 30 + n, 40 + n, 50 + n] for n in range(1, 7)),
            ["WO = without orthosis, O = with orthosis; P passive"],
            ["BBT with the splint on, No with a splint"]]  # fmt: skip
    proposal = imported(book(tmp_path / "w.xlsx", {"Data": rows}))
    found = {
        (row.cells["side"], row.cells.get("condition", row.cells.get("mode"))): row.cells.get("value")
        or row.cells["degrees"]
        for row in proposal.done.rows
        if row.cells["participant"] == "A1"
    }
    assert found == {("right", ""): "21", ("right", "assisted"): "31", ("right", "passive"): "41", ("left", ""): "51"}


# Cells with words, and what they say: value of A1 at "pre", status of the visit, remark.
WORDS = {
    "could not do it because of pain": ("unable", "attended", "could not do it because of pain"),
    "withdrew - moved away": ("", "withdrawn", "moved away"),
    "did not attend": ("", "missed", ""),
    "7": ("7", "attended", ""),  # the code book explains it as help, not as a missing value
}


@pytest.mark.parametrize("cell", WORDS)
def test_a_cell_of_words_says_why_there_is_no_number(cell, tmp_path):
    value, status, remark = WORDS[cell]
    data = line(
        ("Sex", "BBT R pre", "BBT R post"), lambda n: "f", lambda n: cell if n == 1 else 20 + n, lambda n: 30 + n
    )
    proposal = imported(book(tmp_path / "w.xlsx", {"Data": data, "Codes": [["BBT R pre", 7, "with help"]]}))
    assert table(proposal)["bbt.blocks right pre"].get("A1", "") == value
    visit = next(v for v in proposal.described.visits if (v["participant"], v["visit"]) == ("A1", "pre"))
    assert visit["status"] == status
    assert [entry["remark"] for entry in proposal.done.remarks] == ([remark] if remark else [])
    assert accounts(proposal)["Data!C2"][0] == "converted"


def test_grades_are_answers_of_an_item_and_may_be_words(tmp_path):
    """ "1+" is a grade of the Modified Ashworth Scale; 2 is the grade 2, whatever number a mean gives it later."""
    data = line(("Sex", "MAS elbow flexors R pre"), lambda n: "f", lambda n: "1+" if n == 2 else n % 3)
    proposal = imported(book(tmp_path / "w.xlsx", {"Data": data}))
    assert table(proposal) == {"mas.elbow_flexors right pre": everybody(lambda n: n % 3) | {"A2": "1+"}}
    assert {row.table for row in proposal.done.rows} == {"items"}


def test_a_statistics_file_declares_what_is_missing(tmp_path):
    """Ranges, single codes and texts; a comment stays one, whatever its label sounds like."""
    frame = pd.DataFrame(
        {"id": [f"A{n}" for n in range(1, 6)], "bbt_r_pre": [20.0, 98, 99, 21, 97], "arat_pre": [50.0, -9, 51, 52, 53],
         "grp": ["x", "y", "zz", "x", "y"], "comment": ["", "", "late", "", ""]}
    )  # fmt: skip
    pyreadstat.write_sav(
        frame,
        str(tmp_path / "w.sav"),
        column_labels={"comment": "Index flexion"},
        missing_ranges={"bbt_r_pre": [{"lo": 97, "hi": 99}], "arat_pre": [-9], "grp": ["zz"]},
        variable_value_labels={"bbt_r_pre": {98: "refused", 99: "not done"}, "arat_pre": {-9: "unable"}},
    )
    proposal = propose([tmp_path / "w.sav"])
    found = table(proposal)
    assert found["bbt.blocks right pre"] == {"A1": "20", "A2": "refused", "A3": "not done", "A4": "21"}
    assert found["arat.total pre"] == {"A1": "50", "A2": "unable", "A3": "51", "A4": "52", "A5": "53"}
    assert "cell_97" in asked(proposal) or "value_bbt_blocks_97" in asked(proposal)  # declared, without a reason
    assert [row["arm"] for row in proposal.described.participants] == ["x", "y", "", "x", "y"]
    assert [entry["remark"] for entry in proposal.done.remarks] == ["late"]
