"""The main result under other choices: the protocol's answer once, then one row per other choice."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.forest import compared_arms
from notebooks.figures.layout.letter_widths import fit
from notebooks.figures.layout.text_columns import TextColumns
from notebooks.figures.one_column import COLUMN, SMALL
from notebooks.figures.style import BAND, GREY, GRID, INK, WIDTH, finish, plain_text, signed, ticks, turned
from notebooks.show.names import Names
from notebooks.show.numbers import number
from outcomes import columns as c
from stats.choices.choice_assumptions import ENDS, IMPUTED
from stats.choices.choice_grid import WITHOUT_ONE

POINTS = ["choice", "option", "comparison", "is_protocol", "n", "estimate", "conf_low", "conf_high"]
WORDS = {
    "toeplitz": "Toeplitz",
    "ar1": "first-order autoregressive",
    "kenward-roger": "Kenward-Roger",
    "kenward-roger-observed": "Kenward-Roger, observed information",
    "satterthwaite": "Satterthwaite",
    "visit like the others": "a visit like the others",
    "covariate": "as a covariate",
}
SHORTER = {" (for comparison only)": "", ", long-run variance": ", long-run", "reference arm": "reference",
           "only people with ": "only with ", "the first and the last score": "first and last score"}  # fmt: skip
AGAIN = ", as repeated trials would vary"  # such a row stands right under its own
ROW = {WIDTH: 17.0, COLUMN: 22.0}
HEADING, STRIP = 0.8, 2.0  # of a row: a heading; the dots of leaving out one person


@dataclass(frozen=True)
class _Line:
    """One line of the table: a heading (no rows), an answer, or the dots of leaving out one person each."""

    height: float
    text: str
    rows: pd.DataFrame
    kind: str  # "protocol", "heading", "answer" or "leaving one out"


@dataclass(frozen=True)
class Wording:
    """What such a figure is called. merged: answers that equal the protocol's share one row."""

    name: str = "what_if"
    title: str = "The answer under other choices"
    over: str = "Choice changed, one at a time"
    others: str = "other choices"
    merged: bool = True
    first: str = "As the protocol says"
    by: str = "by the protocol"
    caption: str = (
        "One choice changed at a time, all else as in the protocol; {level} intervals; n: people in the model. Band "
        "and line: the protocol's interval and estimate. Positive is better. Choices that cannot move the estimate "
        "share one row, with their widest interval."
    )
    simpler: tuple[str, ...] = (IMPUTED, ENDS)  # choices whose analyses know no sites and no covariates


CHOICES = Wording()


def answers_figure(
    answers: pd.DataFrame, names: Names, visit: str, better: str, wording: Wording = CHOICES
) -> go.Figure:
    """The protocol's interval as a band through rows of other answers; choices that cannot move it share one row.

    answers: one comparison, with outcome, choice, option, comparison, comparison_label, quantity, unit, n, estimate,
    conf_low, conf_high, is_protocol; NaN where a choice was refused. better: of the outcome, "higher" or "lower".
    wording: what the figure is called.
    """
    first = answers.iloc[0]
    outcome, digits, unit = str(first[c.OUTCOME]), names.decimals(str(first[c.OUTCOME])), str(first["unit"])
    shown = turned(answers, better)
    lines = _lines(shown, wording)
    own = shown[shown["is_protocol"] & shown["estimate"].notna()]
    main = own.iloc[0] if len(own) else None
    others = shown[~shown["is_protocol"] & shown["estimate"].notna()]
    figure = go.Figure()
    for line in lines:
        _draw(figure, line)
    ends = [0.0, *shown[["estimate", "conf_low", "conf_high"]].to_numpy().ravel()]
    ends = [value for value in ends if not np.isnan(value)]
    room = 0.04 * ((max(ends) - min(ends)) or 1.0)
    span = (min(ends) - room, max(ends) + room)
    wide, narrow = (
        _sheet(lines, main, names, digits, span, str(first["comparison"]), width, wording) for width in (WIDTH, COLUMN)
    )
    label = f"{str(first['quantity']).capitalize()}, {unit}"
    figure.update_layout(showlegend=False, **_axes(wide, span, 11, label))
    told = f"no answer {wording.by}"
    if main is not None:
        told = f"{_written(main, digits)} {wording.by}"
    if len(others):
        low, high = number(others["estimate"].min(), digits), number(others["estimate"].max(), digits)
        told += f", {low} to {high} over {len(others)} {wording.others}"
    refused = shown[shown["estimate"].isna()]
    why = "; ".join(f"{WORDS.get(option, option)}" for option in refused["option"])
    compared = f", {first['comparison_label']}" if first["comparison_label"] else ""
    level = f"{names.protocol.level:.0%}".replace("%", " %")
    return finish(
        figure,
        name=f"{wording.name}/{first['comparison'] or 'change'}",
        title=wording.title,
        finding=f"{names.outcome(outcome)}, {first['quantity']}{', ' + names.visit(visit) if visit else ''}{compared}: "
        f"{told} ({unit}).",
        caption=wording.caption.format(level=level)
        + _simpler(answers, names, wording)
        + (f" {len(refused)} refused ({why}); the table says why." if len(refused) else "")
        + " A choice made by looking here would be no choice.",
        alt=f"Rows with intervals under {answers['choice'].nunique()} kinds of choice.",
        points=answers[POINTS],
        keys=["choice", "option", "comparison"],
        unit=unit,
        height=wide.height + wide.head + 10,
        above=wide.head,
        edges={"l": 0, "r": 0, "b": wide.foot},
        column=_axes(narrow, span, SMALL, label),
        column_height=narrow.height,
        column_above=narrow.head,
        column_legend=False,
    )


