"""Flow of participants through the visits."""

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.style import GREY, INK, cue, finish, plain_text, wrap
from notebooks.names import Names
from outcomes import columns as c

BOX = 0.8  # share of a row's height that its box fills
POINTS = [c.ARM, c.VISIT, "enrolled", "attended", "missed", "withdrawn", "unknown", "reasons"]


def flow_figure(flow: pd.DataFrame, names: Names) -> go.Figure:
    """Boxes from enrolment down the visits, one column per arm; who was not there stands beside the boxes.

    flow: frame of `cohort.flow`: arm, visit, enrolled, attended, missed, withdrawn, unknown, reasons.
    """
    arms, visits = names.arms(flow[c.ARM]), names.visits(flow[c.VISIT])
    figure = go.Figure()
    width = 1 / len(arms)
    for place, arm in enumerate(arms):
        left = place * width
        own = flow[flow[c.ARM] == arm].set_index(c.VISIT)
        enrolled = int(own["enrolled"].iloc[0])
        _box(
            figure, left, width, 0, f"<b>{wrap(plain_text(names.arm(arm)), 22)}</b><br>enrolled {enrolled}", cue(place)
        )
        for row, visit in enumerate(visits, 1):
            now = own.loc[visit]
            _arrow(figure, left + width * 0.28, row)
            text = f"{wrap(plain_text(names.visit(visit)), 22)}<br>attended {now['attended']} of {enrolled}"
            _box(figure, left, width, row, text, cue(place))
            _aside(figure, left + width * 0.58, row, str(now["reasons"]), round(230 * width * 0.4))
    figure.update_xaxes(range=[0, 1], visible=False)
    figure.update_yaxes(range=[-len(visits) - 0.5, 0.5], visible=False)
    figure.update_layout(showlegend=False)
    last = flow[flow[c.VISIT] == visits[-1]]
    there = int(last["attended"].sum())
    title = f"{there} of {int(last['enrolled'].sum())} enrolled participants attended {names.visit(visits[-1])}"
    finished = finish(
        figure,
        name="participant_flow",
        title=title,
        caption="Attended: the visits sheet says so, or a score was taken. Beside each box: who was not there and why. "
        "People approached and screened are not in a study folder.",
        alt=f"Flow diagram, one column per arm. {title}.",
        points=flow[POINTS],
        keys=[c.ARM, c.VISIT],
        height=62 * (len(visits) + 1) + 30,
    )
    finished.update_xaxes(visible=False)
    finished.update_layout(margin={"l": 12, "r": 12, "b": 12})
    return finished


def _box(figure: go.Figure, left: float, width: float, row: int, text: str, mark: dict[str, str]) -> None:
    ends = {"x0": left + width * 0.01, "x1": left + width * 0.55, "y0": -row - BOX / 2, "y1": -row + BOX / 2}
    figure.add_shape(type="rect", **ends, line={"color": mark["colour"], "width": 1.5}, fillcolor="#ffffff")
    figure.add_annotation(x=left + width * 0.28, y=-row, text=text, showarrow=False, font={"size": 12, "color": INK})


def _arrow(figure: go.Figure, x: float, row: int) -> None:
    figure.add_annotation(
        x=x, y=-row + BOX / 2, ax=x, ay=-(row - 1) - BOX / 2, xref="x", yref="y", axref="x", ayref="y", showarrow=True,
        arrowhead=2, arrowsize=1, arrowwidth=1.2, arrowcolor=GREY, text="",
    )  # fmt: skip


def _aside(figure: go.Figure, x: float, row: int, reasons: str, width: int) -> None:
    if reasons:
        text = wrap(plain_text(reasons), max(18, width // 5))
        figure.add_annotation(
            x=x, y=-row, text=text, showarrow=False, xanchor="left", align="left", font={"size": 10, "color": INK}
        )
