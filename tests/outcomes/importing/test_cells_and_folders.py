"""What becomes of single measured cells, of doubtful lines, and what the study folder and the terminal say of it.

Small invented sheets; what a clinic would mean is stated by hand beside each. How clinics type such cells: common
practice, no source.
"""

import tomllib

import pytest

from outcomes.importing import convert, propose, run_import
from tests.outcomes.importing.test_settled_meanings import asked, became, book, lines, problem, proposed


def remarks(proposal):
    return [(entry["place"].split("!")[1], entry["remark"]) for entry in proposal.done.remarks]


def statuses(proposal):
    return {key: status for key, (status, _, _) in proposal.done.statuses.items()}


def one_cell(typed):
    """Blocks at two visits; the first person's second value is what was typed."""
    return {"Data": lines(("BBT R pre", "BBT R post"), lambda n: 20 + n, lambda n: typed if n == 1 else 30 + n)}


@pytest.mark.parametrize(
    ("typed", "mark", "answers", "cell", "kept"),
    [
        ("+25", "", {}, "25", []),
        ("-0,5", "", {}, "held: question value_bbt_blocks_0_5", []),
        ("did not attend", "", {}, "converted: visit missed", []),
        ("99x", "", {"cell_data_c2_99x": "missed"}, "converted: visit missed", []),
        ("99x", "", {"cell_data_c2_99x": "sore hand; NT"}, "not testable", ["x"]),
        ("31", "struck", {}, "held: question struck_data_c2", []),
        ("31", "struck", {"struck_data_c2": "keep"}, "31", []),
        ("31", "struck", {"struck_data_c2": "leave out"}, "set aside: struck through, answered: leave out", []),
        ("31", "again: 35", {"comment_data_c2": "the comment: 35"}, "35", ["again: 35"]),
        (None, "phoned her", {}, "remark: comment on a blank cell, kept", ["phoned her"]),
    ],
)
def test_one_cell_and_its_mark(typed, mark, answers, cell, kept, tmp_path):
    found = proposed(tmp_path, one_cell(typed), answers, marks=[("Data", "C2", mark)] if mark else ())
    assert became(found)["Data!C2"] == cell
    assert [remark for _, remark in remarks(found)] == kept
    assert (("A1", "post") in statuses(found)) == (cell == "converted: visit missed")
    assert became(found)["Data!C3"] == "32"


def test_a_comment_is_kept_where_the_visit_had_to_be_answered(tmp_path):
    sheet = {"Data": lines(("BBT R pre", "BBT R post", "ARAT"), 20, 30, lambda n: 40 + n)}
    found = proposed(tmp_path, sheet, {"visit_of_data_arat": "post"}, marks=[("Data", "D2", "on video")])
    assert [(entry["visit"], entry["remark"]) for entry in found.done.remarks] == [("post", "on video")]


def test_a_total_beside_its_items_is_none_where_it_is_no_number(tmp_path):
    items = [lambda n, k=k: (n + k) % 5 + 1 for k in range(11)]
    heads = (*(f"QuickDASH {k}" for k in range(1, 12)), "QuickDASH total")
    last = lambda n: {1: "=SUM(B2:L2)", 2: "see note"}.get(n, 40)  # noqa: E731 - one line of the sheet
    found = proposed(tmp_path, {"Data": lines(heads, *items, last)})
    account = became(found)
    assert account["Data!M2"].startswith("set aside: formula over the items")
    assert account["Data!M3"] == "set aside: text in a total beside its items"
    assert account["Data!M4"] == "40"
    assert remarks(found) == [("M3", "see note")]


def test_items_without_levels_and_a_grade_typed_as_a_word(tmp_path):
    load = lines(
        [f"Raw TLX {k} pre" for k in range(1, 7)],
        *[lambda n, k=k: 101 if (n, k) == (1, 1) else 10 * n for k in range(1, 7)],
    )
    tone = lines(("MAS 1 R pre", "MAS 2 R pre"), lambda n: "1+" if n == 1 else 1, 2)
    found = proposed(tmp_path, {"Load": load, "Tone": tone}, {"items_mas": "yes"})
    account = became(found)
    assert (account["Load!C2"], account["Load!B3"]) == ("10", "20")
    assert account["Load!B2"].startswith("held: question value_workload_raw_101")  # from 0 to 100
    assert (account["Tone!B2"], account["Tone!B3"]) == ("1+", "1")


YELLOW, GREEN, BLUE = "fill FFFF00", "fill 00FF00", "fill 0000FF"


