"""The report for a word processor: the same texts, tables and figures as on the page, without the code."""

import re
from collections.abc import Iterable, Sequence
from pathlib import Path

from docx import Document
from docx.document import Document as Doc
from docx.enum.table import WD_TABLE_ALIGNMENT
from docx.enum.text import WD_ALIGN_PARAGRAPH
from docx.oxml import OxmlElement
from docx.oxml.ns import qn
from docx.shared import Cm, Emu, Pt
from docx.table import Table as WordTable
from docx.table import _Row

from notebooks.report.page import NOTEBOOK_ONLY
from notebooks.report.record import cell_contents
from notebooks.report.run import Run
from notebooks.show.tables import Table, cells, from_content, identifier, is_numeric, printed

TEXT_WIDTH, TEXT_HEIGHT = Cm(17), Cm(22)
MARKDOWN = re.compile(r"(\*\*|`|(?<!\w)[*_](?=\w)|(?<=\w)[*_](?!\w))")


def write_document(
    runs: Sequence[Run], to: Path, figures: Path, *, title: str, caution: str, made: Iterable[str]
) -> None:
    """Write the document. figures: folder of the pictures; a figure without one is named with its caption only."""
    document = Document()
    _page(document)
    document.core_properties.title = title
    document.core_properties.author = ""
    document.add_heading(title, 0)
    document.add_paragraph(caution)
    for run in runs:
        heading = ""
        for place, cell in enumerate(run.notebook.cells):
            if cell.cell_type == "markdown":
                if NOTEBOOK_ONLY not in cell.metadata.get("tags", []):
                    heading = _text(document, cell.source) or heading
                continue
            for content in cell_contents(cell, place):
                _exhibit(document, content, figures, heading)
    document.add_heading("How this report was made", 1)
    for line in made:
        document.add_paragraph(line)
    document.save(str(to))


def _page(document: Doc) -> None:
    section = document.sections[0]
    section.page_width, section.page_height = Cm(21), Cm(29.7)
    section.left_margin = section.right_margin = Cm(2)
    section.top_margin = section.bottom_margin = Cm(2)
    style = document.styles["Normal"]
    style.font.name, style.font.size = "Arial", Pt(10)


def _text(document: Doc, source: str) -> str:
    """Headings and paragraphs of a markdown cell; its emphasis marks are left out. Returns the last heading."""
    heading = ""
    for block in re.split(r"\n\s*\n", source.strip()):
        marks = re.match(r"(#+)\s+", block)
        words = MARKDOWN.sub("", " ".join(block.split()))
        if marks:
            heading = words.lstrip("# ")
            document.add_heading(heading, min(len(marks[1]), 4))
        else:
            document.add_paragraph(words)
    return heading


def _exhibit(document: Doc, content: dict, figures: Path, above: str) -> None:
    """A table, a figure or paragraphs. above: the heading they stand under, which is not said twice."""
    if content["kind"] == "table":
        _table(document, printed(from_content(content)))
    elif content["kind"] == "figure":
        _figure(document, content, figures / f"{identifier(content['name'])}.png")
    else:
        if content["heading"] and content["heading"] != above:
            document.add_heading(content["heading"], 3)
        for paragraph in content["paragraphs"]:
            document.add_paragraph(paragraph)


def _figure(document: Doc, content: dict, picture: Path) -> None:
    if picture.exists():
        drawn = document.add_picture(str(picture), width=TEXT_WIDTH)
        if drawn.height > TEXT_HEIGHT:  # a tall one is made smaller, so that it stays on its page with its caption
            drawn.width, drawn.height = Emu(round(drawn.width * TEXT_HEIGHT / drawn.height)), TEXT_HEIGHT
        properties = document.inline_shapes[-1]._inline.docPr
        properties.set("descr", content["alt"])  # what a screen reader says
        document.paragraphs[-1].paragraph_format.keep_with_next = True
    else:
        document.add_paragraph(f"[Figure: {content['title']}]")
    caption = document.add_paragraph(style="Caption")
    caption.add_run(content["caption"])


def _table(document: Doc, table: Table) -> None:
    """Caption above, three lines, the header repeated on each page, notes below."""
    body = cells(table)
    caption = document.add_paragraph()
    caption.add_run(table.caption).bold = True
    caption.paragraph_format.keep_with_next = True
    if body.empty:
        document.add_paragraph("No rows.")
        return
    headings = [heading for heading in body.columns if heading != table.group]
    sheet = document.add_table(rows=1, cols=len(headings))
    sheet.alignment = WD_TABLE_ALIGNMENT.LEFT
    numeric = {heading for heading in headings if is_numeric(table, heading)}
    _fill(sheet.rows[0], headings, headings, numeric, bold=True)
    _repeat(sheet.rows[0])
    group = None
    for record in body.to_dict("records"):
        if table.group is not None and record[table.group] != group:
            group = record[table.group]
            merged = sheet.add_row()
            merged.cells[0].merge(merged.cells[-1])
            _write(merged.cells[0], str(group), bold=True)
        _fill(sheet.add_row(), headings, [record[heading] for heading in headings], numeric)
    _rules(sheet)
    for note in table.notes:
        line = document.add_paragraph()
        line.paragraph_format.space_after = Pt(0)
        line.add_run(note).font.size = Pt(8)
    document.add_paragraph()


def _fill(
    row: _Row, headings: Sequence[str], values: Sequence[object], numeric: set[str], *, bold: bool = False
) -> None:
    for cell, heading, value in zip(row.cells, headings, values, strict=True):
        _write(cell, str(value), bold=bold, right=heading in numeric)


def _write(cell, text: str, *, bold: bool = False, right: bool = False) -> None:
    paragraph = cell.paragraphs[0]
    run = paragraph.add_run(text)
    run.font.size, run.bold = Pt(8), bold
    paragraph.paragraph_format.space_after = Pt(1)
    if right:
        paragraph.alignment = WD_ALIGN_PARAGRAPH.RIGHT


def _repeat(row: _Row) -> None:
    mark = OxmlElement("w:tblHeader")
    mark.set(qn("w:val"), "true")
    row._tr.get_or_add_trPr().append(mark)


def _rules(sheet: WordTable) -> None:
    """A line above the header, one below it, one below the last row."""
    for row, sides in ((sheet.rows[0], ("top", "bottom")), (sheet.rows[-1], ("bottom",))):
        for cell in row.cells:
            borders = OxmlElement("w:tcBorders")
            for side in sides:
                line = OxmlElement(f"w:{side}")
                for name, value in (("val", "single"), ("sz", "6"), ("color", "000000")):
                    line.set(qn(f"w:{name}"), value)
                borders.append(line)
            cell._tc.get_or_add_tcPr().append(borders)
