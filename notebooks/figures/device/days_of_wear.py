"""Minutes a device was worn, day by day and person by person."""

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.style import GREY, finish
from notebooks.show.names import Names
from notebooks.show.numbers import number

SHADES = [[0.0, "#f2f2f2"], [0.5, "#8fa9c6"], [1.0, "#0b3c6f"]]


def days_of_wear(log: pd.DataFrame, people: pd.DataFrame, names: Names) -> go.Figure | None:
    """A row of days per person, the most worn on top: the darker, the longer; not known days stay white with a dot.

    log: the wear log. people: one row per person with participant and minutes a day (`per_day`).
    """
    dated = log[log["date"].notna()]
    if dated.empty or people.empty:
        return None
    start = dated.groupby("participant")["date"].transform("min")
    rows = dated.assign(day=(dated["date"] - start).dt.days + 1).reset_index(drop=True)
    order = people.sort_values(["per_day", "participant"], ascending=[True, True])["participant"].tolist()
    known = rows["minutes_worn"].where(rows["gap"] != "yes")
    table = rows.assign(minutes=known).pivot_table(index="participant", columns="day", values="minutes", aggfunc="sum",
                                                   min_count=1)  # fmt: skip
    table = table.reindex(index=order, columns=range(1, int(rows["day"].max()) + 1))
    figure = go.Figure(
        go.Heatmap(
            z=table.to_numpy(dtype=float),
            x=[int(day) for day in table.columns],
            y=list(range(len(order), 0, -1)),
            colorscale=SHADES,
            zmin=0,
            colorbar={"title": {"text": "min"}, "thickness": 12, "len": 0.8},
            hovertemplate="day %{x}: %{z:.0f} min<extra></extra>",
            xgap=1,
            ygap=2,
        )
    )
    gaps = rows[known.isna()]
    place = {code: len(order) - at for at, code in enumerate(order)}
    figure.add_scatter(
        x=gaps["day"], y=gaps["participant"].map(place), mode="markers", showlegend=False,
        marker={"size": 4, "color": GREY, "symbol": "x"}, hovertemplate="day %{x}: not known<extra></extra>",
    )  # fmt: skip
    figure.update_xaxes(title="Day of the log", showgrid=False)
    figure.update_yaxes(
        title="People in order", autorange="reversed", showgrid=False, dtick=1 if len(order) < 25 else 5
    )
    middle = float(np.nanmedian(people["per_day"]))
    finding = (
        f"Minutes worn a day: median of people {number(middle, 0)}, from {number(people['per_day'].min(), 0)} to "
        f"{number(people['per_day'].max(), 0)} (n = {len(people)})"
    )
    return finish(
        figure,
        name="days_of_wear",
        title="Minutes worn, day by day",
        finding=f"{finding}.",
        caption="One row per person, the most worn on top; light is a day without use, white a day without a row, a "
        "cross a gap of the log.",
        alt="Grid of days by person, shaded by minutes worn.",
        points=rows.assign(minutes=known)[["participant", "day", "minutes"]],
        keys=["participant", "day"],
        unit="min",
        height=max(220, 60 + 20 * len(order)),
    )