def test_colours_mean_what_their_legend_says(tmp_path):
    rows = lines(("BBT R pre", "BBT R post"), lambda n: 20 + n, lambda n: None if n in (2, 3, 4) else 30 + n)
    rows += [[], ["legend"], ["did not attend"], ["not testable"], ["seen at home"]]
    marks = [
        ("C3", YELLOW),
        ("C4", GREEN),
        ("C5", BLUE),
        ("C2", BLUE),
        ("B2", YELLOW),
        ("A9", YELLOW),
        ("A10", GREEN),
        ("A11", BLUE),
    ]
    found = proposed(tmp_path, {"Data": rows}, marks=[("Data", *mark) for mark in marks])
    assert statuses(found) == {("A2", "post"): "missed"}
    assert [(row.cells["participant"], row.cells["value"]) for row in found.done.rows if not row.number] == [
        ("A3", "not testable")
    ]
    assert remarks(found) == [("C2", "seen at home")]
    assert became(found)["Data!C2"] == "31"
    assert not [name for name in asked(found) if name.startswith("colour")]


def test_a_line_of_a_long_table_without_a_value_says_why(tmp_path):
    rows = [["ID", "Visit", "Test", "Value", "Reason", "Status"]]
    rows += [[f"A{n}", name, "BBT left", 20 + n, None, None] for n in range(1, 7) for name in ("pre", "post")]
    changed = {2: ["machine broken", None], 4: [None, "did not attend"], 6: ["refused - sore", None],
               8: [None, "refused"], 10: [None, "rescheduled"]}  # fmt: skip
    for line, cells in changed.items():
        rows[line][3:] = [None, *cells]
    rows += [["A6", "post", "Zork", 3, None, None], ["A6", "screening", "BBT left", 3, None, None]]
    found = proposed(tmp_path, {"Data": rows}, marks=[("Data", "D9", "phoned her")])
    why = {row.cells["participant"]: row.cells["value"] for row in found.done.rows if not row.number}
    assert why == {"A1": "not done", "A3": "refused", "A4": "refused", "A5": "not done"}
    assert statuses(found) == {("A2", "post"): "missed"}
    assert remarks(found) == [("D3", "machine broken"), ("D7", "sore"), ("D9", "phoned her")]
    account = became(found)
    assert account["Data!D14"] == "set aside: no instrument of the catalogue"
    assert account["Data!D15"] == "set aside: measured at a visit outside the plan"
    assert asked(found)["measure_zork"].proposal == "leave out"


FLAGS = lines(
    ("BBT done", "Reason not done", "BBT R", "BBT L", "ARAT", "Grip done", "Grip R"),
    lambda n: {2: "no", 3: "no", 4: None, 5: "no", 6: "no"}.get(n, "yes"),
    lambda n: {2: "refused", 3: "too sore", 5: "declined: no time", 6: "refused"}.get(n),
    lambda n: None if n in (2, 3, 5) else 20 + n, lambda n: None if n in (2, 3) else 10 + n, lambda n: 30 + n,
    lambda n: "no" if n == 4 else "yes", lambda n: None if n == 4 else 20 + n, people=7,
)  # fmt: skip
ONE = {("A5", "right", "refused")}
TWO = {("A2", "right", "refused"), ("A2", "left", "refused")}


@pytest.mark.parametrize(
    ("answers", "written"),
    [
        ({}, ONE),
        ({"unit_grip_data": "kgf"}, ONE | {("A4", "right", "not done")}),
        ({"reason_covers_bbt": "all of them"}, ONE | TWO),
        ({"reason_covers_bbt": "all of them", "cell_too_sore": "perhaps"}, ONE | TWO),
        ({"reason_covers_bbt": "all of them", "cell_too_sore": "unable"},
         ONE | TWO | {("A3", "right", "unable"), ("A3", "left", "unable")}),
    ],
)  # fmt: skip
def test_a_reason_beside_the_test_holds_for_its_blank_cells(answers, written, tmp_path):
    found = proposed(tmp_path, {"Data": FLAGS}, answers)
    rows = [row.cells for row in found.done.rows if not row.number]
    assert {(row["participant"], row["side"], row["value"]) for row in rows} == written
    assert (("D4", "too sore") in remarks(found)) == (answers.get("cell_too_sore") == "unable")
    assert ("D6", "declined: no time") in remarks(found)
    assert bool(problem(found, "cell_too_sore")) == (answers.get("cell_too_sore") == "perhaps")


def test_a_reason_may_hold_for_the_affected_hand_only(tmp_path):
    flags = lines(("Affected side", "BBT done", "Reason not done", "BBT R", "BBT L"), lambda n: "RL"[n % 2],
                  lambda n: "no" if n in (2, 3) else "yes", lambda n: "refused" if n in (2, 3) else None,
                  lambda n: None if n in (2, 3) else 20, lambda n: None if n in (2, 3) else 10)  # fmt: skip
    found = proposed(tmp_path, {"Data": flags}, {"reason_covers_bbt": "the affected hand only"})
    rows = [row.cells for row in found.done.rows if not row.number]
    assert [(row["participant"], row["side"]) for row in rows] == [("A2", "right"), ("A3", "left")]


