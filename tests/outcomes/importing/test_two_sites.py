"""Two sites that number their people alike, and wide exports with months as letters.

The workbooks are invented; what was written is the outside check of what is read.
"""

import openpyxl
import pandas as pd
import pytest

from outcomes.importing import propose
from tests.outcomes.importing.damage import filled_cells
from tests.outcomes.importing.test_any_answer import book

PEOPLE = {
    "Bergdorf": [("A", "f", 51, 12), ("B", "m", 64, 20), ("A", "m", 70, 31), ("B", "f", 45, 44)],
    "Seestadt": [("B", "m", 77, 18), ("A", "f", 39, 25), ("A", "f", 58, 9), ("B", "m", 66, 50)],
}


def workbook(path, *, sheets, prefix=""):
    book = openpyxl.Workbook()
    for number, (site, people) in enumerate(sheets.items()):
        sheet = book.active if number == 0 else book.create_sheet()
        sheet.title = f"Zentrum {site}"
        sheet.append(["Pat.-Nr.", "Gruppe", "Geschlecht", "Alter", "ARAT T0", "ARAT T1"])
        for row, (arm, sex, age, total) in enumerate(people, 1):
            code = f"{site[0]}{row:02d}" if prefix else row
            sheet.append([code, arm, {"f": "w", "m": "m"}[sex], age, total, total + 3])
    book.save(path)
    return path


@pytest.fixture(params=["one workbook", "two workbooks"])
def files(request, tmp_path):
    if request.param == "one workbook":
        return [workbook(tmp_path / "studie.xlsx", sheets=PEOPLE)]
    return [workbook(tmp_path / f"daten_{site}.xlsx", sheets={site: people}) for site, people in PEOPLE.items()]


def test_clashing_codes_hold_everything_until_somebody_says_whose_they_are(files):
    proposal = propose(files)
    assert not proposal.done.rows
    assert not proposal.described.participants
    asked = {question.id: question for question in proposal.open}
    # What study.toml needs is asked at once, not after the first answer.
    assert {"same_codes", "visit_days", "reference_arm"} <= asked.keys()


def test_different_people_get_the_site_before_their_code(files):
    proposal = propose(files, {"same_codes": "different people"})
    found = {row["participant"]: (row["arm"], row["age"], row["site"]) for row in proposal.described.participants}
    assert found == {
        f"{site}-{number}": (arm, str(age), site)
        for site, people in PEOPLE.items()
        for number, (arm, _, age, _) in enumerate(people, 1)
    }
    totals = {(row.cells["participant"], row.visit.label): row.cells["value"] for row in proposal.done.rows}
    assert totals == {
        (f"{site}-{number}", visit): str(total + more)
        for site, people in PEOPLE.items()
        for number, (*_, total) in enumerate(people, 1)
        for visit, more in (("T0", 0), ("T1", 3))
    }


def test_the_same_people_stay_one(files):
    proposal = propose(files, {"same_codes": "the same people"})
    assert any(question.id.startswith("differs") for question in proposal.open)
    assert all("-" not in row["participant"] for row in proposal.described.participants)


def test_a_table_says_what_to_put_before_the_code(tmp_path):
    path = workbook(tmp_path / "studie.xlsx", sheets=PEOPLE)
    proposal = propose([path], {"same_codes": {"Zentrum Bergdorf": "N", "Zentrum Seestadt": "S"}})
    assert {row["participant"] for row in proposal.described.participants} == {
        *(f"N{number}" for number in range(1, 5)),
        *(f"S{number}" for number in range(1, 5)),
    }


def test_codes_of_their_own_are_not_asked_about_and_the_sheet_names_the_site(tmp_path):
    proposal = propose([workbook(tmp_path / "studie.xlsx", sheets=PEOPLE, prefix="own")])
    assert "same_codes" not in {question.id for question in proposal.questions}
    assert {row["participant"]: row["site"] for row in proposal.described.participants} == {
        f"{site[0]}{number:02d}": site for site in PEOPLE for number in range(1, 5)
    }


def test_letters_and_numbers_that_rise_are_months(tmp_path):
    table = pd.DataFrame({"subject": [1, 2, 3], "treat": [0, 1, 0], "side": [1, 2, 1], "gender": [1, 1, 2]})
    for number, visit in enumerate(("bl", "m1", "m3", "m6")):
        table[f"FMUE_{visit}"] = [20 + number, 30.5, 41]
        table[f"MALAOU_{visit}"] = [1.5, 2.25, 3]
    table.to_csv(tmp_path / "wide.csv", index=False)
    proposal = propose([tmp_path / "wide.csv"], {"edition_mal": "mal_28"})
    assert [(visit.label, visit.day) for visit in proposal.schedule.visits] == [
        ("bl", 0),
        ("m1", 30),
        ("m3", 91),
        ("m6", 183),
    ]
    found = {(row.cells["participant"], row.visit.label, row.cells["instrument"]): row for row in proposal.done.rows}
    assert found["2", "m3", "mal_28"].cells["value"] == "2.25"
    assert found["1", "m6", "fma_ue"].cells["value"] == "23.0"
    assert len(found) == 3 * 4 * 2
    # One question explains the codes of a column, not one more for each code.
    assert sorted(q.id for q in proposal.open if q.id.startswith(("codes", "sex", "side"))) == [
        "codes_gender",
        "codes_side",
    ]


def clinic(first, *, sex, codes):
    """A sheet of people with a code, an age and a score counted from `first`."""
    rows = [["ID", "Sex", "Age", "BBT R pre"]]
    return rows + [[code, sex, first + n, first + 10 + n] for n, code in enumerate(codes)]


def test_only_people_of_both_sites_wait_and_a_place_apart_keeps_its_codes(tmp_path):
    """Code 8 stands at one site only, the later sheet has codes of its own, one line has none."""
    sheets = {
        "Clinic A": [*clinic(20, sex="f", codes=range(1, 7)), [None, "f", 60, 1]],
        "Clinic B": clinic(60, sex="m", codes=(*range(1, 7), 8)),
        "Later": clinic(40, sex="m", codes=range(21, 25)),
    }
    path = book(tmp_path / "w.xlsx", sheets)
    waits = propose([path])
    assert "same_codes" in {question.id for question in waits.open}
    assert {row.cells["participant"] for row in waits.done.rows} == {"8", "21", "22", "23", "24"}
    answered = propose([path], {"same_codes": "different people"})
    found = {row.cells["participant"]: row.cells["value"] for row in answered.done.rows}
    assert (found["A-1"], found["B-1"], found["B-8"], found["21"]) == ("30", "70", "76", "50")
    assert {entry["place"] for entry in answered.done.findings} == {"Clinic A!D8"}
    assert sum(answered.ledger.counts().values()) == filled_cells(path)


def test_sites_whose_names_do_not_differ_get_numbers_and_their_codes_no_zeros(tmp_path):
    sheets = {"Clinic": clinic(20, sex="f", codes=range(1, 7)), "Clinic North": clinic(60, sex="m", codes=range(1, 7))}
    proposal = propose([book(tmp_path / "w.xlsx", sheets)], {"same_codes": "different people"})
    found = {row.cells["participant"]: row.cells["value"] for row in proposal.done.rows}
    assert (found["1-1"], found["2-1"], len(found)) == ("30", "70", 12)
    assert not any(row.get("site") for row in proposal.described.participants)  # 1 and 2 name no site
    assert "leading_zeros" not in {question.id for question in proposal.questions}
