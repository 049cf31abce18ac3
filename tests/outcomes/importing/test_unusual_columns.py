"""Columns, lines and sheets that only their surroundings explain, and meanings that somebody typed in import.toml.

People and values are invented; what each layout means is stated by hand. How clinics lay out their tables: common
practice, no source.
"""

import pandas as pd
import pytest

from outcomes.errors import StudyError
from outcomes.importing import propose
from outcomes.importing.finding.mapping import meaning_of, text_of
from tests.outcomes.importing.test_any_answer import book, line
from tests.outcomes.importing.test_code_books import accounts, asked, changed, everybody, imported, table


def people(proposal, *names):
    return {p["participant"]: tuple(p[name] for name in names) for p in proposal.described.participants}


def numbers(*, first=20, step=10, count=1):
    """Columns of A1 to A6: 21 to 26, 31 to 36, ..."""
    return [lambda n, k=k: first + step * k + n for k in range(count)]


# Sheets, and what is converted of A1 (or P01): by outcome, hand and visit.
SHEETS = {
    "a title names the test": (
        {"Data": [["Box and Block Test"], ["ID", "Sex", "Total R pre", "Total L post"],
                  *([f"A{n}", "f", 20 + n, 30 + n] for n in range(1, 7))]},
        {"bbt.blocks right pre": "21", "bbt.blocks left post": "31"}),
    "visits in a line of their own over the columns": (
        {"Data": [[None, None, "pre", None, None, "post"], ["ID", "Age", "BBT R", "BBT L", None, "BBT R"],
                  *([f"A{n}", 50, 20 + n, 30 + n, None, 40 + n] for n in range(1, 7))]},
        {"bbt.blocks right pre": "21", "bbt.blocks left pre": "31", "bbt.blocks right post": "41"}),
    "a column without a heading carries no visit on": (
        {"Data": [[None, None, None, None, "post"], ["ID", "Age", None, "BBT R pre", "BBT R"],
                  *([f"A{n}", 50, "x", 20 + n, 30 + n] for n in range(1, 7))]},
        {"bbt.blocks right pre": "21", "bbt.blocks right post": "31"}),
    "a note beside a table whose codes have no heading": (
        {"Data": [["checked", None, None, "BBT R pre", "BBT L pre"],
                  *([None, None, f"A{n}", 20 + n, 30 + n] for n in range(1, 7))]},
        {"bbt.blocks right pre": "21", "bbt.blocks left pre": "31"}),
    "units below the headings": (
        {"Data": [["ID", "Grip R pre", "Grip L pre"], [None, "kg", "kg"],
                  *([f"A{n}", 20 + n, 30 + n] for n in range(1, 7))]},
        {"grip.force right pre": "21", "grip.force left pre": "31"}),
    "two tables side by side, one longer": (
        {"Data": [["ID", "Sex", "BBT R pre"],
                  *([f"A{n}", "f", 20 + n, None, *(["ID", "Age", "ARAT pre"], [f"A{n - 2}", 50, n])[n > 2]]
                    if n > 1 else [f"A{n}", "f", 20 + n] for n in range(1, 7))]},
        {"bbt.blocks right pre": "21", "arat.total pre": "3"}),
    "means, people and a visit in blocks below the table": (
        {"Data": [["ID", "BBT R", "BBT L"], ["pre"], *([f"A{n}", 20 + n, 30 + n] for n in range(1, 4)), [],
                  *([f"A{n}", 20 + n, 30 + n] for n in range(4, 7)), [], ["post"],
                  *([f"A{n}", 40 + n, 50 + n] for n in range(1, 7)), ["Mean", 44, 54], ["closed in May"]]},
        {"bbt.blocks right pre": "21", "bbt.blocks left pre": "31", "bbt.blocks right post": "41",
         "bbt.blocks left post": "51"}),
    "a person a sheet, the test in the corner": (
        {f"A{n}": [["Grip (kg)", "pre", "post"], ["right", 20 + n, 30 + n], ["left", 40 + n, 50 + n]]
         for n in range(1, 7)},
        {"grip.force right pre": "21", "grip.force left pre": "41", "grip.force right post": "31",
         "grip.force left post": "51"}),
    "a person a sheet in two columns, the code spelled as it comes": (
        {"People": line(("Sex",), lambda n: "f")}
        | {f"a 0{n}": [["BBT R pre", 20 + n], ["BBT R post", 30 + n]] for n in range(1, 7)},
        {"bbt.blocks right pre": "21", "bbt.blocks right post": "31"}),
    "codes only where they change": (
        {"Data": [["ID", "Visit", "BBT R"],
                  *([f"A{n}" if k == 0 else None, visit, 20 + 10 * k + n] for n in range(1, 7)
                    for k, visit in enumerate(("pre", "post")))]},
        {"bbt.blocks right pre": "21", "bbt.blocks right post": "31"}),
    "a column for the trial holds for forces only": (
        {"Data": [["ID", "Visit", "Trial", "Grip R (kg)", "BBT R"],
                  *([f"A{n}", "pre", trial, 20 + 10 * trial + n, n] for n in range(1, 7) for trial in (1, 2))]},
        {"grip.1 right pre": "31", "grip.2 right pre": "41", "bbt.blocks right pre": "1"}),
    "a mean and a total beside the trials": (
        {"Data": line(("Grip R 1 (kg) pre", "Grip R 2 (kg) pre", "Grip R pre (kg)", "Grip R mean pre (kg)"),
                      *numbers(count=4))},
        {"grip.1 right pre": "21", "grip.2 right pre": "31"}),
    "parts of a test on its own sheet": (
        {"ARAT": line(("Sex", "Grasp pre", "Grip pre", "Pinch pre"), lambda n: "f", *numbers(first=0, step=3, count=3)),
         "SIS": line(("Sex", "Hand pre"), lambda n: "f", *numbers()),
         "BBT": line(("Sex", "Score"), lambda n: "f", *numbers())},
        {"arat.grasp pre": "1", "arat.grip pre": "4", "arat.pinch pre": "7", "sis.hand pre": "21",
         "bbt.blocks pre": "21"}),
    "months by a letter": (
        {"Data": line(("Sex", "FMUE_bl", "FMUE_m3"), lambda n: "f", *numbers(count=2))},
        {"fma_ue.motor bl": "21", "fma_ue.motor m3": "31"}),
    "a hand that is not the affected one": (
        {"Data": line(("Sex", "BBT hemiparetic pre", "BBT not hemiparetic pre"), lambda n: "f", *numbers(count=2))},
        {"bbt.blocks affected pre": "21", "bbt.blocks other pre": "31"}),
    "visits told in words": (
        {"Data": line(("Sex", "BBT R before the training", "BBT R FU 2", "BBT R FU 3 months", "ARAT week 6 day 42",
                       "Grip R test 1 (kg) +6 weeks", "Grip R test 2 (kg) +6 weeks"), lambda n: "f",
                      *numbers(step=5, count=6))},
        {"bbt.blocks right before the training": "21", "bbt.blocks right FU 2": "26", "bbt.blocks right FU": "31",
         "arat.total week 6": "36", "grip.1 right +6 weeks": "41", "grip.2 right +6 weeks": "46"}),
}  # fmt: skip


