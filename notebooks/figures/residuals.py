"""Does the model's error law hold well enough, and does one person carry the result?"""

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.one_column import COLUMN, SMALL
from notebooks.figures.style import GREY, INK, TEXT, WIDTH, ZERO, finish, signed, ticks, unbroken
from notebooks.show.names import Names
from notebooks.show.numbers import number

# Panels in px: (left, right), (upper, lower) from the upper edge of the panels; one below the other in one column.
PLACES = {
    WIDTH: [((52, 232), (0, 180)), ((292, 448), (0, 180)), ((494, 676), (0, 180))],
    COLUMN: [((52, 232), (0, 180)), ((52, 318), (246, 386)), ((52, 318), (452, 552))],
}
TALL = {WIDTH: 180, COLUMN: 552}
HEADS = ("Quantiles of residuals", "Residuals by fitted value", "Without each person")
ENVELOPE = "#dedede"
DOT = {"size": 4.5, "color": "#ffffff", "line": {"color": INK, "width": 1}}


def model_checks(checks: pd.DataFrame, influence: pd.DataFrame, outcome: str, names: Names, asked: str) -> go.Figure:
    """Scaled residuals on normal quantiles and by fitted value, and how far each person moves the answer.

    checks: frame of `quantile_envelope`. influence: participant, shift (of the estimate in the unit of the outcome,
    positive better, when the person is left out; NaN where the model cannot be fitted without). asked: the estimate in
    words, "difference at week 8".
    """
    shifts = influence[influence["shift"].notna()]
    figure = go.Figure()
    x, low, high = checks["normal_quantile"], checks["low"], checks["high"]
    figure.add_scatter(
        x=[*x, *x[::-1]], y=[*low, *high[::-1]], mode="lines", fill="toself", fillcolor=ENVELOPE, line={"width": 0},
        hoverinfo="skip", showlegend=False, meta="envelope",
    )  # fmt: skip
    hover = "%{customdata[0]}, %{customdata[1]}: %{y:.2f}<extra></extra>"
    told = checks[["participant", "visit"]]
    look = {"mode": "markers", "showlegend": False, "marker": DOT, "customdata": told, "hovertemplate": hover}
    figure.add_scatter(x=x, y=checks["scaled"], meta="quantiles", **look)
    figure.add_scatter(x=checks["fitted"], y=checks["scaled"], xaxis="x2", yaxis="y2", meta="by fitted", **look)
    figure.add_scatter(
        x=shifts["shift"], y=_piled(shifts["shift"].to_numpy(dtype=float)), xaxis="x3", yaxis="y3", mode="markers",
        meta="influence", showlegend=False, marker=DOT | {"size": 6}, customdata=shifts[["participant"]],
        hovertemplate="without %{customdata[0]}: %{x:.2f}<extra></extra>",
    )  # fmt: skip
    unit = str(influence["unit"].iloc[0])
    outside = int(((checks["scaled"] < checks["low"]) | (checks["scaled"] > checks["high"])).sum())
    figure.update_layout(showlegend=False, **_layout(checks, shifts, unit, names.decimals(outcome), WIDTH))
    digits = names.decimals(outcome)
    ends = [number(value, digits) for value in (shifts["shift"].min(), shifts["shift"].max())] if len(shifts) else []
    told_shift = (
        f"leaving out one person moves the {asked} by {ends[0]} to {ends[1]} {unit}" if ends else "no influence known"
    )
    level = f"{names.protocol.level:.0%}".replace("%", " %")
    points = pd.concat(
        [checks.assign(kind="residual"), influence[["participant", "shift"]].assign(kind="influence", visit="")],
        ignore_index=True,
    )  # fmt: skip
    return finish(
        figure,
        name=f"model_checks/{outcome}",
        title="Checks of the model",
        finding=f"{names.outcome(outcome)}: {outside} of {len(checks)} residuals outside the envelope; {told_shift}.",
        caption=f"{influence['participant'].nunique()} participants, {len(checks)} scores. a: scaled residuals of all "
        f"visits together, uncorrelated with variance 1 where the model holds, in a {level} simultaneous envelope "
        "simulated from the fitted model; line: equal. b: the same by fitted value. c: one dot per person, the model "
        "fitted again without; the line is the answer with everybody. With few people gross misfit only is seen.",
        alt="Three panels: quantile plot, residuals by fitted values, influence of each person.",
        points=points[["kind", "participant", "visit", "fitted", "scaled", "normal_quantile", "low", "high", "shift"]],
        keys=["kind", "participant", "visit"],
        unit=unit,
        height=TALL[WIDTH] + 24 + 62,
        above=14,
        edges={"l": 0, "r": 0, "b": 62},
        column=_layout(checks, shifts, unit, digits, COLUMN) | {"margin": {"l": 0, "r": 0, "b": 56}},
        column_height=TALL[COLUMN] + 56,
        column_above=16,
    )  # fmt: skip


