"""A page and a word-processor file from headings, texts, tables and figures: for an application and for a plan.

The page needs no network and no browser to be made: its figures are drawings (SVG) where a browser could draw them, and
otherwise draw themselves when the page is opened.
"""

import html
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import plotly.graph_objects as go
from plotly.offline import get_plotlyjs

from notebooks.figures.one_column import in_column, untitled
from notebooks.report.notebook_file import code_cell, markdown_cell, new_notebook, shown
from notebooks.report.pictures import find_browser, write_figures
from notebooks.report.reader.summary_sheet import write_sheet
from notebooks.report.record import PLOTLY
from notebooks.report.run import Run
from notebooks.report.word_processor import write_document
from notebooks.show.exhibits import Prose
from notebooks.show.tables import Table, cells, identifier, is_numeric, printed
from outcomes.errors import StudyError
from outcomes.spreadsheet_cells import safe_cell

INVENTED = "Made from invented people: to show the layout, no result."
NO_PICTURES = "No picture files: they need a Chromium-family browser; the page draws its figures when it is opened."
CSS = """
:root{--ink:#1b1b1b;--soft:#4a4a4a;--line:#b8b8b8}
*{box-sizing:border-box}
body{margin:0 auto;padding:1rem clamp(.75rem,3vw,2rem) 3rem;max-width:60rem;color:var(--ink);background:#fff;
font:1rem/1.45 system-ui,-apple-system,"Segoe UI",Arial,"Liberation Sans",sans-serif}
h1{font-size:1.5rem;line-height:1.2;margin:.3rem 0}
h2{font-size:1.15rem;margin:1.6rem 0 .3rem;border-top:1px solid var(--ink);padding-top:.4rem}
p{max-width:48rem;margin:.4rem 0;overflow-wrap:anywhere}
.caution{border-left:4px solid var(--ink);padding-left:.7rem;color:var(--soft)}
.invented{outline:2px dashed var(--ink);outline-offset:4px;margin:1.2rem 0;padding:.2rem .6rem}
.invented>b:first-child{display:block}
figure{margin:1rem 0;max-width:48rem}figcaption{color:var(--soft);font-size:.9rem}
figure svg{max-width:100%;height:auto}
.narrow{display:none}
.scroll{overflow-x:auto;margin:.8rem 0}
table{border-collapse:collapse;font-size:.88rem;font-variant-numeric:tabular-nums;
border-top:2px solid var(--ink);border-bottom:2px solid var(--ink)}
caption{text-align:left;font-weight:600;padding:.3rem 0}
th,td{padding:.2rem .55rem;vertical-align:top;text-align:left}thead th{border-bottom:1px solid var(--ink)}
td{white-space:nowrap}td.long{white-space:normal;min-width:14rem}.right{text-align:right}
.notes{color:var(--soft);font-size:.85rem}.notes p{margin:.1rem 0}
a:focus-visible,[tabindex]:focus-visible{outline:3px solid #0b4f8a;outline-offset:2px}
@media (max-width:42rem){.wide{display:none}.narrow{display:block}}
@page{size:A4;margin:13mm}
@media print{body{max-width:none;padding:0;font-size:8.7pt;line-height:1.3}
h1{font-size:13pt}h2{font-size:10.5pt;margin:.6rem 0 .2rem}
p{max-width:none;margin:.22rem 0}figure{max-width:none;margin:.3rem 0}.one figure svg{max-height:78mm;width:auto}
figcaption,.notes{font-size:7.6pt}
.after{break-before:page}table{font-size:7.4pt}td{white-space:normal}td.long{min-width:0}
.scroll{overflow:visible;margin:.35rem 0}
figure,tr,.invented{break-inside:avoid}h2,caption{break-after:avoid}.narrow{display:none}.wide{display:block}}
"""


@dataclass(frozen=True)
class Part:
    """One section: a heading and what stands under it. invented: made from invented people, and marked so."""

    heading: str
    shown: tuple[Prose | Table | go.Figure, ...]
    invented: bool = False
    first_page: bool = False