def test_a_reason_is_of_the_visit_that_its_column_names(tmp_path):
    heads = (
        "BBT done pre",
        "Reason",
        "BBT R pre",
        "BBT done post",
        "Reason",
        "BBT R post",
        "ARAT done",
        "Why not",
        "ARAT pre",
    )
    answers = {2: ("no", "refused", None, "yes", None, 31, "yes", None, 40),
               3: ("yes", None, 21, "no", "cannot", None, "no", "forgot it", None)}  # fmt: skip
    usual = ("yes", None, 20, "yes", None, 30, "yes", None, 41)
    rows = lines(heads, *[lambda n, k=k: answers.get(n, usual)[k] for k in range(9)])
    found = proposed(tmp_path, {"Data": rows})
    said = {(row.cells["participant"], row.visit.id): row.cells["value"] for row in found.done.rows if not row.number}
    assert said == {("A2", "pre"): "refused", ("A3", "post"): "unable"}
    # Of which visit "forgot it" is, the column of ARAT does not say.
    assert [(entry["participant"], entry["remark"]) for entry in found.done.remarks] == [
        ("A3", "cannot"),
        ("A3", "forgot it"),
    ]


def form(code, arat, *more):
    return [["Patient", code], ["Sex", "f"], ["Age", 50], [], ["Test", "pre", "post"], ["ARAT", arat, arat + 5], *more]


@pytest.mark.parametrize(
    ("answer", "cell", "differs"),
    [("", "held: question same_person_b", False), ("yes", "converted: participants, P1", True),
     ("no", "set aside: another person under the same code", False)],
)  # fmt: skip
def test_two_forms_with_one_code_wait_for_an_answer(answer, cell, differs, tmp_path):
    sheets = {
        "a": form("P1", 20, [], ["Patient", "P1"], ["Affected side", "R"]),
        "b": form("P1", 22),
        "c": form("P2", 30),
    }
    found = proposed(tmp_path, sheets, {"same_person_b": answer})
    assert became(found)["b!B2"] == cell
    assert ("differs_a_b" in asked(found)) == differs
    assert {row["affected_side"] for row in found.described.participants} == {"right", ""}
    assert not [name for name in asked(found) if name in ("same_person_a", "same_person_c")]


def test_a_code_unlike_the_others_and_lines_that_say_the_same_twice(tmp_path):
    spread = [["ID", "BBT R pre", "BBT R post"], *([f"A{n}", 20 + n, None] for n in range(1, 5)),
              *([f"A{n}", None, 30 + n] for n in range(1, 5)), ["spare", 9, 9], ["A5", 25, 35]]  # fmt: skip
    people = [["ID", "Age", "Sex"], *([f"A{n}", 50, "f"] for n in range(1, 6)), ["A1", 50, "F"], ["A2", 51, "f"]]
    found = proposed(tmp_path, {"Data": spread, "People": people}, {"person_spare": "leave out"})
    account = became(found)
    assert (account["Data!B2"], account["Data!C6"]) == ("21", "31")  # one person's values on two lines
    assert account["Data!B10"] == "set aside: no participant"
    assert account["People!B7"] == "set aside: the same line twice"
    assert account["People!B3"] == account["People!B8"] == "held: question twice_people_a2"


OPTIONS = lines(("MAS elbow flexors R pre", "NHPT R pre", "MRC R pre"), 1, lambda n: 20 + n, 3)


@pytest.mark.parametrize(
    ("answers", "written", "refused"),
    [
        ({}, None, set()),
        ({"option_mas_coding": "rank", "option_nhpt_ceiling_s": "120 s", "option_mrc_muscles": "deltoid, biceps"},
         {"mas": {"coding": "rank"}, "nhpt": {"ceiling_s": 120}, "mrc": {"muscles": ["deltoid", "biceps"]}}, set()),
        ({"option_nhpt_ceiling_s": "120.5"}, {"nhpt": {"ceiling_s": 120.5}}, set()),
        ({"option_mas_coding": "perhaps", "option_nhpt_ceiling_s": "60 or 120"}, None,
         {"option_mas_coding", "option_nhpt_ceiling_s"}),
    ],
)  # fmt: skip
def test_options_of_scoring_are_those_that_were_answered(answers, written, refused, tmp_path):
    found = proposed(tmp_path, {"Data": OPTIONS}, answers)
    assert tomllib.loads(found.study).get("instruments") == written
    assert {name for name, question in asked(found).items() if question.problem} == refused


