"""How many next time: power at every number per arm, under what the pilot leaves open."""

import re
from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.layout.letter_widths import fit
from notebooks.figures.one_column import COLUMN, SMALL
from notebooks.figures.style import GREY, INK, TEXT, WIDTH, finish, plain_text, spread, ticks, unbroken
from notebooks.show.authors import author_year
from notebooks.show.numbers import short
from outcomes import InstrumentError, threshold
from stats.planning import Plan

LINES = {  # column -> words and dash; the planning value is the thick one
    "estimated": ("SD as estimated", "solid"),
    "sd_upper": ("SD at its 80 % upper limit", "solid"),
    "correlation_lower": ("correlation at its 80 % lower limit", "dash"),
    "averaged": ("averaged over both", "dot"),
}
MARKS = {"estimated": "circle", "sd_upper": "diamond", "correlation_lower": "square", "averaged": "triangle-up"}
ENDS = {WIDTH: (78.0, WIDTH - 178.0), COLUMN: (66.0, COLUMN - 14.0)}
TALL = {WIDTH: 230, COLUMN: 180}


@dataclass(frozen=True)
class PowerLines:
    """Power (0 to 1) at every n per arm: columns n_per_arm, recruit (before dropout) and those of LINES that are known.

    wanted: line -> the smallest n per arm that reaches the wanted power.
    """

    rows: pd.DataFrame
    wanted: Mapping[str, int]


def power_figure(found: PowerLines, plan: Plan) -> go.Figure:
    """One line per assumption, the wanted power as a line across, and on each the n it asks for."""
    rows = found.rows.sort_values("n_per_arm")
    lines = {key: told for key, told in LINES.items() if key in rows}
    figure = go.Figure()
    for key, (words, dash) in lines.items():
        main = key == "sd_upper"
        figure.add_scatter(
            x=rows["n_per_arm"], y=100 * rows[key], mode="lines", name=words, meta=key, showlegend=False,
            line={"color": INK, "width": 2.6 if main else 1.3, "dash": dash},
            hovertemplate="%{x}: %{y:.0f} %<extra></extra>",
        )  # fmt: skip
    at = rows.set_index("n_per_arm")
    marked = {key: n for key, n in found.wanted.items() if key in lines and n in at.index}
    for key, n in marked.items():
        figure.add_scatter(
            x=[n], y=[100 * at.loc[n, key]], mode="markers", meta="wanted", showlegend=False, hoverinfo="skip",
            name=LINES[key][0],
            marker={"symbol": MARKS[key], "size": 9, "color": INK, "line": {"color": "#ffffff", "width": 1}},
        )  # fmt: skip
    figure.update_layout(showlegend=False, **_layout(rows, lines, marked, plan, WIDTH))
    power = plan.terms.power or 0.9
    difference = plan.inputs["difference"]
    told = ", ".join(f"{n} ({LINES[key][0]})" for key, n in marked.items())
    lost = plan.inputs.get("attrition")
    kept = f" Enrolled: with {100 * lost.value:.0f} % lost before analysis." if lost is not None else ""
    return finish(
        figure,
        name="power_curve",
        title="Power by size of trial",
        finding=f"{plan.outcome}, for {short(difference.value)} {plan.unit} with {100 * power:.0f} % power: "
        f"{told} per arm.",
        caption=f"Two arms, covariance adjustment for the baseline, alpha {plan.terms.alpha:g} "
        f"({plan.terms.sides}-sided). Difference: {_source(difference.source)}. SD and correlation "
        f"{'are estimates, limits one-sided' if 'averaged' in lines else 'as given'}. n = {rows['n_per_arm'].min()} to "
        f"{rows['n_per_arm'].max()} per arm, every one.{kept}"
        + (" The thick line is the cautious one." if "sd_upper" in lines else "")
        + " The pilot's own effect is not used.",
        alt=f"Rising power curves over n per arm, {len(lines)} lines.",
        points=_points(rows, lines),
        keys=["n_per_arm"],
        unit="participants",
        height=TALL[WIDTH] + 76,
        above=4,
        edges={"l": 0, "r": 0, "b": 62},
        column=_layout(rows, lines, marked, plan, COLUMN) | {"margin": {"l": 0, "r": 0, "b": 54}},
        column_height=TALL[COLUMN] + 54,
        column_above=4,
    )


