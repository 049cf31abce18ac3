"""Hours worn so far against the score without the device, one line per person."""

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.style import cue, faint, finish
from notebooks.show.names import Names
from notebooks.show.numbers import number
from outcomes import columns as c


def wear_and_score(frame: pd.DataFrame, correlation: float, names: Names, outcome: str) -> go.Figure | None:
    """A thin line per person through the visits.

    frame: participant, visit, day, hours (worn before the visit), value, unit.
    """
    rows = frame[frame["hours"].notna() & frame[c.VALUE].notna()].sort_values([c.PARTICIPANT, c.DAY])
    if rows.empty:
        return None
    mark = cue(0)
    xs: list[float | None] = []
    ys: list[float | None] = []
    for _, own in rows.groupby(c.PARTICIPANT, sort=True):
        xs += [*own["hours"], None]
        ys += [*own[c.VALUE], None]
    figure = go.Figure()
    figure.add_scatter(
        x=xs, y=ys, mode="lines+markers", showlegend=False,
        line={"color": faint(mark["colour"], 0.5), "width": 1.2},
        marker={"size": 6, "color": mark["colour"]},
        hovertemplate="%{x:.0f} h, %{y:.1f}<extra></extra>",
    )  # fmt: skip
    unit = str(rows["unit"].iloc[0])
    figure.update_xaxes(title="Hours worn before the visit", rangemode="tozero")
    figure.update_yaxes(title=f"{names.outcome(outcome)}, {unit}")
    finding = (
        f"{names.outcome(outcome)} without the device and hours worn so far: r inside people {number(correlation, 2)}"
    )
    return finish(
        figure,
        name="wear_and_score",
        title="Hours worn and score inside people",
        finding=f"{finding}.",
        caption="One line per person through the visits. Both also change with time: this is no effect of wearing the "
        f"device. n = {rows[c.PARTICIPANT].nunique()}.",
        alt="Scores against hours worn, a line per person.",
        points=rows[[c.PARTICIPANT, c.VISIT, "hours", c.VALUE]],
        keys=[c.PARTICIPANT, c.VISIT],
        unit=unit,
        height=360,
    )
