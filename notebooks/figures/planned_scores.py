"""Which planned scores there are: one mark per participant, visit and outcome."""

import pandas as pd
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from notebooks.figures.style import COLOURS, GREY, LEGEND_LINE, finish, plain_text, wrap
from notebooks.show.names import Names
from outcomes import columns as c

STATES = {
    "scored": ("square", COLOURS[0]),
    "visit missed or withdrawn": ("x-thin-open", COLOURS[1]),
    "no score, with a reason": ("circle-open", GREY),
    "nothing entered": ("line-ew-open", "#000000"),
}

ACROSS = 4  # panels in a row
PANELS = 12  # panels in all
NAMED = 60  # up to so many participants their codes stand at the rows
LINE = 14  # px of a line of a panel's heading


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
    drawn = outcomes[:PANELS]
    rows = grid[grid[c.OUTCOME].isin(drawn)].copy()
    rows["kind"] = rows["state"].map(_kind)
    visits = names.visits(rows[c.VISIT])
    people = _people(rows, names)
    named = len(people) <= NAMED
    across, down = min(len(drawn), ACROSS), -(-len(drawn) // ACROSS)
    labels, narrow = (
        [wrap(plain_text(names.outcome(outcome)), width // across) for outcome in drawn] for width in (84, 50)
    )
    # Heights in px: of the panels of one row, and of the ticks and headings between two rows.
    panel = max((15 if named else 6) * len(people), 60)
    ticks = [wrap(plain_text(names.visit(visit)), 14) for visit in visits]
    whole_names = [plain_text(names.visit(visit)) for visit in visits]
    longest = 5.3 * max(map(len, whole_names))  # px in the small print of a narrow figure, which has room for one line
    below = round(16 + max(7 * max(len(line) for tick in ticks for line in tick.split("<br>")), min(longest, 110)))
    gap = below + LINE * _most_lines(labels[across:]) + 12
    whole = down * panel + (down - 1) * gap
    figure = make_subplots(
        rows=down,
        cols=across,
        shared_yaxes=True,
        horizontal_spacing=0.02,
        vertical_spacing=gap / whole if down > 1 else 0,
        subplot_titles=labels,
    )
    for place, outcome in enumerate(drawn):
        _panel(figure, rows[rows[c.OUTCOME] == outcome], visits, people, divmod(place, across))
    figure.update_xaxes(tickvals=list(range(len(visits))), ticktext=ticks, range=[-0.6, len(visits) - 0.4])
    figure.update_xaxes(tickangle=-90, showgrid=False)
    figure.update_yaxes(range=[len(people) - 0.4, -0.6], showgrid=False)
    if named:
        codes = [plain_text(code) for code in people]
        figure.update_yaxes(tickvals=list(range(len(people))), ticktext=codes, tickfont={"size": 10})
    figure.update_annotations(font_size=11)
    figure.update_layout(showlegend=True)
    made = int((grid["state"] == "scored").sum())
    title = f"{made} of {len(grid)} planned scores were made ({len(people)} participants, {len(visits)} visits)"
    more = "" if len(outcomes) == len(drawn) else f" The first {PANELS} of {len(outcomes)} outcomes are drawn."
    heads = [
        annotation.to_plotly_json() | {"text": text, "font": {"size": 9}}
        for annotation, text in zip(figure.layout.annotations, narrow, strict=True)
    ]
    narrow_ticks = {f"xaxis{place or ''}": {"ticktext": whole_names} for place in (0, *range(2, down * across + 1))}
    headroom = LINE * _most_lines(labels[:across]) + 4
    return finish(
        figure,
        name="missing_map",
        title=title,
        caption=f"One mark per participant (rows, arm by arm) and visit, n = {len(people)}. Affected hand, without "
        f"assistance.{more}",
        alt=f"Grid of marks, participants by visits, one panel per outcome. {title}.",
        points=grid[[c.OUTCOME, c.PARTICIPANT, c.ARM, c.VISIT, "state"]],
        keys=[c.OUTCOME, c.PARTICIPANT, c.VISIT],
        height=whole + below + headroom + 9 + 2 * LEGEND_LINE,
        above=headroom,
        column={"annotations": heads} | (narrow_ticks if longest < below else {}),
        column_height=whole + below + 20,
        column_above=12 * _most_lines(narrow[:across]) + 4,
    )


def _most_lines(labels: list[str]) -> int:
    return max((label.count("<br>") + 1 for label in labels), default=0)


def _people(rows: pd.DataFrame, names: Names) -> list[str]:
    """Participants, arm by arm."""
    people = rows.drop_duplicates(c.PARTICIPANT)
    arms = names.arms(people[c.ARM])
    return [code for arm in arms for code in names.people(people.loc[people[c.ARM] == arm, c.PARTICIPANT])]


def _panel(figure: go.Figure, rows: pd.DataFrame, visits: list[str], people: list[str], place: tuple[int, int]) -> None:
    for kind, (symbol, colour) in STATES.items():
        own = rows[rows["kind"] == kind]
        figure.add_scatter(
            x=own[c.VISIT].map(visits.index),
            y=own[c.PARTICIPANT].map(people.index),
            mode="markers",
            marker={"symbol": symbol, "color": colour, "size": 8 if len(people) <= NAMED else 4, "line_width": 1.4},
            name=kind,
            legendgroup=kind,
            showlegend=place == (0, 0),
            customdata=own[[c.PARTICIPANT, "state"]],
            hovertemplate="%{customdata[0]}: %{customdata[1]}<extra></extra>",
            row=place[0] + 1,
            col=place[1] + 1,
        )
