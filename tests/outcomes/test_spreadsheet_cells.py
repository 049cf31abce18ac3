"""No table that the kit writes holds a cell that a spreadsheet program would compute."""

import csv

import openpyxl
import pytest

from outcomes import StudyError, check, read_study
from outcomes.new_study.blank_folder import new_study
from outcomes.spreadsheet_cells import like_a_formula, safe_cell

# Texts of the kind that OWASP lists under CSV Injection, with harmless content.
PROBES = (
    "=1+1", "+1+1", "-1+1", "@SUM(1)", "\t=1+1", "\r=1+1", "=HYPERLINK(\"http://example.org\",\"x\")", "＝1+1",
    "-a", "+", "=", "-", "@home", "- 3", "-0.5 to 0.2",
)  # fmt: skip


@pytest.mark.parametrize("text", PROBES)
def test_a_text_like_a_formula_is_made_harmless(text):
    assert like_a_formula(text)
    safe = str(safe_cell(text))
    assert not like_a_formula(safe)
    assert safe in (f"'{text}", f"\N{MINUS SIGN}{text[1:]}")


PLAIN = ["-0.5", "+3", "-1e-5", "-.5", -0.5, 3, None, True, "", "a=b", "P-01", "\N{MINUS SIGN}1 to 2"]


@pytest.mark.parametrize("value", PLAIN)
def test_numbers_and_plain_texts_stay(value):
    assert safe_cell(value) is value


def test_sheets_of_a_new_study_hold_no_formula(tmp_path):
    new_study(tmp_path / "study", title="=1+1", participants=["P01"], sheets="workbook")
    book = openpyxl.load_workbook(tmp_path / "study" / "study.xlsx")
    cells = [cell for page in book for row in page.iter_rows() for cell in row]
    assert not [cell for cell in cells if cell.data_type == "f"]
    with (tmp_path / "study" / "data_dictionary.csv").open(encoding="utf-8-sig", newline="") as file:
        assert not [cell for row in csv.reader(file) for cell in row if like_a_formula(cell)]


@pytest.mark.parametrize("given", [{"participants": ["=P01"]}, {"arms": ["-a", "b"]}, {"visits": [("@w0", 0)]}])
def test_a_code_like_a_formula_is_refused_for_a_new_study(given, tmp_path):
    with pytest.raises(StudyError, match="begins like a formula"):
        new_study(tmp_path / "study", sheets="workbook", **given)


@pytest.mark.parametrize("code", ["=P01", "+1", "-1", "@P01"])
def test_a_participant_code_like_a_formula_is_an_error(code, make_draft, tmp_path):
    draft = make_draft(small=True)
    for table in draft.tables:
        draft.change(table, "participant", code, participant="P01")
    findings = check(read_study(draft.write(tmp_path)))
    hit = findings.frame().query("rule == 'participant code like a formula'")
    assert set(hit["severity"]) == {"error"}
    assert {"participants.csv", "totals.csv", "trials.csv"} <= set(hit["file"])


def test_tables_of_a_report_are_written_harmless(tmp_path):
    from notebooks.report.make import _write_csv

    _write_csv({"=name": ["=1+1", "-0.5 to 0.2", "-3"], "estimate": [-0.5, 1.0, None]}, tmp_path / "table.csv")
    with (tmp_path / "table.csv").open(encoding="utf-8", newline="") as file:
        assert list(csv.reader(file)) == [
            ["'=name", "estimate"], ["'=1+1", "-0.5"], ["\N{MINUS SIGN}0.5 to 0.2", "1.0"], ["-3", ""],
        ]  # fmt: skip
