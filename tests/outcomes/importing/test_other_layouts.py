"""Tables of other languages, of standards and of unusual layouts: what is plain is read, what is not is asked.

All invented; what was written is the outside check of what is read. How clinics lay out their tables: common practice,
no source.
"""

import openpyxl
import pandas as pd
import pyreadstat
import pytest

from outcomes.importing import propose


def workbook(path, **sheets):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


def values(proposal):
    """(participant, label of the visit, instrument, side) -> value as typed."""
    return {
        (row.cells["participant"], row.visit.label, row.cells["instrument"], row.cells["side"]): row.cells["value"]
        for row in proposal.done.rows
    }


def ids(proposal):
    return {question.id for question in proposal.open}


def test_a_sheet_of_another_script(tmp_path):
    rows = [
        ["患者番号", "性別", "年齢", "麻痺側", "FMA 治療前", "FMA 治療後", "握力 右 治療前 (kg)", "握力 左 治療前 (kg)"]
    ]
    rows += [
        [f"JP{n:02d}", "男女"[n % 2], 60 + n, "右左"[n % 2], 20 + n, 30 + n, 10.5 + n, 20.5 + n] for n in range(1, 5)
    ]
    proposal = propose([workbook(tmp_path / "jp.xlsx", 結果=rows)])
    found = values(proposal)
    assert found["JP01", "治療前", "fma_ue", "affected"] == "21"
    assert found["JP04", "治療後", "fma_ue", "affected"] == "34"
    assert (found["JP02", "治療前", "grip", "right"], found["JP02", "治療前", "grip", "left"]) == ("12.5", "22.5")
    people = {(row["sex"], row["affected_side"], row["age"]) for row in proposal.described.participants}
    assert people == {
        ("female", "left", "61"),
        ("male", "right", "62"),
        ("female", "left", "63"),
        ("male", "right", "64"),
    }


def test_letters_for_hands_are_read_in_pairs_and_a_lone_one_is_asked(tmp_path):
    both = [
        ["Nr pacjenta", "Płeć", "Box and Block P", "Box and Block L"],
        *([n, "K", 20 + n, 40 + n] for n in range(1, 5)),
    ]
    found = values(propose([workbook(tmp_path / "pl.xlsx", Wizyta=both)]))
    assert (found["1", "Baseline", "bbt", "right"], found["1", "Baseline", "bbt", "left"]) == ("21", "41")
    # One column with a hand and one without: the second is not taken for the affected one.
    one = [["ID", "Sex", "BBT left", "BBT"], *([f"A{n}", "f", 20 + n, 40 + n] for n in range(1, 5))]
    proposal = propose([workbook(tmp_path / "one.xlsx", Data=one)])
    assert "side_bbt" in ids(proposal)
    assert {side for *_, side in values(proposal)} == {"left"}


@pytest.mark.parametrize(
    ("heading", "question"),
    [
        ("WMFT time", "score_wmft_time"),  # no score of that name; its main score is a rating from 0 to 5
        ("SIS", "score_sis_unnamed"),  # four scores side by side
        ("Purdue Pegboard", "score_purdue_unnamed"),
        ("pain VAS", "edition_pain_scale"),  # 0 to 100 or 0 to 10
        ("PRWE", "edition_prw"),
    ],
)
def test_a_score_that_the_heading_does_not_name_is_asked(heading, question, tmp_path):
    rows = [["ID", "Age", f"{heading} pre", f"{heading} post"], *([f"A{n}", 50 + n, n % 5, n % 4] for n in range(1, 6))]
    proposal = propose([workbook(tmp_path / "w.xlsx", Data=rows)])
    assert question in ids(proposal)
    assert not values(proposal)


def test_changes_and_spreads_are_no_scores(tmp_path):
    rows = [["ID", "ARAT pre", "ARAT post", "ARAT change", "FMA SD"], *([f"A{n}", n, n + 3, 3, 2] for n in range(1, 6))]
    proposal = propose([workbook(tmp_path / "w.xlsx", Data=rows)])
    assert set(values(proposal)) == {(f"A{n}", v, "arat", "") for n in range(1, 6) for v in ("pre", "post")}


