"""Tables: every number in full in the frame, its cells written as people read them, laid out for a page.

`MIME` carries the full-precision content beside the readable one; the report and the record are built from that.
"""

import html
import re
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, replace

import pandas as pd
import pyarrow as pa
from great_tables import GT

from notebooks.show.content import MIME, plain
from notebooks.show.numbers import DASH, written

FIELD = re.compile(r"\{([^{}]+)\}")
CELL = re.compile(r"<td([^>]*)>([^<]*)</td>")
CLASS = re.compile(r"""class=(["'])(.*?)\1""")
# In JupyterLab, whose own rules squeeze every column; the report page brings its own and drops these.
LOOK = (
    "PLACE caption{text-align:left;font-weight:600;color:inherit;padding:4px 0} PLACE td,PLACE th{text-align:left} "
    "PLACE td{white-space:nowrap} PLACE td.long{white-space:normal;min-width:20em} PLACE .gt_right{text-align:right} "
    "PLACE td.gt_sourcenote{white-space:normal}"
)
LONG = 28  # characters from which a cell is a text that may be broken into lines; a shorter one stays on one line


@dataclass(frozen=True)
class Table:
    """A table: `frame` holds every number in full, `columns` says what is printed and how.

    columns: heading -> template; `{name}` writes the value of that column (see `numbers.written`).
    keys: columns that name a row in the record. group: heading whose equal values become a group heading.
    decimals: column of `frame` or a number; the precision of the outcome in each row.
    where: column of `frame` that says (True) which rows are printed; limit: number of rows printed. The file and the
    record hold all of them.
    """

    name: str
    caption: str
    frame: pd.DataFrame
    columns: Mapping[str, str]
    keys: tuple[str, ...] = ()
    group: str | None = None
    notes: tuple[str, ...] = ()
    decimals: str | int = 1
    unit: str = ""
    recorded: bool = True
    limit: int | None = None
    where: str | None = None

    def content(self) -> dict:
        """The table for the report and the record: plain values, nothing rounded."""
        return {
            "kind": "table",
            "name": self.name,
            "caption": self.caption,
            "frame": plain(self.frame),
            "columns": [[heading, template] for heading, template in self.columns.items()],
            "keys": list(self.keys),
            "group": self.group,
            "notes": list(self.notes),
            "decimals": self.decimals,
            "unit": self.unit,
            "recorded": self.recorded,
            "limit": self.limit,
            "where": self.where,
        }

    def _repr_mimebundle_(self, include=None, exclude=None) -> dict:
        return {"text/html": to_html(self), "text/plain": to_text(self), MIME: self.content()}


def from_content(content: Mapping) -> Table:
    """The table again from its content, as a notebook file keeps it."""
    return Table(
        name=content["name"],
        caption=content["caption"],
        frame=pd.DataFrame(dict(content["frame"])),
        columns=dict(content["columns"]),
        keys=tuple(content["keys"]),
        group=content["group"],
        notes=tuple(content["notes"]),
        decimals=content["decimals"],
        unit=content["unit"],
        recorded=content["recorded"],
        limit=content["limit"],
        where=content["where"],
    )


def cells(table: Table) -> pd.DataFrame:
    """The table as printed: one string per cell, headings as columns."""
    rows = table.frame.to_dict("records")
    return pd.DataFrame(
        {
            heading: [_cell(template, row, table.decimals) for row in rows]
            for heading, template in table.columns.items()
        },
        columns=list(table.columns),
        dtype=object,
    )


def _cell(template: str, row: Mapping, decimals: str | int) -> str:
    precision = decimals if isinstance(decimals, int) else int(row[decimals])
    values = {name: written(name, row[name], precision) for name in FIELD.findall(template)}
    if values and all(value == DASH for value in values.values()):
        return DASH
    return FIELD.sub(lambda match: values[match[1]], template)


def printed(table: Table) -> Table:
    """The table cut to the rows a page holds, with a note that says so."""
    shown = table.frame if table.where is None else table.frame[table.frame[table.where].astype(bool)]
    shown = shown if table.limit is None else shown.head(table.limit)
    if len(shown) == len(table.frame):
        return table
    note = f"{len(shown)} of {len(table.frame)} rows; all are in the file tables/{identifier(table.name)}.csv."
    return replace(table, frame=shown, notes=(*table.notes, note), limit=None, where=None)


def to_text(table: Table) -> str:
    """The table as plain text, for a terminal and for readers without HTML."""
    table = printed(table)
    body = cells(table).to_string(index=False) if len(table.frame) else "(no rows)"
    notes = "".join(f"\n  {note}" for note in table.notes)
    return f"{table.caption}\n{body}{notes}"


def to_html(table: Table) -> str:
    """The table as HTML with a caption, column scopes and its notes printed under it."""
    table = printed(table)
    body = cells(table)
    if body.empty:
        return f"<p><strong>{html.escape(table.caption)}</strong><br>No rows.</p>"
    numeric = [heading for heading in body.columns if is_numeric(table, heading)]
    shown = body.rename(columns={heading: f"c{place}" for place, heading in enumerate(body.columns)})
    labels = {f"c{place}": heading for place, heading in enumerate(body.columns)}
    group = None if table.group is None else f"c{list(body.columns).index(table.group)}"
    right = [key for key, heading in labels.items() if heading in numeric and key != group]
    left = [key for key, heading in labels.items() if heading not in numeric and key != group]
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "PyArrow Table support is currently experimental", UserWarning)
        sheet = GT(as_arrow(shown), id=identifier(table.name), groupname_col=group)
    sheet = sheet.cols_label(cases={key: text for key, text in labels.items() if key != group})
    sheet = sheet.cols_align("right", right).cols_align("left", left)
    for note in table.notes:
        sheet = sheet.tab_source_note(note)
    markup = sheet.as_raw_html()
    place = f'[id="{identifier(table.name)}"]'
    look = LOOK.replace("PLACE", place)
    return f"<style>{look}</style>{_with_caption(mark_long_cells(markup), table.caption)}"


def as_arrow(shown: pd.DataFrame) -> pa.Table:
    """The texts as Arrow: the library sets cell by cell, which takes two to three times as long in a data frame.

    The markup is the same to the byte, which a test sees to: the library calls its support of Arrow experimental.
    """
    return pa.table({name: pa.array(shown[name].tolist(), pa.string()) for name in shown})


def mark_long_cells(markup: str) -> str:
    """Cells of running text get the class `long`: a narrow page breaks and widens those, and leaves numbers whole."""

    def marked(cell: re.Match) -> str:
        attributes, text = cell[1], cell[2]
        if len(html.unescape(text)) < LONG or "colspan" in attributes:
            return cell[0]
        classed, found = CLASS.subn(r'class="\2 long"', attributes)
        classed = classed if found else f'{attributes} class="long"'
        return f"<td{classed}>{text}</td>"

    return CELL.sub(marked, markup)


def is_numeric(table: Table, heading: str) -> bool:
    """Whether a printed column holds numbers only and is set to the right."""
    fields = FIELD.findall(table.columns[heading])
    return bool(fields) and all(pd.api.types.is_numeric_dtype(table.frame[name]) for name in fields)


def _with_caption(markup: str, caption: str) -> str:
    """A caption element: screen readers announce it, and it stays with the table when the page is cut."""
    return re.sub(r"<table[^>]*>", lambda tag: f"{tag[0]}<caption>{html.escape(caption)}</caption>", markup, count=1)


def identifier(name: str) -> str:
    """A name as an HTML id and a file name: letters, digits, points, underscores."""
    return re.sub(r"[^\w.]+", "_", name.replace("/", "__")).strip("_")
