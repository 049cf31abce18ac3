"""Does the change depend on where people began? One dot per person, with what the scale still left to gain."""

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.layout.scatter import TALL, arm_key, one_panel
from notebooks.figures.layout.text_columns import marker
from notebooks.figures.one_column import COLUMN
from notebooks.figures.style import GREY, WIDTH, arm_cue, finish, plain_text
from notebooks.show.names import Names
from notebooks.show.numbers import number
from outcomes import columns as c
from stats.estimates import Estimate

POINTS = [c.PARTICIPANT, c.ARM, "before", "improvement"]


def change_by_baseline(changes: pd.DataFrame, correlation: Estimate | None, names: Names) -> go.Figure | None:
    """Change against baseline; a dashed line where nobody can gain more, because the scale ends.

    changes: frame of `stats.change_table`. correlation: rank correlation of baseline and change, None where none is.
    """
    known = changes[changes["missing"] == ""]
    if known.empty:
        return None
    first, arms = changes.iloc[0], names.arms(changes[c.ARM])
    outcome, unit = str(first[c.OUTCOME]), str(first["unit"])
    figure = go.Figure()
    for arm in arms:
        own, mark = known[known[c.ARM] == arm], arm_cue(names, arm)
        figure.add_scatter(
            x=own["before"], y=own["improvement"], mode="markers", meta="people", showlegend=False,
            name=plain_text(names.arm(arm)), marker=marker(mark, 8), customdata=own[[c.PARTICIPANT]],
            hovertemplate="%{customdata[0]}: from %{x}, %{y}<extra></extra>",
        )  # fmt: skip
    before, gain = known["before"].to_numpy(dtype=float), known["improvement"].to_numpy(dtype=float)
    room = 0.05 * ((before.max() - before.min()) or 1.0)
    x_span = (float(before.min() - room), float(before.max() + room))
    over = 0.08 * ((max(gain.max(), 0) - min(gain.min(), 0)) or 1.0)
    y_span = (float(min(gain.min(), 0) - over), float(max(gain.max(), 0) + over))
    low, high = names.ends(outcome)
    end = low if first["better"] == "lower" else high
    limit: list[dict] = []
    if end is not None:
        limit = _limit(end, first["better"] == "lower", x_span, y_span)
    layouts = {
        width: one_panel(x_span, y_span, f"Score at {names.visit(first['from_visit'])}, {unit}",
                         f"Change to {names.visit(first['to_visit'])}, {unit}", width, change=True, right=20)
        for width in (WIDTH, COLUMN)
    }  # fmt: skip
    for width, layout in layouts.items():
        layout["annotations"] += arm_key(arms, names, width)
        layout["shapes"] += limit
    figure.update_layout(showlegend=False, **layouts[WIDTH])
    level = f"{names.protocol.level:.0%}".replace("%", " %")
    told = f"change from {number(gain.min(), names.decimals(outcome))} to {number(gain.max(), names.decimals(outcome))}"
    if correlation is not None:
        ends = correlation.limits(names.protocol.level)
        told = (
            f"Spearman of baseline and change {number(correlation.estimate, 2)} ({number(ends[0], 2)} to "
            f"{number(ends[1], 2)})"
        )
    return finish(
        figure,
        name=f"change_by_baseline/{outcome}",
        title="Change by baseline",
        finding=f"{names.outcome(outcome)}: {told}, n = {len(known)}.",
        caption=f"One dot per person with both scores ({len(known)} of {len(changes)} enrolled); {level} interval of "
        "the rank correlation over all arms."
        + (" Dashed: nobody can gain more, the scale ends there." if limit else "")
        + " A falling cloud is also what measurement error alone makes (regression to the mean)."
        + (" Lower scores are better: the sign is turned." if first["better"] == "lower" else ""),
        alt=f"Scatter plot of change against baseline, {len(known)} people.",
        points=known[POINTS],
        keys=[c.PARTICIPANT],
        unit=unit,
        height=TALL[WIDTH] + 80,
        above=18,
        edges={"l": 0, "r": 0, "b": 46},
        column=layouts[COLUMN] | {"margin": {"l": 0, "r": 0, "b": 42}},
        column_height=TALL[COLUMN] + 42,
        column_above=16,
    )


def _limit(end: float, lower: bool, x: tuple[float, float], y: tuple[float, float]) -> list[dict]:
    """The line of the largest possible gain, where it crosses the panel."""
    sign = -1 if lower else 1
    across = np.linspace(*x, 400)
    gain = sign * (end - across)
    inside = across[(gain >= y[0]) & (gain <= y[1])]
    if len(inside) < 2:
        return []
    ends = {"x0": float(inside[0]), "x1": float(inside[-1])}
    ends |= {"y0": sign * (end - ends["x0"]), "y1": sign * (end - ends["x1"])}
    line = {"color": GREY, "width": 1, "dash": "dash"}
    return [{"type": "line", "xref": "x", "yref": "y", "layer": "below", "line": line} | ends]
