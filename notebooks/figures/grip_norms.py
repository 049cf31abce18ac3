"""How far is grip from what is usual for age and sex: each hand as a share of the norm's mean."""

from collections.abc import Collection

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.layout.dot_columns import TALL, DotColumn, aside, dot_layout, foot
from notebooks.figures.one_column import COLUMN
from notebooks.figures.style import GREY, INK, WIDTH, finish
from notebooks.show.names import Names
from notebooks.show.numbers import number
from outcomes import columns as c

HANDS = {"affected": "affected", "other": "other", "": "hand"}
POINTS = [c.PARTICIPANT, c.ARM, c.VISIT, c.SIDE, c.HAND, "value", "norm_mean", "norm_sd", "z", "percent"]


def grip_against_norm(
    norms: pd.DataFrame, names: Names, source: str, wanted: str, flagged: Collection[tuple[str, str, str]] = ()
) -> go.Figure:
    """A dot per hand at the first visit and the one the study speaks of; bars: medians; the line: the norm's mean.

    norms: frame with participant, arm, visit, day, side, hand, value, norm_mean, norm_sd, z, percent. source: of the
    norm, in words. flagged: (participant, visit, side) of values the checks want looked at; they are ringed, and kept.
    """
    seen = names.visits(norms[c.VISIT])
    visits = list(dict.fromkeys([seen[0], wanted if wanted in seen else seen[-1]]))
    shown = norms[norms[c.VISIT].isin(visits)]
    hands = [hand for hand in HANDS if hand in set(shown[c.HAND])]
    top = float(max(shown["percent"].max(), 100.0)) * 1.06
    span = (min(0.0, float(shown["percent"].min())), top)
    figure, columns, groups, medians = go.Figure(), [], [], []
    for group, visit in enumerate(visits):
        start = group * (len(hands) + 0.8)
        groups.append((start + (len(hands) - 1) / 2, names.visit(visit)))
        for place, hand in enumerate(hands):
            own = shown[(shown[c.VISIT] == visit) & (shown[c.HAND] == hand)]
            if own.empty:
                continue
            x = start + place + aside(own["percent"], top)
            filled = {"color": INK if hand != "other" else "#ffffff", "line": {"color": INK, "width": 1.2}}
            figure.add_scatter(
                x=x, y=own["percent"], mode="markers", meta="people", name=HANDS[hand], showlegend=False,
                marker={"symbol": "circle", "size": 6.5} | filled, customdata=own[[c.PARTICIPANT, "z"]],
                hovertemplate="%{customdata[0]}: %{y:.0f} %, z %{customdata[1]:.1f}<extra></extra>",
            )  # fmt: skip
            ring = [key in set(flagged) for key in zip(own[c.PARTICIPANT], own[c.VISIT], own[c.SIDE], strict=True)]
            figure.add_scatter(
                x=x[ring], y=own.loc[ring, "percent"], mode="markers", meta="flagged", showlegend=False,
                hoverinfo="skip", marker={"symbol": "circle-open", "size": 12, "color": INK, "line": {"width": 1.3}},
            )  # fmt: skip
            median = float(own["percent"].median())
            figure.add_scatter(
                x=[start + place - 0.34, start + place + 0.34], y=[median, median], mode="lines", meta="median",
                showlegend=False, hoverinfo="y", line={"color": GREY, "width": 2},
            )  # fmt: skip
            medians.append((visit, hand, median))
            told = f"{HANDS[hand]} {number(median, 0)} % n = {len(own)}"
            columns.append(DotColumn(start + place, told, INK))
    axis = "Grip, % of the norm's mean"
    layouts = {
        width: dot_layout(columns, groups, span, axis, width, change=False, line=100) for width in (WIDTH, COLUMN)
    }
    figure.update_layout(showlegend=False, **layouts[WIDTH])
    last = "; ".join(f"{HANDS[hand]} {number(median, 0)} %" for visit, hand, median in medians if visit == visits[-1])
    ringed = any(len(trace.x) for trace in figure.data if trace.meta == "flagged")
    return finish(
        figure,
        name="grip_norms",
        title="Grip against the norm",
        finding=f"Grip as a share of the norm's mean at {names.visit(visits[-1])}, median by hand: {last}.",
        caption=f"One dot per person and hand (n = {shown[c.PARTICIPANT].nunique()}); filled: affected, open: other; "
        f"bars: medians; line: the norm's mean by age, sex and side. Norm: {source}."
        + (" A ring marks a value the checks want looked at; it is kept." if ringed else ""),
        alt=f"Dots by hand at {len(visits)} visits.",
        points=norms[POINTS],
        keys=[c.PARTICIPANT, c.VISIT, c.SIDE],
        unit="kgf",
        height=TALL[WIDTH] + foot(columns, WIDTH) + 14,
        above=4,
        edges={"l": 0, "r": 0, "b": foot(columns, WIDTH)},
        column=layouts[COLUMN] | {"margin": {"l": 0, "r": 0, "b": foot(columns, COLUMN)}},
        column_height=TALL[COLUMN] + foot(columns, COLUMN),
        column_above=6,
    )
