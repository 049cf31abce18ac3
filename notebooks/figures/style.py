"""What all figures share: colours, second cues, sizes, and the description each figure carries with it."""

import itertools
from collections.abc import Sequence

import pandas as pd
import plotly.graph_objects as go

from notebooks.exhibits import plain

WIDTH = 692  # px at 96 per inch = 183 mm, a full page width; 336 px = 89 mm, one column
FONT = "Arial, 'Liberation Sans', 'Helvetica Neue', 'DejaVu Sans', sans-serif"
INK = "#1b1b1b"
GREY = "#6b6b6b"
PALE = "#d0d0d0"

# Told apart by lightness as well as by hue (grey print, colour-blind readers), and by symbol and dash besides.
COLOURS = ("#0b3c6f", "#d9730d", "#3f9b7a", "#8c4a9e", "#7a7a7a", "#c2a500")
SYMBOLS = ("circle", "square-open", "triangle-up", "diamond-open", "x", "star-open")
DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
IMPROVED, UNCHANGED, WORSENED = "#0b3c6f", "#bdbdbd", "#d9730d"


def cue(place: int) -> dict[str, str]:
    """Colour, symbol and dash of the n-th group."""
    return {
        "colour": COLOURS[place % len(COLOURS)],
        "symbol": SYMBOLS[place % len(SYMBOLS)],
        "dash": DASHES[place % len(DASHES)],
    }


def faint(colour: str, alpha: float) -> str:
    """The colour with transparency."""
    red, green, blue = (int(colour[place : place + 2], 16) for place in (1, 3, 5))
    return f"rgba({red},{green},{blue},{alpha})"


def wrap(text: str, width: int = 92) -> str:
    """Break a title into lines that fit the figure."""
    lines, line = [], ""
    for word in text.split():
        if line and len(line) + len(word) + 1 > width:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}".strip()
    return "<br>".join([*lines, line])


def plain_text(text: str) -> str:
    """User text inside a plotly label, where < and & would be read as markup."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def spread(places: Sequence[float], apart: float) -> list[float]:
    """Places of labels moved as little as needed to stand at least `apart` from each other, in the same order."""
    order = sorted(range(len(places)), key=lambda index: places[index])
    moved = list(places)
    for _ in range(50):
        for low, high in itertools.pairwise(order):
            gap = moved[high] - moved[low]
            if gap < apart:
                moved[low] -= (apart - gap) / 2
                moved[high] += (apart - gap) / 2
    return moved


def finish(
    figure: go.Figure,
    *,
    name: str,
    title: str,
    caption: str,
    alt: str,
    points: pd.DataFrame,
    keys: Sequence[str] = (),
    unit: str = "",
    height: int = 400,
    notes: Sequence[str] = (),
    right: int = 24,
    above: int = 0,
) -> go.Figure:
    """Give a figure its look and its description.

    name: file name and name in the record. title: the finding, neutrally. caption: how to read it, with n.
    alt: what a reader who cannot see it should know. points: every number drawn, `keys` the columns naming a row.
    right: room for labels at the ends of lines, above: room over the panels, both in px.
    """
    lines = wrap(plain_text(title)).count("<br>") + 1
    over = above + (28 if figure.layout.showlegend else 10)
    figure.update_layout(
        template=go.layout.Template(),
        plot_bgcolor="#ffffff",
        paper_bgcolor="#ffffff",
        font={"family": FONT, "size": 12, "color": INK},
        title={
            "text": wrap(plain_text(title)),
            "xref": "container",
            "x": 0.012,
            "xanchor": "left",
            "yref": "container",
            "y": 1,
            "yanchor": "top",
            "pad": {"t": 10 + 9 * (lines - 1)},  # plotly sets the middle of the lines here
            "font": {"size": 14},
        },
        width=WIDTH,
        height=height + 19 * lines,
        margin={"l": 60, "r": right, "t": 18 + 19 * lines + over, "b": 56},
        # Over the room that labels above the panels need, which is in px while a legend's place is a share.
        legend={
            "orientation": "h",
            "x": 0,
            "xanchor": "left",
            "y": 1 + above / (height - 74 - over),
            "yanchor": "bottom",
        },
        hoverlabel={"font": {"family": FONT, "size": 12}},
        meta={
            "name": name,
            "title": title,
            "caption": caption,
            "alt": alt,
            "points": plain(points),
            "keys": list(keys),
            "unit": unit,
            "notes": list(notes),
            # On a page the title is text of the page: the drawing needs no room for it.
            "page": {"top": 8 + over, "height": height},
        },
    )
    axes = {"showline": True, "linecolor": INK, "ticks": "outside", "gridcolor": "#e6e6e6", "zeroline": False}
    figure.update_xaxes(**axes, automargin=True)
    figure.update_yaxes(**axes, automargin=True)
    return figure
