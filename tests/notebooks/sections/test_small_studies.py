"""Every notebook on the studies that break an analysis: two people an arm, one person, one visit, no dates, no grip.

The cells are run in this process, one notebook after the other, as a kernel would run them; each must come to its end
and show something, for a refusal in one notebook would cost the whole report.
"""

import csv
import datetime
from pathlib import Path

import nbformat
import plotly.graph_objects as go
import pytest

from notebooks.report.run import shipped
from notebooks.show.exhibits import Exhibits
from outcomes.new_study.blank_folder import new_study
from tests.notebooks.unwritten import in_exhibit

ARMS = ("control", "intervention")


def fill(folder: Path, people: list[tuple[str, str]], visits: dict[str, float], **how) -> None:
    """A study of Box and Block and grip. people: code and arm. how: what is out of the ordinary."""
    arms = sorted({arm for _, arm in people} - {""})
    new_study(folder, ["bbt", "grip"], arms=arms, visits=list(visits.items()), sheets="csv")
    rows: dict[str, list[dict]] = {"participants": [], "visits": [], "items_bbt": [], "trials": []}
    for place, (person, arm) in enumerate(people):
        affected = ("left", "right")[place % 2]
        rows["participants"].append(
            {"participant": person, "arm": arm, "age": 60 + place, "sex": ("male", "female")[place % 2],
             "affected_side": affected, "dominant_side": "right"}
        )  # fmt: skip
        for number, (visit, day) in enumerate(visits.items()):
            if number and person in how.get("gone", ()):
                continue
            if (place, number) in how.get("missed", ()):
                continue
            seen = {"participant": person, "visit": visit}
            date = datetime.date(2024, 3, 14) + datetime.timedelta(days=day)
            rows["visits"].append(seen | {"date": date.isoformat(), "status": "attended"})
            own = seen | {"side": affected, "condition": "unassisted"}
            moved = 0 if how.get("still") else 3 * number + place * (-1) ** number
            moved = how["moves"](place, number) if "moves" in how else moved
            nothing = how.get("zero") and number == 0
            rows["items_bbt"].append(own | {"blocks": 0 if nothing else 20 + moved})
            for trial in (1, 2, 3):
                force = "unable" if how.get("unable") else 0 if nothing else 14 + 0.1 * trial + moved
                rows["trials"].append(own | {"instrument": "grip", "trial": trial, "value": force, "unit": "kgf"})
    for name, filled in rows.items():
        if name == "visits" and how.get("undated"):
            continue
        path = folder / f"{name}.csv"
        with path.open(encoding="utf-8-sig", newline="") as file:
            head = next(csv.reader(file))
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, head, extrasaction="ignore")
            writer.writeheader()
            writer.writerows(filled)


def group(size: int, arms: tuple[str, ...] = ARMS) -> list[tuple[str, str]]:
    return [(f"P{number}", arms[number % len(arms)]) for number in range(1, size + 1)]


TWO, THREE = {"baseline": 0.0, "week4": 28.0}, {"baseline": 0.0, "week4": 28.0, "week8": 56.0}
EIGHT = {f"week{7 * k}": 7.0 * k for k in range(8)}
STUDIES = {
    "two people an arm": (group(4), TWO, {}),
    "one person": (group(1, ("",)), TWO, {}),
    "one visit planned": (group(6), {"baseline": 0.0}, {}),
    "baseline only so far": (group(6), THREE, {"gone": {f"P{number}" for number in range(1, 7)}}),
    "no visit dates": (group(6), THREE, {"undated": True}),
    "nobody can grip": (group(6), TWO, {"unable": True}),
    "nobody changed": (group(6), TWO, {"still": True}),
    "one left in an arm": (group(6), TWO, {"gone": {"P2", "P4"}}),
    "an arm gone": (group(6), TWO, {"gone": {"P2", "P4", "P6"}}),
    "three arms of two": (group(6, ("a", "b", "c")), TWO, {}),
    "eight visits of ten people with gaps": (
        group(10),
        EIGHT,
        {
            "missed": {(k, 1 + (3 * k + j) % 7) for k in range(10) for j in (0, 3)},
            "moves": lambda k, j: (7 * k * k + 5 * j * k + 3 * j) % 11,
        },
    ),
    "an arm that lost its last visits": (
        group(9, ("a", "b", "c")),
        THREE,
        {"missed": {(k, 2) for k in (1, 4, 7)} | {(1, 1), (4, 1)}, "moves": lambda k, j: (5 * k + 7 * j * k) % 13},
    ),
    "people who differ and never move, with gaps": (
        group(8),
        THREE,
        {"missed": {(0, 1), (3, 2), (5, 1)}, "moves": lambda k, j: 2 * k},
    ),
    "who begins low ends high": (
        group(8),
        THREE,
        {"missed": {(1, 2)}, "moves": lambda k, j: (k if j < 1 else 9 - k) + (k * j) % 3},
    ),
    "everybody begins at nothing, with gaps": (
        group(8),
        THREE,
        {"missed": {(1, 2), (4, 1)}, "moves": lambda k, j: (3 * k) % 7, "zero": True},
    ),
}


@pytest.mark.parametrize("study", STUDIES)
@pytest.mark.filterwarnings("ignore")
def test_every_notebook_comes_to_its_end(study, tmp_path, monkeypatch):
    people, visits, how = STUDIES[study]
    fill(tmp_path / "study", people, visits, **how)
    shown: list[object] = []
    monkeypatch.setattr("notebooks.show.exhibits.display", shown.append)
    for name, path in shipped().items():
        names = {"display": lambda *values: shown.extend(values)}  # every kernel has it
        for place, cell in enumerate(nbformat.read(path, 4).cells):
            if cell.cell_type != "code":
                continue
            *statements, last = cell.source.rstrip().rsplit("\n", 1)
            try:
                exec("\n".join(statements), names)
                if "parameters" in cell.metadata.get("tags", []):
                    exec(last, names)
                    names["folder"] = str(tmp_path / "study")
                else:
                    show(last, names, shown)
            except Exception as error:
                pytest.fail(f"{name}, cell {place}: {type(error).__name__}: {error}")
    assert len(shown) > 10
    assert [place for exhibit in shown for place in in_exhibit(exhibit)] == []


def show(line: str, names: dict, shown: list) -> None:
    """The last line of a cell: a statement, or a value that a notebook would show."""
    try:
        code = compile(line, "cell", "eval")
    except SyntaxError:
        exec(line, names)
        return
    value = eval(code, names)
    if isinstance(value, Exhibits):
        value._ipython_display_()
    elif isinstance(value, go.Figure):
        assert value.to_json()
        shown.append(value)
    elif hasattr(value, "_repr_mimebundle_"):
        assert value._repr_mimebundle_()["text/plain"]
        shown.append(value)
