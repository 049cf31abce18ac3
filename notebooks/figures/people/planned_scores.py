"""Is missingness patterned? One mark per participant and planned visit: what is there pale, what is missing strong."""

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.layout.letter_widths import fit, text_width
from notebooks.figures.layout.time_axis import TimeAxis
from notebooks.figures.one_column import COLUMN, SMALL
from notebooks.figures.style import GREY, INK, WIDTH, arm_cue, finish, plain_text, unbroken
from notebooks.show.names import Names
from outcomes import columns as c

STATES: dict[str, dict] = {
    "scored": {"symbol": "circle", "size": 4, "color": "#bdbdbd"},
    "visit missed or withdrawn": {"symbol": "x-thin", "size": 7, "line": {"color": INK, "width": 1.8}},
    "seen, no score": {"symbol": "circle", "size": 8, "color": "#ffffff", "line": {"color": INK, "width": 1.6}},
    "nothing entered": {"symbol": "line-ew", "size": 8, "line": {"color": INK, "width": 1.8}},
}
KEY = " \N{EM SPACE}".join(
    text.replace(" ", "\N{NO-BREAK SPACE}")
    for text in ("\N{BULLET} scored", "\N{MULTIPLICATION SIGN} visit missed or withdrawn",
                 "\N{WHITE CIRCLE} seen, no score", "\N{EN DASH} nothing entered")
)  # fmt: skip
FOOT = {WIDTH: 22, COLUMN: 32}
PAGE = 640  # px that all rows of one arm may take: one page
ROW = {WIDTH: 15.0, COLUMN: 13.0}
HEAD = 3.4  # rows over the first person: name of the arm, and the totals of the visits


def _kind(state: str) -> str:
    if state in ("scored", "nothing entered"):
        return state
    return "visit missed or withdrawn" if state.startswith(("missed", "withdrawn")) else "seen, no score"


def missing_map(grid: pd.DataFrame, names: Names, outcome: str) -> go.Figure | None:
    """One outcome: arms side by side, a row per person and a column per visit; totals at the ends.

    grid: frame of `checking.score_grid` with participant, arm, visit, outcome, state; a visit that is not planned for
    the outcome has no row, and stays blank.
    """
    rows = grid[grid[c.OUTCOME] == outcome]
    if rows.empty:
        return None
    arms, visits = names.arms(rows[c.ARM]), names.visits(rows[c.VISIT])
    rows = _placed(rows, arms, visits, names)
    figure = go.Figure()
    people = int(rows.groupby(c.ARM)[c.PARTICIPANT].nunique().max())
    shrink = min(1.0, PAGE / (people * ROW[WIDTH]))
    for kind, mark in STATES.items():
        own = rows[rows["kind"] == kind]
        figure.add_scatter(
            x=own["x"], y=own["y"], mode="markers", name=kind, meta=kind, showlegend=False,
            marker={**mark, "size": max(2.5, mark["size"] * shrink)}, customdata=own[["state"]],
            hovertemplate="%{customdata[0]}<extra></extra>",
        )  # fmt: skip
    parts = (rows, arms, visits, names, people, shrink)
    figure.update_layout(showlegend=False, **_layout(*parts, WIDTH))
    made, missing = int((rows["kind"] == "scored").sum()), rows[rows["kind"] != "scored"]
    listed = ", ".join(f"{count} {kind}" for kind, count in missing["kind"].value_counts().items())
    tall = {width: round((people + HEAD) * ROW[width] * shrink) + 26 for width in (WIDTH, COLUMN)}
    return finish(
        figure,
        name="missing_map",
        title="Scores planned and made",
        finding=f"{names.outcome(outcome)}: {made} of {len(rows)} planned scores were made"
        + (f"; {listed}." if listed else "."),
        caption=f"One row per participant (n = {rows[c.PARTICIPANT].nunique()}), one column per visit; scores made "
        "stand over the columns and beside rows with gaps. Pale dot: scored; \N{MULTIPLICATION SIGN}: visit missed or "
        "withdrawn; ring: seen, no score; dash: nothing entered; blank: not planned. Affected hand, unassisted.",
        alt=f"Grid of marks, {rows[c.PARTICIPANT].nunique()} participants by {len(visits)} visits.",
        points=rows[[c.OUTCOME, c.PARTICIPANT, c.ARM, c.VISIT, "state"]],
        keys=[c.OUTCOME, c.PARTICIPANT, c.VISIT],
        height=tall[WIDTH] + 10 + FOOT[WIDTH],
        edges={"l": 0, "r": 0, "b": FOOT[WIDTH]},
        column=_layout(*parts, COLUMN) | {"margin": {"l": 0, "r": 0, "b": FOOT[COLUMN]}},
        column_height=tall[COLUMN] + FOOT[COLUMN],
    )


