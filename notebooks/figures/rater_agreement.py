"""Do two raters, sessions or methods agree? Differences against means, with limits of agreement and intervals."""

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.layout.scatter import TALL, one_panel
from notebooks.figures.one_column import COLUMN, SMALL
from notebooks.figures.style import BAND, GREY, INK, WIDTH, finish, spread, unbroken
from notebooks.show.numbers import number
from stats.measurement.agreement import LimitsOfAgreement

FEWEST = 10  # people, below which a table says it better
RIGHT = {WIDTH: 150.0, COLUMN: 96.0}
POINTS = ["participant", "pairs", "mean", "difference"]


def agreement_figure(
    pairs: pd.DataFrame, limits: LimitsOfAgreement, *, about: str, compared: tuple[str, str], name: str, digits: int,
    level: float,
) -> go.Figure | None:  # fmt: skip
    """Bland-Altman plot; equal points are one larger dot with their number inside. None with fewer than 10 people.

    pairs: participant, first, second; one row per person. about: outcome in words. compared: what the two are called.
    """
    if pairs["participant"].nunique() < FEWEST:
        return None
    values = pd.DataFrame(
        {"participant": pairs["participant"], "mean": (pairs["first"] + pairs["second"]) / 2,
         "difference": pairs["first"] - pairs["second"]}
    )  # fmt: skip
    places = values.round(9).groupby(["mean", "difference"]).size().reset_index(name="count")
    figure = go.Figure()
    figure.add_scatter(
        x=places["mean"], y=places["difference"], mode="markers+text", meta="pairs", showlegend=False,
        text=[str(count) if count > 1 else "" for count in places["count"]],
        textfont={"size": SMALL, "color": "#ffffff"},
        marker={"color": INK, "opacity": 1, "size": [7 if count == 1 else 14 for count in places["count"]]},
        hovertemplate="mean %{x}, difference %{y}<extra></extra>",
    )  # fmt: skip
    table = limits.frame(level).set_index("term")
    ends = [*values["difference"], *table["conf_low"], *table["conf_high"], 0.0]
    room = 0.06 * ((max(ends) - min(ends)) or 1.0)
    low, high = float(values["mean"].min()), float(values["mean"].max())
    aside = 0.05 * ((high - low) or 1.0)
    unit = f", {limits.unit}" if limits.unit else ""
    layouts = {}
    for width in (WIDTH, COLUMN):
        layout = one_panel(
            (low - aside, high + aside), (min(ends) - room, max(ends) + room), f"Mean of the two{unit}",
            f"{compared[0]} minus {compared[1]}{unit}", width, change=True, right=RIGHT[width],
        )  # fmt: skip
        layouts[width] = _with_limits(layout, table, digits, width, (min(ends) - room, max(ends) + room))
    figure.update_layout(showlegend=False, **layouts[WIDTH])
    told = {term: number(table.loc[term, "estimate"], digits) for term in table.index}
    percent = f"{level:.0%}".replace("%", " %")
    bias = table.loc["mean difference"]
    return finish(
        figure,
        name=name,
        title="Agreement of two measurements",
        finding=f"{about}: bias {told['mean difference']} ({number(bias['conf_low'], digits)} to "
        f"{number(bias['conf_high'], digits)}), limits {told['lower limit']} and {told['upper limit']} {limits.unit}.",
        caption=f"{compared[0]} minus {compared[1]}; {len(pairs)} pairs, n = {pairs['participant'].nunique()} people; "
        f"bands: {percent} intervals of bias and limits (exact). Equal points are one dot with their number.",
        alt=f"Bland-Altman plot of {len(pairs)} pairs.",
        points=values.assign(pairs=1)[POINTS],
        keys=["participant"],
        unit=limits.unit,
        height=TALL[WIDTH] + 60,
        above=2,
        edges={"l": 0, "r": 0, "b": 46},
        column=layouts[COLUMN] | {"margin": {"l": 0, "r": 0, "b": 42}},
        column_height=TALL[COLUMN] + 42,
        column_above=4,
    )


def _with_limits(layout: dict, table: pd.DataFrame, digits: int, width: int, span: tuple[float, float]) -> dict:
    """Bias and limits as lines in bands, with numbers and intervals at the right end."""
    small = SMALL if width == COLUMN else 11
    flat = {"xref": "x domain", "yref": "y", "x0": 0, "x1": 1, "layer": "below"}
    lines = 3 if width == COLUMN else 2
    places = spread(table["estimate"].tolist(), (small + 3.5) * lines * (span[1] - span[0]) / TALL[width])
    for place, (term, row) in zip(places, table.iterrows(), strict=True):
        band = {"type": "rect", "y0": row["conf_low"], "y1": row["conf_high"], "fillcolor": BAND, "line": {"width": 0}}
        dash = "solid" if term == "mean difference" else "dash"
        line = {"type": "line", "y0": row["estimate"], "y1": row["estimate"]}
        layout["shapes"] = [
            flat | band,
            *layout["shapes"],
            flat | line | {"line": {"color": GREY, "width": 1.2, "dash": dash}},
        ]
        middle, low, high = (number(row[name], digits) for name in ("estimate", "conf_low", "conf_high"))
        words = {"mean difference": "bias", "lower limit": "lower limit", "upper limit": "upper limit"}[str(term)]
        gap = "<br>" if width == COLUMN else " "
        layout["annotations"].append(
            {"x": (width - RIGHT[width] + 6) / width, "xref": "paper", "xanchor": "left", "y": place, "yref": "y",
             "yanchor": "middle", "align": "left", "showarrow": False, "font": {"size": small, "color": INK},
             "text": unbroken(f"{words}<br><b>{middle}</b>{gap}({low} to {high})")}
        )  # fmt: skip
    return layout
