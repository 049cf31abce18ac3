"""Numbers as people read them: the only place, with figures and prose, where results are rounded.

Full precision stays in the frame of a `Table`; this module writes its cells and lays it out for a page.
"""

import html
import re
from collections.abc import Mapping
from dataclasses import replace
from decimal import ROUND_HALF_UP, Decimal

import pandas as pd
from great_tables import GT

from notebooks.exhibits import Table, plain_value

MINUS = "\N{MINUS SIGN}"
DASH = "\N{EN DASH}"
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

# How a column is written. A number is added to the decimals of the outcome; a word names a rule of `written`.
WRITTEN: Mapping[str, int | str] = {
    "std_error": 1,
    "p_value": "p",
    "period_p": "p",
    "df": "df",
    "num_df": "count",
    "den_df": "df",
    "statistic": "two",
    "loglik": "loglik",
    "percent": "percent",
    "percent_low": "percent",
    "percent_high": "percent",
    "share": "percent",
    "share_low": "percent",
    "share_high": "percent",
    "day": "short",
    "threshold_value": "short",
    "effect": "two",
    "effect_low": "two",
    "effect_high": "two",
    "effect_se": "two",
}


def number(value: float | None, decimals: int) -> str:
    """A number with a true minus sign; a dash where there is none; never "-0"."""
    if value is None or pd.isna(value):
        return DASH
    # Halves away from zero, as readers of published tables expect; from the shortest decimal form of the number.
    step = Decimal(1).scaleb(-max(decimals, 0))
    text = f"{Decimal(repr(float(value))).quantize(step, ROUND_HALF_UP):f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def p_value(value: float | None) -> str:
    """A p value to three decimals; below that, the bound."""
    if value is None or pd.isna(value):
        return DASH
    return "<0.001" if value < 0.001 else f"{value:.3f}"


def short(value: float | None) -> str:
    """A number as it was typed: no trailing zeros."""
    if value is None or pd.isna(value):
        return DASH
    return f"{value:.10g}".replace("-", MINUS)


def at_least(rule: str, unit: str) -> str:
    """The rule of a threshold as printed: "≥ 4.25 points", "> 6.6 points", "≥ 12 or 17 points" (by the hand)."""
    listed = " or ".join(short(value) for value in sizes(rule))
    return f"{'>' if rule.startswith('> ') else '≥'} {listed} {unit}".strip()


def sizes(rule: str) -> list[float]:
    """Every size in the rule of a threshold: two where it depends on which hand is affected."""
    return [float(part) for part in rule.partition(" ")[2].split(" or ")]


def written(column: str, cell: object, decimals: int = 1) -> str:
    """One cell: by the rule of its column, else by its type and the precision of the outcome."""
    value = plain_value(cell)
    if value is None:
        return DASH
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return {"infinite": "\N{INFINITY}", "minus infinite": f"{MINUS}\N{INFINITY}"}.get(value, value)
    rule = WRITTEN.get(column.partition(" ")[0], 0 if isinstance(value, float) else "count")
    match rule:
        case "p":
            return p_value(value)
        case "df":
            return number(value, 1)
        case "two":
            return number(value, 2)
        case "loglik":
            return number(value, 3)
        case "percent":
            return number(value, 0)
        case "count":
            return number(value, 0)
        case "short":
            return short(value)
        case _:
            return number(value, decimals + int(rule))


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
    sheet = GT(shown, id=identifier(table.name), groupname_col=group)
    sheet = sheet.cols_label(cases={key: text for key, text in labels.items() if key != group})
    right = [key for key, heading in labels.items() if heading in numeric and key != group]
    left = [key for key, heading in labels.items() if heading not in numeric and key != group]
    sheet = sheet.cols_align("right", right).cols_align("left", left)
    for note in table.notes:
        sheet = sheet.tab_source_note(note)
    place = f'[id="{identifier(table.name)}"]'
    look = LOOK.replace("PLACE", place)
    return f"<style>{look}</style>{_with_caption(mark_long_cells(sheet.as_raw_html()), table.caption)}"


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
