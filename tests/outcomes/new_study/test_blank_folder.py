"""`outcomes new`: the folder is read as it is, filled in by hand as CSV or as workbook, and gives the scores."""

import csv

import openpyxl
import pytest

from outcomes import StudyError, check, instrument, read_study, score
from outcomes.device_sheets import DEVICE_TABLES
from outcomes.library.known import find_instrument
from outcomes.library.registry import instruments
from outcomes.new_study.blank_folder import new_study
from outcomes.protocol.study_toml import read_protocol

CHOSEN = ["fma_ue", "mas", "nhpt", "quickdash", "grip", "tam"]
PEOPLE = ["A1", "A2", "A3", "A4"]
VISITS = ["baseline", "week4", "week8"]


def cells_for(name: str, head: list[str], person: int, visit: int) -> list[list[str]]:
    """The rows a person would type into one sheet for one participant at one visit."""
    who = {"participant": PEOPLE[person], "visit": VISITS[visit], "side": "left", "rater": "R1"}
    if name == "participants":
        arm = ("control", "intervention")[person % 2]
        facts = {"arm": arm, "age": "61", "sex": "female", "affected_side": "left", "dominant_side": "right"}
        rows = [who | facts] if visit == 0 else []
    elif name == "visits":
        rows = [who | {"date": f"2025-0{3 + visit}-03", "status": "attended"}]
    elif name == "trials":
        rows = [
            who | {"instrument": "grip", "trial": str(n), "value": str(10 + visit), "unit": "kgf"} for n in (1, 2, 3)
        ]
    elif name == "angles":
        rows = [
            who | {"digit": "index", "joint": joint, "movement": movement, "mode": "active", "degrees": degrees}
            for joint in ("mcp", "pip", "dip")
            for movement, degrees in (("flexion", "50"), ("extension deficit", "5"))
        ]
    elif name.startswith("items_"):
        found = instrument(name.removeprefix("items_"))
        wanted = {item for scale in found.scales if scale.kind != "composite" for item in scale.items}
        answers = {
            item.id: "9" if found.id == "nhpt" else f"{min(item.levels):g}" for item in found.items if item.id in wanted
        }
        rows = [who | answers]
        if found.id == "mas":
            rows[0]["elbow_flexors"] = "1+"
    else:
        rows = []
    return [[row.get(column, "") for column in head] for row in rows]


def filled(name: str, head: list[str]) -> list[list[str]]:
    return [row for person in range(4) for visit in range(3) for row in cells_for(name, head, person, visit)]


def fill_csv(folder) -> None:
    for path in folder.glob("*.csv"):
        if path.stem == "data_dictionary":
            continue
        with path.open(newline="", encoding="utf-8-sig") as file:
            head = next(csv.reader(file))
        with path.open("w", newline="", encoding="utf-8-sig") as file:
            csv.writer(file).writerows([head, *filled(path.stem, head)])


def fill_workbook(folder) -> None:
    book = openpyxl.load_workbook(folder / "study.xlsx")
    for page in book.worksheets:
        head = [cell.value for cell in page[1]]
        if page.title in ("data_dictionary", "lists"):
            continue
        for row in filled(page.title, head):
            page.append([float(cell) if cell.isdigit() else cell or None for cell in row])
    book.save(folder / "study.xlsx")


@pytest.mark.parametrize("fill", [fill_csv, fill_workbook])
def test_a_folder_filled_in_is_read_without_findings(fill, tmp_path):
    folder = tmp_path / "study"
    new_study(folder, CHOSEN)
    fill(folder)
    study = read_study(folder)
    findings = check(study)
    # An instrument whose lowest answer is its best is at the end of its range at baseline, and that is said; so is
    # what stayed blank.
    expected = {"best score at baseline", "no primary visit", "table without rows"}
    assert set(findings.frame()["rule"]) <= expected, str(findings)
    scores = score(study)
    for name in CHOSEN:
        outcome = f"{name}.{instrument(name).main_scale.id}"
        assert scores.loc[scores["outcome"] == outcome, "value"].notna().sum() == 12, outcome
    motion = scores.loc[scores["outcome"] == "tam.index", "value"]
    assert (motion == 135).all()  # 3 x 50 flexion less 3 x 5 deficit, by hand
    spastic = scores.loc[scores["outcome"] == "mas.elbow_flexors", "value"]
    assert (spastic == 2).all()  # 1+ is the third of six grades, rank 2 counted from 0


def test_csv_and_workbook_hold_the_same(tmp_path):
    frames = []
    for name, fill in (("csv", fill_csv), ("xlsx", fill_workbook)):
        new_study(tmp_path / name, CHOSEN)
        fill(tmp_path / name)
        frames.append(score(read_study(tmp_path / name)))
    assert frames[0].equals(frames[1])


