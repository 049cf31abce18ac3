"""Executed notebooks -> one HTML page that needs no network.

Headless runs leave plotly figures and the content of tables as data; each output is turned into HTML here, and a
template lays the page out.
"""

import html
import json
import re
from collections.abc import Mapping, Sequence
from pathlib import Path

import mistune
import nbformat
from jinja2 import Environment, FileSystemLoader
from plotly.offline import get_plotlyjs

from notebooks.figures.one_column import exported, in_column, untitled
from notebooks.report.record import PLOTLY
from notebooks.report.run import Run
from notebooks.show.content import MIME
from notebooks.show.tables import identifier, mark_long_cells

NOTEBOOK_ONLY = "notebook-only"  # tag of a text that speaks to the person running the notebook
TEMPLATES = Path(__file__).parent / "templates"
CAUTION = (
    "Research software for groups of participants. Not for decisions about one person and not for safety monitoring: "
    "local rules, the ethics board and licensed clinicians decide."
)
TABLE = re.compile(r"<table.*</table>", re.DOTALL)
FOOT = re.compile(r"<tfoot.*</tfoot>", re.DOTALL)
NOTE = re.compile(r'<td class="gt_sourcenote"[^>]*>(.*?)</td>', re.DOTALL)
NOTES = 4


def write_page(runs: Sequence[Run], to: Path, *, title: str, subtitle: str, made: str) -> None:
    """Write the report page. `made` is the HTML of the last section: inputs, versions, files."""
    cells, sections = _join(runs)
    environment = Environment(loader=FileSystemLoader(TEMPLATES / "report"), autoescape=False)
    environment.filters["markdown"] = mistune.create_markdown(plugins=["table"])
    report = {
        "title": title,
        "subtitle": subtitle,
        "caution": CAUTION,
        "sections": sections,
        "made": made,
        "css": (TEMPLATES / "report" / "page.css").read_text(encoding="utf-8"),
        "script": (TEMPLATES / "report" / "page.js").read_text(encoding="utf-8"),
        "plotly": get_plotlyjs(),
    }
    to.write_text(environment.get_template("index.html.j2").render(report=report, cells=cells), encoding="utf-8")


def _join(runs: Sequence[Run]) -> tuple[list[nbformat.NotebookNode], list[dict[str, str]]]:
    """The cells of all notebooks, each notebook a section of the page."""
    joined: list[nbformat.NotebookNode] = []
    sections = []
    for run in runs:
        kept = [cell for cell in run.notebook.cells if NOTEBOOK_ONLY not in cell.metadata.get("tags", [])]
        cells, heading = [], ""  # the last heading inside the section
        for place, cell in enumerate(_together(kept)):
            if cell.cell_type == "markdown":
                heading = [heading, *re.findall(r"^##+ (.*)$", cell.source, re.MULTILINE)][-1]
            cells.append(_for_page(cell, f"{identifier(run.name)}-{place}", heading))
        title, rest = _title(cells[0].source)
        cells[0].source = rest
        anchor = f"s-{identifier(run.name)}"
        cells[0].metadata |= {"opens": anchor, "heading": title}
        cells[-1].metadata["closes"] = True
        sections.append({"id": anchor, "title": title})
        joined.extend(cells)
    return joined, sections


def _together(cells: Sequence[nbformat.NotebookNode]) -> list[nbformat.NotebookNode]:
    """Code cells without output joined with the code that follows: one fold instead of three."""
    joined: list[nbformat.NotebookNode] = []
    for cell in cells:
        last = joined[-1] if joined else None
        if last is not None and last.cell_type == cell.cell_type == "code" and not last.outputs:
            joined[-1] = nbformat.from_dict({**cell, "source": f"{last.source}\n\n{cell.source}"})
        else:
            joined.append(cell)
    return joined


def _title(source: str) -> tuple[str, str]:
    first, _, rest = source.partition("\n")
    return first.lstrip("# ").strip(), rest


def _for_page(cell: nbformat.NotebookNode, place: str, heading: str) -> nbformat.NotebookNode:
    """A cell of its own for the page: what is shown of each output is in `shown`, as HTML."""
    made = nbformat.NotebookNode(cell_type=cell.cell_type, source=cell.source, metadata={})
    if cell.cell_type == "markdown":
        # The page has the h1 and the section its h2: headings inside a notebook move down one level.
        made.source = re.sub(r"^##", "###", cell.source, flags=re.MULTILINE)
        return made
    level = 4 if heading else 3
    made.shown = [
        _output_html(output, f"plot-{place}-{count}", level, heading)
        for count, output in enumerate(cell.get("outputs", []))
    ]
    return made


