"""What all figures share: colours, second cues, sizes, and the description each figure carries with it."""

import itertools
from collections.abc import Mapping, Sequence
from math import ceil

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.one_column import column_layout, entries, title_room, wrap
from notebooks.show.content import plain

WIDTH = 692  # px at 96 per inch = 183 mm, a full page width
LEGEND_LINE, TITLE_SIZE = 19, 14  # px
FONT = "Arial, 'Liberation Sans', 'Helvetica Neue', 'DejaVu Sans', sans-serif"
INK = "#1b1b1b"
GREY = "#6b6b6b"

# Told apart by lightness as well as by hue (grey print, colour-blind readers), and by symbol and dash besides.
COLOURS = ("#0b3c6f", "#d9730d", "#3f9b7a", "#8c4a9e", "#7a7a7a", "#c2a500")
SYMBOLS = ("circle", "square-open", "triangle-up", "diamond-open", "x", "star-open")
SIGNS = ("\N{BLACK CIRCLE}", "\N{WHITE SQUARE}", "\N{BLACK UP-POINTING TRIANGLE}", "\N{WHITE DIAMOND}",
         "\N{MULTIPLICATION X}", "\N{WHITE STAR}")  # fmt: skip
DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
IMPROVED, UNCHANGED, WORSENED = "#0b3c6f", "#bdbdbd", "#d9730d"


def cue(place: int) -> dict[str, str]:
    """Colour, symbol, the symbol as a sign of a text, and dash of the n-th group."""
    return {
        "colour": COLOURS[place % len(COLOURS)],
        "symbol": SYMBOLS[place % len(SYMBOLS)],
        "sign": SIGNS[place % len(SIGNS)],
        "dash": DASHES[place % len(DASHES)],
    }


def faint(colour: str, alpha: float) -> str:
    """The colour with transparency."""
    red, green, blue = (int(colour[place : place + 2], 16) for place in (1, 3, 5))
    return f"rgba({red},{green},{blue},{alpha})"


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
    column: Mapping | None = None,
    column_height: int | None = None,
    column_above: int | None = None,
    column_legend: bool | None = None,
) -> go.Figure:
    """Give a figure its look and its description.

    name: file name and name in the record. title: the finding, neutrally. caption: how to read it, with n.
    alt: what a reader who cannot see it should know. points: every number drawn, `keys` the columns naming a row.
    right: room for labels at the ends of lines, above: room over the panels, both in px.
    column...: what is different where the figure has one column of a page (or a phone): changes of the layout, height
    of the panels, room over them, whether there is a legend. Where not given, it is as in the wide figure.
    """
    words = wrap(plain_text(title))
    lines = words.count("<br>") + 1
    top = title_room(words, TITLE_SIZE)
    over = above + (9 + LEGEND_LINE * _legend_lines(figure) if figure.layout.showlegend else 10)
    whole = height + top - 10
    figure.update_layout(
        template=go.layout.Template(),
        plot_bgcolor="#ffffff",
        paper_bgcolor="#ffffff",
        font={"family": FONT, "size": 12, "color": INK},
        title={
            "text": words,
            "xref": "container",
            "x": 0.012,
            "xanchor": "left",
            "yref": "container",
            "y": 1,
            "yanchor": "top",
            "pad": {"t": 10 + 9 * (lines - 1)},  # plotly sets the middle of the lines here
            "font": {"size": TITLE_SIZE},
        },
        width=WIDTH,
        height=whole,
        margin={"l": 60, "r": right, "t": top + over, "b": 56},
        # Under the title, whatever room labels need at the left of the panels or above them.
        legend={
            "orientation": "h",
            "tracegroupgap": 0,
            "xref": "container",
            "x": 0.004,
            "xanchor": "left",
            "yref": "container",
            "y": 1 - top / whole,
            "yanchor": "top",
        },
        hoverlabel={"font": {"family": FONT, "size": 12}},
    )
    axes = {"showline": True, "linecolor": INK, "ticks": "outside", "gridcolor": "#e6e6e6", "zeroline": False}
    figure.update_xaxes(**axes, automargin=True)
    figure.update_yaxes(**axes, automargin=True)
    figure.update_layout(
        meta={
            "name": name,
            "title": title,
            "caption": caption,
            "alt": alt,
            "points": plain(points),
            "keys": list(keys),
            "unit": unit,
            "notes": list(notes),
            "column": column_layout(
                figure,
                title=plain_text(title),
                height=height - over if column_height is None else column_height,
                above=above if column_above is None else column_above,
                legend=bool(figure.layout.showlegend) if column_legend is None else column_legend,
                changes=column,
            ),
        }
    )
    return figure


def _legend_lines(figure: go.Figure) -> int:
    """Lines of the legend: entries stand in columns of the widest where they do not fit on one line."""
    widths = [44 + 7 * len(name) for name in entries(figure)]
    labels = [line for text in figure.layout.yaxis.ticktext or () for line in str(text).split("<br>")]
    room = WIDTH - 84 - 6 * max((len(line) for line in labels), default=0)
    if not widths or sum(widths) <= room:
        return 1
    return ceil(len(widths) / max(1, room // max(widths)))