def read_as_meant(path, wanted, *, assumed):
    """Imports six people; of the first, `wanted` is converted, and nothing is asked but what is `assumed`."""
    proposal = imported(path)
    first = next(iter(people(proposal)))
    assert {key: values[first] for key, values in table(proposal).items() if first in values} == wanted
    assert len(people(proposal)) == 6
    assert not proposal.done.findings
    assert not [name for name in asked(proposal) if not name.startswith(("visit_days", "primary", *assumed))]
    return proposal


@pytest.mark.parametrize("what", SHEETS)
def test_a_table_is_read_as_its_layout_means_it(what, tmp_path):
    sheets, wanted = SHEETS[what]
    proposal = read_as_meant(book(tmp_path / "w.xlsx", sheets), wanted, assumed=())
    assert set(people(proposal)) == {f"A{n}" for n in range(1, 7)}


def test_a_heading_merged_over_two_lines(tmp_path):
    rows = [["ID", "BBT", "ARAT"], [None, "R pre", "pre"], *([f"A{n}", 20 + n, 30 + n] for n in range(1, 7))]
    path = changed(book(tmp_path / "w.xlsx", {"Data": rows}), lambda opened: opened["Data"].merge_cells("A1:A2"))
    assert table(imported(path)) == {
        "bbt.blocks right pre": everybody(lambda n: 20 + n),
        "arat.total pre": everybody(lambda n: 30 + n),
    }


