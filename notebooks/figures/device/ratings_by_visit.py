"""Ratings of a device and of its tasks at each visit, a panel a rating."""

import pandas as pd
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from notebooks.figures.style import INK, cue, faint, finish, plain_text
from notebooks.show.names import Names
from notebooks.show.numbers import number


def ratings_by_visit(frame: pd.DataFrame, names: Names) -> go.Figure | None:
    """Every value and the medians joined. frame: participant, visit, rating, unit, value."""
    if frame.empty:
        return None
    kinds = list(dict.fromkeys(frame["rating"]))
    visits = names.visits(frame["visit"])
    units = frame.drop_duplicates("rating").set_index("rating")["unit"]
    heads = [f"{plain_text(kind)}, {units[kind]}" for kind in kinds]
    figure = make_subplots(
        rows=len(kinds), cols=1, shared_xaxes=True, vertical_spacing=0.4 / (3 * len(kinds)), subplot_titles=heads
    )
    figure.update_annotations(font={"size": 12, "color": INK}, x=0, xanchor="left")
    told = []
    for place, kind in enumerate(kinds, 1):
        own, mark = frame[frame["rating"] == kind], cue(0)
        figure.add_scatter(
            x=[visits.index(visit) for visit in own["visit"]], y=own["value"], mode="markers", showlegend=False,
            marker={"size": 6, "color": faint(mark["colour"], 0.45)}, row=place, col=1,
            hovertemplate="%{y:.1f}<extra></extra>",
        )  # fmt: skip
        middle = own.groupby("visit")["value"].median().reindex([one for one in visits if one in set(own["visit"])])
        figure.add_scatter(
            x=[visits.index(visit) for visit in middle.index], y=middle, mode="lines+markers", showlegend=False,
            line={"color": mark["colour"], "width": 2}, marker={"size": 9, "color": mark["colour"]}, row=place, col=1,
        )  # fmt: skip
        figure.update_yaxes(row=place, col=1, rangemode="tozero")
        told.append(f"{kind} {number(middle.iloc[-1], 0)} {units[kind]}")
    figure.update_xaxes(
        tickvals=list(range(len(visits))), ticktext=[plain_text(names.visit(visit)) for visit in visits],
        range=[-0.5, len(visits) - 0.5], showgrid=False,
    )  # fmt: skip
    finding = f"Ratings of the device, median at the last visit rated: {'; '.join(told)}"
    return finish(
        figure,
        name="ease_of_use",
        title="Ratings of the device by visit",
        finding=f"{finding}.",
        caption=f"Small marks are people, large ones medians. n = {frame['participant'].nunique()}.",
        alt="Panels of ratings by visit.",
        points=frame[["participant", "visit", "rating", "value"]],
        keys=["participant", "visit", "rating"],
        height=90 + 130 * len(kinds),
        above=18,
    )
