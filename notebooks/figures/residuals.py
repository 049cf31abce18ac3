"""Residuals and influence of a model, as a reviewer asks for them."""

import pandas as pd
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from notebooks.figures.style import COLOURS, GREY, INK, finish, plain_text
from notebooks.show.names import Names
from notebooks.show.numbers import number

SHOWN = 12  # participants in the influence panel


def _stacked(figure: go.Figure) -> dict:
    """The panels one below the other."""
    places = [[0.75, 1.0], [0.39, 0.64], [0.0, 0.28]]
    axes = {
        f"{axis}axis{number or ''}": {"domain": [0.0, 1.0] if axis == "x" else places[place]}
        for place, number in enumerate((0, 2, 3))
        for axis in "xy"
    }
    heads = [
        annotation.to_plotly_json() | {"x": 0.5, "y": places[place][1], "font": {"size": 10, "color": INK}}
        for place, annotation in enumerate(figure.layout.annotations)
    ]
    lines = [shape.to_plotly_json() for shape in figure.layout.shapes]
    return axes | {"annotations": heads, "shapes": lines}


def model_checks(residuals: pd.DataFrame, influence: pd.DataFrame, outcome: str, names: Names) -> go.Figure:
    """Scaled residuals against fitted values, their normal quantiles, and the most influential participants.

    residuals: participant, visit, fitted, scaled, normal_quantile. influence: participant, distance.
    """
    figure = make_subplots(
        cols=3,
        column_widths=[0.36, 0.3, 0.34],
        horizontal_spacing=0.11,
        subplot_titles=["Residuals by fitted value", "Normal quantiles", "Influence of a person"],
    )
    dots = {"mode": "markers", "showlegend": False, "marker": {"color": COLOURS[0], "size": 5, "symbol": "circle-open"}}
    told = residuals[["participant", "visit"]]
    hover = "%{customdata[0]}, %{customdata[1]}: %{y:.2f}<extra></extra>"
    figure.add_scatter(
        x=residuals["fitted"], y=residuals["scaled"], customdata=told, hovertemplate=hover, **dots, row=1, col=1
    )
    figure.add_scatter(
        x=residuals["normal_quantile"],
        y=residuals["scaled"],
        customdata=told,
        hovertemplate=hover,
        **dots,
        row=1,
        col=2,
    )
    reach = max(residuals["normal_quantile"].abs().max(), residuals["scaled"].abs().max())
    line = {"color": GREY, "width": 1, "dash": "dash"}
    figure.add_scatter(
        x=[-reach, reach], y=[-reach, reach], mode="lines", line=line, showlegend=False, hoverinfo="skip", row=1, col=2
    )
    figure.add_hline(y=0, line=line, row=1, col=1)
    most = influence.sort_values("distance", ascending=False).head(SHOWN)
    figure.add_scatter(
        x=most["distance"],
        y=[plain_text(str(person)) for person in most["participant"]],
        mode="markers",
        showlegend=False,
        marker={"color": COLOURS[1], "size": 8, "symbol": "square"},
        hovertemplate="%{y}: %{x:.3f}<extra></extra>",
        row=1,
        col=3,
    )
    figure.update_xaxes(title_text="Fitted", row=1, col=1)
    figure.update_xaxes(title_text="Normal quantile", row=1, col=2)
    figure.update_xaxes(title_text="Cook's distance", rangemode="tozero", row=1, col=3)
    figure.update_yaxes(title_text="Scaled residual", row=1, col=1)
    figure.update_yaxes(autorange="reversed", type="category", row=1, col=3)
    figure.update_annotations(font={"size": 12, "color": INK})
    figure.update_layout(showlegend=False)
    largest = residuals["scaled"].abs().max()
    title = (
        f"{names.outcome(outcome)}: largest scaled residual {number(largest, 1)}; most influential participant "
        f"{most['participant'].iloc[0]} (Cook's distance {number(most['distance'].iloc[0], 2)})"
    )
    points = pd.concat(
        [
            residuals[["participant", "visit", "fitted", "scaled", "normal_quantile"]].assign(kind="residual"),
            influence[["participant", "distance"]].assign(kind="influence", visit=""),
        ],
        ignore_index=True,
    )
    return finish(
        figure,
        name=f"model_checks/{outcome}",
        title=title,
        caption=f"n = {influence['participant'].nunique()}, {len(residuals)} scores. Scaled residuals are uncorrelated "
        "with variance 1 where the model holds; they should lie evenly about 0 and along the dashed line (quantiles "
        f"within each visit). Influence: the model fitted again without each person; the {len(most)} largest are "
        "drawn. With few people these panels show gross misfit only.",
        alt=f"Three panels: residuals against fitted values, normal quantile plot, influence per participant. {title}.",
        points=points,
        keys=["kind", "participant", "visit"],
        height=330,
        above=14,
        column=_stacked(figure),
        column_height=690,
        column_above=22,
    )