def _output_html(output: nbformat.NotebookNode, place: str, level: int, heading: str) -> str:
    data = output.get("data", {})
    if PLOTLY in data:
        return figure_html(data[PLOTLY], place, level)
    if MIME in data:
        return _exhibit_html(data, heading)
    if "text/html" in data:
        return data["text/html"]
    return f'<pre class="plain">{html.escape(output.get("text") or data.get("text/plain", ""))}</pre>'


def _exhibit_html(data: dict, above: str) -> str:
    """A table or paragraphs. above: the heading they stand under, which is not said twice."""
    content = data[MIME]
    if content["kind"] == "prose":
        level = 4 if above else 3
        told = content["heading"] if content["heading"] != above else ""
        heading = f"<h{level}>{html.escape(told)}</h{level}>" if told else ""
        return heading + "".join(f"<p>{html.escape(paragraph)}</p>" for paragraph in content["paragraphs"])
    found = TABLE.search(data["text/html"])  # without the style sheet each table carries in JupyterLab
    body = found[0] if found else data["text/html"]
    label = html.escape(content["caption"], quote=True)
    body, notes = FOOT.sub("", body), NOTE.findall(body)
    return f'<div class="scroll" role="region" tabindex="0" aria-label="{label}">{body}</div>{_notes_html(notes)}'


def _notes_html(notes: Sequence[str]) -> str:
    """The first notes of a table under it, the others behind one click: dozens would hide the next table."""
    shown, folded = (list(notes), []) if len(notes) <= NOTES + 2 else (notes[:NOTES], notes[NOTES:])
    text = "".join(f"<p>{note}</p>" for note in shown)
    if folded:
        more = "".join(f"<p>{note}</p>" for note in folded)
        text += f"<details><summary>{len(folded)} more notes on this table</summary>{more}</details>"
    return f'<div class="notes">{text}</div>' if text else ""


def figure_html(spec: dict, place: str, level: int = 3) -> str:
    """A figure: title and caption as text of the page, the drawing named by its alternative text, its numbers below.

    level: of its heading.
    """
    layout = spec["layout"]
    meta = layout.get("meta") or {}
    name = meta.get("name", place)
    title = meta.get("title", "")
    wide, narrow = untitled(layout), untitled(in_column(layout))
    kept, whole = ("width", "height", "margin", "legend"), exported(layout)
    saved = {key: whole[key] for key in kept if key in whole}
    drawing = json.dumps({"data": spec["data"], "layout": wide, "narrow": narrow, "saved": saved}).replace("</", "<\\/")
    alt = html.escape(meta.get("alt") or title or "Figure", quote=True)
    save = "".join(
        f'<button type="button" data-save="{kind}" data-plot="{place}" data-name="{html.escape(identifier(name))}">'
        f"Save as {kind.upper()}<span class='quiet'> {html.escape(title)}</span></button>"
        for kind in ("svg", "png")
    )
    return (
        f'<figure aria-labelledby="{place}-title"><h{level} id="{place}-title">{html.escape(title)}</h{level}>'
        f'<div class="plot" id="{place}" role="img" aria-label="{alt}" style="height:{wide["height"]}px"></div>'
        f'<script type="application/json" id="{place}-data">{drawing}</script>'
        f'<figcaption><p>{html.escape(meta.get("caption", ""))}</p><div class="tools">{save}</div>'
        f"{_points_html(meta, title)}</figcaption></figure>"
    )


def _points_html(meta: dict, title: str) -> str:
    points = dict(meta.get("points") or [])
    if not points:
        return ""
    rows = [[_plain(value) for value in row] for row in zip(*points.values(), strict=True)]
    table = grid_html(f"Numbers in the figure: {title}", [column.replace("_", " ") for column in points], rows)
    return f'<details class="numbers"><summary>Numbers in this figure</summary>{table}</details>'


def pairs_html(caption: str, heads: tuple[str, str], pairs: Mapping[str, str]) -> str:
    """A table of names and values."""
    return grid_html(caption, heads, [[name, value] for name, value in pairs.items()])


def grid_html(caption: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A table of texts with a caption, in a region that scrolls."""
    label = html.escape(caption, quote=True)
    head = "".join(f'<th scope="col">{html.escape(text)}</th>' for text in heads)
    body = "".join("<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    return (
        f'<div class="scroll" role="region" tabindex="0" aria-label="{label}"><table><caption>{label}</caption>'
        f"<thead><tr>{head}</tr></thead><tbody>{mark_long_cells(body)}</tbody></table></div>"
    )


def _plain(value: object) -> str:
    if value is None:
        return ""
    return f"{value:.6g}" if isinstance(value, float) else str(value)
