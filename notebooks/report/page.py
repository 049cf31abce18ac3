"""Executed notebooks -> one HTML page that needs no network.

Headless runs leave plotly figures and the content of tables as data; each output is turned into HTML here, and a
template lays the page out.
"""

import base64
import gzip
import html
import json
import re
from collections.abc import Collection, Mapping, Sequence
from functools import cache
from pathlib import Path

import mistune
from jinja2 import Environment, FileSystemLoader
from plotly.offline import get_plotlyjs

from notebooks.figures.one_column import exported, in_column, untitled
from notebooks.first_page.answer_page import LINKS_PLACE
from notebooks.first_page.answer_page import TEMPLATES as FIRST_PAGE
from notebooks.report.notebook_file import NotebookNode
from notebooks.report.reader.reader_order import Placed, Section, in_order, left_for_the_appendix
from notebooks.report.reader.summary_sheet import answer_of
from notebooks.report.record import PLOTLY, cell_contents
from notebooks.report.run import ANSWER, Run
from notebooks.show.content import MIME
from notebooks.show.tables import identifier, mark_long_cells, to_html

NOTEBOOK_ONLY = "notebook-only"  # tag of a text that speaks to the person running the notebook
TEMPLATES = Path(__file__).parent / "templates"
CAUTION = (
    "Research software for groups of participants. Not for decisions about one person and not for safety monitoring: "
    "local rules, the ethics board and licensed clinicians decide."
)
TABLE = re.compile(r"<table.*</table>", re.DOTALL)
FOOT = re.compile(r"<tfoot.*</tfoot>", re.DOTALL)
NOTE = re.compile(r'<td class="gt_sourcenote"[^>]*>(.*?)</td>', re.DOTALL)
NOTES = 3
APPENDIX = "appendix.html"


def write_page(runs: Sequence[Run], to: Path, *, title: str, subtitle: str, made: str) -> None:
    """Write the report page, and beside it the appendix. `made` is the HTML of the last section: inputs, versions.

    With a first page the report follows the order of a reader, and what that leaves out stands in `appendix.html`;
    without one (some notebooks only) the page holds every notebook in turn.
    """
    answer = answer_of(runs)
    others = [run for run in runs if run.name != ANSWER]
    report = _look() | {"title": title, "subtitle": subtitle, "caution": CAUTION, "answer": ""}
    beside = to.with_name(APPENDIX)
    if answer is None:
        beside.unlink(missing_ok=True)
        cells, sections = _join(others)
        to.write_text(
            _laid_out("index.html.j2", report | {"sections": sections, "made": made}, cells), encoding="utf-8"
        )
        return
    ordered = in_order(others, answer)
    sections = [
        {"id": section.anchor, "title": section.title, "about": section.about, "html": _section_html(section, placed)}
        for section, placed in ordered
    ]
    links = "".join(f'<li><a href="#{one["id"]}">{one["title"]}</a></li>' for one in sections)
    front = answer["page"].replace(LINKS_PLACE, f'<ul class="ap-links">{links}</ul>')
    to.write_text(
        _laid_out("report.html.j2", report | {"answer": front, "sections": sections, "appendix": APPENDIX}, ()),
        encoding="utf-8",
    )
    cells, parts = _join(others, left_for_the_appendix(others, ordered))
    subtitle = f"Appendix of the report: what the report leaves out, and the code of every step. {subtitle}"
    appendix = report | {"sections": parts, "made": made, "subtitle": subtitle, "title": f"{title}: appendix"}
    beside.write_text(_laid_out("index.html.j2", appendix, cells), encoding="utf-8")


def _look() -> dict[str, str]:
    """Style and scripts of a page that needs no network."""
    return {
        "css": (TEMPLATES / "report" / "page.css").read_text(encoding="utf-8")
        + (FIRST_PAGE / "answer.css").read_text(encoding="utf-8"),
        "script": (TEMPLATES / "report" / "page.js").read_text(encoding="utf-8"),
        "plotly": packed_plotly(),
    }


@cache
def packed_plotly() -> str:
    """The library that draws, compressed: a third of a report were two copies of it. `page.js` unpacks it."""
    return base64.b64encode(gzip.compress(get_plotlyjs().encode(), mtime=0)).decode()


def _laid_out(template: str, report: dict, cells: Sequence) -> str:
    environment = Environment(loader=FileSystemLoader(TEMPLATES / "report"), autoescape=False)
    environment.filters["markdown"] = mistune.create_markdown(plugins=["table"])
    return environment.get_template(template).render(report=report, cells=cells)


def _section_html(section: Section, placed: Sequence[Placed]) -> str:
    """The exhibits of a section: open ones as they are, folded ones behind their title."""
    parts = []
    for count, one in enumerate(placed):
        body = _placed_html(one, f"plot-{section.anchor}-{count}")
        if one.part.folded:
            content = one.exhibit.content
            title = content.get("title") or content.get("caption") or content.get("heading") or content["name"]
            body = f'<details class="fold"><summary>{html.escape(str(title))}</summary>{body}</details>'
        parts.append(body)
    return "\n".join(parts)


