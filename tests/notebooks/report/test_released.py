"""What a shareable report leaves out, and small counts: exhibits in, exhibits out, without making a report."""

import json
from dataclasses import dataclass
from types import SimpleNamespace

import pandas as pd
import plotly.graph_objects as go
import pytest

from notebooks.figures.style import finish
from notebooks.report.notebook_file import NotebookNode, code_cell, new_notebook, printed
from notebooks.report.notebook_file import shown as shown_data
from notebooks.report.record import contents
from notebooks.report.released import Release, release_of, released, without_small
from notebooks.show.content import MIME
from notebooks.show.exhibits import Prose
from notebooks.show.tables import Table


@dataclass(frozen=True)
class Run:
    notebook: NotebookNode


CODES = ("S01", "S02", "S03")
COUNTS = pd.DataFrame(
    {"arm": ["a", "b", "c"], "n": [12, 12, 2], "improved": [2, 6, 1], "unchanged": [7, 5, 1], "missing": [3, 1, 0],
     "share": [16.7, 50.0, 50.0], "mean": [1.5, 2.5, 3.5], "reasons": ["moved (2)", "ill (1)", ""]}
)  # fmt: skip


def figure(name, frame, traces=()):
    made = go.Figure()
    for trace in traces:
        made.add_scatter(**trace)
    return finish(made, name=name, title=name, caption="Thin lines: people.", alt="a", points=frame, keys=["arm"])


def run_of(*exhibits):
    outputs = []
    for exhibit in exhibits:
        data = exhibit._repr_mimebundle_() if not isinstance(exhibit, go.Figure) else {
            "application/vnd.plotly.v1+json": json.loads(exhibit.to_json())
        }  # fmt: skip
        outputs.append(shown_data(data))
    outputs.append(printed("stdout", "S01 printed"))
    return Run(new_notebook([code_cell("x", "x", outputs)]))


@pytest.fixture(scope="module")
def shown():
    people = pd.DataFrame({"participant": CODES, "arm": "a", "value": [1.0, 2.0, 3.0]})
    table = Table("scores", "Scores", people, {"Who": "{participant}", "Value": "{value}"})
    ranges = pd.DataFrame({"arm": ["a"], "n": [9], "mean": [2.5], "lowest": [1.25], "highest": [8.75]})
    means = Table("ranges", "By arm", ranges, {"Mean": "{mean}", "Range": "{lowest} to {highest}"},
                  notes=("Without S02.", "All visits."))  # fmt: skip
    prose = Prose("said", ("Everybody came.", "S03 had the largest change."))
    mixed = pd.concat([people.assign(kind="person"), pd.DataFrame({"participant": "", "arm": "a", "value": [2.0],
                                                                   "kind": "mean"})])  # fmt: skip
    lines = figure("trajectories/x", mixed, ({"x": [1, 2], "y": [1.0, 2.0], "customdata": ["S01", "S01"]},
                                             {"x": [1, 2], "y": [2.0, 2.0]}))  # fmt: skip
    dots = figure("ordered_changes/x", people)
    steps = figure("cumulative_change/x", pd.DataFrame({"arm": ["a"], "improvement": [3.0], "share": [40.0]}))
    run = run_of(table, means, prose, lines, dots, steps)
    return released(run, Release(shareable=True, codes=CODES)), run


def test_a_shareable_report_holds_no_person(shown):
    after, before = shown
    text = json.dumps(after.notebook)
    assert not [code for code in CODES if code in text]
    assert json.dumps(before.notebook).count("S01") > 3  # what was run is not touched
    found = {content["name"]: content for content in contents(after.notebook)}
    assert found["said"]["paragraphs"] == ["Everybody came."]
    assert set(found["ranges"]["frame"]) == {"arm", "n", "mean"}
    assert found["ranges"]["notes"] == ["All visits."]
    assert "8.75" not in text
    for name in ("scores", "ordered_changes/x", "cumulative_change/x"):
        assert "left out here" in found[f"left out {name}"]["paragraphs"][0]
    kept = found["trajectories/x"]
    assert kept["frame"]["value"] == [2.0]
    assert len(kept["spec"]["data"]) == 1


def test_small_counts_go_with_what_would_give_them_away():
    made, gone = without_small(COUNTS.to_dict("list"), 3)
    assert gone
    assert made["improved"] == [None, 6, None]
    assert made["missing"] == [None, None, None]  # 3 of row one: the next smallest goes with the 2
    assert made["unchanged"] == [7, None, None]
    assert made["n"] == [12, 12, None]
    assert made["share"] == [None, None, None]
    assert made["mean"] == [1.5, 2.5, None]
    assert not [text for text in made["reasons"] if "(1)" in text or "(2)" in text]
    same, gone = without_small(COUNTS.to_dict("list"), 0)
    assert not gone
    assert same == COUNTS.to_dict("list")


def test_tables_and_figures_with_small_counts(shown):
    table = Table("counts", "Counts", COUNTS, {"Arm": "{arm}", "Improved": "{improved} of {n}"}, keys=("arm",))
    shares = figure("responder_shares/x", COUNTS[["arm", "improved", "n", "share"]])
    large = figure("large/x", pd.DataFrame({"arm": ["a"], "n": [12], "improved": [6]}))
    after = released(run_of(table, shares, large), Release(smallest=3))
    found = {content["name"]: content for content in contents(after.notebook)}
    assert "smallest_cell" in found["counts"]["notes"][-1]
    assert "left out responder_shares/x" in found
    assert "large/x" in found
    html = after.notebook.cells[0].outputs[0]["data"]["text/html"]
    assert "2 of 12" not in html
    assert "6 of 12" in html


def test_the_first_page_keeps_words_and_loses_drawings_people_and_small_counts():
    content = {
        "kind": "answer", "name": "answer", "keys": ["part"], "caption": "", "notes": [],
        "frame": [["part", ["difference", "without S02"]], ["value", [1.5, 9.25]]],
        "page": "<p>S02</p>", "sheet": "<h3>2</h3><svg><circle/></svg><p>2<b> of 12</b> and 7 of 12</p>",
        "paragraphs": ["1 of 12 improved."], "caution": "Small.", "tiles": [["a", "2 of 12", "b"]],
    }  # fmt: skip
    outputs = [shown_data({MIME: content, "text/html": "S02"})]
    run = Run(new_notebook([code_cell("x", "x", outputs)]))
    data = released(run, Release(smallest=3, shareable=True, codes=CODES)).notebook.cells[0].outputs[0]["data"]
    after = data[MIME]
    assert "S02" not in json.dumps(data)
    assert after["frame"] == [["part", ["difference"]], ["value", [1.5]]]
    assert after["page"] == after["sheet"] == "<h3>2</h3><p>fewer than 3<b> of 12</b> and 7 of 12</p>"
    assert after["paragraphs"] == ["fewer than 3 of 12 improved."]
    assert after["tiles"] == [["a", "fewer than 3 of 12", "b"]]


def test_nothing_is_touched_where_nothing_is_asked(shown):
    _, run = shown
    study = SimpleNamespace(protocol=SimpleNamespace(privacy=SimpleNamespace(smallest_cell=0)))
    assert release_of(SimpleNamespace(study=study, shareable=False)).nothing
    assert released(run, Release()) is run