@dataclass(frozen=True)
class FigureExhibit:
    """A figure as an exhibit of a run, whatever renderer is set."""

    figure: go.Figure

    def _repr_mimebundle_(self, include=None, exclude=None) -> dict:
        return {PLOTLY: json.loads(self.figure.to_json())}


def folder_for(to: Path, folder: Path, mark: str) -> Path:
    """The folder to write into: new, empty, or one this command made before (it holds `mark`)."""
    if to.exists() and not to.is_dir():
        raise StudyError(f"Nothing can be written to {to}: a file has that name. Name a folder after --to.")
    if to.resolve() == Path(folder).resolve():
        raise StudyError(f"Nothing is written into the study folder itself ({to}). Name another folder after --to.")
    others = sorted(path.name for path in to.iterdir()) if to.exists() else []
    if others and mark not in others:
        raise StudyError(f"The folder {to} holds other files ({', '.join(others[:3])}). Name an empty or a new folder.")
    to.mkdir(parents=True, exist_ok=True)
    return to


def write_documents(
    parts: Sequence[Part], to: Path, name: str, *, title: str, lead: Sequence[str], caution: str
) -> tuple[list[Path], list[str]]:
    """Write `name`.html and `name`.docx, tables as CSV and figures as pictures; the files, and what is missing."""
    drawn = [item for part in parts for item in part.shown if isinstance(item, go.Figure)]
    figures = {identifier(item.layout.meta["name"]): item for item in drawn}
    (to / "figures").mkdir(exist_ok=True)
    missing = [NO_PICTURES]
    if find_browser() is not None:
        specs = {key: json.loads(figure.to_json()) for key, figure in figures.items()}
        missing = write_figures(specs, to / "figures")
    (to / "tables").mkdir(exist_ok=True)
    for item in (item for part in parts for item in part.shown if isinstance(item, Table)):
        item.frame.map(safe_cell).to_csv(to / "tables" / f"{identifier(item.name)}.csv", index=False)
    page, document = to / f"{name}.html", to / f"{name}.docx"
    page.write_text(_page(parts, to / "figures", title=title, lead=lead, caution=caution), encoding="utf-8")
    write_document([_run(part) for part in parts], document, to / "figures", title=title, caution=caution, made=lead)
    return [page, document], missing


def write_first_page(
    parts: Sequence[Part], to: Path, name: str, *, title: str, lead: Sequence[str], caution: str
) -> tuple[list[Path], list[str]]:
    """The part that is the first page, alone on one A4 sheet as `name`; the file, or why there is none.

    Its figures have to be in `to`/figures already (`write_documents`).
    """
    first = [part for part in parts if part.first_page]
    page = _page(first, to / "figures", title=title, lead=lead, caution=caution)
    missing = write_sheet(page.replace("<main>", '<main id="answer">', 1), to / name)
    return ([] if missing else [to / name]), missing


def _drawn(item: object) -> bool:
    return isinstance(item, go.Figure)


def _run(part: Part) -> Run:
    """A part as an executed notebook, which is what the writer of documents takes."""
    mark = f"\n\n{INVENTED}" if part.invented else ""
    exhibits = [FigureExhibit(item) if _drawn(item) else item for item in part.shown]
    # Exhibits and figures alike show themselves to a notebook; their types share no base that says so.
    outputs = [shown(item._repr_mimebundle_()) for item in exhibits]  # type: ignore[union-attr]
    both = [markdown_cell(f"# {part.heading}{mark}", "part-00"), code_cell("", "part-01", outputs)]
    return Run(part.heading, new_notebook(both), 0.0, False)