def _placed_html(one: Placed, place: str) -> str:
    if one.table is not None:
        return _table_html(to_html(one.table), one.table.caption)
    if one.part.kind == "prose":
        words = "".join(f"<p>{html.escape(text)}</p>" for text in one.paragraphs)
        name = html.escape(one.exhibit.content["heading"] or one.exhibit.content["name"])
        copy = f'<button type="button" class="copy" data-copy>Copy<span class="quiet"> {name}</span></button>'
        return f'<div class="prose">{words}{copy}</div>'
    return figure_html(one.exhibit.data[PLOTLY], place)


def _join(
    runs: Sequence[Run], without: Collection[tuple[str, str, str]] = ()
) -> tuple[list[NotebookNode], list[dict[str, str]]]:
    """The cells of all notebooks, each notebook a section of the page. without: keys of exhibits left out."""
    joined: list[NotebookNode] = []
    sections = []
    for run in runs:
        kept = [cell for cell in run.notebook.cells if NOTEBOOK_ONLY not in cell.metadata.get("tags", [])]
        cells, heading = [], ""  # the last heading inside the section
        for place, cell in enumerate(_together(kept)):
            if cell.cell_type == "markdown":
                heading = [heading, *re.findall(r"^##+ (.*)$", cell.source, re.MULTILINE)][-1]
            cells.append(_for_page(_lighter(cell, run.name, without), f"{identifier(run.name)}-{place}", heading))
        title, rest = _title(cells[0].source)
        cells[0].source = rest
        anchor = f"s-{identifier(run.name)}"
        cells[0].metadata |= {"opens": anchor, "heading": title}
        cells[-1].metadata["closes"] = True
        sections.append({"id": anchor, "title": title})
        joined.extend(cells)
    return joined, sections


def _lighter(cell: NotebookNode, run: str, without: Collection[tuple[str, str, str]]) -> NotebookNode:
    """The cell without outputs that stand elsewhere."""
    if cell.cell_type != "code" or not without:
        return cell
    outputs = []
    for output in cell.get("outputs", []):
        shown = list(cell_contents({"outputs": [output]}, 0))
        if not shown or (run, shown[0]["kind"], shown[0]["name"]) not in without:
            outputs.append(output)
    return NotebookNode({**cell, "outputs": outputs})


def _together(cells: Sequence[NotebookNode]) -> list[NotebookNode]:
    """Code cells without output joined with the code that follows: one fold instead of three."""
    joined: list[NotebookNode] = []
    for cell in cells:
        last = joined[-1] if joined else None
        if last is not None and last.cell_type == cell.cell_type == "code" and not last.outputs:
            joined[-1] = NotebookNode({**cell, "source": f"{last.source}\n\n{cell.source}"})
        else:
            joined.append(cell)
    return joined


def _title(source: str) -> tuple[str, str]:
    first, _, rest = source.partition("\n")
    return first.lstrip("# ").strip(), rest


def _for_page(cell: NotebookNode, place: str, heading: str) -> NotebookNode:
    """A cell of its own for the page: what is shown of each output is in `shown`, as HTML."""
    made = NotebookNode(cell_type=cell.cell_type, source=cell.source, metadata={})
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


def _output_html(output: NotebookNode, place: str, level: int, heading: str) -> str:
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
    return _table_html(data["text/html"], content["caption"])


def _table_html(shown: str, caption: str) -> str:
    """A table in a region that scrolls, its notes under it; without the style sheet it carries in JupyterLab."""
    found = TABLE.search(shown)
    body = found[0] if found else shown
    label = html.escape(caption, quote=True)
    body, notes = FOOT.sub("", body), NOTE.findall(body)
    return f'<div class="scroll" role="region" tabindex="0" aria-label="{label}">{body}</div>{_notes_html(notes)}'


def _notes_html(notes: Sequence[str]) -> str:
    """The first notes of a table under it, the others behind one click: dozens would hide the next table."""
    shown, folded = (list(notes), []) if len(notes) <= NOTES + 1 else (notes[:NOTES], notes[NOTES:])
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
        f'<figcaption><p>{_caption_html(meta)}</p><div class="tools">{save}</div>'
        f"{_points_html(meta, title)}</figcaption></figure>"
    )


def _caption_html(meta: dict) -> str:
    """The caption, its finding in bold."""
    caption, finding = meta.get("caption", ""), meta.get("finding", "")
    if not finding or not caption.startswith(finding):
        return html.escape(caption)
    return f"<strong>{html.escape(finding)}</strong>{html.escape(caption.removeprefix(finding))}"


def _points_html(meta: dict, title: str) -> str:
    points = dict(meta.get("points") or [])
    if not points:
        return ""
    rows = [[_plain(value) for value in row] for row in zip(*points.values(), strict=True)]
    # Two figures may share a title (one each comparison); a list of regions has to tell them apart.
    label = f"Numbers in the figure: {title}. {meta.get('finding', '')}".strip()
    table = grid_html(label, [column.replace("_", " ") for column in points], rows)
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