def _placed(rows: pd.DataFrame, arms: list[str], visits: list[str], names: Names) -> pd.DataFrame:
    """Columns x, y and kind: people by their first gap, those with every score first; visits by their day."""
    rows = rows.assign(kind=rows["state"].map(_kind))
    made = rows.assign(there=rows["kind"] == "scored").groupby(c.PARTICIPANT)["there"].sum()
    parts = []
    for place, arm in enumerate(arms):
        own = rows[rows[c.ARM] == arm]
        people = sorted(names.people(own[c.PARTICIPANT]), key=lambda code: -made[code])
        order = {code: height for height, code in enumerate(people)}
        x = own[c.VISIT].map({visit: at for at, visit in enumerate(visits)}) + place * (len(visits) + 1.6)
        parts.append(own.assign(x=x, y=own[c.PARTICIPANT].map(order)))
    return pd.concat(parts)


def _layout(rows, arms, visits, names: Names, people: int, shrink: float, width: int) -> dict:
    small, row = (SMALL if width == COLUMN else 11), ROW[width] * shrink
    across = len(arms) * (len(visits) + 1.6)
    step = min((width - 80) / across, 34.0)  # px between two columns
    left = 64.0 if width == WIDTH else 50.0
    low, high = -left / step, (width - left) / step
    time = TimeAxis(names, visits)
    words: list[dict] = []

    def write(x: float, y: float, text: str, colour: str, anchor: str = "center", lift: float = 0) -> None:
        words.append({"x": x, "xref": "x", "y": y, "yref": "y", "xanchor": anchor, "yanchor": "middle", "text": text,
                      "showarrow": False, "yshift": lift, "font": {"size": small, "color": colour}})  # fmt: skip

    tall = small + 4
    for place, arm in enumerate(arms):
        start = place * (len(visits) + 1.6)
        own = rows[rows[c.ARM] == arm]
        label = fit(plain_text(names.arm(arm)), (len(visits) + 1.2) * step, small, bold=True).split("<br>")
        write(start - 0.5, -0.5, f"<b>{label[0]}</b>", arm_cue(names, arm)["colour"], "left", tall * 2.6)
        if place == 0:
            write(start - 14 / step, -0.5, time.unit, INK, "right", tall * 1.6)
            write(start - 14 / step, -0.5, "made", GREY, "right", tall * 0.6)
        for at, visit in enumerate(visits):
            one = own[own[c.VISIT] == visit]
            if len(one):
                made = str(int((one["kind"] == "scored").sum()))
                if text_width(time.label(visit), small) < step + 2:
                    write(start + at, -0.5, time.label(visit), INK, lift=tall * 1.6)
                if text_width(made, small) < step + 2:
                    write(start + at, -0.5, made, GREY, lift=tall * 0.6)
        if row >= small - 1:
            for height, person in own.groupby("y"):
                count = int((person["kind"] == "scored").sum())
                if count < len(person):
                    told = unbroken(f"{count} of {len(person)}")
                    write(start + len(visits) - 0.3, float(height), told, GREY, "left")
    ends = [people - 0.3, -0.7 - HEAD * ROW[width] / row]
    axes = {
        "xaxis": {"domain": [0, 1], "range": [low, high], "visible": False},
        "yaxis": {"domain": [0, 1], "range": ends, "visible": False},
    }
    key = fit(KEY, width - 12, small)
    words.append({"x": 6 / width, "xref": "paper", "xanchor": "left", "y": 0, "yref": "paper", "yanchor": "top",
                  "yshift": -3, "align": "left", "showarrow": False, "text": key,
                  "font": {"size": small, "color": GREY}})  # fmt: skip
    return axes | {"annotations": words}