def test_a_column_of_impossible_numbers_is_asked_about_once(tmp_path):
    rows = [["ID", "Age", "ARAT pre"], *([f"A{n}", 50, 40 + 5 * n] for n in range(1, 9))]
    proposal = propose([workbook(tmp_path / "w.xlsx", Data=rows)])
    asked = [name for name in ids(proposal) if name.startswith(("range", "value"))]
    assert len(asked) == 1
    assert not values(proposal)  # nor are those within the range taken
    kept = propose([tmp_path / "w.xlsx"], {asked[0]: "yes"})
    assert values(kept)["A1", "pre", "arat", ""] == "45"
    assert any(name.startswith("value") for name in ids(kept))


def test_which_column_tells_the_visits_apart_is_asked(tmp_path):
    rows = [["Beteg kódja", "Vizsgálat", "BBT bal", "BBT jobb"]]
    for n in range(1, 6):
        rows += [[f"H{n}", "Kezdet", n, 2 * n], [f"H{n}", "Vége", n + 3, 2 * n + 3]]
    path = workbook(tmp_path / "w.xlsx", Adatok=rows)
    proposal = propose([path])
    assert not values(proposal)
    # What waits behind it is put at once.
    assert {"visit_column_adatok", "column_bbt_bal", "column_bbt_jobb", "visit_days"} <= ids(proposal)
    answers = {"visit_column_adatok": "Vizsgálat", "column_bbt_bal": "left", "column_bbt_jobb": "right"}
    found = values(propose([path], answers))
    assert len(found) == 5 * 2 * 2
    assert (found["H2", "Vége", "bbt", "left"], found["H2", "Vége", "bbt", "right"]) == ("5", "7")


def test_the_order_of_the_dates_may_be_the_visits(tmp_path):
    rows = [["ID", "Test day", "BBT aff"]]
    rows += [[f"A{n}", f"2024-0{month}-1{n}", 10 * month + n] for n in range(1, 6) for month in (3, 1, 2)]
    path = workbook(tmp_path / "w.xlsx", Data=rows)
    found = values(propose([path], {"visit_column_data": "the order of the dates"}))
    assert found["A1", "1", "bbt", ""] == "11"
    assert found["A5", "3", "bbt", ""] == "35"


def test_which_column_holds_the_codes_is_asked(tmp_path):
    people = [["Löpnr", "Age"], *([n, 50 + n] for n in range(1, 6))]
    pre = [["Löpnr", "FMA-UE", "ARAT"], *([n, 20 + n, 30 + n] for n in range(1, 6))]
    post = [["Löpnr", "FMA-UE", "ARAT"], *([n, 25 + n, 35 + n] for n in range(1, 6))]
    path = workbook(tmp_path / "w.xlsx", People=people, Pre=pre, Post=post)
    proposal = propose([path])
    assert not proposal.described.participants
    assert "participant_column" in ids(proposal)
    assert sum(proposal.ledger.counts().values()) == 48
    answered = propose([path], {"participant_column": "Löpnr"})
    assert values(answered)["3", "Post", "arat", ""] == "38"
    assert {row["age"] for row in answered.described.participants} == {"51", "52", "53", "54", "55"}


def test_lines_that_name_a_visit_hold_for_the_lines_below(tmp_path):
    down = [["Patient", "BBT right", "BBT left"]]
    across = [["Patient", *(f"P{n}" for n in range(1, 5))], ["Age", *range(51, 55)]]
    for step, visit in enumerate(("Baseline", "Week 4")):
        down += [[visit], *([f"P{n}", n + 10 * step, 30 + n + 10 * step] for n in range(1, 5))]
        across += [[visit], ["ARAT /57", *(n + 10 * step for n in range(1, 5))]]
    found = values(propose([workbook(tmp_path / "w.xlsx", BBT=down, Arm=across)]))
    assert len(found) == 4 * 2 * 3
    assert found["P3", "Week 4", "bbt", "left"] == "43"
    assert found["P4", "Week 4", "arat", ""] == "14"


