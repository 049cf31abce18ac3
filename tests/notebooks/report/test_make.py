"""What a report folder holds, and that two runs are the same."""

import base64
import csv
import gzip
import json
import re
import shutil
from pathlib import Path

import nbformat
import pytest
from plotly.offline import get_plotlyjs

from notebooks.report import record as records
from notebooks.report.make import make_report
from notebooks.report.pictures import NO_BROWSER, find_browser, write_figures
from notebooks.show.tables import identifier

STUDIES = Path(__file__).resolve().parents[2] / "studies"
REPORTS = ("stroke_report", "cohort_report")


@pytest.fixture(params=REPORTS)
def report(request) -> Path:
    return request.getfixturevalue(request.param)


def exhibits(report: Path) -> list[dict]:
    """Everything the executed notebooks showed."""
    paths = sorted((report / "notebooks").glob("*.ipynb"))
    return [content for path in paths for content in records.contents(nbformat.read(path, 4))]


def test_every_notebook_ran_to_its_end_without_a_word_on_stderr(report):
    for path in (report / "notebooks").glob("*.ipynb"):
        for cell in nbformat.read(path, 4).cells:
            kinds = [output.output_type for output in cell.get("outputs", [])]
            assert "error" not in kinds
            assert "stream" not in kinds


def test_every_table_and_figure_shown_is_on_the_page_and_in_a_file(report):
    """A figure of a headless run is data only, which a page could drop without a word: count them on the page."""
    page = "".join((report / name).read_text(encoding="utf-8") for name in ("report.html", "appendix.html"))
    shown = exhibits(report)
    figures = [content for content in shown if content["kind"] == "figure"]
    tables = [content for content in shown if content["kind"] == "table"]
    assert len(figures) >= 4
    assert page.count('class="plot"') == len(figures)
    for content in figures:
        assert (report / "figures" / f"{identifier(content['name'])}.csv").exists()
        assert content["alt"]
        assert content["caption"]
        assert content["frame"]
    for content in tables:
        assert content["caption"] in page
        with (report / "tables" / f"{identifier(content['name'])}.csv").open(encoding="utf-8", newline="") as file:
            assert len(list(csv.reader(file))) == 1 + len(next(iter(content["frame"].values()), []))


def test_the_page_asks_for_nothing_from_outside(report):
    page = (report / "report.html").read_text(encoding="utf-8")
    markup = re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL)
    assert set(re.findall(r"""(?:src|href)=["'](?!#|data:)[^"']*""", markup)) == {'href="appendix.html'}
    assert "<html lang=" in page


def test_the_page_holds_the_whole_drawing_library_packed(cohort_report):
    """Unpacked by the standard library it is, sign by sign, what plotly ships."""
    for name in ("report.html", "appendix.html"):
        page = (cohort_report / name).read_text(encoding="utf-8")
        packed = re.findall(r'<script type="text/plain" id="plotly">([^<]*)</script>', page)
        assert [gzip.decompress(base64.b64decode(one)).decode() for one in packed] == [get_plotlyjs()]
        assert get_plotlyjs()[:200] not in page


def test_record_names_every_number_once_with_unit_n_and_notes(report):
    record = records.read(report / "record.json")
    names = [entry["name"] for entry in record["numbers"]]
    assert len(names) == len(set(names)) > 300
    for entry in record["numbers"]:
        assert set(entry) == {"name", "value", "unit", "n", "notes", "notebook"}
        assert all(0 <= place < len(record["notes"]) for place in entry["notes"])
    assert set(record["inputs"]) == {path.name for path in (report / "inputs").iterdir()}
    assert record["software"]["numpy"]


def test_record_and_notebooks_hold_no_path_of_this_computer(report):
    texts = [path.read_text(encoding="utf-8") for path in report.rglob("*.ipynb")]
    texts.append((report / "record.json").read_text(encoding="utf-8"))
    texts.append(
        (report / "report.html")
        .read_text(encoding="utf-8")
        .partition("<main")[2]
        .partition('<script type="text/plain"')[0]
    )
    assert not [text for text in texts if str(report.parent) in text or str(STUDIES) in text]


def test_another_run_gives_the_same_record_but_for_its_times(cohort_report, tmp_path):
    """The first run had one notebook at a time, this one has two."""
    make_report(STUDIES / "five_person_cohort", tmp_path / "again", pictures=(), processes=2)
    first, second = (records.read(folder / "record.json") for folder in (cohort_report, tmp_path / "again"))
    for one in (first, second):
        del one["times"], one["study"]["folder"], one["hashes"]
    assert first == second


def test_only_what_changed_is_run_again(cohort_report, tmp_path):
    copy = tmp_path / "copy"
    shutil.copytree(cohort_report, copy)
    lines: list[str] = []
    made = make_report(STUDIES / "five_person_cohort", copy, pictures=(), say=lines.append)
    notebooks = [line for line in lines if not line.startswith(("writing ", "putting "))]
    assert all("taken from the last run" in line for line in notebooks)
    assert len(notebooks) >= 4
    record = json.loads((cohort_report / "record.json").read_text(encoding="utf-8"))
    assert made.record["numbers"] == record["numbers"]


def test_pictures_are_written_or_their_absence_is_explained(stroke_report):
    names = {path.stem for path in (stroke_report / "figures").glob("*.csv")}
    if find_browser() is None:
        assert NO_BROWSER in (stroke_report / "report.html").read_text(encoding="utf-8")
        pytest.skip("no Chromium-family browser: there are no pictures to look at")
    for name in names:
        svg = (stroke_report / "figures" / f"{name}.svg").read_text(encoding="utf-8")
        assert "<text" in svg  # words stay words
        assert (stroke_report / "figures" / f"{name}.png").read_bytes().startswith(b"\x89PNG")


def test_without_a_browser_no_picture_is_written_and_the_reason_is_returned(monkeypatch, tmp_path):
    monkeypatch.setenv("BROWSER_PATH", str(tmp_path / "no-such-browser"))
    assert write_figures({"one": {"data": [], "layout": {}}}, tmp_path / "figures") == [NO_BROWSER]
    assert not (tmp_path / "figures").exists()
