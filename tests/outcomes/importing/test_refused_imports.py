"""What cannot be imported is refused in words; a preview writes nothing; questions are put until none is answered."""

import openpyxl
import pytest

from outcomes.errors import StudyError
from outcomes.importing import propose, run_import
from outcomes.importing.opening.exchange import exchange_pages
from tests.outcomes.importing.test_asking import people, workbook

ODM = '<?xml version="1.0"?><{0} xmlns="http://www.cdisc.org/ns/odm/v1.3">{1}</{0}>'
FILES = {
    "an old workbook": ("w.xls", b"x", "Save it as .xlsx"),
    "an ending nobody knows": ("w.doc", b"x", "found .doc"),
    "no ending": ("w", b"x", "no ending"),
    "XML that is no exchange file": ("w.xml", ODM.format("html", "").encode(), "<html>"),
    "an exchange file without data": ("w.xml", ODM.format("ODM", "").encode(), "no clinical data"),
    "an empty exchange file": ("w.xml", b"", "cannot be read"),
    "XML with entities": ("w.xml", b'<!DOCTYPE a [<!ENTITY b "c">]><ODM>&b;</ODM>', "entity"),
}
ANSWERS = {
    "no TOML": ("[[questions]", "cannot be read"),
    "questions that are no tables": ("questions = 5", "questions"),
    "columns that are no tables": ('columns = "all"', "columns"),
}


@pytest.mark.parametrize("what", FILES)
def test_a_file_that_is_none_is_refused(what, tmp_path):
    name, content, words = FILES[what]
    (tmp_path / name).write_bytes(content)
    with pytest.raises(StudyError, match=words):
        propose([tmp_path / name])


def test_a_sheet_of_formatting_without_end_is_refused(tmp_path):
    path = workbook(tmp_path / "w.xlsx", ("Data", people()))
    opened = openpyxl.load_workbook(path)
    opened["Data"].cell(1_000_001, 6).value = "end"
    opened.save(path)
    with pytest.raises(StudyError, match=r"1000001 rows by 6 columns\. Delete the empty rows"):
        propose([path])


def test_nothing_to_import_is_refused():
    with pytest.raises(StudyError, match="No file to import"):
        propose([])


@pytest.mark.parametrize("what", ANSWERS)
def test_answers_that_cannot_be_read_are_refused(what, tmp_path):
    content, words = ANSWERS[what]
    (tmp_path / "answers.toml").write_text(content)
    path = workbook(tmp_path / "w.xlsx", ("Data", people()))
    with pytest.raises(StudyError, match=words):
        run_import([path], tmp_path / "study", answers=tmp_path / "answers.toml")
    with pytest.raises(StudyError, match="missing"):
        run_import([path], tmp_path / "study", answers=tmp_path / "nowhere.toml")
    assert not (tmp_path / "study").exists()


def test_another_study_is_never_written_over(tmp_path):
    path = workbook(tmp_path / "w.xlsx", ("Data", people()))
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "study.toml").write_text("title = 'Ours'")
    with pytest.raises(StudyError, match="another study"):
        run_import([path], tmp_path / "full")
    with pytest.raises(StudyError, match="this is a file"):
        run_import([path], path)
    assert (tmp_path / "full" / "study.toml").read_text() == "title = 'Ours'"


def test_a_preview_says_what_would_be_written_and_writes_nothing(tmp_path):
    path = workbook(tmp_path / "w.xlsx", ("Data", people((1, 3, "WNL"))))
    said: list[str] = []
    assert run_import([path], tmp_path / "study", check=True, say=said.append) == 1
    assert not (tmp_path / "study").exists()
    assert "6 participants" in said[0]
    assert "cells that would be lost: 0" in said[0]
    row = next(line.split() for line in said[0].splitlines() if line.startswith("bbt"))
    assert sum(map(int, row[-2:])) == 11  # six people, two visits, one cell that waits
    assert "cell_wnl" in said[0]


def test_questions_are_put_until_nobody_answers_more(tmp_path):
    path = workbook(tmp_path / "w.xlsx", ("Data", people((1, 3, "WNL"))))
    answers = {"cell_wnl": "not done", "visit_days": "0, 42", "reference_arm": "y", "absent_visits": "missed"}
    put: list[str] = []

    def ask(question):
        put.append(question.id)
        return answers.get(question.id, "")

    assert run_import([path], tmp_path / "study", ask=ask, say=lambda line: None) == 0
    assert len(put) == len(set(put))  # nothing is asked twice
    assert "cell_wnl" in put


def test_an_answer_may_be_a_table_a_list_or_a_yes(tmp_path):
    path = workbook(tmp_path / "w.xlsx", ("Data", people((1, 3, "4O"))))
    (tmp_path / "a.toml").write_text(
        '[[questions]]\nid = "cell_4o"\nanswer = true\n[[questions]]\nid = "visit_days"\nanswer = [0, 42]\n'
        '[[questions]]\nid = "reference_arm"\nanswer = {rest = "y"}\n[[questions]]\nid = "nothing"\nanswer = ""\n'
    )
    assert run_import([path], tmp_path / "study", answers=tmp_path / "a.toml", say=lambda line: None) == 0
    assert "A1,post,bbt,blocks,right,,40\n" in (tmp_path / "study" / "totals.csv").read_text()


# Form of the file: CDISC ODM 1.3, by its element names; people and values are invented.
EXCHANGED = """
<Study OID="S"><MetaDataVersion OID="M">
 <StudyEventDef OID="E1" Name="pre"/>
 <ItemDef OID="I.SEX" Name="Sex" DataType="integer"><Description> Sex at
 birth </Description><CodeListRef CodeListOID="C.SEX"/></ItemDef>
 <ItemDef OID="I.BBT" Name="BBT R" DataType="integer">
 <Question><TranslatedText>Blocks, right</TranslatedText></Question>
 </ItemDef>
 <CodeList OID="C.SEX"><Description/><CodeListItem CodedValue="1">
 <Decode><TranslatedText>female</TranslatedText></Decode>
 </CodeListItem><EnumeratedItem CodedValue="2"/></CodeList>
</MetaDataVersion></Study>
<ClinicalData><SubjectData SubjectKey="P1"><StudyEventData StudyEventOID="E1"><FormData FormOID="F">
 <ItemGroupData
 ItemGroupOID="G"><AuditRecord/><ItemData ItemOID="I.SEX" Value="1"/>
 <ItemDataInteger ItemOID="I.BBT">21</ItemDataInteger>
 <ItemData ItemOID="I.EXTRA" IsNull="Yes" Value="9"/><ItemData ItemOID="I.NEW" Value="7"/></ItemGroupData></FormData>
</StudyEventData></SubjectData></ClinicalData>"""


def test_an_exchange_file_is_a_row_a_person_and_event_with_its_code_lists(tmp_path):
    path = tmp_path / "w.xml"
    path.write_text(ODM.format("ODM", EXCHANGED), encoding="utf-8")
    (page,) = exchange_pages(path)
    rows = {(cell.row, cell.column): cell.text for cell in page.cells.values()}
    assert [rows[1, column] for column in range(1, 6)] == ["SubjectKey", "StudyEvent", "I.SEX", "I.BBT", "I.NEW"]
    assert [rows[2, column] for column in range(1, 6)] == ["P1", "pre", "1", "21", "7"]  # what is null is nothing
    assert page.variables[3].codes == {"1": "female", "2": "2"}
    assert page.variables[4].label == "Blocks, right"
    assert page.variables[3].label == "Sex at birth"  # without the element that names its language