def test_a_statistics_file_with_labelled_visits_and_two_names_for_them(tmp_path):
    frame = pd.DataFrame([{"id": 100 + n, "wave": k, "fmatot": 20.0 + n + 5 * k} for n in range(1, 6) for k in (0, 1)])
    pyreadstat.write_dta(
        frame,
        str(tmp_path / "long.dta"),
        column_labels={"id": "Participant number", "wave": "Assessment wave", "fmatot": "Fugl-Meyer total (0-66)"},
        variable_value_labels={"wave": {0: "baseline", 1: "week 4"}},
    )
    found = values(propose([tmp_path / "long.dta"]))
    assert (found["101", "baseline", "fma_ue", ""], found["105", "week 4", "fma_ue", ""]) == ("21", "30")
    wide = pd.DataFrame({"pat": ["M1", "M2", "M3"], "fma_t0": [1.0, 2, 3], "fma_t1": [4.0, 5, 6], "bb_t0": [7.0, 8, 9],
                         "bb_t1": [10.0, 11, 12]})  # fmt: skip
    labels = {"pat": "Patientennummer", "fma_t0": "Fugl-Meyer vorher", "fma_t1": "Fugl-Meyer nachher"}
    labels |= {"bb_t0": "Box and Block vorher", "bb_t1": "Box and Block nachher"}
    pyreadstat.write_sav(wide, str(tmp_path / "wide.sav"), column_labels=labels)
    proposal = propose([tmp_path / "wide.sav"])
    assert len(values(proposal)) == 12
    assert not [name for name in ids(proposal) if name.startswith("visit_of")]
    # One label that leaves the pairs is asked about.
    pyreadstat.write_sav(wide, str(tmp_path / "odd.sav"), column_labels=labels | {"bb_t1": "Box and Block vorher"})
    assert [name for name in ids(propose([tmp_path / "odd.sav"])) if name.startswith("visit_of")]


def test_every_instrument_is_known_by_its_own_names():
    from outcomes.importing.language.headings import FAMILIES, Around, recognise
    from outcomes.library.registry import instruments

    families = {name: family for family, names in FAMILIES.items() for name in names}
    for name, known in instruments().items():
        found = recognise([known.name], Around())
        if found.role == "measure" and not found.rest and found.table != "angles":
            assert found.instrument in ("", name, families.get(name), *FAMILIES.get(families.get(name, ""), ())), name


def test_letters_that_mean_another_thing_in_another_language(tmp_path):
    """H and M are hombre and mujer; V and M are varon and mujer under "sexo", vrouw and man under "geslacht"."""
    for heading, letters, meant in (
        ("Sexo", "HM", ("male", "female")),
        ("Sexo", "VM", ("male", "female")),
        ("Geslacht", "VM", ("female", "male")),
    ):
        rows = [["ID", heading, "ARAT pre"], *([f"A{n}", letters[n % 2], 20 + n] for n in range(4))]
        found = propose([workbook(tmp_path / "w.xlsx", Data=rows)]).described.participants
        assert [row["sex"] for row in found] == [*meant, *meant]
    rows[0][1] = "Sex"
    asked = propose([workbook(tmp_path / "w.xlsx", Data=rows)])
    assert {"sex_v", "sex_m"} <= ids(asked)


def test_numbered_forces_without_a_visit_are_trials_or_visits(tmp_path):
    rows = [["ID", "Age", "Grip R T1 (kg)", "Grip R T2 (kg)"], *([f"A{n}", 50, 10 + n, 12 + n] for n in range(1, 5))]
    path = workbook(tmp_path / "w.xlsx", Data=rows)
    assert not values(propose([path]))
    trials = propose([path], {"trials_or_visits_grip": "trials"}).done.rows
    assert {(row.cells["visit"], row.cells["trial"]) for row in trials} == {("baseline", "1"), ("baseline", "2")}
    visits = propose([path], {"trials_or_visits_grip": "visits"}).done.rows
    assert {row.visit.label for row in visits} == {"T1", "T2"}


