"""A first study, as README tells it: a new folder, one instrument and grip for six people, a report. No code.

Filled once in the workbook, as a spreadsheet program saves it, and once in the CSV sheets as a program of a country
with decimal commas saves them: semicolons, decimal commas, days first, its own encoding. Both must give one report.
"""

import csv
import datetime
import random
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest

from notebooks.commands import main

PEOPLE = [f"P{number:02d}" for number in range(1, 7)]
VISITS = ("baseline", "week4", "week8")  # as 'outcomes new' plans them where nothing else is asked for


def sheets() -> dict[str, list[dict]]:
    """What six people would have had typed in: Box and Block and three grip trials a hand, at three visits."""
    rng = random.Random(3)
    filled: dict[str, list[dict]] = {"participants": [], "visits": [], "items_bbt": [], "trials": []}
    for place, person in enumerate(PEOPLE):
        affected = ("left", "right")[place // 3]
        filled["participants"].append(
            {"participant": person, "arm": ("control", "intervention")[place % 2], "age": 50 + 3 * place,
             "sex": ("female", "male")[place % 2], "affected_side": affected, "dominant_side": "right",
             "diagnosis": "stroke", "onset": datetime.date(2023, 5, 13 + place)}
        )  # fmt: skip
        for number, visit in enumerate(VISITS):
            seen = {"participant": person, "visit": visit, "rater": "Ö"}
            date = datetime.date(2024, 3, 14) + datetime.timedelta(days=28 * number)
            filled["visits"].append(seen | {"date": date, "status": "attended"})
            for side in ("left", "right"):
                own = seen | {"side": side, "condition": "unassisted"}
                middle, force = (20, 14) if side == affected else (55, 32)
                filled["items_bbt"].append(own | {"blocks": middle + rng.randint(-5, 5) + 3 * number})
                for trial in (1, 2, 3):
                    value = round(force + rng.uniform(-1, 1) + number, 1)
                    filled["trials"].append(own | {"instrument": "grip", "trial": trial, "value": value, "unit": "kgf"})
    return filled


def fill_workbook(folder: Path) -> None:
    book = openpyxl.load_workbook(folder / "study.xlsx")
    for name, rows in sheets().items():
        head = [cell.value for cell in book[name][1]]
        for number, row in enumerate(rows, 2):
            for column, heading in enumerate(head, 1):
                if heading in row:
                    book[name].cell(number, column).value = row[heading]
    book.save(folder / "study.xlsx")


def fill_csv(folder: Path) -> None:
    def typed(value: object) -> str:
        if isinstance(value, float):
            return str(value).replace(".", ",")
        return value.strftime("%d.%m.%Y") if isinstance(value, datetime.date) else str(value)

    for name, rows in sheets().items():
        path = folder / f"{name}.csv"
        with path.open(encoding="utf-8-sig", newline="") as file:
            head = next(csv.reader(file))
        lines = [head, *([typed(row.get(heading, "")) for heading in head] for row in rows)]
        path.write_text("".join(";".join(line) + "\r\n" for line in lines), encoding="cp1252", newline="")


def follow(folder: Path, fill: Callable[[Path], None], *only: str) -> None:
    """The commands of README, one after the other."""
    folder.mkdir()
    study, report = str(folder / "trial"), str(folder / "report")
    assert main(["new", study, "--instruments", "bbt", "grip"]) == 0
    fill(folder / "trial")
    assert main(["check", study]) == 0
    assert (
        main(["report", study, "--to", report, "--no-pictures", "--quiet", *(["--only", *only] if only else [])]) == 0
    )


@pytest.fixture(scope="module")
def from_workbook(make_once) -> Path:
    return make_once("first_workbook", lambda folder: follow(folder, fill_workbook))


@pytest.fixture(scope="module")
def from_sheets(make_once) -> Path:
    """Of the notebooks only those that show what was read and how it was scored."""
    return make_once("first_csv", lambda folder: follow(folder, fill_csv, "1", "2", "4"))


def test_the_report_holds_every_value_typed_in(from_workbook, numbers):
    found, rows = numbers(from_workbook / "report"), sheets()
    affected = {row["participant"]: row["affected_side"] for row in rows["participants"]}
    for row in rows["items_bbt"]:
        name = f"scores/bbt.blocks | {row['participant']} | {row['visit']} | {row['side']} | unassisted/value"
        assert found[name] == row["blocks"], name
    for person in PEOPLE:
        for visit in VISITS:
            where = (person, visit, affected[person])
            trials = [
                row["value"] for row in rows["trials"] if (row["participant"], row["visit"], row["side"]) == where
            ]
            name = f"scores/grip.force | {person} | {visit} | {affected[person]} | unassisted/value"
            assert found[name] == pytest.approx(sum(trials) / 3)
    assert (from_workbook / "report" / "report.docx").exists()
    assert "Box and Block Test" in (from_workbook / "report" / "report.html").read_text(encoding="utf-8")


def test_a_workbook_and_sheets_with_decimal_commas_give_the_same_numbers(from_workbook, from_sheets, numbers):
    """All but the counts of what the checks noted on reading: commas and day-first dates are notes."""
    whole, part = (
        {
            name: value
            for name, value in numbers(folder / "report").items()
            if not name.startswith(("finding_counts", "files_read"))
        }
        for folder in (from_workbook, from_sheets)
    )
    assert len(part) > 500
    assert part == {name: whole[name] for name in part}


def test_before_anything_is_typed_in_the_check_says_what_to_do(tmp_path, capsys):
    assert main(["new", str(tmp_path / "trial")]) == 0
    told = capsys.readouterr().out
    for name in ("study.toml", "study.xlsx", "data_dictionary.csv", "outcomes check", "outcomes report"):
        assert name in told
    assert main(["check", str(tmp_path / "trial")]) == 1
    assert "no participant" in capsys.readouterr().err
    assert main(["new", str(tmp_path / "named"), "--people", "P01", "P02", "P03", "P04"]) == 0
    assert main(["check", str(tmp_path / "named")]) == 1  # people without a single value: findings, no traceback
    assert "more than once" not in capsys.readouterr().out  # the codes stand in one file only


def test_new_takes_arms_visits_and_people_and_refuses_in_words(tmp_path, capsys):
    folder = tmp_path / "trial"
    asked = [
        "--instruments",
        "bbt",
        "--arms",
        "--visits",
        "entry=0",
        "exit=21.5",
        "--people",
        "A1",
        "A2",
        "--sheets",
        "csv",
    ]
    assert main(["new", str(folder), *asked]) == 0
    protocol = (folder / "study.toml").read_text(encoding="utf-8")
    assert 'design = "single-arm"' in protocol
    assert "day = 21.5" in protocol
    assert not (folder / "study.xlsx").exists()
    with (folder / "visits.csv").open(encoding="utf-8-sig", newline="") as file:
        assert [row[:2] for row in csv.reader(file)][1:] == [["A1", "entry"], ["A1", "exit"], ["A2", "entry"],
                                                             ["A2", "exit"]]  # fmt: skip
    capsys.readouterr()
    refusals = {"planned day": ["--visits", "week4"], "nonsuch": ["--instruments", "nonsuch"], "not empty": []}
    for word, wrong in refusals.items():
        where = folder if not wrong else tmp_path / "other"
        assert main(["new", str(where), *wrong]) == 1
        error = capsys.readouterr().err
        assert word in error
        assert error.startswith("outcomes: ")
    assert not (tmp_path / "other").exists()