def _piled(values: np.ndarray) -> np.ndarray:
    """Heights of dots so that near values stand over each other, from the axis upwards."""
    if not len(values):
        return values
    width = (values.max() - values.min()) / 22 or 1.0
    bins = np.round(values / width).astype(int)
    heights = np.zeros(len(values))
    for one in np.unique(bins):
        inside = np.flatnonzero(bins == one)
        heights[inside] = 1 + np.arange(len(inside))
    return heights


def _layout(checks: pd.DataFrame, shifts: pd.DataFrame, unit: str, digits: int, width: int) -> dict:
    small, size = (SMALL, 10) if width == COLUMN else (11, TEXT)
    tall = TALL[width]
    reach = 1.08 * float(np.abs(checks[["scaled", "normal_quantile", "low", "high"]].to_numpy()).max())
    same = {"range": [-reach, reach], "tickvals": ticks(-reach, reach, 6)}
    axes: dict = {
        "xaxis": dict(same), "yaxis": dict(same),
        "xaxis2": {}, "yaxis2": {"range": [-reach, reach], "tickvals": ticks(-reach, reach, 6)},
        "xaxis3": {}, "yaxis3": {"visible": False},
    }  # fmt: skip
    if len(shifts):
        far = 1.15 * max(float(shifts["shift"].abs().max()), 1e-9)
        at = ticks(-far, far, 5)
        most = float(_piled(shifts["shift"].to_numpy(dtype=float)).max())
        axes["xaxis3"] = {"range": [-far, far], "tickvals": at, "ticktext": [signed(value) for value in at]}
        axes["yaxis3"] |= {"range": [0, max(most + 1.5, 10)]}
    words, shapes = [], []
    names_of_axes = (("Normal quantile", "Scaled residual"), (f"Fitted, {unit}", "Scaled residual"),
                     (f"Shift of the estimate, {unit}", ""))  # fmt: skip
    for place, ((x0, x1), (top, bottom)) in enumerate(PLACES[width]):
        key = "" if place == 0 else str(place + 1)
        ends = {"domain": [x0 / width, x1 / width], "anchor": f"y{key}", "tickfont": {"size": small}, "showgrid": False}
        axes[f"xaxis{key}"] |= ends
        axes[f"yaxis{key}"] |= {"domain": [1 - bottom / tall, 1 - top / tall], "anchor": f"x{key}",
                                "tickfont": {"size": small}, "showgrid": False}  # fmt: skip
        over = {"xref": "paper", "yref": "paper", "showarrow": False}
        words.append(over | {"x": (x0 - 2) / width, "y": 1 - top / tall, "xanchor": "left", "yanchor": "bottom",
                             "yshift": 3, "text": f"<b>{'abc'[place]}  {HEADS[place]}</b>",
                             "font": {"size": small}})  # fmt: skip
        words.append(over | {"x": (x0 + x1) / 2 / width, "y": 1 - bottom / tall, "xanchor": "center", "yanchor": "top",
                             "yshift": -22,
                             "text": unbroken(names_of_axes[place][0]), "font": {"size": size}})  # fmt: skip
        words.append(over | {"x": (x0 - 34) / width, "y": 1 - (top + bottom) / 2 / tall, "textangle": -90,
                             "xanchor": "center", "yanchor": "middle", "text": names_of_axes[place][1],
                             "font": {"size": size}})  # fmt: skip
    line = {"type": "line", "layer": "below", "line": {"color": ZERO, "width": 1}}
    shapes.append(line | {"x0": -reach, "x1": reach, "y0": -reach, "y1": reach, "xref": "x", "yref": "y"})
    shapes.append(line | {"x0": 0, "x1": 1, "y0": 0, "y1": 0, "xref": "x2 domain", "yref": "y2"})
    shapes.append(line | {"x0": 0, "x1": 0, "y0": 0, "y1": 1, "xref": "x3", "yref": "y3 domain",
                          "line": {"color": GREY, "width": 1}})  # fmt: skip
    for value in (shifts["shift"].min(), shifts["shift"].max()):
        if len(shifts):
            words.append({"x": float(value), "xref": "x3", "y": 1, "yref": "y3", "yanchor": "bottom", "yshift": 8,
                          "xanchor": "center", "showarrow": False, "text": number(value, digits),
                          "font": {"size": small, "color": GREY}})  # fmt: skip
    return axes | {"annotations": [word for word in words if word["text"]], "shapes": shapes}
