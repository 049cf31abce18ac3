"""Everyone's scores over time, with the means of the model."""

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.style import cue, faint, finish, plain_text
from notebooks.names import Names
from notebooks.tables import number
from outcomes import columns as c


def trajectories(scores: pd.DataFrame, means: pd.DataFrame, names: Names) -> go.Figure:
    """Thin lines for people, thick lines with intervals for model means, arms by colour, dash and symbol.

    scores: one outcome, hand and condition (`stats.change_table.select_scores`).
    means: frame with arm, day, estimate, conf_low, conf_high, and visit where the model has a mean per visit.
    """
    rows = scores[scores[c.VALUE].notna()].sort_values([c.PARTICIPANT, c.DAY])
    outcome, unit = rows[c.OUTCOME].iloc[0], rows["unit"].iloc[0]
    arms = names.arms(rows[c.ARM])
    figure = go.Figure()
    for place, arm in enumerate(arms):
        mark = cue(place)
        own = rows[rows[c.ARM] == arm]
        xs, ys, who = [], [], []
        for person, course in own.groupby(c.PARTICIPANT, sort=True):
            xs += [*course[c.DAY], None]
            ys += [*course[c.VALUE], None]
            who += [person] * (len(course) + 1)
        figure.add_scatter(
            x=xs, y=ys, customdata=who, mode="lines+markers", showlegend=False, legendgroup=arm, connectgaps=False,
            line={"color": faint(mark["colour"], 0.3), "width": 1, "dash": mark["dash"]},
            marker={"size": 3, "color": faint(mark["colour"], 0.4), "symbol": mark["symbol"]},
            hovertemplate="%{customdata}: %{y}, day %{x}<extra></extra>",
        )  # fmt: skip
    lasts = []
    for place, arm in enumerate(arms):
        mark = cue(place)
        own = means[means[c.ARM].astype(str) == arm] if c.ARM in means else means
        own = own.sort_values(c.DAY)
        shift = (place - (len(arms) - 1) / 2) * (rows[c.DAY].max() - rows[c.DAY].min()) * 0.008
        figure.add_scatter(
            x=own[c.DAY] + shift,
            y=own["estimate"],
            mode="lines+markers",
            name=f"{plain_text(names.arm(arm))} (n = {rows.loc[rows[c.ARM] == arm, c.PARTICIPANT].nunique()})",
            legendgroup=arm,
            line={"color": mark["colour"], "width": 3, "dash": mark["dash"]},
            marker={"size": 9, "color": mark["colour"], "symbol": mark["symbol"], "line": {"width": 1.5}},
            error_y={
                "type": "data",
                "symmetric": False,
                "array": own["conf_high"] - own["estimate"],
                "arrayminus": own["estimate"] - own["conf_low"],
                "color": mark["colour"],
                "thickness": 1.5,
            },
            hovertemplate="mean %{y:.2f}, day %{x:.0f}<extra></extra>",
        )
        lasts.append((arm, own["estimate"].iloc[0], own["estimate"].iloc[-1]))
    planned = [visit for visit in names.protocol.visits if visit.id in set(rows[c.VISIT])]
    figure.update_xaxes(
        title="Planned day",
        tickvals=[visit.day for visit in planned],
        ticktext=[f"{plain_text(visit.label)}<br>day {visit.day:g}" for visit in planned],
        showgrid=False,
    )
    figure.update_yaxes(title=f"{plain_text(names.outcome(outcome))}, {unit}")
    figure.update_layout(legend={"orientation": "h", "y": 1.0, "yanchor": "bottom", "x": 0})
    digits = names.decimals(outcome)
    told = "; ".join(f"{names.arm(arm)} {number(a, digits)} to {number(b, digits)}" for arm, a, b in lasts)
    title = f"{names.outcome(outcome)}, model means from first to last visit: {told} {unit}"
    model = means.assign(kind="model mean", participant="", n=float("nan"))
    model = model.rename(columns={"estimate": "value"})[
        [
            name
            for name in ("kind", c.PARTICIPANT, c.ARM, c.VISIT, c.DAY, "value", "conf_low", "conf_high")
            if name in {*model, "value"}
        ]
    ]
    people = rows[[c.PARTICIPANT, c.ARM, c.VISIT, c.DAY, c.VALUE]].assign(kind="person")
    points = pd.concat([model, people], ignore_index=True)
    for column in (c.ARM, c.VISIT):
        points[column] = points[column].astype(object).where(points[column].notna(), "").astype(str)
    return finish(
        figure,
        name=f"trajectories/{outcome}",
        title=title,
        caption=f"Thin lines: people ({rows[c.PARTICIPANT].nunique()} with at least one score, {len(rows)} scores). "
        f"Thick lines: means of the model with {names.protocol.level:.0%} intervals; the arms are set slightly apart.",
        alt=f"Line chart of scores over the visits. {title}.",
        points=points,
        keys=["kind", c.PARTICIPANT, c.ARM, c.VISIT, c.DAY],
        unit=unit,
        height=460,
    )