def test_hidden_columns_of_people_wait(tmp_path):
    rows = [["ID", "A1", "A2", "A3"], ["BBT L pre", 1, 2, 3], ["ARAT pre", 4, 5, 6]]

    def hide(opened):
        opened["Data"].column_dimensions["B"].width = 30
        opened["Data"].column_dimensions["C"].hidden = True

    proposal = imported(changed(book(tmp_path / "w.xlsx", {"Data": rows}), hide))
    assert "hidden_data_a2" in asked(proposal)
    assert table(proposal) == {"bbt.blocks left pre": {"A1": "1", "A3": "3"}, "arat.total pre": {"A1": "4", "A3": "6"}}


def test_values_of_nobody_are_findings(tmp_path):
    """A line without a code, a form without one, a table of visits alone, a sheet with nothing but a note."""
    sheets = {
        "Data": [*line(("Sex", "BBT R pre"), lambda n: "f", *numbers()), [None, "m", 44]],
        "Form": [["Participant", "A7"], ["Age", 50], [], ["Participant", None], ["Age", 51], [],
                 ["Test", "pre", "post"], ["BBT R", 20, 30], ["BBT L", 21, 31]],
        "Visits": [["Visit", "BBT R", "ARAT"], ["pre", 20, 30], ["post", 22, 33], [], ["Mean", 1, 2]],
        "Later": [["ID", "BBT R post"], ["see the other book for values"]],
    }  # fmt: skip
    proposal = imported(book(tmp_path / "w.xlsx", sheets))
    assert table(proposal)["bbt.blocks right pre"] == everybody(lambda n: 20 + n)
    assert people(proposal, "age")["A7"] == ("50",)
    said = {entry["place"]: entry["what"] for entry in proposal.done.findings}
    lost = ("Data!C8", "Form!B8", "Form!C8", "Form!B9", "Form!C9", "Visits!B2", "Visits!C3")
    assert {said.get(place) for place in lost} == {"the line has no participant"}
    account = accounts(proposal)
    assert account["Form!B5"] == ("set aside", "a line without a participant and without values")
    assert account["Later!A2"] == ("set aside", "note below the table")
    assert account["Visits!B5"][0] == "remark"


LONG = [["ID", "Visit", "Test", "Item", "Value"]]
for person in range(1, 4):
    for when in ("pre", "post"):
        LONG += [[f"A{person}", when, test, item, value] for test, item, value in (
            ("BBT right", None, 20 + person), ("FMA", "total", 30 + person), ("FMA", 3, person % 3),
            (None, "ARAT", 40 + person), ("Moon test", None, 5), ("NHPT right", None, None))]  # fmt: skip


def test_a_long_table_names_score_item_and_test_in_its_lines(tmp_path):
    proposal = imported(book(tmp_path / "w.xlsx", {"Data": LONG}))
    found = table(proposal)
    # The third item of the Fugl-Meyer form is read by its place in the form.
    item = next(key for key in found if key.startswith("fma_ue.") and key.endswith("pre") and "motor" not in key)
    assert found.pop(item) == {"A1": "1", "A2": "2", "A3": "0"}
    assert {key: values["A2"] for key, values in found.items() if key.endswith("pre")} == {
        "bbt.blocks right pre": "22", "fma_ue.motor pre": "32", "arat.total pre": "42",
    }  # fmt: skip
    moon = [address for address, (_, why) in accounts(proposal).items() if why == "no instrument of the catalogue"]
    assert len(moon) == 6
    assert "measure_moon_test" in {question.id for question in proposal.questions}


