"""Everyone's scores over time, with the means of the model."""

import itertools

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.style import INK, cue, faint, finish, plain_text, spread, wrap
from notebooks.show.names import Names
from notebooks.show.numbers import number
from outcomes import columns as c
from stats.change.model_rows import COMMON

POINTS = ["kind", c.PARTICIPANT, c.ARM, c.VISIT, c.DAY, "value", "conf_low", "conf_high"]


def trajectories(scores: pd.DataFrame, means: pd.DataFrame, names: Names) -> go.Figure:
    """Thin lines for people, thick lines with intervals for model means, arms by colour, dash and symbol.

    scores: one outcome, hand and condition (`stats.selection.rows`).
    means: frame with arm, day, estimate, conf_low, conf_high, and visit where the model has a mean per visit.
    """
    rows = scores[scores[c.VALUE].notna()].sort_values([c.PARTICIPANT, c.DAY])
    means = means.assign(**{c.ARM: means[c.ARM].astype(str) if c.ARM in means else ""})
    outcome, unit = rows[c.OUTCOME].iloc[0], rows["unit"].iloc[0]
    arms = names.arms(rows[c.ARM])
    figure = go.Figure()
    for place, arm in enumerate(arms):
        _people(figure, rows[rows[c.ARM] == arm], cue(place))
    width = rows[c.DAY].max() - rows[c.DAY].min()
    courses = {arm: _course(means, arm) for arm in arms}
    for place, arm in enumerate(arms):
        shift = (place - (len(arms) - 1) / 2) * width * 0.008
        moved = courses[arm].assign(**{c.DAY: courses[arm][c.DAY] + shift})
        people = rows.loc[rows[c.ARM] == arm, c.PARTICIPANT].nunique()
        _means(figure, moved, cue(place), f"{plain_text(names.arm(arm))} (n = {people})")
    _labels(figure, courses, rows, names)
    planned = [visit for visit in names.protocol.visits if visit.id in set(rows[c.VISIT])]
    days = [f"{visit.day:g}" for visit in planned]
    named = [f"{wrap(plain_text(visit.label), 18)}<br>day {visit.day:g}" for visit in planned]
    figure.update_xaxes(
        title="Planned day",
        tickvals=[visit.day for visit in planned],
        ticktext=named if _side_by_side(planned, named, width) else days,
        range=[rows[c.DAY].min() - width * 0.04, rows[c.DAY].max() + width * 0.04],
        showgrid=False,
    )
    figure.update_yaxes(title=unit)
    figure.update_layout(showlegend=False)
    digits = names.decimals(outcome)
    ends = {arm: [number(course["estimate"].iloc[end], digits) for end in (0, -1)] for arm, course in courses.items()}
    told = "; ".join(
        f"{names.arm(arm)} {first} and {last}" if len(arms) > 1 else f"{first} and {last}"
        for arm, (first, last) in ends.items()
    )
    title = f"{names.outcome(outcome)}: model means {_between(courses[arms[0]], names)}: {told} {unit}"
    model = means.rename(columns={"estimate": "value"}).assign(kind="model mean")
    people = rows[[c.PARTICIPANT, c.ARM, c.VISIT, c.DAY, c.VALUE]].assign(kind="person")
    return finish(
        figure,
        name=f"trajectories/{outcome}",
        title=title,
        caption=f"Thin lines: people ({rows[c.PARTICIPANT].nunique()} with at least one score, {len(rows)} scores). "
        f"Thick lines: means of the model with {names.protocol.level:.0%} intervals; the arms are set slightly apart.",
        alt=f"Line chart of scores over the visits. {title}.",
        points=_points(model, people),
        keys=["kind", c.PARTICIPANT, c.ARM, c.VISIT, c.DAY],
        unit=unit,
        height=430,
        right=150,
        column={"annotations": [], "xaxis": {"ticktext": days}},
        column_height=300,
        column_legend=len(arms) > 1,
    )


