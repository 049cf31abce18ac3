"""A shared study in the layout of an open standard: the CDISC SDTM domains QS (answers and scores) and DM (people).

Variables are those of the general observation class Findings and of Demographics (CDISC Study Data Tabulation Model);
test codes are our own, because the controlled terms of the questionnaires belong to their owners. All named tests
stand in QS; who wants performance tests in another findings domain changes the two letters. What neither table has a
place for (the affected hand, diagnoses, sessions) stays in the other tables of the copy.
"""

import csv
from pathlib import Path

import pandas as pd

from outcomes.columns import NOT_A_NUMBER
from outcomes.library.known import find_instrument
from outcomes.protocol.trial import Protocol
from outcomes.spreadsheet_cells import safe_rows

FOLDER = "cdisc"
_STUDY = "SHARED"
QS = (
    "STUDYID", "DOMAIN", "USUBJID", "QSSEQ", "QSTESTCD", "QSTEST", "QSCAT", "QSORRES", "QSORRESU", "QSSTRESC",
    "QSSTRESN", "QSSTRESU", "QSSTAT", "QSREASND", "QSLAT", "QSMETHOD", "QSREPNUM", "QSEVALID", "VISITNUM", "VISIT",
    "QSDY",
)  # fmt: skip
DM = ("STUDYID", "DOMAIN", "USUBJID", "SUBJID", "AGE", "AGETXT", "AGEU", "SEX", "ARMCD", "ARM")
_SEXES = {"female": "F", "male": "M", "other": "UNDIFFERENTIATED", "": "U"}
METHODS = {"unassisted": "", "assisted": "WITH DEVICE", "unpowered": "DEVICE UNPOWERED", "": ""}
_LONGEST_CODE, _LONGEST_TEST = 8, 40


def write_standard(folder: Path, tables: dict[str, pd.DataFrame], protocol: Protocol) -> list[Path]:
    """Writes `cdisc/dm.csv` and `cdisc/qs.csv` of the tables of a shared copy. Returns the files."""
    (folder / FOLDER).mkdir(exist_ok=True)
    paths = []
    for name, columns, rows in (
        ("dm", DM, people_rows(tables["participants"], protocol)),
        ("qs", QS, answer_rows(tables, protocol)),
    ):
        path = folder / FOLDER / f"{name}.csv"
        with path.open("w", encoding="utf-8", newline="") as file:
            lines = [list(columns), *([row[column] for column in columns] for row in rows)]
            csv.writer(file, lineterminator="\n").writerows(safe_rows(lines))
        paths.append(path)
    return paths


def people_rows(people: pd.DataFrame, protocol: Protocol) -> list[dict[str, str]]:
    """One row a participant, as Demographics has it."""
    labels = {arm.id: arm.label for arm in protocol.arms}
    rows = []
    for person in people.to_dict("records"):
        age, arm = plain_text(person.get("age")), plain_text(person.get("arm"))
        rows.append(
            {"STUDYID": _STUDY, "DOMAIN": "DM", "USUBJID": f"{_STUDY}-{person['participant']}"}
            | {"SUBJID": person["participant"], "AGE": age if _number(age) else ""}
            | {"AGETXT": "" if _number(age) else age, "AGEU": "YEARS" if age else ""}
            | {"SEX": _SEXES.get(plain_text(person.get("sex")), "U"), "ARMCD": arm, "ARM": labels.get(arm, arm)}
        )
    return rows


def answer_rows(tables: dict[str, pd.DataFrame], protocol: Protocol) -> list[dict[str, str]]:
    """One row an answer, a score or a trial, as a findings domain has it, numbered within each participant."""
    visits = {visit.id: (number, visit.label) for number, visit in enumerate(protocol.visits, 1)}
    days = _study_days(tables.get("visits"))
    codes = codes_of_tests(tables)
    rows: list[dict[str, str]] = []
    counts: dict[str, int] = {}
    for table in ("items", "totals", "trials"):
        for cells in tables[table].to_dict("records") if table in tables else ():
            who, visit = str(cells["participant"]), str(cells["visit"])
            counts[who] = counts.get(who, 0) + 1
            value, unit = plain_text(cells["value"]), plain_text(cells.get("unit"))
            condition, missing = plain_text(cells.get("condition")), value in NOT_A_NUMBER
            test = _test(table, cells)
            number, label = visits.get(visit, ("", visit))
            rows.append(
                {"STUDYID": _STUDY, "DOMAIN": "QS", "USUBJID": f"{_STUDY}-{who}", "QSSEQ": str(counts[who])}
                | {"QSTESTCD": codes[str(cells["instrument"]), test], "QSTEST": test}
                | {"QSCAT": str(cells["instrument"]).upper()}
                | {"QSORRES": "" if missing else value, "QSORRESU": "" if missing else unit}
                | {"QSSTRESC": "" if missing else value, "QSSTRESN": value if _number(value) else ""}
                | {"QSSTRESU": "" if missing else unit, "QSSTAT": "NOT DONE" if missing else ""}
                | {"QSREASND": value.upper() if missing and value != "not done" else ""}
                | {
                    "QSLAT": plain_text(cells.get("side")).upper(),
                    "QSMETHOD": METHODS[condition],
                }
                | {
                    "QSREPNUM": plain_text(cells.get("trial")),
                    "QSEVALID": plain_text(cells.get("rater")),
                    "VISITNUM": str(number),
                    "VISIT": label,
                }
                | {"QSDY": days.get((who, visit), "")}
            )
    return rows


def codes_of_tests(tables: dict[str, pd.DataFrame]) -> dict[tuple[str, str], str]:
    """A test code of up to eight letters and digits for each test of each instrument: I01 an answer, S01 a score."""
    codes: dict[tuple[str, str], str] = {}
    for table, letter in (("items", "I"), ("totals", "S"), ("trials", "T")):
        frame = tables.get(table)
        if frame is None:
            continue
        for name in dict.fromkeys(frame["instrument"]):
            known = find_instrument(str(name))
            named = frame[frame["instrument"] == name].to_dict("records")
            tests = list(dict.fromkeys(_test(table, cells) for cells in named))
            order = [item.id for item in known.items] if known and table == "items" else []
            places = {name: place for place, name in enumerate(order)}
            tests = [test for test in order if test in tests] + [test for test in tests if test not in places]
            start = "".join(mark for mark in str(name).upper() if mark.isalnum())[: _LONGEST_CODE - 3]
            start = start if start[:1].isalpha() else f"Q{start}"[: _LONGEST_CODE - 3]
            for number, test in enumerate(tests, 1):
                codes[str(name), test] = f"{start}{letter}{number:02d}"
    return codes


def _test(table: str, cells: dict) -> str:
    """The name of a test: the item, the score, or the trials of a force."""
    said = {"items": cells.get("item"), "totals": f"score {cells.get('scale')}", "trials": "trial"}[table]
    return str(said)[:_LONGEST_TEST]


def _study_days(visits: pd.DataFrame | None) -> dict[tuple[str, str], str]:
    """Study days by participant and visit: the day of the baseline visit is day 1, the one before it day -1."""
    if visits is None or "day" not in visits:
        return {}
    known = visits[visits["day"].notna()]
    return {
        (str(row["participant"]), str(row["visit"])): str(int(row["day"]) + (row["day"] >= 0))
        for row in known.to_dict("records")
    }


def plain_text(value: object) -> str:
    """A cell as text with all its digits; "" for none."""
    if value is None or value is pd.NA or (isinstance(value, float) and value != value):
        return ""
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    return str(value)


def _number(text: str) -> bool:
    try:
        return float(text) == float(text)
    except ValueError:
        return False