def test_lines_without_a_date_keep_no_visit_where_dates_are_the_visits(tmp_path):
    rows = [["ID", "Test day", "BBT aff"]]
    undated = {(2, 2): None, (3, 2): "soon"}  # person, month
    rows += [[f"A{n}", undated.get((n, month), f"2024-0{month}-1{n}"), 10 * month + n]
             for n in range(1, 6) for month in (3, 1, 2)]  # fmt: skip
    path = book(tmp_path / "w.xlsx", {"Data": rows})
    found = imported(path, {"visit_column_data": "the order of the dates"})
    assert "visit_of_data" in asked(found)
    assert table(found)["bbt.blocks 1"]["A2"] == "12"
    assert {accounts(found)[f"Data!C{row}"] for row in (7, 10)} == {("held", "question visit_of_data")}
    refused = imported(path, {"visit_column_data": "the moon"})
    assert "found 'the moon'" in next(q for q in refused.open if q.id == "visit_column_data").problem
    assert not refused.done.rows


def numbered(*headings, value):
    return line(("BBT pre", *map(str, headings)), lambda n: 20 + n, *[lambda n, k=k: value(n, k) for k in headings])


# Numbered columns: sheet, question, answer, and what is converted of A1 once it is answered.
NUMBERED = {
    "visits": (line(("Sex", "BBT R 1", "BBT R 2"), lambda n: "f", *numbers(count=2)), "numbers_bbt", "visits",
               {"bbt.blocks right 1": "21", "bbt.blocks right 2": "31"}),
    "one number is no visit": (line(("Sex", "BBT R 1"), lambda n: "f", *numbers()), "", "", {"bbt.blocks right": "21"}),
    "a form under no name": (numbered(*range(1, 6), value=lambda n, k: 1 + n % 5), "instrument_data", "ssqol", None),
    "no form has such answers": (numbered(*range(1, 6), value=lambda n, k: 11 * n + k), "what_is_3", "leave out",
                                 {"bbt.blocks pre": "21"}),
    "a letter that is no month": (line(("Sex", "FMUE m x3"), lambda n: "f", *numbers()), "column_fmue_m_x3",
                                  "leave out", {}),
    "one month alone is none": (line(("Sex", "FMUE m1"), lambda n: "f", *numbers()), "column_fmue_m1", "leave out", {}),
    "more than the form has": (line(("Sex", "FMA 40 pre"), lambda n: "f", lambda n: n % 3), "items_fma_ue", "leave out",
                               {}),
    "a word nobody knows": (line(("Sex", "Zork L pre", "Zork L post"), lambda n: "f", *numbers(count=2)),
                            "what_is_zork", "Box and Block",
                            {"bbt.blocks left pre": "21", "bbt.blocks left post": "31"}),
    "a score of no test": (line(("Sex", "Score"), lambda n: "f", *numbers()), "what_is_score", "ARAT",
                           {"arat.total": "21"}),
    "a misspelt name": (line(("Sex", "Box an Bloks R pre"), lambda n: "f", *numbers()), "", "",
                        {"bbt.blocks right pre": "21"}),
    "a test without values": (line(("Test", "BBT R pre"), lambda n: "first", *numbers()), "", "",
                              {"bbt.blocks right pre": "21"}),
}  # fmt: skip


@pytest.mark.parametrize("what", NUMBERED)
def test_a_number_or_word_that_may_mean_several_things_is_asked(what, tmp_path):
    rows, question, answer, wanted = NUMBERED[what]
    path = book(tmp_path / "w.xlsx", {"Data": rows})
    before = imported(path)
    if not question:
        assert not [q for q in before.open if q.kind == "ask"]
    else:
        assert question in asked(before)
        assert any(why == f"question {question}" for _, why in accounts(before).values())
    after = imported(path, {question: answer})
    assert question not in asked(after)
    found = {key: values["A1"] for key, values in table(after).items()}
    if wanted is None:
        assert len([key for key in found if key.startswith(answer)]) == 5
    else:
        assert {key.removesuffix(" Baseline"): value for key, value in found.items()} == wanted