def _page(parts: Sequence[Part], figures: Path, *, title: str, lead: Sequence[str], caution: str) -> str:
    body, scripts, place = [], False, 0
    for number, part in enumerate(parts):
        inside = []
        for item in part.shown:
            if _drawn(item):
                place += 1
                drawn = _figure(item, figures, f"plot{place}")
                scripts |= "data-plot" in drawn
                inside.append(drawn)
            else:
                inside.append(table_html(item) if isinstance(item, Table) else _prose(item, part.heading))
        content = "".join(inside)
        if part.invented:
            content = (
                '<div class="invented"><b>Made from invented people: to show the layout, no result.</b>'
                + content
                + "</div>"
            )
        after = number and not part.first_page and parts[number - 1].first_page
        look = "one" if part.first_page else "after" if after else ""
        heading = f'<h2 id="s{number}">{html.escape(part.heading)}</h2>' if part.heading else ""
        body.append(f'<section class="{look}">{heading}{content}</section>')
    head = "".join(f"<p>{html.escape(line)}</p>" for line in lead)
    plotly = f"<script>{get_plotlyjs()}</script><script>{DRAW}</script>" if scripts else ""
    return (
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" '
        f'content="width=device-width,initial-scale=1"><title>{html.escape(title)}</title><style>{CSS}</style></head>'
        f'<body><main><h1>{html.escape(title)}</h1><p class="caution">{html.escape(caution)}</p>{head}{"".join(body)}'
        f"</main>{plotly}</body></html>"
    )


DRAW = (
    "for(const e of document.querySelectorAll('[data-plot]')){const s=JSON.parse(document.getElementById(e.id+'-data')"
    ".textContent);Plotly.newPlot(e,s.data,s.layout,{responsive:true,displayModeBar:false});}"
)


def _figure(figure: go.Figure, folder: Path, place: str) -> str:
    """The drawing in both widths where its files are there, else the numbers for the page to draw."""
    spec = json.loads(figure.to_json())
    meta = spec["layout"]["meta"]
    alt = html.escape(meta["alt"], quote=True)
    name = identifier(meta["name"])
    wide, narrow = folder / f"{name}.svg", folder / f"{name}_89mm.svg"
    caption = f"<figcaption><p>{html.escape(meta['caption'])}</p></figcaption>"
    if wide.exists() and narrow.exists():
        drawings = "".join(
            f'<div class="{look}" role="img" aria-label="{alt}">{_svg(path)}</div>'
            for look, path in (("wide", wide), ("narrow", narrow))
        )
        return f"<figure>{drawings}{caption}</figure>"
    layout = untitled(spec["layout"])
    data = json.dumps({"data": spec["data"], "layout": layout, "narrow": untitled(in_column(spec["layout"]))})
    return (
        f'<figure><p><b>{html.escape(meta["title"])}</b></p><div id="{place}" data-plot="1" role="img" '
        f'aria-label="{alt}" style="height:{layout["height"]}px"></div><script type="application/json" '
        f'id="{place}-data">{data.replace("</", "<" + chr(92) + "/")}</script>{caption}</figure>'
    )


def _svg(path: Path) -> str:
    """A drawing inside the page; its own names get the file's name in front, so that two drawings do not mix."""
    text = path.read_text(encoding="utf-8")
    text = text[text.index("<svg") :]
    own = identifier(path.stem)
    for mark in ('id="', "url(#", 'url("#', "url(&quot;#", 'href="#'):
        text = text.replace(mark, f"{mark}{own}-")
    return text


def _prose(item: Prose, above: str) -> str:
    heading = f"<p><b>{html.escape(item.heading)}</b></p>" if item.heading and item.heading != above else ""
    return heading + "".join(f"<p>{html.escape(paragraph)}</p>" for paragraph in item.paragraphs)


def table_html(table: Table) -> str:
    """A table with caption, scopes and notes."""
    table = printed(table)
    body = cells(table)
    caption = html.escape(table.caption)
    right = {heading for heading in body.columns if is_numeric(table, heading)}
    head = "".join(f'<th scope="col"{_right(name in right)}>{html.escape(name)}</th>' for name in body.columns)
    rows = "".join(
        "<tr>" + "".join(
            f"<td{' class=long' if len(str(value)) > 28 else _right(name in right)}>{html.escape(str(value))}</td>"
            for name, value in row.items()
        ) + "</tr>"
        for row in body.to_dict("records")
    )  # fmt: skip
    notes = "".join(f"<p>{html.escape(note)}</p>" for note in table.notes)
    return (
        f'<div class="scroll" role="region" tabindex="0" aria-label="{caption}"><table><caption>{caption}</caption>'
        f'<thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div><div class="notes">{notes}</div>'
    )


def _right(numeric: bool) -> str:
    return ' class="right"' if numeric else ""
