"""The report for a word processor: the same texts, tables and figures as on the page, without the code."""

import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from xml.sax.saxutils import escape

import pandas as pd
from docx import Document
from docx.document import Document as Doc
from docx.oxml import parse_xml
from docx.oxml.ns import nsdecls
from docx.shared import Cm, Emu, Pt

from notebooks.report.page import NOTEBOOK_ONLY
from notebooks.report.record import cell_contents
from notebooks.report.run import Run
from notebooks.show.tables import Table, cells, from_content, identifier, is_numeric, printed

TEXT_WIDTH, TEXT_HEIGHT = Cm(17), Cm(22)
MARKDOWN = re.compile(r"(\*\*|`|(?<!\w)[*_](?=\w)|(?<=\w)[*_](?!\w))")
NOT_XML = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")  # characters that no XML can hold


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
    document.element.body.insert_element_before(parse_xml(_sheet_xml(table, body)), "w:sectPr")
    for note in table.notes:
        line = document.add_paragraph()
        line.paragraph_format.space_after = Pt(0)
        line.add_run(note).font.size = Pt(8)
    document.add_paragraph()


def _sheet_xml(table: Table, body: pd.DataFrame) -> str:
    """The table as WordprocessingML: written in one piece, for thousands of cells set one by one take seconds."""
    headings = [heading for heading in body.columns if heading != table.group]
    right = [is_numeric(table, heading) for heading in headings]
    width = round(TEXT_WIDTH.twips / len(headings))
    rows = [_row_xml(headings, right, width, bold=True, header=True)]
    group = None
    records = body.to_dict("records")
    for place, record in enumerate(records):
        if table.group is not None and record[table.group] != group:
            group = record[table.group]
            rows.append(f"<w:tr>{_cell_xml(str(group), width * len(headings), span=len(headings), bold=True)}</w:tr>")
        values = [str(record[heading]) for heading in headings]
        rows.append(_row_xml(values, right, width, last=place == len(records) - 1))
    grid = f'<w:gridCol w:w="{width}"/>' * len(headings)
    return (
        f'<w:tbl {nsdecls("w")}><w:tblPr><w:tblW w:type="auto" w:w="0"/><w:jc w:val="left"/>'
        f'<w:tblLook w:firstRow="1" w:noHBand="0" w:noVBand="1"/></w:tblPr><w:tblGrid>{grid}</w:tblGrid>'
        f"{''.join(rows)}</w:tbl>"
    )


def _row_xml(texts: Sequence[str], right: Sequence[bool], width: int, *, bold=False, header=False, last=False) -> str:
    """A row. header: with lines above and below, repeated on each page; last: with a line below."""
    lines = ("top", "bottom") if header else ("bottom",) if last else ()
    cells_ = [_cell_xml(text, width, bold=bold, right=own, lines=lines) for text, own in zip(texts, right, strict=True)]
    repeated = "<w:trPr><w:tblHeader/></w:trPr>" if header else ""
    return f"<w:tr>{repeated}{''.join(cells_)}</w:tr>"


def _cell_xml(text: str, width: int, *, span=1, bold=False, right=False, lines: Sequence[str] = ()) -> str:
    spanned = f'<w:gridSpan w:val="{span}"/>' if span > 1 else ""
    borders = "".join(f'<w:{side} w:val="single" w:sz="6" w:color="000000"/>' for side in lines)
    alignment = '<w:jc w:val="right"/>' if right else ""
    return (
        f'<w:tc><w:tcPr><w:tcW w:type="dxa" w:w="{width}"/>{spanned}'
        f"{f'<w:tcBorders>{borders}</w:tcBorders>' if borders else ''}</w:tcPr>"
        f'<w:p><w:pPr><w:spacing w:after="20"/>{alignment}</w:pPr><w:r><w:rPr>{"<w:b/>" if bold else ""}'
        f'<w:sz w:val="16"/></w:rPr><w:t xml:space="preserve">{escape(NOT_XML.sub("", text))}</w:t></w:r></w:p></w:tc>'
    )
