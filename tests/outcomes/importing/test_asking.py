"""What may be meant in two ways is asked and held back; the answer converts it, one nobody understands does not.

Expectations are stated by hand beside each sheet. How clinics type such cells: common practice, no source.
"""

import openpyxl
import pytest

from outcomes.errors import StudyError
from outcomes.importing import propose, run_import
from outcomes.importing.command import read_import_file


def workbook(path, *sheets, hide=()):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets:
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
        if name in hide:
            sheet.sheet_state = "hidden"
    book.save(path)
    return path


def people(*cells, heads=("ID", "Group", "BBT R pre", "BBT R post")):
    rows = [list(heads)]
    rows += [[f"A{number}", "x" if number % 2 else "y", 20 + number, 30 + number] for number in range(1, 7)]
    for row, column, value in cells:
        rows[row][column] = value
    return rows


def values(proposal):
    return {
        (row.cells["participant"], row.cells["visit"]): row.cells["value"]
        for row in proposal.done.rows
        if row.table != "angles"
    }


@pytest.mark.parametrize(
    ("typed", "question", "answer", "value"),
    [
        ("4O", "cell_4o", "yes", "40"),
        ("3-4", "cell_3_4", "4 (the higher)", "4"),
        ("WNL", "cell_wnl", "no number was taken: not done", "not done"),
        ("36 (last item not done)", "cell_data_d2_36_last_item_not_done", "keep it", "36"),
        (99, "value_bbt_blocks_99", "a code, not done", "not done"),
        (999, "value_bbt_blocks_999", "refused", "refused"),
        (-9, "value_bbt_blocks_9", "not done (the old code)", "not done"),
    ],
)
def test_a_doubtful_cell_waits_for_its_answer(typed, question, answer, value, tmp_path):
    path = workbook(tmp_path / "w.xlsx", ("Data", people((1, 3, typed))))
    before = propose([path])
    assert question in {entry.id for entry in before.open}
    assert ("A1", "post") not in values(before)
    assert len(values(before)) == 11  # the other cells are converted at once
    after = propose([path], {question: answer})
    assert values(after)["A1", "post"] == value
    assert question not in {entry.id for entry in after.open}


@pytest.mark.parametrize(
    ("typed", "value", "remark"),
    [
        ("29*", "29", "*"),
        ("31 (tired)", "31", "tired"),
        ("1,5", "1.5", ""),
        ("refused - sore", "refused", "sore"),
        ("n/a", "not done", ""),
        ("cannot", "unable", ""),
        ("59/150", "59", ""),
    ],
)
def test_a_plain_cell_is_read_and_its_remark_kept(typed, value, remark, tmp_path):
    found = propose([workbook(tmp_path / "w.xlsx", ("Data", people((1, 3, typed))))])
    assert values(found)["A1", "post"] == value
    assert [entry["remark"] for entry in found.done.remarks] == ([remark] if remark else [])
    # Where the only value of a visit was not done, the visit itself may not have taken place.
    assert {question.id for question in found.open if question.kind == "ask"} <= {"absent_visits"}


def test_an_answer_that_means_nothing_leaves_the_question_open(tmp_path):
    path = workbook(tmp_path / "w.xlsx", ("Data", people((1, 3, "WNL"))))
    found = propose([path], {"cell_wnl": "as usual"})
    question = next(entry for entry in found.open if entry.id == "cell_wnl")
    assert "found 'as usual'" in question.problem
    assert ("A1", "post") not in values(found)


def test_a_code_book_needs_no_question(tmp_path):
    codes = [["BBT R pre", 999, "participant refused"], ["any score", 888, "not done"]]
    found = propose([workbook(tmp_path / "w.xlsx", ("Data", people((1, 2, 999), (2, 3, 888))), ("Codes", codes))])
    assert values(found)["A1", "pre"] == "refused"
    assert values(found)["A2", "post"] == "not done"


def test_a_hidden_sheet_and_a_second_line_wait(tmp_path):
    rows = [*people(), ["A1", "x", 99, 12]]
    path = workbook(tmp_path / "w.xlsx", ("Data", rows), ("Old", people()), hide=("Old",))
    found = propose([path])
    assert {"hidden_sheet_old", "twice_data_a1"} <= {entry.id for entry in found.open}
    assert not {key for key in values(found) if key[0] == "A1"}
    chosen = propose([path], {"hidden_sheet_old": "ignore it", "twice_data_a1": "row 2"})
    assert values(chosen)["A1", "pre"] == "21"


def test_answers_in_a_file_and_the_status_of_the_command(tmp_path):
    path = workbook(tmp_path / "w.xlsx", ("Data", people((1, 3, "WNL"))))
    said: list[str] = []
    assert run_import([path], tmp_path / "study", say=said.append) == 1
    assert "cell_wnl" in said[0]
    answers = tmp_path / "answers.toml"
    known = {"cell_wnl": "not done", "visit_days": "0, 42", "reference_arm": "y", "absent_visits": "missed"}
    answers.write_text("".join(f'[[questions]]\nid = "{key}"\nanswer = "{value}"\n' for key, value in known.items()))
    assert run_import([path], tmp_path / "study", answers=answers, say=said.append) == 0
    kept, _, _ = read_import_file(tmp_path / "study" / "import.toml")
    assert kept["cell_wnl"] == "not done"
    assert run_import([path], tmp_path / "study", say=said.append) == 0  # the answers stand in import.toml now


@pytest.mark.parametrize("reference", ["1", "Usual care"])
@pytest.mark.parametrize("arms", [{"1": "Usual care", "2": "Practice"}, "1 = Usual care, 2 = Practice"])
def test_codes_of_arms_are_named_in_a_table_or_a_text_and_the_reference_by_code_or_name(arms, reference, tmp_path):
    rows = people()
    for number, row in enumerate(rows[1:]):
        row[1] = 1 + number % 2
    path = workbook(tmp_path / "w.xlsx", ("Data", rows))
    made = propose([path], {"arms": arms, "reference_arm": reference, "visit_days": "0, 42"})
    assert "reference_arm" not in {entry.id for entry in made.open}
    assert 'label = "Usual care"\nreference = true' in made.study


def test_files_that_are_none_are_refused_in_words(tmp_path):
    broken = tmp_path / "broken.xlsx"
    broken.write_bytes(b"PK\x03\x04 cut off")
    with pytest.raises(StudyError, match=r"broken\.xlsx"):
        propose([broken])
    with pytest.raises(StudyError, match="No table with participants"):
        propose([workbook(tmp_path / "w.xlsx", ("Sheet", [["hello"], [1, 2, 3]]))])
    with pytest.raises(StudyError, match="missing"):
        propose([tmp_path / "nowhere.csv"])
