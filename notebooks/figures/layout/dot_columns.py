"""Dots in columns: one column per visit and group, near values side by side, the mean or median among them."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from notebooks.figures.layout.letter_widths import fit, text_width
from notebooks.figures.one_column import COLUMN, SMALL
from notebooks.figures.style import GREY, INK, TEXT, WIDTH, plain_text, signed, ticks, unbroken
from notebooks.show.numbers import short

TALL = {WIDTH: 250, COLUMN: 190}
LEFT, RIGHT = {WIDTH: 66.0, COLUMN: 52.0}, 12.0


@dataclass(frozen=True)
class DotColumn:
    """One column at a place: what stands under it (a number and n), and in which colour."""

    place: float
    told: str
    colour: str


def aside(values: pd.Series, span: float) -> np.ndarray:
    """How far each dot stands from the middle of its column so that near values do not hide each other."""
    bins = np.round(values.to_numpy(dtype=float) / ((span or 1.0) / 34)).astype(int)
    out = np.zeros(len(values))
    for one in np.unique(bins):
        inside = np.flatnonzero(bins == one)
        step = min(0.075, 0.5 / max(len(inside), 1))
        out[inside] = (np.arange(len(inside)) - (len(inside) - 1) / 2) * step
    return out


def dot_layout(
    columns: Sequence[DotColumn], groups: Sequence[tuple[float, str]], span: tuple[float, float], name: str, width: int,
    *, change: bool, line: float,
) -> dict:  # fmt: skip
    """Axes and words. groups: middle and name of each visit. line: value of the line across. change: signed axis."""
    small, size = (SMALL, 10) if width == COLUMN else (11, TEXT)
    at = ticks(*span, 7)
    told = [signed(value) if change else short(value) for value in at]
    widest = max(text_width(text, small) for text in told)
    low, high = min(one.place for one in columns) - 0.6, max(one.place for one in columns) + 0.6
    across = (width - LEFT[width] - RIGHT) / (high - low)
    words: list[dict] = [
        {"xref": "paper", "yref": "paper", "x": (LEFT[width] - widest - 22) / width, "y": 0.5, "textangle": -90,
         "xanchor": "center", "yanchor": "middle", "showarrow": False, "text": unbroken(plain_text(name)),
         "font": {"size": size, "color": INK}}
    ]  # fmt: skip
    under = {"xref": "x", "yref": "paper", "y": 0, "yanchor": "top", "showarrow": False, "xanchor": "center"}
    most = 1
    for one in columns:
        text = fit(unbroken(one.told), across * 0.98, small)
        most = max(most, text.count("<br>") + 1)
        words.append(under | {"x": one.place, "yshift": -4, "text": text, "font": {"size": small, "color": one.colour}})
    for middle, label in groups:
        words.append(under | {"x": middle, "yshift": -8 - most * (small + 4), "font": {"size": small, "color": GREY},
                              "text": f"<b>{plain_text(label)}</b>"})  # fmt: skip
    across_line = {"type": "line", "xref": "x domain", "yref": "y", "x0": 0, "x1": 1, "y0": line, "y1": line}
    return {
        "xaxis": {"domain": [LEFT[width] / width, 1 - RIGHT / width], "range": [low, high], "showgrid": False,
                  "tickvals": []},
        "yaxis": {"domain": [0, 1], "range": list(span), "tickvals": at, "ticktext": told, "tickfont": {"size": small}},
        "annotations": words,
        "shapes": [across_line | {"layer": "below", "line": {"color": GREY, "width": 1}}],
    }  # fmt: skip


def foot(columns: Sequence[DotColumn], width: int) -> int:
    """Room under the panel, px."""
    small = SMALL if width == COLUMN else 11
    low, high = min(one.place for one in columns) - 0.6, max(one.place for one in columns) + 0.6
    across = (width - LEFT[width] - RIGHT) / (high - low)
    most = max(fit(unbroken(one.told), across * 0.98, small).count("<br>") + 1 for one in columns)
    return round((most + 1) * (small + 4)) + 16
