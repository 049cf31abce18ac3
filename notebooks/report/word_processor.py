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
from notebooks.report.reader.document_front import write_front
from notebooks.report.reader.reader_order import Placed, Section, in_order
from notebooks.report.reader.summary_sheet import answer_of
from notebooks.report.record import cell_contents
from notebooks.report.run import Run
from notebooks.show.tables import Table, cells, from_content, identifier, is_numeric, printed

TEXT_WIDTH, TEXT_HEIGHT = Cm(17), Cm(22)
MARKDOWN = re.compile(r"(\*\*|`|(?<!\w)[*_](?=\w)|(?<=\w)[*_](?!\w))")
NOTES = 3  # of a table, under it; the others stand in the report
WHOLE = 14  # rows up to which a table is kept on one page
CHARACTER, LONGEST_WORD, LONG_TEXT = 84, 22, 60  # width of a letter at 8 points; letters of a word and of a line
NOT_XML = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")  # characters that no XML can hold


def write_document(
    runs: Sequence[Run], to: Path, figures: Path, *, title: str, caution: str, made: Iterable[str]
) -> None:
    """Write the document. figures: folder of the pictures; a figure without one is named with its caption only.

    With a first page: that page, then the sections of the report with what stands open in them, then the sources.
    Without one (some notebooks only): every notebook in turn.
    """
    document = Document()
    _page(document)
    document.core_properties.title = title
    document.core_properties.author = ""
    document.add_heading(title, 0)
    answer = answer_of(runs)
    if answer is None:
        document.add_paragraph(caution)
        _notebooks(document, runs, figures)
    else:
        write_front(document, answer, table_of=_simple_table)
        document.add_page_break()
        _contents(document)
        _sections(document, in_order(runs, answer), figures)
        if answer["references"]:
            document.add_heading("Sources", 1)
            for line in answer["references"]:
                document.add_paragraph(line)
        document.add_paragraph(caution)
        made = [line for line in made if "record.json" not in line and "folders" not in line]
    document.add_heading("How this report was made", 1)
    for line in made:
        document.add_paragraph(line)
    document.save(str(to))


def _notebooks(document: Doc, runs: Sequence[Run], figures: Path) -> None:
    for run in runs:
        heading = ""
        for place, cell in enumerate(run.notebook.cells):
            if cell.cell_type == "markdown":
                if NOTEBOOK_ONLY not in cell.metadata.get("tags", []):
                    heading = _text(document, cell.source) or heading
                continue
            for content in cell_contents(cell, place):
                _exhibit(document, content, figures, heading)


def _sections(document: Doc, ordered: Sequence[tuple[Section, list[Placed]]], figures: Path) -> None:
    """What stands open in the sections of the report; what lists people or findings is no part of a document."""
    for section, placed in ordered:
        shown = [one for one in placed if not one.part.folded]
        if not section.in_document or not shown:
            continue
        document.add_heading(section.title, 1)
        document.add_paragraph(section.about)
        for one in shown:
            if one.table is not None:
                _table(document, one.table)
            elif one.part.kind == "figure":
                _exhibit(document, one.exhibit.content, figures, section.title)
            else:
                for paragraph in one.paragraphs:
                    document.add_paragraph(paragraph)


def _contents(document: Doc) -> None:
    """A table of contents, a field the word processor fills from the headings."""
    document.add_paragraph("Contents").runs[0].bold = True
    field = (
        f'<w:p {nsdecls("w")}><w:r><w:fldChar w:fldCharType="begin" w:dirty="true"/></w:r>'
        '<w:r><w:instrText xml:space="preserve"> TOC \\o "1-2" \\h \\z \\u </w:instrText></w:r>'
        '<w:r><w:fldChar w:fldCharType="separate"/></w:r><w:r><w:t>Update this field to list the headings.</w:t></w:r>'
        '<w:r><w:fldChar w:fldCharType="end"/></w:r></w:p>'
    )
    document.element.body.insert_element_before(parse_xml(field), "w:sectPr")


