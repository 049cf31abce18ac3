"""Power against the number of participants, with the uncertainty of the pilot's spread."""

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.style import COLOURS, GREY, INK, faint, finish
from notebooks.show.numbers import number, short
from stats.planning import Plan


def power_figure(curve: pd.DataFrame, plan: Plan, level: float) -> go.Figure:
    """Power at each n per arm: at the estimated SD, averaged over its uncertainty, and the band of its interval.

    curve: frame of `stats.power_curve`: n_per_arm, n_total, power, power_low, power_high, expected_power.
    """
    rows = curve.sort_values("n_per_arm")
    x = rows["n_per_arm"]
    figure = go.Figure()
    if rows["power_low"].notna().any():
        figure.add_scatter(
            x=[*x, *x[::-1]], y=[*(100 * rows["power_high"]), *(100 * rows["power_low"])[::-1]], fill="toself",
            mode="lines", line={"width": 0}, fillcolor=faint(COLOURS[0], 0.15), hoverinfo="skip",
            name=f"SD at its {level:.0%} limits",
        )  # fmt: skip
        figure.add_scatter(
            x=x, y=100 * rows["expected_power"], mode="lines", name="averaged over the SD's uncertainty",
            line={"color": COLOURS[1], "width": 2, "dash": "dash"}, hovertemplate="%{x}: %{y:.0f} %<extra></extra>",
        )  # fmt: skip
    figure.add_scatter(
        x=x, y=100 * rows["power"], mode="lines", name="SD as estimated",
        line={"color": COLOURS[0], "width": 3}, hovertemplate="%{x}: %{y:.0f} %<extra></extra>",
    )  # fmt: skip
    figure.add_vline(x=plan.n_per_arm, line={"color": GREY, "width": 1, "dash": "dot"})
    figure.add_annotation(
        x=plan.n_per_arm, y=3, text=f" {plan.n_per_arm} per arm", showarrow=False, xanchor="left",
        font={"color": INK, "size": 12},
    )  # fmt: skip
    figure.update_xaxes(title="Participants analysed per arm", rangemode="tozero", showgrid=False)
    figure.update_yaxes(title="Power, %", range=[0, 103])
    figure.update_layout(showlegend=True)
    at = rows[rows["n_per_arm"] == plan.n_per_arm].iloc[0]
    difference = plan.inputs["difference"]
    band = ""
    if pd.notna(at["power_low"]):
        band = (
            f"; {number(100 * at['power_low'], 0)} % to {number(100 * at['power_high'], 0)} % at the limits of the SD"
        )
    title = (
        f"{plan.outcome}: {plan.n_per_arm} per arm give {number(100 * at['power'], 0)} % power for "
        f"{short(difference.value)} {plan.unit}{band}"
    )
    return finish(
        figure,
        name="power_curve",
        title=title,
        caption=f"Two arms, covariance adjustment for the baseline, alpha {plan.terms.alpha:g} "
        f"({plan.terms.sides}-sided). Difference: {difference.source}. The pilot's own effect is not used.",
        alt=f"Power curve with its band. {title}.",
        points=rows.assign(**{name: 100 * rows[name] for name in rows if "power" in name}).rename(
            columns={name: name.replace("power", "percent") for name in rows}
        ),
        keys=["n_per_arm"],
        unit="participants",
        height=380,
    )
