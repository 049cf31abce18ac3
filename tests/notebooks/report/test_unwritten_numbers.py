"""No report made in any test says nan, inf or None: not in a text, a table, a figure, a caption or its record."""

import base64
import json
import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path

import nbformat
import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest

from notebooks.figures.style import finish
from notebooks.report.record import PLOTLY
from tests.notebooks.unwritten import in_exhibit, in_report, in_reports, in_text

NO_BREAK = "\N{NO-BREAK SPACE}"
NAN = {"dtype": "f8", "bdata": base64.b64encode(np.array([1.0, np.nan])).decode()}
FIGURE = {"data": [{"x": [1, 2], "y": NAN, "name": "usual"}], "layout": {"title": {"text": "Change"}}}


@pytest.mark.parametrize("report", ["stroke_report", "cohort_report", "demo_report"])
def test_a_report_has_no_unwritten_number(report, request):
    assert in_report(request.getfixturevalue(report)) == []


def test_every_report_of_every_test_is_searched(request):
    """By a fixture of the whole run, which looks into pytest's temporary folders: no test makes a report elsewhere."""
    assert "reports_have_no_unwritten_number" in request.fixturenames
    for path in Path(__file__).parents[2].rglob("test_*.py"):
        text = path.read_text(encoding="utf-8")
        if path.name == "test_placing.py":  # a place that nobody may write lies outside; no report is made there
            continue
        if path != Path(__file__) and ("make_report" in text or '"report"' in text):
            assert "tempfile" not in text, path
            assert "tmp_path" in text or "_report" in text, path


@pytest.mark.parametrize("text", ["95 % interval nan to nan", "the p value is None.", "(inf to 3)", "-inf", "NaN",
                                  "to \N{MINUS SIGN}inf", "seen NaT", "<NA> points", "nan%"])  # fmt: skip
def test_an_unwritten_number_is_seen(text):
    assert in_text(text)


@pytest.mark.parametrize("text", ["None of the 12 participants", "None found", "infinite", "finance", "information"])
def test_words_are_left_alone(text):
    assert not in_text(text)


def test_an_end_of_an_interval_that_could_not_be_computed_is_not_drawn():
    ends = {"type": "data", "symmetric": False, "array": np.array([1.0, np.nan])}
    drawn = go.Figure(go.Scatter(x=[1.0, 2.0], y=[0, 1], error_x=ends))
    assert in_exhibit(drawn)
    points = pd.DataFrame({"estimate": [1.0, 2.0]})
    made = finish(drawn, name="made_up", title="Made up", caption="Two points.", alt="Two points.", points=points)
    assert in_exhibit(made) == []
    assert list(made.data[0].error_x.array) == [1.0, None]
    assert "no interval could be computed" in made.layout.meta["caption"].replace(NO_BREAK, " ")


def in_page_text(path: Path) -> None:
    _edit(path, lambda page: page.replace("</main>", "<p>the interval is nan to 3</p></main>", 1))


def in_page_table(path: Path) -> None:
    _edit(path, lambda page: page.replace("</td>", " nan</td>", 1))


def in_page_caption(path: Path) -> None:
    _edit(path, lambda page: page.replace("</caption>", ", n = None</caption>", 1))


def in_page_figure(path: Path) -> None:
    _edit(path, lambda page: f'{page}<script type="application/json" id="a">{json.dumps(FIGURE)}</script>')


def in_figure_title(path: Path) -> None:
    spec = {"data": [], "layout": {"title": {"text": "Difference NaN"}}}
    _edit(path, lambda page: f'{page}<script type="application/json" id="a">{json.dumps(spec)}</script>')


def in_cell(path: Path) -> None:
    _edit(path, lambda table: f"{table}nan,1\n")


def in_document(path: Path) -> None:
    with zipfile.ZipFile(path) as parts:
        files = {name: parts.read(name) for name in parts.namelist()}
    body = files["word/document.xml"]
    at = body.rindex(b"<w:sectPr")
    broken = b"<w:p><w:r><w:t>from na</w:t></w:r><w:r><w:t>n to 3</w:t></w:r></w:p>"  # words are cut into runs
    files["word/document.xml"] = body[:at] + broken + body[at:]
    with zipfile.ZipFile(path, "w") as parts:
        for name, content in files.items():
            parts.writestr(name, content)


def in_record_sentence(path: Path) -> None:
    record = json.loads(path.read_text(encoding="utf-8"))
    record["sentences"]["made_up"] = ["the difference is nan points"]
    path.write_text(json.dumps(record), encoding="utf-8")


def in_record_number(path: Path) -> None:
    record = json.loads(path.read_text(encoding="utf-8"))
    record["numbers"][0]["value"] = float("nan")
    path.write_text(json.dumps(record), encoding="utf-8")


def in_notebook(path: Path) -> None:
    _show(path, {"text/plain": "df = nan"})


def in_notebook_figure(path: Path) -> None:
    _show(path, {PLOTLY: FIGURE})


def in_drawing(path: Path) -> None:
    path.write_text('<svg><g><text x="1">\N{MINUS SIGN}NaN kg</text></g></svg>', encoding="utf-8")


PLANTED = [
    ("report.html", in_page_text), ("report.html", in_page_table), ("report.html", in_page_caption),
    ("report.html", in_page_figure), ("report.html", in_figure_title), ("report.docx", in_document),
    ("tables/*.csv", in_cell), ("figures/*.csv", in_cell), ("record.json", in_record_sentence),
    ("record.json", in_record_number), ("notebooks/*.ipynb", in_notebook), ("notebooks/*.ipynb", in_notebook_figure),
    ("figures/drawn.svg", in_drawing),
]  # fmt: skip


@pytest.mark.parametrize(("where", "plant"), PLANTED, ids=[f"{where} {plant.__name__}" for where, plant in PLANTED])
def test_a_planted_one_is_found_in_every_place(where: str, plant: Callable[[Path], None], cohort_report, tmp_path):
    """A copy of one file of a true report, spoiled; taken away again before the search of the whole run."""
    report = tmp_path / "report"
    source = next(iter(sorted(cohort_report.glob(where))), cohort_report / where)
    copy = report / source.relative_to(cohort_report)
    copy.parent.mkdir(parents=True)
    if source.exists():
        shutil.copyfile(source, copy)
    before = in_report(report)
    try:
        plant(copy)
        (report / "record.json").touch()
        if copy.name != "record.json":
            (report / "record.json").write_text("{}", encoding="utf-8")
        found = in_reports([tmp_path])
    finally:
        shutil.rmtree(report)
    assert before == []
    assert found
    assert all(place.startswith(f"report/{copy.relative_to(report).as_posix()}: ") for place in found)


def _edit(path: Path, change: Callable[[str], str]) -> None:
    text = path.read_text(encoding="utf-8")
    changed = change(text)
    assert changed != text
    path.write_text(changed, encoding="utf-8")


def _show(path: Path, data: dict) -> None:
    notebook = nbformat.read(path, 4)
    notebook.cells.append(nbformat.v4.new_code_cell("1", outputs=[nbformat.v4.new_output("display_data", data)]))
    nbformat.write(notebook, path)