def _simpler(answers: pd.DataFrame, names: Names, wording: Wording) -> str:
    """A sentence on rows that leave out more of the planned model than the one choice says."""
    model = names.protocol.model
    there = [*(["sites"] if model.site else []), *(["covariates"] if model.covariates else [])]
    rows = [one for one in wording.simpler if (answers["estimate"].notna() & (answers["choice"] == one)).any()]
    if not there or not rows:
        return ""
    under = " and ".join(f'"{one[:1].upper()}{one[1:]}"' for one in rows)
    return f" Under {under} the {' and '.join(there)} of the planned model are left out as well."


def _written(row: pd.Series, digits: int) -> str:
    middle, low, high = (number(row[name], digits) for name in ("estimate", "conf_low", "conf_high"))
    return f"{middle} ({low} to {high})"


def _lines(shown: pd.DataFrame, wording: Wording) -> list[_Line]:
    """The lines in order, each at its height in rows."""
    nothing = shown.iloc[:0]
    made = [_Line(0.0, wording.first, shown[shown["is_protocol"]].head(1), "protocol")]
    at = 1.0

    def add(text: str, rows: pd.DataFrame, kind: str, tall: float) -> None:
        nonlocal at
        made.append(_Line(at - 0.5 + tall / 2, text, rows, kind))
        at += tall

    answers = shown[shown["estimate"].notna()]
    main = answers.loc[answers["is_protocol"], "estimate"]
    single = answers["option"].str.startswith(WITHOUT_ONE)
    for choice, own in answers[~single & ~answers["is_protocol"]].groupby("choice", sort=False):
        add(str(choice)[:1].upper() + str(choice)[1:], nothing, "heading", HEADING)
        same = (
            np.isclose(own["estimate"], main.iloc[0], rtol=1e-6, atol=1e-12) if len(main) else np.zeros(len(own), bool)
        )
        if wording.merged and same.sum() > 1:
            widest = own[same].assign(wide=own["conf_high"] - own["conf_low"]).sort_values("wide").tail(1)
            add(f"{int(same.sum())} other methods, widest interval", widest, "answer", 1.0)
            own = own[~same]
        for place in range(len(own)):
            add(_words(str(own["option"].iloc[place])), own.iloc[[place]], "answer", 1.0)
    if single.sum() > 1:
        add("Leaving out one person in turn", nothing, "heading", HEADING)
        add(f"{int(single.sum())} answers, estimates only", answers[single], "leaving one out", STRIP)
    elif single.any():
        add("one person left out", answers[single], "answer", 1.0)
    return made


def _words(option: str) -> str:
    told = WORDS.get(option, option)
    if told.endswith(AGAIN):
        return "the same" + AGAIN
    for long, brief in SHORTER.items():
        told = told.replace(long, brief)
    return re.sub(r"\b0\.(\d+) of\b", lambda found: f"{float('0.' + found[1]):.0%} of".replace("%", " %"), told)


def _draw(figure: go.Figure, line: _Line) -> None:
    if line.rows.empty or line.rows["estimate"].isna().all():
        return
    rows = line.rows
    look = {"mode": "markers", "showlegend": False, "meta": line.kind, "customdata": rows[["n"]],
            "hovertemplate": "%{x:.2f}, n = %{customdata[0]}<extra></extra>"}  # fmt: skip
    if line.kind == "leaving one out":
        figure.add_scatter(x=rows["estimate"], y=line.height + _piled(rows["estimate"].to_numpy(dtype=float)),
                           marker={"size": 4.5, "color": INK}, **look)  # fmt: skip
        return
    main = line.kind == "protocol"
    figure.add_scatter(
        x=rows["estimate"], y=[line.height] * len(rows),
        marker={"symbol": "diamond" if main else "circle", "size": 11 if main else 7, "color": INK},
        error_x={"type": "data", "symmetric": False, "array": rows["conf_high"] - rows["estimate"],
                 "arrayminus": rows["estimate"] - rows["conf_low"], "color": INK, "thickness": 2.6 if main else 1.4,
                 "width": 0},
        **look,
    )  # fmt: skip


