"""One wide table with coded people, totals of several instruments side by side, dates, and trials on another worksheet.

The numbers expected are those typed below.
"""

import openpyxl
import pytest

from outcomes import check, read_study
from outcomes.errors import StudyError

PROTOCOL = """
title = "One table"
design = "single-arm"
primary = "fma_ue.motor"
outcomes = ["fma_ue.motor", { id = "arat.total", averaged = 2, visits = ["w0", "w8"] }, "walk.score"]
[[visits]]
id = "w0"
day = 0
[[visits]]
id = "w8"
day = 56
[thresholds]
"fma_ue.motor" = [
  "fma_ue-motor-page-2012-lowest",
  { value = 10, unit = "% of baseline", source = "protocol, section 7" },
]
[measures."walk.score"]
unit = "m"
better = "lower"
thresholds = [{ value = 20, unit = "% of baseline", direction = "lower", source = "vote of the clinicians" }]
[values.participants.sex]
1 = "female"
2 = "male"
[values.totals.value]
999 = "refused"
[[wide]]
file = "participants.csv"
table = "totals"
across = "instrument"
columns = { "fma_ue.motor" = "FMA0", "arat.total" = "ARAT0", "walk.score" = "WALK0" }
fixed = { visit = "w0", side = "left" }
[[wide]]
file = "participants.csv"
table = "totals"
across = "instrument"
columns = { "fma_ue.motor" = "FMA8", "arat.total" = "ARAT8", "walk.score" = "WALK8" }
fixed = { visit = "w8", side = "left" }
[[wide]]
file = "grip.xlsx"
sheet = "Dyna"
table = "trials"
across = "trial"
columns = { 1 = "first", 2 = "second" }
fixed = { instrument = "grip", unit = "kgf", side = "left" }
[[wide]]
file = "participants.csv"
across = "date"
columns = { w0 = "D0", w8 = "D8" }
"""
PEOPLE = """participant,age,sex,affected_side,FMA0,FMA8,ARAT0,ARAT8,WALK0,WALK8,D0,D8
P1,50,1,left,20,30,10.5,20,80,60,2024-01-10,2024-03-06
P2,60,2,left,25,999,12,18.5,90,70,2024-01-11,
"""


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "study.toml").write_text(PROTOCOL)
    (tmp_path / "participants.csv").write_text(PEOPLE)
    book = openpyxl.Workbook()
    book.active.title = "other"
    sheet = book.create_sheet("Dyna")
    for row in (["participant", "visit", "first", "second"], ["P1", "w0", 11, 12], ["P2", "w8", 13, 14]):
        sheet.append(row)
    book.save(tmp_path / "grip.xlsx")
    return tmp_path


def test_every_cell_of_a_wide_table_is_where_it_belongs(folder):
    study = read_study(folder)
    totals = study.totals.set_index(["participant", "visit", "instrument"])
    assert totals.loc[("P1", "w8", "fma_ue"), "value"] == 30
    assert totals.loc[("P2", "w8", "fma_ue"), "code"] == "refused"
    assert totals.loc[("P1", "w0", "arat"), "value"] == 10.5
    assert len(totals) == 12
    assert study.participants["sex"].tolist() == ["female", "male"]
    assert sorted(study.trials["value"]) == [11, 12, 13, 14]
    assert study.visits["date"].dt.strftime("%Y-%m-%d").tolist() == ["2024-01-10", "2024-03-06", "2024-01-11"]
    # Half points of two averaged ratings are no error where the outcome says so.
    assert "total between steps" not in set(check(study).frame()["rule"])


def test_half_points_that_nobody_explains_are_asked_about(folder):
    (folder / "study.toml").write_text(PROTOCOL.replace("averaged = 2, ", ""))
    found = check(read_study(folder)).frame()
    steps = found[found["rule"] == "total between steps"]
    assert set(steps["severity"]) == {"warning"}
    assert steps["advice"].str.contains("averaged = 2").all()


def test_own_thresholds_keep_value_unit_direction_and_source(folder):
    protocol = read_study(folder).protocol
    key, own = protocol.chosen_thresholds("fma_ue.motor")
    assert key == "fma_ue-motor-page-2012-lowest"
    assert (own.value, own.unit, own.better, own.source) == (10, "% of baseline", "higher", "protocol, section 7")
    (walk,) = protocol.own_thresholds["walk.score"]
    assert (walk.value, walk.better, walk.strict) == (20, "lower", False)
    assert protocol.planned_visits == {"arat.total": ("w0", "w8")}


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('direction = "lower"', 'direction = "higher"', "allowed lower"),
        ("value = 10,", "value = -1,", "allowed a number above 0"),
        (
            'unit = "% of baseline", source = "protocol',
            'unit = "cm", source = "protocol',
            "allowed points or % of baseline",
        ),
        ('visits = ["w0", "w8"]', 'visits = ["w9"]', "found w9"),
        ("averaged = 2", "averaged = 1", "allowed 2 or more"),
    ],
)
def test_problems_are_named(old, new, message, folder):
    (folder / "study.toml").write_text(PROTOCOL.replace(old, new))
    with pytest.raises(StudyError, match=message):
        read_study(folder)
