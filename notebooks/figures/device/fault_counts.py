"""Number of device deficiencies by category and cause."""

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.style import cue, finish, plain_text
from notebooks.show.numbers import number


def fault_counts(faults: pd.DataFrame, hours: float) -> go.Figure | None:
    """One bar per category, split by cause. faults: rows of the sheet. hours: worn in all, 0 where not known."""
    if faults.empty:
        return None
    known = faults.assign(
        cause=faults["cause"].replace("", "not said"), category=faults["category"].replace("", "none")
    )
    table = known.groupby(["category", "cause"], sort=True).size().rename("count").reset_index()
    order = known["category"].value_counts(ascending=True).index.tolist()
    figure = go.Figure()
    for place, cause in enumerate(known["cause"].value_counts().index):
        own, mark = table[table["cause"] == cause], cue(place)
        figure.add_bar(
            y=own["category"], x=own["count"], orientation="h", name=plain_text(cause),
            marker={"color": mark["colour"], "pattern": {"shape": ("", "/", "x")[place % 3]}},
            hovertemplate="%{y}: %{x}<extra></extra>",
        )  # fmt: skip
    figure.update_layout(barmode="stack", showlegend=True)
    figure.update_yaxes(categoryorder="array", categoryarray=order, showgrid=False)
    figure.update_xaxes(
        title="Number", rangemode="tozero", dtick=max(1, int(known["category"].value_counts().max()) // 6)
    )
    worn = f" in {number(hours, 0)} hours worn" if hours > 0 else ""
    finding = f"Device deficiencies: {len(faults)}{worn}, most often {order[-1]}"
    return finish(
        figure,
        name="device_deficiencies",
        title="Device deficiencies by category",
        finding=f"{finding}.",
        caption="Every deficiency that was written down, with or without harm, by category of ISO 14155 and cause.",
        alt="Bars of deficiencies by category.",
        points=table,
        keys=["category", "cause"],
        unit="count",
        height=max(240, 120 + 36 * len(order)),
    )
