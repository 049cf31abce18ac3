"""Which planned scores there are: one mark per participant, visit and outcome."""

import pandas as pd
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from notebooks.figures.style import COLOURS, GREY, finish, plain_text, wrap
from notebooks.names import Names
from outcomes import columns as c

STATES = {
    "scored": ("square", COLOURS[0]),
    "visit missed or withdrawn": ("x-thin-open", COLOURS[1]),
    "no score, with a reason": ("circle-open", GREY),
    "nothing entered": ("line-ew-open", "#000000"),
}


def _kind(state: str) -> str:
    if state in ("scored", "nothing entered"):
        return state
    return "visit missed or withdrawn" if state.startswith(("missed", "withdrawn")) else "no score, with a reason"


def missing_map(grid: pd.DataFrame, names: Names) -> go.Figure | None:
    """One panel per outcome: participants down, visits across.

    grid: frame of `checking.score_grid` with participant, arm, visit, outcome, state.
    """
    if grid.empty:
        return None
    outcomes = list(dict.fromkeys(grid[c.OUTCOME]))[:4]
    rows = grid[grid[c.OUTCOME].isin(outcomes)].copy()
    rows["kind"] = rows["state"].map(_kind)
    visits = names.visits(rows[c.VISIT])
    people = rows.drop_duplicates(c.PARTICIPANT)
    arms = names.arms(people[c.ARM])
    people = people.assign(place=people[c.ARM].map(arms.index)).sort_values(["place", c.PARTICIPANT])
    people = people[c.PARTICIPANT].tolist()
    figure = make_subplots(
        cols=len(outcomes),
        shared_yaxes=True,
        horizontal_spacing=0.02,
        subplot_titles=[wrap(plain_text(names.outcome(outcome)), 96 // len(outcomes) - 2) for outcome in outcomes],
    )
    size = 8 if len(people) <= 60 else 4
    for column, outcome in enumerate(outcomes, 1):
        for kind, (symbol, colour) in STATES.items():
            own = rows[(rows[c.OUTCOME] == outcome) & (rows["kind"] == kind)]
            figure.add_scatter(
                x=[visits.index(visit) for visit in own[c.VISIT]],
                y=[people.index(person) for person in own[c.PARTICIPANT]],
                mode="markers",
                marker={"symbol": symbol, "color": colour, "size": size, "line": {"width": 1.4}},
                name=kind,
                legendgroup=kind,
                showlegend=column == 1,
                customdata=own[[c.PARTICIPANT, "state"]],
                hovertemplate="%{customdata[0]}: %{customdata[1]}<extra></extra>",
                row=1,
                col=column,
            )  # fmt: skip
    labels = [wrap(plain_text(names.visit(visit)), 12) for visit in visits]
    figure.update_xaxes(
        tickvals=list(range(len(visits))), ticktext=labels, tickangle=-45, range=[-0.6, len(visits) - 0.4]
    )
    figure.update_yaxes(range=[len(people) - 0.3, -0.7], showgrid=False)
    if len(people) <= 60:
        figure.update_yaxes(tickvals=list(range(len(people))), ticktext=people, tickfont={"size": 10})
    figure.update_annotations(font_size=11)
    figure.update_layout(legend={"orientation": "h", "y": -0.14, "x": 0, "yanchor": "top"})
    made = int((rows["state"] == "scored").sum())
    title = f"{made} of {len(rows)} planned scores were made ({len(people)} participants, {len(visits)} visits)"
    height = min(1100, 200 + 15 * len(people)) if len(people) <= 60 else 900
    finished = finish(
        figure,
        name="missing_map",
        title=title,
        caption="One mark per participant (rows, arm by arm) and visit. Affected hand, without assistance. "
        + (
            ""
            if len(outcomes) == grid[c.OUTCOME].nunique()
            else "The first four outcomes are drawn; the table has all."
        ),
        alt=f"Grid of marks, participants by visits. {title}.",
        points=rows[[c.OUTCOME, c.PARTICIPANT, c.ARM, c.VISIT, "state"]],
        keys=[c.OUTCOME, c.PARTICIPANT, c.VISIT],
        height=height,
    )
    finished.update_layout(margin_t=finished.layout.margin.t + 26)
    return finished