def test_portuguese_headings_over_two_rows_with_letters_for_hands_and_trials(tmp_path):
    """ "D 1" is the right hand's first trial, and no thumb; 99 is explained under the table; sex has a code book."""
    heads = ["Caixa e Blocos D", "Caixa e Blocos E", *(f"Preensão {h} {k} (kgf)" for h in "DE" for k in (1, 2))]
    rows = [[None] * 4, ["Código", "Sexo", "Lado afetado", "Mão dominante"]]
    for visit in ("Pré-intervenção", "Pós-intervenção"):
        rows[0] += [visit, *[None] * 5]
        rows[1] += heads
    for n in range(1, 6):
        own = [f"{v * 20 + n},{k}" for v in (0, 1) for k in range(6)]
        own[0], own[1], own[6], own[7] = n, 30 + n, 10 + n, 40 + n
        rows.append([f"PT-{n:02d}", 1 + n % 2, "DE"[n % 2], "D", *own])
    rows[4][4] = 99
    rows += [[], ["Observação: 99 = não avaliado"]]
    codes = [["Sexo", 1, "masculino"], ["Sexo", 2, "feminino"]]
    path = workbook(tmp_path / "pt.xlsx", Dados=rows, Códigos=codes)
    book = openpyxl.load_workbook(path)
    for start in (5, 11):
        book["Dados"].merge_cells(start_row=1, end_row=1, start_column=start, end_column=start + 5)
    book.save(path)
    proposal = propose([path])
    found = {
        (r.cells["participant"], r.visit.label, r.cells["instrument"], r.cells["side"], r.cells.get("trial", "")):
        r.cells["value"] for r in proposal.done.rows
    }  # fmt: skip
    assert len(found) == 5 * 2 * 6
    assert found["PT-01", "Pré-intervenção", "grip", "right", "1"] == "1.2"
    assert found["PT-05", "Pós-intervenção", "grip", "left", "2"] == "25.5"
    assert found["PT-03", "Pré-intervenção", "bbt", "right", ""] == "not done"
    assert [row["sex"] for row in proposal.described.participants] == ["female", "male", "female", "male", "female"]
    assert {question.id for question in proposal.open} <= {"visit_days", "primary_outcome"}


def test_people_across_with_a_column_of_units_on_sheets_named_after_visits(tmp_path):
    """No heading says whose the columns are; the unit is none of the people, nor is the mean at the end."""
    people = [
        ["Paciente", "Lado parético", "Nascimento"],
        *([f"AVC{n}", ["Esq", "Dir"][n % 2], 1950 + n] for n in range(1, 6)),
    ]
    sheets = {"Pacientes": people}
    for step, visit in enumerate(("Avaliação inicial", "Alta")):
        sheets[visit] = [
            ["Teste", "Unidade", *(f"AVC{n}" for n in range(1, 6)), "Média"],
            ["ARAT (0-57)", "pontos", *(10 * step + n for n in range(1, 6)), None],
            ["Preensão parética, tent. 1", "kg", *(f"{5 * step + n},5" for n in range(1, 6)), None],
            ["Preensão não parética, tent. 1", "kg", *(f"{30 + n},5" for n in range(1, 6)), None],
        ]
        sheets[visit][1][4] = "NT"
    proposal = propose([workbook(tmp_path / "across.xlsx", **sheets)])
    found = values(proposal)
    assert len(found) == 2 * 3 * 5
    assert found["AVC2", "Alta", "arat", "affected"] == "12"
    assert found["AVC3", "Alta", "arat", "affected"] == "not testable"
    assert found["AVC5", "Avaliação inicial", "grip", "affected"] == "5.5"
    assert found["AVC5", "Alta", "grip", "other"] == "35.5"
    sides = [row["affected_side"] for row in proposal.described.participants]
    assert sides == ["right", "left", "right", "left", "right"]
    assert "remark" not in proposal.ledger.counts()
    assert ids(proposal) <= {"visit_days", "primary_outcome"}


