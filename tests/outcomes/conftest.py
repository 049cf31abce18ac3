"""A tiny good study, and the means to damage it: every kind of finding is shown by one change to it."""

import csv
from pathlib import Path

import pandas as pd
import pytest

from outcomes import InstrumentError, instrument, score
from outcomes.checks.accounting import accounting

PROTOCOL = """\
title = "A tiny invented study"
design = "parallel"
primary = "fma_ue.motor"
outcomes = ["fma_ue.motor", "arat.total", "bbt.blocks", "nhpt.pegs_per_s", "grip.force", "comfort.total"]
seed = 1
level = 0.95

[[arms]]
id = "usual"
label = "Usual care"
reference = true

[[arms]]
id = "practice"
label = "Extra practice"

[[visits]]
id = "base"
label = "Baseline"
day = 0
window = [-3, 3]

[[visits]]
id = "w4"
label = "Week 4"
day = 28
window = [-5, 5]

[[visits]]
id = "w8"
label = "Week 8"
day = 56
window = [-5, 5]

[estimand]
variable = "motor score at week 8"
visit = "w8"

[randomisation]
randomised = true

[thresholds]
"bbt.blocks" = ["bbt-chen-2009-more-affected"]

[measures."comfort.total"]
label = "Comfort of the arm"
unit = "points"
better = "higher"
low = 0
high = 20

[instruments.nhpt]
ceiling_s = 120

[passive_motion]
grades = ["none", "slight", "marked"]

[total_motion]
system = "degrees"

[[levels]]
id = "jar"
outcome = "grip.force"
value = 100
unit = "N"
reason = "what the lid of the study's jar asks for, as measured"

[model]
covariates = ["age"]
"""
VISITS = {"base": "2025-03-03", "w4": "2025-03-31", "w8": "2025-04-28"}
PEOPLE = {f"P{number:02d}": ("usual", "practice")[number % 2] for number in range(1, 9)}


class Draft:
    """The text of a study folder before it is written: `toml`, and `tables` of text cells by file name."""

    def __init__(self, small: bool = False) -> None:
        people = dict(list(PEOPLE.items())[:4]) if small else PEOPLE
        tables = _tables(people)
        self.toml = PROTOCOL
        self.tables = {name: pd.DataFrame(rows, dtype="str").fillna("") for name, rows in tables.items()}
        self.raw: dict[str, bytes] = {}

    def set(self, file: str, row: int, column: str, value: str) -> "Draft":
        """Changes the cell in a row of the file (the header is row 1)."""
        self.tables[file].loc[row - 2, column] = value
        return self

    def where(self, file: str, **facts: str) -> list[int]:
        """Row numbers in the file of the rows with these cells."""
        frame = self.tables[file]
        hit = pd.Series(True, index=frame.index)
        for column, value in facts.items():
            hit &= frame[column] == value
        return [int(place) + 2 for place in frame.index[hit]]

    def change(self, file: str, column: str, value: str, **facts: str) -> "Draft":
        """Changes a column in every row with these cells."""
        for row in self.where(file, **facts):
            self.set(file, row, column, value)
        return self

    def append(self, file: str, **cells: str) -> "Draft":
        """Adds a row at the end of the file."""
        frame = self.tables[file]
        row = dict.fromkeys(frame.columns, "") | cells
        self.tables[file] = pd.concat([frame, pd.DataFrame([row], dtype="str")], ignore_index=True)
        return self

    def repeat(self, file: str, row: int, **cells: str) -> "Draft":
        """Adds a copy of a row at the end of the file, with some cells changed."""
        return self.append(file, **(self.tables[file].loc[row - 2].to_dict() | cells))

    def drop(self, file: str, **facts: str) -> "Draft":
        """Takes out the rows with these cells."""
        gone = [row - 2 for row in self.where(file, **facts)]
        self.tables[file] = self.tables[file].drop(index=gone).reset_index(drop=True)
        return self

    def replace(self, old: str, new: str) -> "Draft":
        """Changes a text in study.toml."""
        assert old in self.toml
        self.toml = self.toml.replace(old, new, 1)
        return self

    def write(self, folder: Path) -> Path:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "study.toml").write_text(self.toml, encoding="utf-8")
        for name, frame in self.tables.items():
            frame.to_csv(folder / f"{name}.csv", index=False)
        for name, content in self.raw.items():
            (folder / name).parent.mkdir(exist_ok=True)
            (folder / name).write_bytes(content)
        return folder


