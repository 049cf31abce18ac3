"""The first page in a word-processor document: the same answer, counts and tables, without anybody's code."""

from collections.abc import Callable, Mapping

from docx.document import Document as Doc
from docx.shared import Pt


def write_front(document: Doc, answer: Mapping, *, table_of: Callable) -> None:
    """Write the page from the content of the first page. table_of: writes a table of texts."""
    document.add_paragraph(" \N{MIDDLE DOT} ".join(answer["about"]))
    for text in answer["paragraphs"]:
        line = document.add_paragraph()
        run = line.add_run(text)
        run.bold, run.font.size = True, Pt(13)
    care = document.add_paragraph()
    care.add_run("Read with care. ").bold = True
    care.add_run(answer["caution"])
    if answer["tiles"]:
        table_of(document, ["Question", "Answer", "Notes"], answer["tiles"])
    if answer["outcomes"]:
        heads = ["Outcome", "Unit", "n", "Scored", "Improvement or difference (interval)", "In SD at baseline"]
        rows = [[cell.replace("*", "") for cell in row] for row in answer["outcomes"]]
        table_of(document, heads, rows)
    if answer["feasible"]:
        table_of(document, ["Could it be done?", "Found", "Zone"], answer["feasible"])
    document.add_paragraph(f"Data that need a look: {answer['attention']}.")