def test_a_long_sheet_in_french_with_a_scale_that_has_two_forms(tmp_path):
    """D and G are right and left; "EVA" is written for 0 to 100 and for 0 to 10, so which it is stays open."""
    rows = [["N° sujet", "Moment", "Test", "Main", "Essai", "Valeur", "Unité"]]
    for n in range(1, 5):
        for moment in ("T0", "T1"):
            rows += [[n, moment, "Boîte et blocs", side, None, 10 * n + (side == "D"), "blocs"] for side in "DG"]
            rows += [[n, moment, "Dynamomètre de Jamar", side, k, f"{n},{k}", "kg"] for side in "DG" for k in (1, 2)]
            rows.append([n, moment, "EVA douleur", None, None, 3 + n, "mm"])
    rows[1][5] = ">180"
    path = workbook(tmp_path / "fr.xlsx", Mesures=rows)
    proposal = propose([path])
    assert {"edition_pain_scale", "cell_180"} <= ids(proposal)
    found = {
        (r.cells["participant"], r.visit.label, r.cells["instrument"], r.cells["side"], r.cells.get("trial", "")):
        r.cells["value"] for r in proposal.done.rows
    }  # fmt: skip
    assert len(found) == 4 * 2 * 6 - 1
    assert (found["2", "T1", "bbt", "right", ""], found["2", "T1", "bbt", "left", ""]) == ("21", "20")
    assert found["4", "T0", "grip", "left", "2"] == "4.2"
    answered = values(propose([path], {"edition_pain_scale": "pain_vas"}))
    assert answered["3", "T0", "pain_vas", ""] == "6"


def test_a_word_that_nobody_knows_over_several_tests_is_one_question(tmp_path):
    rows = [["ID", "Zork BBT left", "Zork ARAT", "Zork FMA"], *([f"A{n}", n, n, n] for n in range(1, 6))]
    path = workbook(tmp_path / "w.xlsx", Data=rows)
    asked = [question for question in propose([path]).open if question.kind == "ask"]
    assert [question.id for question in asked] == ["word_zork"]
    assert all(name in asked[0].text for name in ("bbt.blocks", "arat.total", "fma_ue.motor"))
    assert len(values(propose([path], {"word_zork": "yes"}))) == 15


def test_numbers_of_nobody_are_asked_about(tmp_path):
    rows = [["ID", "Age", "BBT left pre"], *([f"A{n}", 50, 20 + n] for n in range(1, 6))]
    strange = [["liste", "oktober"], *([f"frau {n}", 12 + n, 7.5] for n in range(5))]
    notes = [["call the clinic on 5 May"], ["room 12"]]
    path = workbook(tmp_path / "w.xlsx", Data=rows, Extra=strange, Notes=notes)
    proposal = propose([path])
    assert "table_extra_1" in ids(proposal)
    assert sum(proposal.ledger.counts().values()) == 3 * 6 + 2 + 15 + 2
    counts = propose([path], {"table_extra_1": "leave out"}).ledger.counts()
    assert (counts["set aside"], counts["remark"]) == (17, 2)


def test_a_visit_whose_name_and_dates_disagree_is_asked_about(tmp_path):
    """ "3 months" counted from the end of a treatment of six weeks: day 91 by its name, day 133 by the dates."""
    rows = [["ID", "Visit", "Date", "ARAT"]]
    for n in range(1, 5):
        rows += [[f"A{n}", "baseline", f"2024-01-{n:02d}", n], [f"A{n}", "6 weeks", f"2024-02-{11 + n:02d}", n],
                 [f"A{n}", "3 months", f"2024-05-{12 + n:02d}", n]]  # fmt: skip
    path = workbook(tmp_path / "w.xlsx", Data=rows)
    asked = next(question for question in propose([path]).open if question.id == "visit_days")
    assert "'3 months' says 91, the dates say about 133" in asked.text
    agreed = propose([path], {"visit_days": "0, 42, 133"})
    assert [visit.day for visit in agreed.schedule.visits] == [0, 42, 133]


