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

PANELS = 4
NAMED = 60  # up to so many participants their codes stand at the rows


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
    outcomes = list(dict.fromkeys(grid[c.OUTCOME]))
    rows = grid[grid[c.OUTCOME].isin(outcomes[:PANELS])].copy()
    rows["kind"] = rows["state"].map(_kind)
    visits = names.visits(rows[c.VISIT])
    people = _people(rows, names)
    drawn = outcomes[:PANELS]
    labels = [wrap(plain_text(names.outcome(outcome)), 92 // len(drawn) - 4) for outcome in drawn]
    figure = make_subplots(cols=len(drawn), shared_yaxes=True, horizontal_spacing=0.02, subplot_titles=labels)
    for column, outcome in enumerate(drawn, 1):
        _panel(figure, rows[rows[c.OUTCOME] == outcome], visits, people, column)
    ticks = [wrap(plain_text(names.visit(visit)), 14) for visit in visits]
    figure.update_xaxes(tickvals=list(range(len(visits))), ticktext=ticks, range=[-0.6, len(visits) - 0.4])
    figure.update_xaxes(tickangle=-90, showgrid=False)
    figure.update_yaxes(range=[len(people) - 0.4, -0.6], showgrid=False)
    if len(people) <= NAMED:
        figure.update_yaxes(tickvals=list(range(len(people))), ticktext=people, tickfont={"size": 10})
    figure.update_annotations(font_size=11)
    figure.update_layout(showlegend=True)
    made = int((grid["state"] == "scored").sum())
    title = f"{made} of {len(grid)} planned scores were made ({len(people)} participants, {len(visits)} visits)"
    more = "" if len(outcomes) == len(drawn) else f" The first {PANELS} of {len(outcomes)} outcomes are drawn."
    panel_lines = max(label.count("<br>") for label in labels) + 1
    return finish(
        figure,
        name="missing_map",
        title=title,
        caption=f"One mark per participant (rows, arm by arm) and visit. Affected hand, without assistance.{more}",
        alt=f"Grid of marks, participants by visits. {title}.",
        points=grid[[c.OUTCOME, c.PARTICIPANT, c.ARM, c.VISIT, "state"]],
        keys=[c.OUTCOME, c.PARTICIPANT, c.VISIT],
        height=(190 + 15 * len(people) if len(people) <= NAMED else 900) + 14 * panel_lines,
        above=14 * panel_lines + 4,
    )


def _people(rows: pd.DataFrame, names: Names) -> list[str]:
    """Participants, arm by arm."""
    people = rows.drop_duplicates(c.PARTICIPANT)
    arms = names.arms(people[c.ARM])
    return [code for arm in arms for code in names.people(people.loc[people[c.ARM] == arm, c.PARTICIPANT])]


def _panel(figure: go.Figure, rows: pd.DataFrame, visits: list[str], people: list[str], column: int) -> None:
    for kind, (symbol, colour) in STATES.items():
        own = rows[rows["kind"] == kind]
        figure.add_scatter(
            x=own[c.VISIT].map(visits.index),
            y=own[c.PARTICIPANT].map(people.index),
            mode="markers",
            marker={"symbol": symbol, "color": colour, "size": 8 if len(people) <= NAMED else 4, "line_width": 1.4},
            name=kind,
            legendgroup=kind,
            showlegend=column == 1,
            customdata=own[[c.PARTICIPANT, "state"]],
            hovertemplate="%{customdata[0]}: %{customdata[1]}<extra></extra>",
            row=1,
            col=column,
        )
