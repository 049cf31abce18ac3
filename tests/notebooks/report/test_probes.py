"""Hostile text in every field an exhibit has: on the page, in the document, in notebooks and tables it stays text.

The page is parsed again by the standard library's parser: an element or a handler that came from a probe is one too
many. Signs a spreadsheet program computes are those of OWASP, CSV Injection.
"""

import csv
import json
import re
import zipfile
from dataclasses import dataclass
from html.parser import HTMLParser
from types import SimpleNamespace
from xml.etree import ElementTree

import pandas as pd
import plotly.graph_objects as go
import pytest

from notebooks.figures.style import finish, plain_text
from notebooks.report.make import write_parts
from notebooks.report.notebook_file import NotebookNode, code_cell, markdown_cell, new_notebook, shown
from notebooks.report.page import write_page
from notebooks.report.pictures import write_figures
from notebooks.report.word_processor import write_document
from notebooks.show.exhibits import Prose
from notebooks.show.tables import Table
from tests.notebooks.report.run_in_browser import run_of, shown_outputs

PROBES = (
    "<script>probe()</script>", "<img src=probe onerror=probe()>", "</script><script>probe()</script>",
    "<svg onload=probe()>", '"><b onmouseover=probe()>', "<!-- probe -->", "]]>probe", "{{ probe }}", "{probe}",
    "[probe](javascript:probe())", "![x](http://probe.example/x.png)", "=probe()", "@probe", "\u202eprobe", "&lt;probe",
)  # fmt: skip


@dataclass(frozen=True)
class Run:
    name: str
    notebook: NotebookNode
    seconds: float = 0.0
    reused: bool = False


class Seen(HTMLParser):
    """Elements, attributes and the text of scripts of a page."""

    def __init__(self):
        super().__init__()
        self.found, self.inside, self.code = [], "", []

    def handle_starttag(self, tag, attrs):
        self.inside = tag if tag in ("script", "style") else ""
        said = dict(attrs)
        handlers = [name for name in said if name.startswith("on")]
        link = str(said.get("href") or said.get("src") or "")
        if handlers or re.match(r"\s*javascript:", link) or "probe" in link:
            self.found.append((tag, attrs))
        if tag == "script":
            self.code.append([said.get("type", ""), ""])

    def handle_endtag(self, tag):
        self.inside = ""

    def handle_data(self, data):
        if self.inside == "script":
            self.code[-1][1] += data


def exhibits():
    """One table, paragraph and figure a probe, with it in every field of text."""
    for number, probe in enumerate(PROBES):
        name = f"probe {number}"
        frame = pd.DataFrame({"arm": [probe], "value": [1.5], "unit": [probe]})
        yield Table(name, probe, frame, {probe.replace("{", "(").replace("}", ")"): "{arm}", "Value": "{value}"},
                    keys=("arm",), notes=(probe,), unit=probe)  # fmt: skip
        yield Prose(f"said {number}", (probe,), heading=probe)
        figure = go.Figure().add_scatter(x=[1], y=[2], name=plain_text(probe))
        yield finish(figure, name=f"drawn {number}", title=probe, caption=probe, alt=probe, points=frame, keys=["arm"],
                     unit=probe, notes=(probe,))  # fmt: skip


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    to = tmp_path_factory.mktemp("probes")
    outputs = []
    for exhibit in exhibits():
        figure = isinstance(exhibit, go.Figure)
        data = {"application/vnd.plotly.v1+json": json.loads(exhibit.to_json())} if figure else (
            exhibit._repr_mimebundle_()
        )  # fmt: skip
        outputs.append(shown(data))
    run = Run("1_hostile", new_notebook([markdown_cell("# Hostile", "a"), code_cell("show()", "b", outputs)]))
    write_parts([run], to, ())
    write_page([run], to / "report.html", title=PROBES[0], subtitle=PROBES[1], made="")
    write_document([run], to / "report.docx", to / "figures", title=PROBES[0], caution="c", made=[PROBES[2]])
    return SimpleNamespace(folder=to, run=run)


def test_the_page_holds_no_element_of_a_probe(written):
    page = (written.folder / "report.html").read_text(encoding="utf-8")
    seen = Seen()
    seen.feed(page)
    assert seen.found == []
    for kind, code in seen.code:
        if kind == "application/json":
            json.loads(code)  # a probe that ended the element would have cut it
        else:
            assert "probe" not in code
    assert page.count("probe()") > 20  # they are there, as text


def test_what_a_notebook_shows_holds_none(written):
    for output in written.run.notebook.cells[1].outputs:
        seen = Seen()
        seen.feed(output["data"].get("text/html", ""))
        assert seen.found == []
        assert not [code for _, code in seen.code if "probe" in code]


def test_the_document_is_whole_and_links_nowhere(written):
    with zipfile.ZipFile(written.folder / "report.docx") as packed:
        for name in packed.namelist():
            if name.endswith((".xml", ".rels")):
                ElementTree.fromstring(packed.read(name))
            if name.endswith(".rels"):
                assert b"probe" not in packed.read(name)
        text = packed.read("word/document.xml").decode("utf-8")
    assert "&lt;script&gt;probe()" in text
    assert "instrText" not in text


def test_tables_begin_no_formula(written):
    seen = 0
    for path in [*(written.folder / "tables").glob("*.csv"), *(written.folder / "figures").glob("*.csv")]:
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.reader(file):
                seen += len(row)
                assert not [cell for cell in row if cell.startswith(("=", "+", "@", "\t", "\r"))]
    assert seen > 100


def test_a_browser_runs_none_of_them(written, browser, tmp_path):
    """Pages, what a notebook shows, and pictures opened by themselves; a file that does run one is the control."""
    figure = go.Figure()
    for number, probe in enumerate(PROBES):
        figure.add_scatter(x=[plain_text(probe)], y=[number], name=plain_text(probe), text=plain_text(probe))
        figure.add_annotation(x=0, y=number, text=plain_text(probe))
    figure.update_layout(title=plain_text(PROBES[0]), xaxis_title=plain_text(PROBES[1]), width=692, height=420)
    assert write_figures({"drawn": json.loads(figure.to_json())}, tmp_path, ["svg"]) == []
    pictures = sorted(tmp_path.glob("*.svg"))
    assert sum(path.read_text(encoding="utf-8").count("probe") for path in pictures) > 20
    notebook = tmp_path / "hostile.ipynb"
    notebook.write_text(json.dumps(written.run.notebook), encoding="utf-8")
    shown = shown_outputs(notebook, tmp_path)
    assert run_of(browser, [written.folder / "report.html", *pictures, *shown]) == {}
    controls = [tmp_path / "control.svg", tmp_path / "control.html"]
    controls[0].write_text('<svg xmlns="http://www.w3.org/2000/svg"><script>probe()</script></svg>', encoding="utf-8")
    controls[1].write_text("<img src=probe onerror=probe()>", encoding="utf-8")
    assert run_of(browser, controls).keys() == {"control.svg", "control.html"}
