"""What was seen on the skin, by site."""

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.style import cue, finish, plain_text


def skin_findings(looks: pd.DataFrame) -> go.Figure | None:
    """One bar per site: looks with a finding, by what was found. looks: rows of the sheet."""
    if looks.empty:
        return None
    seen = looks[~looks["finding"].isin(("", "none"))]
    if seen.empty:
        return None
    seen = seen.assign(site=seen["site"].replace("", "not said"))
    table = seen.groupby(["site", "finding"], sort=True).size().rename("count").reset_index()
    order = seen["site"].value_counts(ascending=True).index.tolist()
    figure = go.Figure()
    for place, finding in enumerate(seen["finding"].value_counts().index):
        own, mark = table[table["finding"] == finding], cue(place)
        figure.add_bar(
            y=own["site"], x=own["count"], orientation="h", name=plain_text(finding),
            marker={"color": mark["colour"], "pattern": {"shape": ("", "/", "x", ".")[place % 4]}},
            hovertemplate="%{y}: %{x}<extra></extra>",
        )  # fmt: skip
    figure.update_layout(barmode="stack", showlegend=True)
    figure.update_yaxes(categoryorder="array", categoryarray=order, showgrid=False)
    figure.update_xaxes(title="Looks with a finding", rangemode="tozero", dtick=1 if table["count"].max() < 8 else None)
    finding = f"Skin: something seen at {len(seen)} of {len(looks)} looks, in {seen['participant'].nunique()} people"
    return finish(
        figure,
        name="skin",
        title="Looks at the skin with a finding",
        finding=f"{finding}.",
        caption="Looks at the skin with a finding, by site and by what was seen.",
        alt="Bars of findings by site.",
        points=table,
        keys=["site", "finding"],
        unit="count",
        height=max(220, 120 + 36 * len(order)),
    )