def _simple_table(document: Doc, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """A table of texts, columns as wide as what stands in them."""
    frame = pd.DataFrame(list(rows), columns=list(heads), dtype=object)
    markup = _sheet_xml(frame, [False] * len(heads), None)
    document.element.body.insert_element_before(parse_xml(markup), "w:sectPr")
    document.add_paragraph()


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
    elif content["kind"] == "answer":
        return
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
    finding = content.get("finding", "")
    if finding and content["caption"].startswith(finding):
        caption.add_run(finding).bold = True
    caption.add_run(content["caption"].removeprefix(finding))


def _table(document: Doc, table: Table) -> None:
    """Caption above, three lines, the header repeated on each page, notes below."""
    body = cells(table)
    caption = document.add_paragraph()
    caption.add_run(table.caption).bold = True
    caption.paragraph_format.keep_with_next = True
    if body.empty:
        document.add_paragraph("No rows.")
        return
    right = [is_numeric(table, heading) for heading in body.columns if heading != table.group]
    document.element.body.insert_element_before(parse_xml(_sheet_xml(body, right, table.group)), "w:sectPr")
    for note in table.notes[:NOTES]:
        line = document.add_paragraph()
        line.paragraph_format.space_after = Pt(0)
        line.add_run(note).font.size = Pt(8)
    document.add_paragraph()


def _sheet_xml(body: pd.DataFrame, right: Sequence[bool], group_by: str | None) -> str:
    """The table as WordprocessingML: written in one piece, for thousands of cells set one by one take seconds."""
    headings = [heading for heading in body.columns if heading != group_by]
    widths = column_widths(body[headings])
    together = len(body) <= WHOLE  # a small table stays on one page with its caption
    rows = [_row_xml(headings, right, widths, bold=True, header=True, keep=True)]
    group = None
    records = body.to_dict("records")
    for place, record in enumerate(records):
        last = place == len(records) - 1
        if group_by is not None and record[group_by] != group:
            group = record[group_by]
            head = _cell_xml(str(group), sum(widths), span=len(headings), bold=True, keep=True)
            rows.append(f"<w:tr><w:trPr><w:cantSplit/></w:trPr>{head}</w:tr>")
        values = [str(record[heading]) for heading in headings]
        rows.append(_row_xml(values, right, widths, last=last, keep=together and not last))
    grid = "".join(f'<w:gridCol w:w="{width}"/>' for width in widths)
    return (
        f'<w:tbl {nsdecls("w")}><w:tblPr><w:tblW w:type="dxa" w:w="{sum(widths)}"/><w:jc w:val="left"/>'
        f'<w:tblLayout w:type="fixed"/><w:tblLook w:firstRow="1" w:noHBand="0" w:noVBand="1"/></w:tblPr>'
        f"<w:tblGrid>{grid}</w:tblGrid>{''.join(rows)}</w:tbl>"
    )


def column_widths(body: pd.DataFrame) -> list[int]:
    """Widths in twentieths of a point that fill the text, shared by what stands in each column.

    A column gets at least its longest word; what is left is shared by the length of the texts, long ones counted only
    in part, since they may run over lines.
    """
    whole = round(TEXT_WIDTH.twips)
    texts = [[str(heading), *map(str, body[heading])] for heading in body.columns]
    least = [min(max(len(word) for text in column for word in text.split() or [""]), LONGEST_WORD) for column in texts]
    wanted = [max(min(max(map(len, column)), LONG_TEXT), low) for column, low in zip(texts, least, strict=True)]
    needed = [(low + 2) * CHARACTER for low in least]
    spare = whole - sum(needed)
    if spare <= 0:
        return [max(1, round(whole * own / sum(needed))) for own in needed]
    more = [want - low for want, low in zip(wanted, least, strict=True)]
    total = sum(more) or 1
    return [round(own + min(spare, total * CHARACTER) * each / total) for own, each in zip(needed, more, strict=True)]


def _row_xml(
    texts: Sequence[str], right: Sequence[bool], widths: Sequence[int], *, bold=False, header=False, last=False,
    keep=False,
) -> str:  # fmt: skip
    """A row. header: with lines above and below, repeated on each page; last: with a line below. It never splits."""
    lines = ("top", "bottom") if header else ("bottom",) if last else ()
    cells_ = [
        _cell_xml(text, width, bold=bold, right=own, lines=lines, keep=keep)
        for text, own, width in zip(texts, right, widths, strict=True)
    ]
    repeated = "<w:tblHeader/>" if header else ""
    return f"<w:tr><w:trPr><w:cantSplit/>{repeated}</w:trPr>{''.join(cells_)}</w:tr>"


def _cell_xml(text: str, width: int, *, span=1, bold=False, right=False, lines: Sequence[str] = (), keep=False) -> str:
    spanned = f'<w:gridSpan w:val="{span}"/>' if span > 1 else ""
    borders = "".join(f'<w:{side} w:val="single" w:sz="6" w:color="000000"/>' for side in lines)
    alignment = '<w:jc w:val="right"/>' if right else ""
    return (
        f'<w:tc><w:tcPr><w:tcW w:type="dxa" w:w="{width}"/>{spanned}'
        f"{f'<w:tcBorders>{borders}</w:tcBorders>' if borders else ''}</w:tcPr>"
        f'<w:p><w:pPr>{"<w:keepNext/>" if keep else ""}<w:spacing w:after="20"/>{alignment}</w:pPr>'
        f"<w:r><w:rPr>{'<w:b/>' if bold else ''}"
        f'<w:sz w:val="16"/></w:rPr><w:t xml:space="preserve">{escape(NOT_XML.sub("", text))}</w:t></w:r></w:p></w:tc>'
    )