def test_items_beyond_the_main_score_are_an_outcome_of_their_own(tmp_path):
    found = proposed(tmp_path, {"Data": lines(("FMA 1 pre", "FMA 40 pre"), 1, 2)}, {"items_fma_ue": "yes"})
    assert set(tomllib.loads(found.study)["outcomes"]) == {"fma_ue.motor", "fma_ue.passive_motion"}


@pytest.mark.parametrize(("states", "said"), [(("final", "draft"), True), (("final", "final"), False)])
def test_forms_that_are_not_final_are_used_and_said_so(states, said, tmp_path):
    found = proposed(tmp_path, {"Data": lines(("Form status", "BBT R pre"), lambda n: states[n % 2], 20)})
    assert ("state_form_status" in asked(found)) == said
    assert became(found)["Data!B2"] == "set aside: state of the form"
    assert len(found.done.rows) == 5


@pytest.mark.parametrize(("answer", "status"), [("", "held"), ("leave out", "set aside"), ("weights", "held")])
def test_numbers_of_nobody_stay_until_somebody_leaves_them_out(answer, status, tmp_path):
    strange = [["liste", "oktober"], *([f"frau {n}", 12 + n, 7.5] for n in range(5))]
    sheets = {"Data": lines(("Age", "BBT R pre"), 50, 20), "Extra": strange}
    found = proposed(tmp_path, sheets, {"table_extra_1": answer})
    assert became(found)["Extra!B3"].split(":")[0] == status
    assert bool(problem(found, "table_extra_1")) == (answer == "weights")


def test_an_answer_that_names_no_column_of_codes_is_refused(tmp_path):
    sheets = {"People": [["Löpnr", "Age"], *([n, 50 + n] for n in range(1, 6))],
              "Pre": [["Löpnr", "FMA-UE", "ARAT"], *([n, 20 + n, 30 + n] for n in range(1, 6))]}  # fmt: skip
    found = proposed(tmp_path, sheets, {"participant_column": "Nummer"})
    assert "allowed Löpnr" in problem(found, "participant_column")
    assert set(became(found).values()) == {"held: question participant_column"}


def test_questions_that_wait_behind_one_another_are_put_at_once(tmp_path):
    sheets = {
        f"Zentrum {name}": [
            ["Löpnr", "Vizsgálat", "Age", "BBT R"],
            *([n, visit, old + n, more + n] for n in range(1, 5) for visit, more in (("Kezdet", 20), ("Vége", 30))),
        ]
        for name, old in (("A", 50), ("B", 60))
    }
    names = {question.id for question in proposed(tmp_path, sheets).open}
    assert names == {
        "participant_column",
        "visit_column_zentrum_a",
        "visit_column_zentrum_b",
        "same_codes",
        "visit_days",
    }


def test_the_import_file_lists_every_column_once_also_those_of_two_tables_on_a_sheet(tmp_path):
    sheet = [
        *lines(("Sex", "Age"), "f", 50),
        [],
        [],
        *lines(("BBT R", "BBT R", "Sex"), lambda n: 20 + n, lambda n: 20 + n, "f"),
    ]
    convert(propose([book(tmp_path / "w.xlsx", {"Data": sheet})]), tmp_path / "study")
    written = tomllib.loads((tmp_path / "study" / "import.toml").read_text(encoding="utf-8"))
    assert written["columns"]["Data"] == {
        "ID": "participant", "Sex": "sex", "Age": "age", "BBT R": "total bbt.blocks; side right",
    }  # fmt: skip
    assert "questions" not in written  # nothing is left to ask


def test_the_terminal_names_findings_new_columns_and_what_nobody_answered(tmp_path):
    sheet = lines(("BBT R pre", "BBT R post"), lambda n: 20 + n, lambda n: 30 + n)
    sheet[2][1], sheet[4][0] = "WNL", None
    path = book(tmp_path / "w.xlsx", {"Data": sheet})
    columns = '[columns.Data]\nID = "participant"\n"BBT R pre" = "total bbt.blocks; side right; visit pre"\n'
    (tmp_path / "answers.toml").write_text(columns)
    said, put = [], []
    answers = {"visit_days": "0, 42"}
    status = run_import([path], tmp_path / "study", answers=tmp_path / "answers.toml", say=said.append,
                        ask=lambda question: put.append(question.id) or answers.get(question.id, ""))  # fmt: skip
    assert status == 1
    assert "New since the last import: Data, BBT R post." in said[0]
    assert "Finding: the line has no participant at Data!B5 ('24'), Data!C5 ('34')." in said[0]
    assert "cell_wnl" in said[0].split("1 question is open")[1]
    assert put == ["cell_wnl", "visit_days"]  # each is put once
