"""Grip of each person against the published norm."""

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.style import GREY, INK, cue, faint, finish, plain_text, wrap
from notebooks.show.names import Names
from notebooks.show.numbers import number
from outcomes import columns as c

HANDS = {"affected": "affected hand", "other": "other hand", "": "hand"}
POINTS = [c.PARTICIPANT, c.ARM, c.VISIT, c.SIDE, c.HAND, "value", "norm_mean", "norm_sd", "z", "percent"]


def grip_against_norm(norms: pd.DataFrame, names: Names) -> go.Figure:
    """z of each person over the visits, one colour, dash and symbol per hand; the norm is the line at 0.

    norms: frame with participant, arm, visit, day, side, hand, value, norm_mean, norm_sd, z, percent.
    """
    visits = names.visits(norms[c.VISIT])
    hands = [hand for hand in HANDS if hand in set(norms[c.HAND])]
    figure = go.Figure()
    for place, hand in enumerate(hands):
        mark, own = cue(place), norms[norms[c.HAND] == hand]
        xs, ys, who = [], [], []
        for (person, _), course in own.groupby([c.PARTICIPANT, c.SIDE], sort=True):
            course = course.sort_values(c.DAY)
            xs += [*course[c.VISIT].map(visits.index), None]
            ys += [*course["z"], None]
            who += [person] * (len(course) + 1)
        figure.add_scatter(
            x=xs, y=ys, customdata=who, mode="lines+markers", name=HANDS[hand],
            line={"color": faint(mark["colour"], 0.45), "width": 1.2, "dash": mark["dash"]},
            marker={"size": 6, "color": mark["colour"], "symbol": mark["symbol"]},
            hovertemplate="%{customdata}: z %{y:.1f}<extra></extra>",
        )  # fmt: skip
    figure.add_hline(y=0, line={"color": INK, "width": 1})
    figure.add_hrect(y0=-1, y1=1, fillcolor=faint(GREY, 0.12), line_width=0, layer="below")
    ticks = [wrap(plain_text(names.visit(visit)), 16) for visit in visits]
    figure.update_xaxes(tickvals=list(range(len(visits))), ticktext=ticks, showgrid=False)
    figure.update_yaxes(title="SDs from the norm's mean (z)")
    figure.update_layout(showlegend=True)
    last = norms[norms[c.VISIT] == visits[-1]]
    told = "; ".join(
        f"{HANDS[hand]} {number(last.loc[last[c.HAND] == hand, 'percent'].median(), 0)} %"
        for hand in hands
        if (last[c.HAND] == hand).any()
    )
    title = f"Grip as a share of the norm's mean at {names.visit(visits[-1])}, median: {told}"
    return finish(
        figure,
        name="grip_norms",
        title=title,
        caption="One line per person and hand. Norm by age, sex and side (source: see the table); the band is one SD "
        f"of the norm on either side of its mean. n = {norms[c.PARTICIPANT].nunique()}.",
        alt=f"Line chart of z values over the visits, one line per hand. {title}.",
        points=norms[POINTS],
        keys=[c.PARTICIPANT, c.VISIT, c.SIDE],
        unit="kgf",
        height=380,
        column={"xaxis": {"ticktext": [wrap(plain_text(names.visit(visit)), 10) for visit in visits]}},
    )
