"""Reading a folder: what it refuses, what it keeps as typed, how it resolves names and sides."""

from pathlib import Path

import pandas as pd
import pytest

from outcomes import StudyError, check, read_study, score

STUDIES = Path(__file__).resolve().parents[2] / "studies"


def refusal(folder) -> str:
    with pytest.raises(StudyError) as error:
        read_study(folder)
    message = str(error.value)
    # The four parts: what is wrong and where, found, allowed, what to do.
    assert "allowed" in message
    assert message.rstrip().endswith((".", "'."))
    return message


def test_no_folder(tmp_path):
    assert "there is no such study folder" in refusal(tmp_path / "nowhere")


def test_an_empty_folder(tmp_path):
    assert "the study folder is empty: found no file" in refusal(tmp_path)


def test_a_folder_without_protocol(draft, tmp_path):
    folder = draft.write(tmp_path)
    (folder / "study.toml").unlink()
    assert "study.toml is missing" in refusal(folder)


def test_a_folder_without_participants(draft, tmp_path):
    del draft.tables["participants"]
    assert "participants is missing: found adverse_events, angles, " in refusal(draft.write(tmp_path))


def test_a_folder_without_measurements(draft, tmp_path):
    for name in ("items", "totals", "trials", "angles"):
        del draft.tables[name]
    said = refusal(draft.write(tmp_path))
    assert "there are no measurements: found adverse_events, " in said
    assert "participants, " in said
    assert "allowed is one or more of items, totals, trials, angles" in said


def test_sheets_without_rows(draft, tmp_path):
    for name in ("items", "totals", "trials", "angles"):
        draft.tables[name] = draft.tables[name].iloc[:0]
    assert "no measurement: found 0 rows" in refusal(draft.write(tmp_path))
    draft.tables["participants"] = draft.tables["participants"].iloc[:0]
    assert "no participant: found 0 rows" in refusal(draft.write(tmp_path))


def test_cells_are_kept_as_typed_beside_what_they_were_read_as(draft, tmp_path):
    draft.set("totals", 2, "value", "23,5").set("totals", 3, "value", "Refused").set("totals", 4, "value", "abc")
    totals = read_study(draft.write(tmp_path)).totals
    assert list(totals["typed"][:4]) == ["23,5", "Refused", "abc", "9"]
    assert totals["value"][0] == 23.5
    assert totals["value"][1:3].isna().all()
    assert list(totals["code"][:4]) == ["", "refused", "", ""]
    assert list(totals["row"][:4]) == [2, 3, 4, 5]


def test_row_numbers_are_those_of_the_file_even_after_blank_rows(draft, tmp_path):
    lines = draft.tables["totals"].to_csv(index=False).splitlines()
    blank = "," * lines[0].count(",")
    draft.raw["totals.csv"] = "\n".join([*lines[:3], blank, blank, *lines[3:], blank, blank]).encode()
    study = read_study(draft.write(tmp_path))
    assert list(study.totals["row"][:4]) == [2, 3, 6, 7]
    assert study.rows_read["totals"] == len(lines) - 1 + 2  # the two at the end are no rows


def test_a_line_break_inside_a_quoted_cell_does_not_shift_rows(draft, tmp_path):
    draft.set("visits", 2, "reason", "late,\nbus broke down")
    study = read_study(draft.write(tmp_path))
    assert list(study.visits["row"][:3]) == [2, 3, 4]


def test_sides_named_by_the_affected_side_and_blank_sides(draft, tmp_path):
    # P01 is affected on the left, P02 on the right (rows 2 and 8 are their first Box and Block scores).
    draft.set("totals", 2, "side", "Affected").set("totals", 8, "side", "less affected").set("totals", 4, "side", "")
    totals = read_study(draft.write(tmp_path)).totals.set_index("row")
    assert totals.loc[2, "side"] == "left"
    assert totals.loc[8, "side"] == "left"
    assert totals.loc[4, "side"] == "left"
    assert totals.loc[3, "side"] == ""  # a measure without sides stays without