def test_an_empty_folder_asks_to_be_filled_in(tmp_path):
    new_study(tmp_path / "study", CHOSEN)
    with pytest.raises(StudyError, match="no participant: found 0 rows, allowed one row per participant"):
        read_study(tmp_path / "study")


def test_participants_given_are_filled_in_at_every_visit(tmp_path):
    new_study(tmp_path, ["bbt"], participants=PEOPLE, arms=[])
    with (tmp_path / "items_bbt.csv").open(newline="", encoding="utf-8-sig") as file:
        rows = list(csv.DictReader(file))
    assert [(row["participant"], row["visit"]) for row in rows] == [(who, when) for who in PEOPLE for when in VISITS]
    assert read_study(tmp_path).protocol.design == "single-arm"


def test_a_filled_folder_is_left_alone(tmp_path):
    (tmp_path / "mine.txt").write_text("data")
    with pytest.raises(StudyError, match="not empty"):
        new_study(tmp_path)


def test_every_instrument_has_a_form_and_every_column_its_words(tmp_path):
    """All instruments at once; the dictionary names every column of every sheet, and item columns their answers."""
    new_study(tmp_path, list(instruments()))
    with (tmp_path / "data_dictionary.csv").open(newline="", encoding="utf-8-sig") as file:
        described = {(row["sheet"], row["column"]): row for row in csv.DictReader(file)}
    for path in tmp_path.glob("*.csv"):
        if path.stem != "data_dictionary":
            with path.open(newline="", encoding="utf-8-sig") as file:
                for column in next(csv.reader(file)):
                    assert described[path.stem, column]["what it holds"], (path.stem, column)
    for name, column in described:
        found = find_instrument(name.removeprefix("items_")) if name.startswith("items_") else None
        item = found.item(column) if found else None
        if item and item.levels:
            # A list that begins with a hyphen begins with a minus sign, so that no spreadsheet takes it for a formula.
            allowed = described[name, column]["allowed"].replace("\N{MINUS SIGN}", "-").split(", ")
            assert {f"{level:g}" for level in item.levels} <= set(allowed)
            assert {"not done", "not testable", "refused"} <= set(allowed)
            # On a form where "unable" is an answer of some items, the dictionary says of which.
            assert ("unable" in allowed) == (not item.refuses)
            assert len(allowed) == len(set(allowed))


def test_the_workbook_offers_lists(tmp_path):
    new_study(tmp_path, ["fma_ue", "grip"], arms=["usual", "extra"])
    book = openpyxl.load_workbook(tmp_path / "study.xlsx")

    def rule(page: str, column: str):
        head = [cell.value for cell in book[page][1]]
        letter = openpyxl.utils.get_column_letter(head.index(column) + 1)
        return next(rule for rule in book[page].data_validations.dataValidation if f"{letter}2" in rule.sqref)

    assert rule("participants", "arm").formula1 == '"usual,extra"'
    assert rule("trials", "unit").formula1 == '"kgf,lbf,N"'
    assert rule("items_fma_ue", "visit").formula1 == '"baseline,week4,week8"'
    assert rule("items_fma_ue", "a1_reflex_flexors").formula1 == '"0,2,not done,not testable,unable,refused"'
    assert rule("items_fma_ue", "participant").formula1 == "participants!$A$2:$A$2001"
    assert all(rule.sqref for page in book.worksheets for rule in page.data_validations.dataValidation)


def test_sheets_of_a_device_are_offered_and_made(tmp_path):
    """Described in every dictionary, made on request; what the study.toml offers is read as it stands, uncommented."""
    plain = new_study(tmp_path / "plain", ["grip"], sheets="csv")
    assert not {path.stem for path in plain} & set(DEVICE_TABLES)
    with (tmp_path / "plain" / "data_dictionary.csv").open(newline="", encoding="utf-8-sig") as file:
        described = {row[0] for row in csv.reader(file)}
    assert set(DEVICE_TABLES) <= described
    made = new_study(tmp_path / "device", ["grip"], arms=("splint",), sheets="csv", device=True)
    assert set(DEVICE_TABLES) | {"angles", "trials"} <= {path.stem for path in made}
    text = (tmp_path / "device" / "study.toml").read_text(encoding="utf-8")
    offered = text[text.index("# A trial of a device") :].splitlines()[1:]
    path = tmp_path / "study.toml"
    path.write_text(text + "\n".join(line.removeprefix("#") for line in offered), encoding="utf-8")
    protocol = read_protocol(path)
    assert [level.outcome for level in protocol.levels] == ["index_press.force"]
    assert protocol.stiffness_grades == ("none", "slight", "moderate", "marked")
