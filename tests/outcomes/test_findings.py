"""Findings as a frame, as text, and as a reason to stop."""

import pandas as pd
import pytest

from outcomes import Findings, StudyError, check, read_study
from outcomes.findings import FINDING_COLUMNS, flag, gathered


def test_nothing_found_is_an_empty_frame_with_the_columns():
    findings = Findings()
    assert tuple(findings.frame().columns) == FINDING_COLUMNS
    assert len(findings) == 0
    assert not findings.blocking
    assert findings.summary().empty
    assert str(findings) == "0 errors, 0 warnings, 0 notes."


def test_a_finding_reads_as_a_sentence_with_where_who_found_allowed_and_what_to_do(draft, tmp_path):
    draft.set("totals", 2, "value", "151")
    text = str(check(read_study(draft.write(tmp_path)))).splitlines()
    assert text[0] == "1 error, 1 warning, 0 notes."
    assert text[1] == (
        "totals.csv, row 2, column value, participant P01, visit base: the value is above the highest allowed: "
        "found bbt 151, allowed 0 to 150. Correct the cell, or write why there is no number."
    )


def test_errors_come_first_and_many_of_one_kind_are_counted(draft, tmp_path):
    for row in range(2, 12):
        draft.set("totals", row, "participant", "P99")
    draft.set("adverse_events", 2, "serious", "")
    findings = check(read_study(draft.write(tmp_path)))
    assert list(findings.frame()["severity"]) == sorted(
        findings.frame()["severity"], key=["error", "warning", "note"].index
    )
    assert sum("not in the participants sheet" in text for text in findings.paragraphs()) == 3
    assert "... and 7 more of the same kind (unknown participant; totals.csv)." in findings.paragraphs()
    summary = findings.summary().set_index("rule")
    assert summary.loc["unknown participant", "count"] == 10


def test_errors_stop_the_analysis_with_every_error_in_the_message(draft, tmp_path):
    draft.set("totals", 2, "value", "abc").set("participants", 3, "arm", "x")
    findings = check(read_study(draft.write(tmp_path)))
    with pytest.raises(StudyError) as error:
        findings.raise_if_blocking()
    message = str(error.value)
    assert message.startswith("2 findings block the analysis.")
    assert "found abc" in message
    assert "found x" in message


def test_warnings_do_not_stop_the_analysis(draft, tmp_path):
    draft.set("adverse_events", 2, "serious", "")
    findings = check(read_study(draft.write(tmp_path)))
    assert len(findings) == 1
    assert findings.raise_if_blocking() is findings


def test_text_is_safe_in_a_page(draft, tmp_path):
    draft.set("totals", 2, "participant", "<b>P01</b>")
    page = check(read_study(draft.write(tmp_path)))._repr_html_()
    assert "<b>P01" not in page
    assert "&lt;b&gt;P01" in page


def test_direct_identifiers_are_not_repeated(draft, tmp_path):
    draft.set("visits", 2, "reason", "call 030 1234567890")
    text = str(check(read_study(draft.write(tmp_path))))
    assert "address or telephone number" in text
    assert "1234567890" not in text


def test_the_same_finding_is_said_once():
    rows = pd.DataFrame({"row": [4], "participant": ["P1"], "visit": ["w0"]})
    once = flag("unknown visit", rows, file="a.csv", column="visit", found="w9", allowed="w0")
    assert len(Findings([once, once])) == 1


def test_an_unknown_rule_is_a_mistake_of_ours():
    with pytest.raises(KeyError):
        flag("no such rule")


def test_what_holds_for_many_cells_is_said_once_and_names_every_row():
    rows = pd.DataFrame({"row": [2, 3, 4, 7, 9], "participant": list("ABCDE"), "visit": "t0"})
    found = pd.Series(["affected", "affected", "affected", "affected", "other"])
    meant = pd.Series(["read as left"] * 2 + ["read as right"] + ["read as left"] * 2)
    said = gathered(flag("side read as", rows, file="totals.csv", column="side", found=found, allowed=meant))
    assert said["found"].tolist() == ["affected", "affected", "other"]
    assert said["row"].fillna(0).tolist() == [0, 4, 9]
    assert said["participant"].tolist() == ["", "C", "E"]
    assert said["advice"][0].endswith("In 3 rows: 2-3, 7.")