def _source(text: str) -> str:
    """The source of the difference in words; of a published threshold what it is and author and year, not its key."""
    found = re.match(r"threshold (\S+) \(", text)
    if found is None:
        return text or "not stated"
    try:
        size = threshold(found[1])
    except InstrumentError:  # the study's own: what stands behind its key is in words already
        return text.partition("(")[2].rstrip(")")
    return f"{size.quantity}, {author_year(size.source)}"


def _points(rows: pd.DataFrame, lines) -> pd.DataFrame:
    shown = rows[["n_per_arm", "recruit", *lines]]
    return shown.assign(**{key: 100 * shown[key] for key in lines}).rename(
        columns={key: f"percent {key}" for key in lines}
    )


def _layout(rows: pd.DataFrame, lines, marked: Mapping[str, int], plan: Plan, width: int) -> dict:
    small, size = (SMALL, 10) if width == COLUMN else (11, TEXT)
    left, right = ENDS[width]
    low, high = float(rows["n_per_arm"].min()) - 1, float(rows["n_per_arm"].max()) + 1
    at = [int(n) for n in ticks(low, high, 9 if width == WIDTH else 6) if n in set(rows["n_per_arm"])]
    enrolled = rows.set_index("n_per_arm")["recruit"]
    axes = {
        "xaxis": {"domain": [left / width, right / width], "range": [low, high], "tickvals": at, "showgrid": False,
                  "ticktext": [f"{n}<br>{int(enrolled[n])}" for n in at], "tickfont": {"size": small}},
        "yaxis": {"range": [0, 102], "tickvals": [0, 20, 40, 60, 80, 100], "tickfont": {"size": small}},
    }  # fmt: skip
    under = {"xref": "paper", "yref": "paper", "showarrow": False}
    words = [
        under | {"x": (left - 10) / width, "y": 0, "xanchor": "right", "yanchor": "top", "yshift": -5, "align": "right",
                 "text": "analysed<br>enrolled", "font": {"size": small, "color": GREY}},
        under | {"x": (left + right) / 2 / width, "y": 0, "xanchor": "center", "yanchor": "top",
                 "yshift": -36 if width == WIDTH else -31, "text": "Participants per arm", "font": {"size": size}},
        under | {"x": (left - 44) / width, "y": 0.5, "xanchor": "center", "yanchor": "middle", "textangle": -90,
                 "text": unbroken("Power, %"), "font": {"size": size}},
    ]  # fmt: skip
    power = 100 * (plan.terms.power or 0.9)
    line = {
        "type": "line",
        "xref": "x domain",
        "yref": "y",
        "x0": 0,
        "x1": 1,
        "y0": power,
        "y1": power,
        "layer": "below",
    }
    shapes = [line | {"line": {"color": GREY, "width": 1, "dash": "dot"}}]
    words += _entries(rows, lines, marked, width, small)
    return axes | {"annotations": words, "shapes": shapes}


def _entries(rows, lines, marked, width: int, small: float) -> list[dict]:
    """Each line's mark, words and n: at the right of the panel, in one column in its free lower right corner."""
    signs = {"circle": "\N{BLACK CIRCLE}", "diamond": "\N{BLACK DIAMOND}", "square": "\N{BLACK SQUARE}",
             "triangle-up": "\N{BLACK UP-POINTING TRIANGLE}"}  # fmt: skip
    right = ENDS[width][1]
    words = []
    order = sorted(lines, key=lambda key: marked.get(key, 10**6))
    if width == WIDTH:
        last = [100 * float(rows[key].iloc[-1]) for key in order]
        heights = spread(last, (small + 3.5) * 2 * 102 / TALL[width])
        over = max(0.0, max(heights) - 97)
        heights = [height - over for height in heights]
    for place, key in enumerate(order):
        n = f"n = {marked[key]}: " if key in marked else ""
        text = f"{signs[MARKS[key]]} <b>{n}</b>{plain_text(lines[key][0])}"
        look = {"showarrow": False, "align": "left", "font": {"size": small, "color": INK}}
        if width == WIDTH:
            look |= {"x": (right + 8) / width, "xref": "paper", "xanchor": "left", "y": heights[place], "yref": "y",
                     "text": fit(unbroken(text), width - right - 12, small)}  # fmt: skip
        else:
            look |= {"x": right / width, "xref": "paper", "xanchor": "right", "align": "right", "yref": "paper",
                     "y": 0, "yanchor": "bottom", "yshift": 4 + (len(order) - 1 - place) * (small + 4),
                     "bgcolor": "#ffffff", "borderpad": 0, "text": unbroken(text)}  # fmt: skip
        words.append(look)
    return words
