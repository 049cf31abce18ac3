"""One recording over time: both hands with the lag between them marked, or one hand and its turns."""

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from numpy.typing import NDArray

from notebooks.figures.style import INK, cue, finish, plain_text
from notebooks.show.numbers import number

MOST_POINTS = 1500  # of a line; a longer recording is drawn by every n-th sample
Series = NDArray[np.float64]
AXES = {"degrees": "Joint angle in degrees", "torque": "Torque in N m"} | {
    unit: f"Force in {unit}" for unit in ("N", "kgf", "lbf")
}


def both_hands(
    first: Series,
    second: Series,
    rate: float,
    *,
    names: tuple[str, str],
    about: str,
    lag_s: float,
    unit: str,
    name: str,
) -> go.Figure:
    """Two hands over time. The lag is marked at the first high turn of the leading hand inside the record.

    first, second: samples of the leading and the following hand on one grid. rate: samples a second. names: what to
    call the hands. about: which recording, in words. lag_s: NaN where it was refused: nothing is marked. name: in the
    record.
    """
    step = max(1, int(np.ceil(len(first) / MOST_POINTS)))
    seconds = np.arange(len(first))[::step] / rate
    figure = go.Figure()
    for place, (label, series) in enumerate(zip(names, (first, second), strict=True)):
        mark = cue(place)
        figure.add_scatter(
            x=seconds, y=series[::step], mode="lines", name=plain_text(label),
            line={"color": mark["colour"], "dash": mark["dash"], "width": 2},
        )  # fmt: skip
    if np.isfinite(lag_s):
        _mark_lag(figure, first, rate, lag_s)
    figure.update_xaxes(title="Time in seconds", showgrid=False)
    figure.update_yaxes(title=AXES.get(unit, unit))
    figure.update_layout(showlegend=True)
    told = f"{names[1]} {_when(lag_s)} by {number(abs(lag_s), 3)} s" if np.isfinite(lag_s) else "no delay given"
    points = pd.concat(
        [pd.DataFrame({"hand": label, "time": seconds, "value": series[::step]})
         for label, series in zip(names, (first, second), strict=True)],
        ignore_index=True,
    )  # fmt: skip
    drawn = f"every {step}. sample" if step > 1 else "every sample"
    return finish(
        figure,
        name=name,
        title="One recording of both hands",
        finding=f"{about}: {told}.",
        caption=f"One recording of n = 1 participant, the first in order and no typical one; {drawn}. The upright "
        "lines stand where the leading hand turns and, by the delay of the whole recording, where the other one does.",
        alt="Line chart of the angles of two hands over time.",
        points=points,
        keys=["hand", "time"],
        unit=unit,
        height=320,
    )  # fmt: skip


def overlaid_repetitions(repetitions: pd.DataFrame, *, about: str, unit: str, name: str) -> go.Figure:
    """Repetitions of one movement on top of each other, from the start of each.

    repetitions: columns repetition, time (s from the start), value. about: which ones, in words. name: in the record.
    """
    figure = go.Figure()
    order = list(dict.fromkeys(repetitions["repetition"]))
    for place, repetition in enumerate(order):
        mark, own = cue(place), repetitions[repetitions["repetition"] == repetition]
        step = max(1, int(np.ceil(len(own) / MOST_POINTS)))
        figure.add_scatter(
            x=own["time"].iloc[::step], y=own["value"].iloc[::step], mode="lines", name=f"repetition {repetition}",
            line={"color": mark["colour"], "dash": mark["dash"], "width": 1.5},
        )  # fmt: skip
    figure.update_xaxes(title="Time in seconds", showgrid=False)
    figure.update_yaxes(title=AXES.get(unit, unit))
    figure.update_layout(showlegend=True)
    return finish(
        figure,
        name=name,
        title="Repetitions of one movement",
        finding=f"{about}: {len(order)} repetition{'s' * (len(order) != 1)}.",
        caption="Repetitions of n = 1 participant, the first in order and no typical one, on top of each other from "
        "the start of each recording; samples as recorded, not filtered.",
        alt="Lines of the repetitions of one movement over time.",
        points=repetitions[["repetition", "time", "value"]],
        keys=["repetition", "time"],
        unit=unit,
        height=320,
    )  # fmt: skip


def _when(lag_s: float) -> str:
    return "later" if lag_s >= 0 else "earlier"


def _mark_lag(figure: go.Figure, first: Series, rate: float, lag_s: float) -> None:
    """Upright lines where the leading hand is highest in the middle of the record, and a lag later."""
    quarter = len(first) // 4
    turn = (quarter + int(np.argmax(first[quarter : len(first) - quarter]))) / rate
    for place, at in enumerate((turn, turn + lag_s)):
        figure.add_vline(x=at, line={"color": cue(place)["colour"], "width": 1.5, "dash": cue(place)["dash"]})
    figure.add_annotation(
        x=max(turn, turn + lag_s), xanchor="left", y=1, yref="paper", yanchor="top", showarrow=False,
        text=f"{number(abs(lag_s), 3)} s {_when(lag_s)}", font={"color": INK, "size": 12},
    )  # fmt: skip
