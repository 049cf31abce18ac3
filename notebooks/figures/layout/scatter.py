"""One panel of dots, laid out for both widths: axes, their names, and which mark is which arm."""

from collections.abc import Sequence

from notebooks.figures.layout.letter_widths import fit, text_width
from notebooks.figures.one_column import COLUMN, SMALL
from notebooks.figures.style import INK, TEXT, WIDTH, ZERO, arm_cue, plain_text, signed, ticks, unbroken
from notebooks.show.names import Names
from notebooks.show.numbers import short

SIDES = {WIDTH: (66.0, 66.0), COLUMN: (52.0, 34.0)}  # px left and right of the panel
TALL = {WIDTH: 260, COLUMN: 200}


def one_panel(
    x: tuple[float, float], y: tuple[float, float], x_name: str, y_name: str, width: int, *, change: bool = False,
    right: float | None = None,
) -> dict:  # fmt: skip
    """Axes from end to end with their names. change: the upright axis is one of change, with signs and a zero line.

    right: px kept at the right of the panel, where not the usual.
    """
    small, size = (SMALL, 10) if width == COLUMN else (11, TEXT)
    left, aside = SIDES[width] if right is None else (SIDES[width][0], right)
    across, up = ticks(*x, 7 if width == WIDTH else 5), ticks(*y, 7)
    told = [signed(value) if change else short(value) for value in up]
    widest = max((text_width(text, small) for text in told), default=0)
    names = {"xref": "paper", "yref": "paper", "showarrow": False, "font": {"size": size, "color": INK}}
    words = [
        names | {"x": (left + width - aside) / 2 / width, "y": 0, "xanchor": "center", "yanchor": "top", "yshift": -22,
                 "text": unbroken(fit(plain_text(x_name), width - 12, size))},
        names | {"x": (left - widest - 22) / width, "y": 0.5, "xanchor": "center", "yanchor": "middle",
                 "textangle": -90, "text": unbroken(fit(plain_text(y_name), TALL[width] + 10, size))},
    ]  # fmt: skip
    shapes = []
    if change and y[0] < 0 < y[1]:
        line = {"type": "line", "xref": "x domain", "yref": "y", "x0": 0, "x1": 1, "y0": 0, "y1": 0, "layer": "below"}
        shapes.append(line | {"line": {"color": ZERO, "width": 1.2}})
    return {
        "xaxis": {"domain": [left / width, 1 - aside / width], "range": list(x), "tickvals": across,
                  "ticktext": [short(value) for value in across], "tickfont": {"size": small}, "showgrid": False},
        "yaxis": {"domain": [0, 1], "range": list(y), "tickvals": up, "ticktext": told, "tickfont": {"size": small}},
        "annotations": words,
        "shapes": shapes,
    }  # fmt: skip


def arm_key(arms: Sequence[str], names: Names, width: int) -> list[dict]:
    """The sign and name of each arm over the panel, on one line; nothing for one arm."""
    if len(arms) < 2:
        return []
    small = SMALL if width == COLUMN else 11
    x, words = 4.0, []
    for arm in arms:
        mark = arm_cue(names, arm)
        text = f"<b>{mark['sign']} {plain_text(names.arm(arm))}</b>"
        words.append(
            {"x": x / width, "xref": "paper", "xanchor": "left", "y": 1, "yref": "paper", "yanchor": "bottom",
             "yshift": 5, "showarrow": False, "text": text, "font": {"size": small, "color": mark["colour"]}}
        )  # fmt: skip
        x += text_width(text, small) + 16
    return words
