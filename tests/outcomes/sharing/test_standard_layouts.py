"""A shared copy in the layouts of open standards is the same study when it is imported again.

The outside check is the identity: what was written is what is read. Names of variables: CDISC SDTM, general observation
class Findings and domain DM; elements of ODM 1.3 (https://www.cdisc.org/standards/foundational/sdtm, .../odm), from
memory.
"""

import csv
import re
import xml.etree.ElementTree as ET

import pytest

from outcomes import read_study
from outcomes.importing import propose
from outcomes.sharing.data_set import share_study

PROTOCOL = """
title = "Two visits"
design = "parallel"
primary = "arat.total"
outcomes = ["arat.total", "quickdash.total", "nhpt.time", "grip.force"]
[[arms]]
id = "usual"
label = "Usual care"
reference = true
[[arms]]
id = "glove"
label = "Glove"
[[visits]]
id = "pre"
day = 0
[[visits]]
id = "post"
label = "After six weeks"
day = 42
[instruments.nhpt]
ceiling_s = 120
"""


@pytest.fixture(scope="module")
def shared(tmp_path_factory):
    folder = tmp_path_factory.mktemp("study")
    (folder / "study.toml").write_text(PROTOCOL)
    people, totals, items, trials = (
        ["participant,arm,age,sex,affected_side"],
        ["participant,visit,instrument,scale,side,condition,value"],
        ["participant,visit,instrument,item,value"],
        ["participant,visit,instrument,side,condition,trial,value,unit"],
    )
    for n in range(1, 9):
        people.append(f"P{n},{('usual', 'glove')[n % 2]},{50 + n % 2},{('female', 'male')[n % 2]},left")
        for late, visit in enumerate(("pre", "post")):
            totals.append(f"P{n},{visit},arat,total,left,,{20 + n + 3 * late}")
            totals.append(f"P{n},{visit},nhpt,time,left,,{'unable' if n == 2 else 30.5 + n}")
            totals.append(f"P{n},{visit},arat,total,left,assisted,{'refused' if n == 3 else 25 + n}")
            items += [f"P{n},{visit},quickdash,q{item},{1 + (n + item + late) % 5}" for item in range(1, 12)]
            trials += [f"P{n},{visit},grip,left,,{trial},{10.5 + n + trial},kgf" for trial in (1, 2, 3)]
    for name, lines in (("participants", people), ("totals", totals), ("items", items), ("trials", trials)):
        (folder / f"{name}.csv").write_text("\n".join([*lines, ""]))
    to = tmp_path_factory.mktemp("copy") / "shared"
    share_study(folder, to, standard=True)
    return to


def typed(study):
    """What a copy holds: (table, participant, visit, instrument, what, side, condition, trial) -> number or word."""
    found = {}
    for name in ("items", "totals", "trials"):
        for row in getattr(study, name).to_dict("records"):
            what = row.get("scale", row.get("item", ""))
            key = (name, row["participant"], row["visit"], row["instrument"], what, row["side"], row["condition"])
            trial = str(int(row["trial"])) if name == "trials" else ""
            found[*key, trial] = row["code"] or f"{row['value']:g}"
    return found


def imported(proposal, copy, prefix=""):
    own = {visit.label: visit.id for visit in copy.protocol.visits}
    found = {}
    for row in proposal.done.rows:
        cells = row.cells
        what = cells.get("scale", cells.get("item", ""))
        key = (row.table, cells["participant"].removeprefix(prefix), own[row.visit.label], cells["instrument"], what)
        value = f"{float(cells['value']):g}" if row.number else cells["value"]
        found[*key, cells["side"], cells["condition"] or "unassisted", cells.get("trial", "")] = value
    return found


def test_tables_of_questions_come_back(shared):
    copy = read_study(shared)
    proposal = propose([shared / "cdisc" / "dm.csv", shared / "cdisc" / "qs.csv"])
    assert imported(proposal, copy, "SHARED-") == typed(copy)
    people = {row["participant"].removeprefix("SHARED-"): (row["age"], row["sex"]) for row in
              proposal.described.participants}  # fmt: skip
    assert people == {row["participant"]: (f"{row['age']:g}", row["sex"]) for row in
                      copy.participants.to_dict("records")}  # fmt: skip
    assert {question.kind for question in proposal.open} <= {"study"}


def test_an_exchange_file_comes_back(shared):
    copy = read_study(shared)
    proposal = propose([shared / "cdisc" / "odm.xml"])
    assert imported(proposal, copy) == typed(copy)
    assert {row["affected_side"] for row in proposal.described.participants} == {"left"}
    assert {question.kind for question in proposal.open} <= {"study"}


def test_test_codes_and_missing_answers_follow_the_standard(shared):
    with (shared / "cdisc" / "qs.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert all(re.fullmatch(r"[A-Z][A-Z0-9_]{0,7}", row["QSTESTCD"]) and len(row["QSTEST"]) <= 40 for row in rows)
    assert len({(row["QSCAT"], row["QSTEST"]) for row in rows}) == len({row["QSTESTCD"] for row in rows})
    assert len({(row["USUBJID"], row["QSSEQ"]) for row in rows}) == len(rows)
    missing = [row for row in rows if row["QSSTAT"]]
    assert {(row["QSSTAT"], row["QSREASND"], row["QSORRES"]) for row in missing} == {
        ("NOT DONE", "UNABLE", ""),
        ("NOT DONE", "REFUSED", ""),
    }


def test_the_exchange_file_refers_to_what_it_defines(shared):
    root = ET.parse(shared / "cdisc" / "odm.xml").getroot()  # written by the kit, no outside file
    tag = "{http://www.cdisc.org/ns/odm/v1.3}"
    for ref, key, define in (
        ("ItemData", "ItemOID", "ItemDef"),
        ("ItemGroupData", "ItemGroupOID", "ItemGroupDef"),
        ("FormData", "FormOID", "FormDef"),
        ("StudyEventData", "StudyEventOID", "StudyEventDef"),
        ("MeasurementUnitRef", "MeasurementUnitOID", "MeasurementUnit"),
    ):
        assert {entry.get(key) for entry in root.iter(tag + ref)} <= {e.get("OID") for e in root.iter(tag + define)}