def test_an_answer_that_names_no_instrument_leaves_the_column_waiting(tmp_path):
    path = book(tmp_path / "w.xlsx", {"Data": line(("Sex", "Zork pre"), lambda n: "f", *numbers())})
    proposal = imported(path, {"what_is_zork": "moon stones"})
    assert "found 'moon stones'" in next(q for q in proposal.open if q.id == "what_is_zork").problem
    assert accounts(proposal)["Data!C2"] == ("held", "question what_is_zork")


def test_an_item_beyond_the_form_is_a_finding(tmp_path):
    path = book(tmp_path / "w.xlsx", {"Data": line(("Sex", "FMA 70 pre"), lambda n: "f", lambda n: n % 3)})
    assert {entry["what"] for entry in imported(path).done.findings} == {"no item 70 in fma_ue"}


def test_a_column_of_hands_is_the_tested_or_the_affected_one(tmp_path):
    tested = {"Data": line(("Arm", "BBT pre", "Sex", "Gender"), lambda n: "RL"[n % 2], *numbers(), lambda n: "",
                           lambda n: "fm"[n % 2])}  # fmt: skip
    proposal = imported(book(tmp_path / "w.xlsx", tested))
    assert table(proposal)["bbt.blocks left pre"] == {"A1": "21", "A3": "23", "A5": "25"}
    assert people(proposal, "sex")["A2"] == ("female",)  # of two columns the one that holds something
    described = {"People": line(("Age", "Arm", "Condition"), lambda n: 50, lambda n: "RL"[n % 2], lambda n: "stroke")}
    measured = line(("BBT pre", "Condition"), *numbers(), lambda n: "sunny")
    proposal = imported(book(tmp_path / "v.xlsx", described | {"Data": measured}))
    assert people(proposal, "affected_side", "diagnosis")["A1"] == ("left", "stroke")
    assert table(proposal) == {"bbt.blocks affected pre": everybody(lambda n: 20 + n)}
    assert accounts(proposal)["Data!C2"] == ("set aside", "not recognised")


def test_codes_are_made_alike_only_where_they_are_the_same_code(tmp_path):
    """Case, blanks, hyphens and zeros may differ; other letters or more parts are another person."""
    for codes, typed, wanted in (
        (("HB07", "HB08", "HB09"), ("hb 7", "HB-08", "hb 10", "x9"), {"HB07", "HB08", "HB09", "HB10", "x9"}),
        (("HB7", "HB8", "HB12"), ("hb 7", "hb-9", 12), {"HB7", "HB8", "HB9", "HB12", "12"}),
    ):
        sheets = {"People": [["ID", "Sex"], *([code, "f"] for code in codes)],
                  "Data": [["ID", "BBT R pre", "BBT L pre"], *([code, 1, 2] for code in typed)]}  # fmt: skip
        assert set(people(imported(book(tmp_path / "w.xlsx", sheets)))) == wanted


def test_codes_with_a_decimal_point_are_the_whole_numbers(tmp_path):
    (tmp_path / "a.csv").write_text("ID,Sex,BBT R pre\n1.0,f,20\n2.0,m,21\n3.0,f,22\n")
    (tmp_path / "b.csv").write_text("ID,Age,BBT L pre\n1,50,30\n2,51,31\n3,52,32\n")
    proposal = propose([tmp_path / "a.csv", tmp_path / "b.csv"])
    assert people(proposal, "sex", "age") == {"1": ("female", "50"), "2": ("male", "51"), "3": ("female", "52")}
    assert "leading_zeros" not in {question.id for question in proposal.questions}


