"""Share of people who reach a declared level at each visit, with and without the device."""

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.style import cue, finish, plain_text
from notebooks.show.names import Names
from notebooks.show.numbers import number, short
from outcomes.protocol.device_tables import Level

APART = 0.12  # of the way between two visits


def people_reaching(frame: pd.DataFrame, level: Level, names: Names, confidence: float) -> go.Figure | None:
    """One mark with its exact interval per visit and condition.

    frame: `LevelReached.frame()`. confidence: level of the intervals.
    """
    rows = frame[(frame["what"] == "reached") & (frame["measured"] > 0)].reset_index(drop=True)
    if rows.empty:
        return None
    visits = names.visits(rows["visit"])
    kinds = [(arm, condition) for arm in names.arms(rows["arm"]) for condition in dict.fromkeys(rows["condition"])]
    figure = go.Figure()
    for place, (arm, condition) in enumerate(kinds):
        own, mark = rows[(rows["arm"] == arm) & (rows["condition"] == condition)], cue(place)
        shift = (place - (len(kinds) - 1) / 2) * APART
        share = 100 * own["estimate"]
        label = condition if rows["arm"].nunique() < 2 else f"{names.arm(arm)}, {condition}"
        figure.add_scatter(
            x=[visits.index(visit) + shift for visit in own["visit"]],
            y=share,
            error_y={"symmetric": False, "array": 100 * own["conf_high"] - share,
                     "arrayminus": share - 100 * own["conf_low"], "thickness": 1.2},
            mode="markers",
            name=plain_text(label),
            marker={"size": 10, "color": mark["colour"], "symbol": mark["symbol"]},
            customdata=own[["reached", "measured"]],
            hovertemplate="%{customdata[0]} of %{customdata[1]}<extra></extra>",
        )  # fmt: skip
    figure.update_layout(showlegend=len(kinds) > 1)
    figure.update_xaxes(
        tickvals=list(range(len(visits))), ticktext=[plain_text(names.visit(visit)) for visit in visits],
        range=[-0.5, len(visits) - 0.5], showgrid=False,
    )  # fmt: skip
    figure.update_yaxes(title="People who reached it, %", range=[-3, 103])
    last = rows[rows["visit"] == visits[-1]]
    told = ", ".join(f"{row['condition']} {row['reached']} of {row['measured']}" for row in last.to_dict("records"))
    finding = f"{level.label} ({short(level.value)} {level.unit}), {names.visit(visits[-1])}: {told}"
    return finish(
        figure,
        name=f"levels/{level.id}",
        title=f"People who reached a level: {level.label}",
        finding=f"{finding}.",
        caption=f"Of those measured at each visit; exact intervals at {number(100 * confidence, 0)} %. The level is "
        f"the study's own: {level.reason}.",
        alt="Share of people who reached the level by visit and condition.",
        points=rows[["arm", "visit", "condition", "reached", "measured", "estimate", "conf_low", "conf_high"]],
        keys=["arm", "visit", "condition"],
        unit="share",
        height=360,
    )