def _side_by_side(planned: list, labels: list[str], width: float) -> bool:
    """Whether the labels of the visits fit beside each other on the axis of the wide figure."""
    across = 440  # px of the axis
    half = [max(len(line) for line in label.split("<br>")) * 3.4 for label in labels]
    places = [(visit.day - planned[0].day) / max(width, 1e-9) * across for visit in planned]
    pairs = zip(itertools.pairwise(places), itertools.pairwise(half), strict=True)
    return all(later - earlier > first + second for (earlier, later), (first, second) in pairs)


def _people(figure: go.Figure, own: pd.DataFrame, mark: dict[str, str]) -> None:
    xs, ys, who = [], [], []
    for person, course in own.groupby(c.PARTICIPANT, sort=True):
        xs += [*course[c.DAY], None]
        ys += [*course[c.VALUE], None]
        who += [person] * (len(course) + 1)
    figure.add_scatter(
        x=xs,
        y=ys,
        customdata=who,
        mode="lines+markers",
        showlegend=False,
        line={"color": faint(mark["colour"], 0.45), "width": 1, "dash": mark["dash"]},
        marker={"size": 4, "color": faint(mark["colour"], 0.45), "symbol": mark["symbol"]},
        hovertemplate="%{customdata}: %{y}, day %{x}<extra></extra>",
    )


def _course(means: pd.DataFrame, arm: str) -> pd.DataFrame:
    """The means of one arm by day; a baseline common to all arms belongs to each."""
    own = means[means[c.ARM].isin([arm, COMMON])]
    return (own if len(own) else means).sort_values(c.DAY)


def _means(figure: go.Figure, course: pd.DataFrame, mark: dict[str, str], name: str) -> None:
    figure.add_scatter(
        name=name,
        x=course[c.DAY],
        y=course["estimate"],
        mode="lines+markers",
        line={"color": mark["colour"], "width": 3, "dash": mark["dash"]},
        marker={"size": 9, "color": mark["colour"], "symbol": mark["symbol"]},
        error_y={
            "type": "data",
            "symmetric": False,
            "array": course["conf_high"] - course["estimate"],
            "arrayminus": course["estimate"] - course["conf_low"],
            "color": mark["colour"],
            "thickness": 1.5,
        },
        hovertemplate="mean %{y:.2f}, day %{x:.0f}<extra></extra>",
    )


def _labels(figure: go.Figure, courses: dict[str, pd.DataFrame], rows: pd.DataFrame, names: Names) -> None:
    """The name of each arm at the end of its line."""
    ends = [float(course["estimate"].iloc[-1]) for course in courses.values()]
    span = max(rows[c.VALUE].max() - rows[c.VALUE].min(), 1e-9)
    for place, (arm, height) in enumerate(zip(courses, spread(ends, span * 0.17), strict=True)):
        people, mark = rows.loc[rows[c.ARM] == arm, c.PARTICIPANT].nunique(), cue(place)
        figure.add_annotation(
            x=1.01,
            xref="paper",
            xanchor="left",
            y=height,
            text=f'<span style="color:{mark["colour"]}">{mark["sign"]}</span> '
            f"{wrap(plain_text(names.arm(arm)), 18)}<br>(n = {people})",
            showarrow=False,
            align="left",
            font={"color": INK, "size": 12},
        )


def _between(course: pd.DataFrame, names: Names) -> str:
    """The first and the last place the model has a mean for."""
    if c.VISIT not in course or course[c.VISIT].isna().any():
        return f"at day {course[c.DAY].iloc[0]:g} and day {course[c.DAY].iloc[-1]:g}"
    return f"at {names.visit(str(course[c.VISIT].iloc[0]))} and {names.visit(str(course[c.VISIT].iloc[-1]))}"


def _points(model: pd.DataFrame, people: pd.DataFrame) -> pd.DataFrame:
    points = pd.concat([model, people], ignore_index=True)
    points = points[[name for name in POINTS if name in points]]
    for column in (c.PARTICIPANT, c.ARM, c.VISIT):
        if column in points:
            points[column] = points[column].astype(object).where(points[column].notna(), "").astype(str)
    return points