def test_a_table_of_a_program_holds_truths_times_and_blanks(tmp_path):
    frame = pd.DataFrame(
        {"ID": ["A1", "A2", "A3"], "BBT R pre": [20.0, float("nan"), 21.5], "Done": [True, False, True],
         "Started": [pd.Timestamp("2024-01-02 09:30").time()] * 3}
    )  # fmt: skip
    frame.to_parquet(tmp_path / "w.parquet")
    proposal = propose([tmp_path / "w.parquet"])
    assert table(proposal)["bbt.blocks right pre"].keys() >= {"A1", "A3"}
    shown = {row["cell"].split("!")[1]: row["found"] for row in proposal.ledger.rows()}
    assert (shown["C2"], shown["C3"], shown["D2"], shown["B4"]) == ("yes", "no", "09:30", "21.5")
    assert "B3" not in shown


# Lines of import.toml, and what they make of the column of A1, whose value is 1; None: nothing is converted.
TYPED = {
    "total bbt.blocks; side right; visit pre": "bbt.blocks right pre",
    "total bbt; side left; visit pre": "bbt.blocks left pre",
    "item fma_ue.a2_elbow_flexion; visit pre; side left": "fma_ue.a2_elbow_flexion left pre",
    "item quickdash.2; visit pre": None,
    "trial 2 of grip; side left; unit kgf; visit post": "grip.2 left post",
    "angle index mcp flexion; side right; mode active; visit week 6": "index mcp flexion active right week 6",
    "total grip.force; side right; unit kgf; stat best; visit moonrise": "grip.force right moonrise",
    "total arat.total; ; visit pre": "arat.total pre",
    "total foo.bar; visit pre": None,
    "remark": None,
    "left out": None,
    "": None,
}
WRONG = {
    "totl bbt.blocks": "found 'totl bbt.blocks', allowed total INSTRUMENT.SCALE",
    "total": "found 'total'",
    "total bbt.peace": "allowed are the scores blocks of bbt",
    "item fma_ue.peace": "allowed is an item of fma_ue by its id",
    "total bbt.blocks; hand left": "found 'hand left', allowed visit, side",
}


@pytest.mark.parametrize("typed", TYPED)
def test_a_meaning_typed_in_the_import_file_holds(typed, tmp_path):
    path = book(tmp_path / "w.xlsx", {"Data": line(("Sex", "BBT R pre"), lambda n: "f", lambda n: n % 3)})
    proposal = imported(path, columns={"Data": {"ID": "participant", "Sex": "sex", "BBT R pre": typed}})
    wanted = TYPED[typed]
    found = {key: values["A1"] for key, values in table(proposal).items()}
    status, why = accounts(proposal)["Data!C2"]
    if wanted:
        assert {key: float(value) for key, value in found.items()} == {wanted: 1.0}
    else:
        assert not found
        assert status in ("set aside", "remark", "finding", "held")
    assert (status == "finding") == ("foo" in typed)
    assert (why == "question items_quickdash") == ("quickdash" in typed)  # one item out of eleven: is that so?
    assert not [name for name in asked(proposal) if name.startswith("what_is")]  # somebody has said what it is


@pytest.mark.parametrize("typed", WRONG)
def test_a_meaning_that_is_none_is_refused(typed, tmp_path):
    path = book(tmp_path / "w.xlsx", {"Data": line(("Sex", "BBT R pre"), lambda n: "f", lambda n: n)})
    with pytest.raises(StudyError, match=r"import\.toml, Data, BBT R pre") as refused:
        propose([path], columns={"Data": {"ID": "participant", "Sex": "sex", "BBT R pre": typed}})
    assert WRONG[typed] in str(refused.value)


def test_a_meaning_is_written_as_it_is_read():
    texts = ("total bbt.blocks; visit pre; side right", "item fma_ue.a2_elbow_flexion; visit T0", "item mal.3", "sex",
             "left out", "trial 2 of grip; side left; unit kgf", "angle index mcp flexion; mode active")  # fmt: skip
    assert [text_of(meaning_of(text)) for text in texts] == list(texts)
