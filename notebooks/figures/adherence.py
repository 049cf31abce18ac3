"""Training done of what was prescribed, person by person."""

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.one_column import labels_or_none
from notebooks.figures.style import GREY, cue, finish, plain_text
from notebooks.show.names import Names
from notebooks.show.numbers import number
from outcomes import columns as c

POINTS = [c.PARTICIPANT, c.ARM, "sessions", "minutes_prescribed", "minutes_performed", "percent"]


def adherence_figure(people: pd.DataFrame, names: Names) -> go.Figure | None:
    """One mark per person, ordered: minutes performed as a percentage of the minutes prescribed.

    people: frame of `cohort.adherence` with participant, arm, sessions, minutes_prescribed, minutes_performed, percent.
    """
    rows = people[people["percent"].notna()].sort_values(["percent", c.PARTICIPANT], ascending=[False, True])
    if rows.empty:
        return None
    rows = rows.reset_index(drop=True).assign(place=range(1, len(rows) + 1))
    figure = go.Figure()
    arms = names.arms(rows[c.ARM])
    for place, arm in enumerate(arms):
        own, mark = rows[rows[c.ARM] == arm], cue(place)
        figure.add_scatter(
            x=own["place"],
            y=own["percent"],
            mode="markers",
            name=f"{plain_text(names.arm(arm))} (n = {len(own)})",
            marker={"size": 10, "color": mark["colour"], "symbol": mark["symbol"]},
            customdata=own[[c.PARTICIPANT, "minutes_performed", "minutes_prescribed"]],
            hovertemplate="%{customdata[0]}: %{customdata[1]:.0f} of %{customdata[2]:.0f} min<extra></extra>",
        )
    figure.add_hline(y=100, line={"color": GREY, "width": 1, "dash": "dash"})
    figure.update_layout(showlegend=len(arms) > 1)
    named = len(rows) <= 40
    figure.update_xaxes(
        title="Participants in order",
        showgrid=False,
        tickvals=rows["place"] if named else None,
        ticktext=[plain_text(code) for code in rows[c.PARTICIPANT]] if named else None,
        tickangle=-90,
    )
    figure.update_yaxes(title="Minutes done of prescribed, %", rangemode="tozero")
    middle = number(rows["percent"].median(), 0)
    title = (
        f"Minutes done of those prescribed: median {middle} %, from {number(rows['percent'].min(), 0)} % to "
        f"{number(rows['percent'].max(), 0)} % (n = {len(rows)})"
    )
    return finish(
        figure,
        name="adherence",
        title=title,
        caption="One mark per person with a training log. More than 100 % stays as it is.",
        alt=f"Dot plot of adherence, people in order. {title}.",
        points=rows[POINTS],
        keys=[c.PARTICIPANT],
        unit="min",
        height=340,
        column={"xaxis": labels_or_none(rows, 24)},
    )