def test_the_later_of_two_lines_is_the_later_date(tmp_path):
    rows = [["ID", "Date", "ARAT"], *([f"A{n}", f"2024-01-{10 + n}", 20 + n] for n in range(1, 5))]
    rows += [["A1", "2024-01-03", 50]]
    path = workbook(tmp_path / "w.xlsx", Data=rows)
    asked = next(question for question in propose([path]).open if question.id.startswith("twice"))
    assert "row 2 (2024-01-11), row 6 (2024-01-03)" in asked.text
    assert {key[0]: v for key, v in values(propose([path], {asked.id: "the later one"})).items()}["A1"] == "21"
    assert {key[0]: v for key, v in values(propose([path], {asked.id: "the earlier one"})).items()}["A1"] == "50"


def test_both_hands_in_one_cell_and_an_arm_a_sheet(tmp_path):
    """ "21/31" under "Grip R/L" is the right and the left hand; one number there is nobody's until somebody says so."""
    sheets = {}
    for arm in ("Robot", "Conventional"):
        rows = [["Pt", "Paretic", "Grip R/L (kg) T0", "BBT R/L T0", "BBT R/L T1"]]
        rows += [
            [f"{arm[0]}{n}", "RL"[n % 2], f"{20 + n}/{30 + n}", f"{n}/{40 + n}", f"{5 + n}/{45 + n}"]
            for n in range(1, 5)
        ]
        rows[2][3] = "25/\u2013"
        rows[3][3] = 17
        sheets[arm] = rows
    path = workbook(tmp_path / "arms.xlsx", **sheets)
    proposal = propose([path])
    found = values(proposal)
    assert (found["R1", "T0", "grip", "right"], found["C4", "T0", "grip", "left"]) == ("21", "34")
    assert (found["R2", "T0", "bbt", "right"], found["R2", "T0", "bbt", "left"]) == ("25", "not done")
    assert ("R3", "T0", "bbt", "right") not in found
    assert {"side_right_left", "people_by_sheet"} <= ids(proposal)
    assert not any(row.get("arm") for row in proposal.described.participants)
    answered = propose([path], {"people_by_sheet": "arms"})
    assert {(row["participant"][0], row["arm"]) for row in answered.described.participants} == {
        ("R", "robot"), ("C", "conventional"),
    }  # fmt: skip
    assert "reference_arm" in ids(answered)
    sites = propose([path], {"people_by_sheet": "sites"}).described.participants
    assert {row["site"] for row in sites} == {"Robot", "Conventional"}


def test_a_running_number_for_a_code_and_a_code_book_of_a_line_a_code(tmp_path):
    """The code book names all items by their stem; "after" and "3 months" stand in the order somebody answers."""
    rows = [
        [
            "L\u00f8benr",
            "K\u00f8n",
            "Ramt side",
            "Bes\u00f8g",
            *(f"quickdash_{k}" for k in range(1, 12)),
            "Boks og blokke ramt",
        ]
    ]
    for n in range(1, 6):
        for step, visit in enumerate(("F\u00f8r", "Efter", "3 mdr")):
            rows.append(
                [n, n % 2 + 1, ("H\u00f8", "Ve")[n % 2], visit, *[(n + k) % 5 + 1 for k in range(11)], 10 * step + n]
            )
    rows[1][6] = 9
    book = [
        ["Variabel", "Kode", "Betydning"],
        ["K\u00f8n", 1, "kvinde"],
        ["K\u00f8n", 2, "mand"],
        ["quickdash", 9, "ikke besvaret"],
    ]
    path = workbook(tmp_path / "dk.xlsx", Data=rows, Kodebog=book)
    first = propose([path])
    assert "participant_column" in ids(first)
    assert not first.described.participants
    answers = {"participant_column": "L\u00f8benr", "visit_days": "0, 90, 42"}
    proposal = propose([path], answers)
    assert [(visit.label, visit.day) for visit in proposal.schedule.visits] == [
        ("F\u00f8r", 0),
        ("Efter", 42),
        ("3 mdr", 90),
    ]
    assert values(proposal)["5", "3 mdr", "bbt", "affected"] == "25"
    assert [row["sex"] for row in proposal.described.participants] == ["male", "female", "male", "female", "male"]
    assert not [name for name in ids(proposal) if name.startswith(("value_", "codes_"))]
    refused = propose([path], answers | {"visit_days": "5, 0, 42"})
    assert "visit_days" in ids(refused)