def _tables(people: dict[str, str]) -> dict[str, list[dict[str, str]]]:
    tables: dict[str, list[dict[str, str]]] = {
        "participants": [
            {
                "participant": person,
                "arm": arm,
                "age": str(50 + number),
                "sex": ("female", "male")[number % 2],
                "affected_side": ("left", "right")[number % 2],
                "dominant_side": "right",
                "diagnosis": "stroke",
                "onset": "2024-06-01",
            }
            for number, (person, arm) in enumerate(people.items())
        ],
        "visits": [],
        "items": [],
        "totals": [],
        "trials": [],
        "angles": [],
        "sessions": [],
        "adverse_events": [],
        "device_deficiencies": [],
        "wear_log": [],
        "skin_checks": [],
        "device_ratings": [],
        "motion_grades": [],
    }
    for number, person in enumerate(people):
        side = ("left", "right")[number % 2]
        for step, (visit, date) in enumerate(VISITS.items()):
            who = {"participant": person, "visit": visit}
            rater = {"rater": "R1"}
            tables["visits"].append({**who, "date": date, "status": "attended", "reason": "", **rater})
            tables["items"] += [{**who, **cells, "side": side, **rater} for cells in _answers(number, step)]
            tables["totals"].append(
                {**who, "instrument": "bbt", "scale": "blocks", "side": side, "value": str(20 + 2 * number + 3 * step)}
            )
            tables["totals"].append(
                {**who, "instrument": "comfort", "scale": "total", "side": "", "value": str(8 + step)}
            )
            for trial in (1, 2, 3):
                force = {"trial": str(trial), "value": f"{12 + number + 0.5 * trial + step:g}", "unit": "kgf"}
                tables["trials"].append({**who, "instrument": "grip", "side": side, **force, **rater})
            for mode, flexion, deficit in (("active", 60 + step, "10"), ("passive", 75, "5")):
                for joint in ("mcp", "ip"):
                    bend = {**who, "side": side, "digit": "thumb", "joint": joint, "mode": mode, **rater}
                    tables["angles"].append({**bend, "movement": "flexion", "degrees": str(flexion)})
                    tables["angles"].append({**bend, "movement": "extension deficit", "degrees": deficit})
            tables["angles"] += _stretches(who | {"side": side} | rater, step)
            tables["motion_grades"].append(
                {**who, "side": side, "digit": "thumb", "condition": "", "system": "degrees", "grade": "good"}
            )
            tables["device_ratings"].append(
                {**who, "respondent": "participant", "donning_minutes": "4", "donning_help": "carer",
                 "tasks_tried": "5", "tasks_done": str(3 + step % 2), "would_continue": "yes"}
            )  # fmt: skip
        tables["sessions"].append(
            {"participant": person, "session": "1", "date": "2025-03-10", "minutes_prescribed": "45",
             "minutes_performed": "40", "repetitions": "210", "source": "log"}
        )  # fmt: skip
        for day in ("2025-03-11", "2025-03-12"):
            tables["wear_log"].append(
                {"participant": person, "date": day, "minutes_prescribed": "60", "minutes_worn": str(40 + number),
                 "minutes_active": "30", "repetitions": "180", "assisted_percent": "55", "place": "home",
                 "source": "device log", "gap": "no", "device": "D1"}
            )  # fmt: skip
        tables["skin_checks"].append(
            {"participant": person, "visit": "w4", "date": "2025-03-31", "when": "after", "site": "palm", "side": side,
             "finding": "none", "minutes_to_clear": "", "action": "none", "event": ""}
        )  # fmt: skip
    tables["adverse_events"].append(
        {"participant": "P02", "date": "2025-03-12", "term": "tired arm", "severity": "mild", "serious": "no",
         "related": "possible", "device_deficiency": "no", "outcome": "resolved"}
    )  # fmt: skip
    tables["adverse_events"][0] |= {"event": "E1", "end_date": "2025-03-14", "expected": "yes", "action": "none"}
    tables["adverse_events"][0] |= {"criterion": "", "related_device": "possible", "related_procedure": "not related"}
    tables["device_deficiencies"].append(
        {"deficiency": "D1", "participant": "P02", "device": "D1", "date": "2025-03-12", "category": "reliability",
         "cause": "malfunction", "part": "battery", "description": "stopped early", "could_have_been_serious": "no",
         "event": "E1", "action": "repaired", "minutes_lost": "20", "resolved": "2025-03-13"}
    )  # fmt: skip
    return tables