def _piled(values: np.ndarray) -> np.ndarray:
    """Heights of dots so that near values stand over each other, about the middle of the strip."""
    width = (values.max() - values.min()) / 28 or 1.0
    bins = np.round(values / width).astype(int)
    heights = np.zeros(len(values))
    for one in np.unique(bins):
        inside = np.flatnonzero(bins == one)
        apart = min(0.24, (STRIP - 0.5) / max(len(inside), 1))
        heights[inside] = (np.arange(len(inside)) - (len(inside) - 1) / 2) * apart
    return heights


def _axes(sheet: TextColumns, span: tuple[float, float], size: int, label: str) -> dict:
    axes = sheet.axes(*span)
    at = ticks(*span, 6 if sheet.width == WIDTH else 5)
    axes["xaxis"] |= {"tickvals": at, "ticktext": [signed(value) for value in at], "tickfont": {"size": size},
                      "showgrid": False}  # fmt: skip
    middle = (sheet.panel[0] + sheet.panel[1]) / 2
    room = min(middle, sheet.width - middle) * 2 - 8
    axes["annotations"] = [
        *axes["annotations"],
        {"x": middle / sheet.width, "xref": "paper", "y": 0, "yref": "paper", "yanchor": "top", "yshift": -18,
         "showarrow": False, "text": fit(plain_text(label), room, size), "font": {"size": size, "color": INK}},
    ]  # fmt: skip
    return axes


def _sheet(
    lines: Sequence[_Line], main: pd.Series | None, names: Names, digits: int, span: tuple[float, float],
    comparison: str, width: int, wording: Wording,
) -> TextColumns:  # fmt: skip
    narrow = width == COLUMN
    last = lines[-1]
    rows = last.height + (STRIP / 2 if last.kind == "leaving one out" else 1.0)
    panel = (140.0, COLUMN - 44.0) if narrow else (288.0, WIDTH - 186.0)
    sheet = TextColumns(width, SMALL if narrow else 11, panel, rows, ROW[width], head=38, foot=46)
    if main is not None:
        sheet.band(main["conf_low"], main["conf_high"], -0.5, rows - 0.5, BAND)
    for value in ticks(*span, 5 if narrow else 6):
        sheet.upright(value, -0.5, rows - 0.5, GREY if value == 0 else GRID)
    if main is not None:
        sheet.upright(main["estimate"], -0.5, rows - 0.5, INK, 1, "dot")
    sheet.line(-0.5)
    sheet.over(2, wording.over.split()[0] if narrow else wording.over, colour=GREY)
    if not narrow:
        sheet.over(
            WIDTH - 40, f"Estimate ({names.protocol.level:.0%})".replace("%)", " %)"), anchor="right", colour=GREY
        )
        sheet.over(WIDTH - 2, "n", anchor="right", colour=GREY)
    arms = compared_arms(names, [names.compared(comparison)]) if comparison else []
    if arms and span[0] < 0 < span[1]:
        share = -span[0] / (span[1] - span[0])
        across = panel[1] - panel[0]
        rooms = (share * across + 40 - 8, (1 - share) * across - 8)
        words = [fit(f"favours {plain_text(names.arm(arm))}", max(room, 60), sheet.size - (0 if narrow else 1))
                 for arm, room in zip(reversed(arms), rooms, strict=True)]  # fmt: skip
        sheet.favours(0, span[0], span[1], words[0], words[1], -0.5)
    for line in lines:
        bold = line.kind == "protocol"
        colour, indent = (GREY, 0) if line.kind == "heading" else (INK, 0 if bold else 8)
        sheet.write(2 + indent, line.height, fit(plain_text(line.text), panel[0] - 8 - indent, sheet.size, bold),
                    colour=colour, bold=bold)  # fmt: skip
        if line.rows.empty:
            continue
        _numbers(sheet, line, digits, narrow, bold)
    return sheet


def _numbers(sheet: TextColumns, line: _Line, digits: int, narrow: bool, bold: bool) -> None:
    row = line.rows.iloc[0]
    counts = list(dict.fromkeys(str(int(n)) for n in (line.rows["n"].min(), line.rows["n"].max())))
    at = sheet.width - 2 if narrow else sheet.width - 40
    if line.kind == "leaving one out":
        low, high = (number(end, digits) for end in (line.rows["estimate"].min(), line.rows["estimate"].max()))
        sheet.write(at, line.height, f"{low}<br>to {high}" if narrow else f"{low} to {high}", anchor="right")
    elif pd.isna(row["estimate"]):
        sheet.write(at, line.height, "not run", anchor="right", colour=GREY)
    else:
        told = number(row["estimate"], digits) if narrow else _written(row, digits)
        sheet.write(at, line.height, told, anchor="right", bold=bold)
    if not narrow:
        sheet.write(sheet.width - 2, line.height, "\N{EN DASH}".join(counts), anchor="right")
