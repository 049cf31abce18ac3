"""Did more practice go with more gain? One dot per person: minutes done of those prescribed, and the change."""

from dataclasses import dataclass

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.layout.letter_widths import text_width
from notebooks.figures.layout.scatter import SIDES, TALL, arm_key, one_panel
from notebooks.figures.layout.text_columns import marker
from notebooks.figures.one_column import COLUMN, SMALL
from notebooks.figures.style import GREY, WIDTH, arm_cue, finish, plain_text, signed
from notebooks.show.names import Names
from notebooks.show.numbers import number, short
from outcomes import columns as c
from stats.estimates import Estimate

POINTS = [c.PARTICIPANT, c.ARM, "sessions", "minutes_prescribed", "minutes_performed", "percent", "improvement"]


@dataclass(frozen=True)
class Dose:
    """people: one row per person with a training log: POINTS, improvement NaN without both scores. correlation: None
    where there is none. enough: per cent of the minutes the protocol asks for. size: the first threshold of change.
    """

    people: pd.DataFrame
    outcome: str
    unit: str
    visit: str
    better: str
    correlation: Estimate | None = None
    enough: float | None = None
    size: float | None = None


def adherence_figure(dose: Dose, names: Names) -> go.Figure | None:
    """Change against the share of the prescribed minutes; people without both scores stand as crosses at the foot."""
    rows = dose.people[dose.people["percent"].notna()]
    if rows.empty:
        return None
    known = rows[rows["improvement"].notna()]
    arms = names.arms(rows[c.ARM])
    figure = go.Figure()
    for arm in arms:
        own, mark = known[known[c.ARM] == arm], arm_cue(names, arm)
        figure.add_scatter(
            x=own["percent"], y=own["improvement"], mode="markers", showlegend=False, meta="people",
            name=plain_text(names.arm(arm)), marker=marker(mark, 8), customdata=own[[c.PARTICIPANT]],
            hovertemplate="%{customdata[0]}: %{x:.0f} %, %{y}<extra></extra>",
        )  # fmt: skip
    values = [0.0, *known["improvement"], *([dose.size] if dose.size is not None else [])]
    low, high = min(values), max(values)
    room = 0.08 * ((high - low) or 1.0)
    missing = rows[rows["improvement"].isna()]
    figure.add_scatter(
        x=missing["percent"], y=[low - 0.5 * room] * len(missing), mode="markers", showlegend=False, meta="missing",
        customdata=missing[[c.PARTICIPANT]], hovertemplate="%{customdata[0]}: %{x:.0f} %, no change<extra></extra>",
        marker={"symbol": "x-thin", "size": 7, "line": {"color": GREY, "width": 1.5}},
    )  # fmt: skip
    x_span = (min(rows["percent"].min() - 4, 96.0), max(rows["percent"].max() + 4, 104.0))
    span = (low - room, high + room)
    words = f"Change to {names.visit(dose.visit)}, {dose.unit}"
    layouts = {
        width: _with_lines(
            one_panel(x_span, span, "Minutes done, % of those prescribed", words, width, change=True), dose, width
        )
        for width in (WIDTH, COLUMN)
    }
    for width, layout in layouts.items():
        layout["annotations"] += arm_key(arms, names, width)
    figure.update_layout(showlegend=False, **layouts[WIDTH])
    level = f"{names.protocol.level:.0%}".replace("%", " %")
    found = "no correlation is given"
    if dose.correlation is not None:
        ends = dose.correlation.limits(names.protocol.level)
        found = f"Spearman {number(dose.correlation.estimate, 2)} ({number(ends[0], 2)} to {number(ends[1], 2)})"
    middle = number(rows["percent"].median(), 0)
    return finish(
        figure,
        name="adherence",
        title="Practice done and change",
        finding=f"{names.outcome(dose.outcome)}: {found}, n = {len(known)}; minutes done: median {middle} % of those "
        f"prescribed.",
        caption=f"One dot per person with a training log and both scores ({len(known)} of {len(rows)}); "
        f"\N{MULTIPLICATION SIGN}: no pair of scores. {level} interval of the rank correlation. Lines: no change, all "
        "minutes, the protocol's criteria of both. No causal dose response: people who gain may practise more."
        + (" Lower scores are better: the sign is turned." if dose.better == "lower" else ""),
        alt=f"Scatter plot of change against minutes done, {len(known)} people.",
        points=rows[POINTS],
        keys=[c.PARTICIPANT],
        unit="min",
        height=TALL[WIDTH] + 80,
        above=18,
        edges={"l": 0, "r": 0, "b": 46},
        column=layouts[COLUMN] | {"margin": {"l": 0, "r": 0, "b": 42}},
        column_height=TALL[COLUMN] + 42,
        column_above=16,
    )


def _with_lines(layout: dict, dose: Dose, width: int) -> dict:
    """Lines of no change and of all minutes, and of the criteria of the protocol with their numbers."""
    small = SMALL if width == COLUMN else 11
    upright = {"type": "line", "xref": "x", "yref": "y domain", "y0": 0, "y1": 1, "layer": "below"}
    flat = {"type": "line", "xref": "x domain", "yref": "y", "x0": 0, "x1": 1, "layer": "below"}
    layout["shapes"].append(upright | {"x0": 100, "x1": 100, "line": {"color": GREY, "width": 0.8, "dash": "dot"}})
    if dose.enough is not None:
        line = {"color": GREY, "width": 1, "dash": "dash"}
        layout["shapes"].append(upright | {"x0": dose.enough, "x1": dose.enough, "line": line})
    if dose.size is not None:
        layout["shapes"].append(flat | {"y0": dose.size, "y1": dose.size, "line": {"color": GREY, "width": 1}})
        text = short(dose.size) if width == COLUMN else f"{signed(dose.size)} {dose.unit}"
        fits = text_width(text, small) < SIDES[width][1] - 6
        layout["annotations"].append(
            {"x": (width - SIDES[width][1] + 4) / width, "xref": "paper", "xanchor": "left", "y": dose.size,
             "yref": "y", "showarrow": False, "text": text if fits else short(dose.size),
             "font": {"size": small, "color": GREY}}
        )  # fmt: skip
    return layout