def _stretches(who: dict[str, str], step: int) -> list[dict[str, str]]:
    """Three passive stretches of the wrist with the device off and on, the torque falling from first to last."""
    return [
        {**who, "digit": "", "joint": "wrist", "movement": "extension", "mode": "passive", "condition": condition,
         "degrees": str(30 + step + 2 * number), "repetition": str(number), "velocity": "20",
         "torque": f"{0.9 - 0.1 * number:g}", "torque_unit": "N m",
         "stiffness": ("marked", "slight", "slight")[number - 1],
         "stopped_by": "end"}
        for condition in ("unassisted", "assisted")
        for number in (1, 2, 3)
    ]  # fmt: skip


def _answers(number: int, step: int) -> list[dict[str, str]]:
    """Answers that agree with every gate and skip rule: nearly all items passed in part, some more at each visit."""
    fma = [item for item in instrument("fma_ue").items if item.id in instrument("fma_ue").main_scale.items]
    rows = []
    full = (number + 2 * step) % 12 + 2
    for place, item in enumerate(fma):
        value = max(item.levels) if len(item.levels) == 2 or 2 <= place < 2 + full else 1
        rows.append({"instrument": "fma_ue", "item": item.id, "value": f"{value:g}"})
    rows = [row | {"value": "0"} if row["item"] == "a5_normal_reflexes" else row for row in rows]
    for item in instrument("arat").items:
        rows.append({"instrument": "arat", "item": item.id, "value": "2"})
    rows.append({"instrument": "nhpt", "item": "time", "value": str(60 - number - 4 * step)})
    rows.append({"instrument": "nhpt", "item": "pegs", "value": "9"})
    return rows


@pytest.fixture
def draft() -> Draft:
    """A fresh draft of the good study, free to damage."""
    return Draft()


@pytest.fixture
def make_draft():
    """A maker of drafts; `small` ones have four participants."""
    return Draft


def rows_in_file(path: Path) -> int:
    """Rows below the header, without the blank ones at the end, counted independently of the program."""
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.reader(file))[1:]
    while rows and not any(cell.strip() for cell in rows[-1]):
        rows.pop()
    return len(rows)


@pytest.fixture
def assert_accounted():
    """A function that asserts the accounting identity of a study and its findings."""

    def holds(study, findings, plain_files: bool = True) -> None:
        try:
            scores = score(study)
        except InstrumentError:
            assert (findings.frame()["rule"] == "cannot be scored").any()
            return
        account = accounting(study, scores, findings)
        assert (account["unaccounted"] == 0).all(), account.to_string()
        parts = account["scored"] + account["kept"] + account["reported"]
        assert (parts == account["rows_read"]).all(), account.to_string()
        for row in account.itertuples():
            path = study.folder / row.file
            if plain_files and path.suffix == ".csv":
                assert row.rows_read == rows_in_file(path), row

    return holds