def test_grades_in_words_are_answers(draft, tmp_path):
    draft.append(
        "items", participant="P01", visit="base", instrument="mas", side="left", item="elbow_flexors", value="1+"
    )
    study = read_study(draft.write(tmp_path))
    answer = study.items.iloc[-1]
    assert (answer["value"], answer["typed"], answer["code"]) == (1.5, "1+", "")
    assert "text in a number" not in set(check(study).frame()["rule"])


def test_a_second_rater_is_kept_apart_and_compared(draft, tmp_path):
    for row in draft.where("items", participant="P01", visit="base", instrument="arat"):
        draft.repeat("items", row, rater="R2")
    last = len(draft.tables["items"]) + 1
    draft.set("items", last, "value", "3")
    expected = score(read_study(draft.write(tmp_path / "one")))
    assert expected.loc[expected["outcome"] == "arat.total", "value"].isna().any()  # twice: scored as neither
    draft.replace("seed = 1", 'seed = 1\nscored_raters = ["R1"]')
    study = read_study(draft.write(tmp_path / "two"))
    scores = score(study)
    assert scores.loc[scores["outcome"] == "arat.total", "value"].notna().all()
    from outcomes.checks.scores.ratings import compare_ratings

    pairs = compare_ratings(study)
    assert len(pairs) == 19
    assert pairs["difference"].sum() == 1
    assert set(pairs["second_rater"]) == {"R2"}
    assert not check(study).blocking


def test_stroke_recovery_is_read_whole_and_clean():
    study = read_study(STUDIES / "stroke_recovery")
    assert (len(study.participants), len(study.totals)) == (24, 192)
    assert not check(study).blocking
    source = pd.read_csv(STUDIES.parent / "reference" / "data" / "stroke_recovery.csv")
    assert sorted(study.totals["value"]) == sorted(source["barthel"])
    people = study.participants.groupby("arm")["participant"].count()
    assert people.to_dict() == {"A": 8, "B": 8, "C": 8}


def test_five_person_cohort_is_read_whole_and_says_that_sides_are_unknown():
    study = read_study(STUDIES / "five_person_cohort")
    findings = check(study)
    assert len(study.totals) == 60
    assert not findings.blocking
    assert set(findings.frame()["rule"]) == {"side unknown"}
    # Published means and SDs (PMC4268358, Table 5); the Purdue pre-test SD is printed as 2.30, the scores give 3.54.
    published = {
        ("fma_ue", "pre"): (44, 16.22), ("fma_ue", "post"): (51.6, 10.74), ("fma_ue", "followup"): (50.8, 14.31),
        ("bbt", "pre"): (21, 13.84), ("bbt", "post"): (24.6, 21.17), ("bbt", "followup"): (23.8, 18.65),
        ("sis", "pre"): (64.6, 10.67), ("sis", "post"): (68.4, 7.83), ("sis", "followup"): (64.6, 11.95),
        ("purdue", "pre"): (3, 3.54), ("purdue", "post"): (3.2, 3.83), ("purdue", "followup"): (2.4, 2.88),
    }  # fmt: skip
    groups = study.totals.groupby(["instrument", "visit"])["value"]
    for key, (mean, sd) in published.items():
        values = groups.get_group(key)
        # The table prints two decimals.
        assert values.mean() == pytest.approx(mean, abs=0.005)
        assert values.std(ddof=1) == pytest.approx(sd, abs=0.005)


def test_conversions_in_columns_of_the_study_and_in_onsets_are_found(draft, tmp_path):
    people = draft.tables["participants"]
    people["height"] = "1.80"
    draft.set("participants", 2, "height", "1,75").set("participants", 3, "onset", "14.06.2024")
    study = read_study(draft.write(tmp_path))
    assert list(study.participants["height"][:2]) == [1.75, 1.8]
    found = check(study).frame()
    told = found.set_index("rule")["allowed"]
    assert set(told.index) == {"decimal comma read", "date read day first", "decimal marks mixed"}
    assert told["decimal comma read"] == "read as 1.75"
    assert told["date read day first"] == "read as 2024-06-14"
