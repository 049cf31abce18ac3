"""What all figures share: colours, second cues, sizes, and the description each figure carries with it."""

import itertools
import re
from collections.abc import Mapping, Sequence
from math import ceil, floor, log10

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.layout.letter_widths import fit, text_width
from notebooks.figures.one_column import column_layout, entries, merged, title_room
from notebooks.show.content import plain
from notebooks.show.names import Names
from notebooks.show.numbers import short

WIDTH = 692  # px at 96 per inch = 183 mm, a full page width
LEGEND_LINE, TITLE_SIZE, TEXT = 19, 14, 12  # px
ALT_WORDS = 60
FONT = "Arial, 'Liberation Sans', 'Helvetica Neue', 'DejaVu Sans', sans-serif"
INK = "#1b1b1b"  # words, and what belongs to no arm: a difference, the protocol's answer
GREY = "#5c5c5c"  # second words, axes
ZERO, GRID, BAND = "#bdbdbd", "#e9e9e6", "#f0f0ec"

# Each holds as a colour of words on white (4.5 to 1 and more). The first two differ in grey print as well; whatever is
# told by a colour is told by symbol and dash besides.
COLOURS = ("#0b3c6f", "#b85a06", "#2a7a5b", "#7b3f98", "#5c5c5c", "#8a6d00")
SYMBOLS = ("circle", "square-open", "triangle-up", "diamond-open", "x-thin-open", "star-open")
SIGNS = ("\N{BLACK CIRCLE}", "\N{WHITE SQUARE}", "\N{BLACK UP-POINTING TRIANGLE}", "\N{WHITE DIAMOND}",
         "\N{MULTIPLICATION X}", "\N{WHITE STAR}")  # fmt: skip
DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
UNITS = r"%|points?|kgf|kg|N|mm|cm|s|min|ms|Hz|SD|pegs/s|blocks|degrees?|people|weeks?|days?|months?"
_UNBROKEN = tuple(  # a number, its sign and its unit stay on one line, and so do author and year
    re.compile(pattern)
    for pattern in (
        rf"(?<=\d) (?=(?:{UNITS})(?:[\s,.;:)]|$))",
        r"(?<=[=≥>×]) (?=[\d−+])",
        r"(?<=\b[nr]) (?==)",
        r"(?<=[a-zà-ÿ]) (?=(?:19|20)\d\d\b)",
    )
)


def cue(place: int) -> dict[str, str]:
    """Colour, symbol, the symbol as a sign of a text, and dash of the n-th group."""
    return {
        "colour": COLOURS[place % len(COLOURS)],
        "symbol": SYMBOLS[place % len(SYMBOLS)],
        "sign": SIGNS[place % len(SIGNS)],
        "dash": DASHES[place % len(DASHES)],
    }


def arm_cue(names: Names, arm: str) -> dict[str, str]:
    """The cue of an arm: the same in every figure of a study, whoever is drawn in it.

    The first arm of the protocol that is not the reference has the first cue, the reference the second. The same for
    the treatments of a crossover, whose reference is what the reference sequence got first.
    """
    protocol = names.protocol
    reference = [one.id for one in protocol.arms if one.reference]
    planned = [one.id for one in protocol.arms if not one.reference]
    if protocol.periods and arm not in (*planned, *reference):
        given = dict.fromkeys(name for period in protocol.periods for name in period.treatments.values())
        first = protocol.periods[0].treatments
        reference = [first[one] for one in reference if one in first]
        planned = [name for name in given if name not in reference]
    order = [*planned[:1], *reference, *planned[1:]]
    return cue(order.index(arm) if arm in order else 0)


def faint(colour: str, alpha: float) -> str:
    """The colour with transparency."""
    red, green, blue = (int(colour[place : place + 2], 16) for place in (1, 3, 5))
    return f"rgba({red},{green},{blue},{alpha})"


def pale(colour: str, share: float) -> str:
    """The colour mixed with white: a share of 1 is the colour. Opaque, so that crossing lines make no darker spots."""
    parts = (int(colour[place : place + 2], 16) for place in (1, 3, 5))
    return "#" + "".join(f"{round(255 - share * (255 - part)):02x}" for part in parts)


def plain_text(text: str) -> str:
    """User text inside a plotly label, where < and & would be read as markup."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def unbroken(text: str) -> str:
    """The text with no-break spaces between a number and its unit or sign, and between author and year."""
    for pattern in _UNBROKEN:
        text = pattern.sub("\N{NO-BREAK SPACE}", text)
    return text


def signed(value: float) -> str:
    """A number of an axis of change: +2, 0, a true minus."""
    return f"+{short(value)}" if value > 0 else short(value)


def ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Round numbers from low to high, at most `most` of them."""
    span = high - low
    if not span > 0:
        return [low]
    raw = span / max(1, most - 1)
    size = 10.0 ** floor(log10(raw))
    step = next(factor * size for factor in (1, 2, 4, 5, 10) if factor * size >= raw * 0.999)
    decimals = max(0, 2 - floor(log10(step)))
    return [round(place * step, decimals) for place in range(ceil(low / step - 1e-9), floor(high / step + 1e-9) + 1)]


def turned(frame: pd.DataFrame, better: str, columns: tuple[str, str, str] = ("estimate", "conf_low", "conf_high")):
    """An estimate and its interval as an improvement; where lower is better the limits change places."""
    if better != "lower":
        return frame
    middle, low, high = columns
    return frame.assign(**{middle: -frame[middle], low: -frame[high], high: -frame[low]})


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
    finding: str = "",
    caption: str,
    alt: str,
    points: pd.DataFrame,
    keys: Sequence[str] = (),
    unit: str = "",
    height: int = 400,
    notes: Sequence[str] = (),
    right: int = 24,
    above: int = 0,
    edges: Mapping[str, int] | None = None,
    column: Mapping | None = None,
    column_height: int | None = None,
    column_above: int | None = None,
    column_legend: bool | None = None,
) -> go.Figure:
    """Give a figure its look and its description.

    name: file name and name in the record. title: what is shown, in few words and without a number. finding: one
    sentence with numbers. caption: how to read it, with n, interval, method and sources. alt: what a reader who cannot
    see it should know besides the finding; both are cut at 60 words. points: every number drawn, `keys` the columns
    naming a row. height: without the title, px. right: room for labels at the ends of lines, above: room over the
    panels, both in px. edges: margins, of a figure that lays out its own texts (then no axis moves them).
    column...: what is different where the figure has one column of a page (or a phone): changes of the layout, height
    of the panels, room over them, whether there is a legend. Where not given, it is as in the wide figure.
    """
    if _without_bars(figure):
        caption = f"{caption} Without a bar: no interval could be computed."
    title, finding, caption = unbroken(title), unbroken(finding), unbroken(caption)
    words = fit(plain_text(title), WIDTH - 24, TITLE_SIZE)
    lines = words.count("<br>") + 1
    top = title_room(words, TITLE_SIZE) - 6
    over = above + (9 + LEGEND_LINE * _legend_lines(figure) if figure.layout.showlegend else 10)
    whole = height + top
    look: dict = {
        "template": go.layout.Template(),
        "plot_bgcolor": "#ffffff",
        "paper_bgcolor": "#ffffff",
        "font": {"family": FONT, "size": TEXT, "color": INK},
        "title": {
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
        "width": WIDTH,
        "height": whole,
        "margin": {"l": 60, "r": right, "b": 56, **(edges or {}), "t": top + over},
        # Under the title, whatever room labels need at the left of the panels or above them.
        "legend": {
            "orientation": "h",
            "tracegroupgap": 0,
            "xref": "container",
            "x": 0.004,
            "xanchor": "left",
            "yref": "container",
            "y": 1 - top / whole,
            "yanchor": "top",
        },
        "hoverlabel": {"font": {"family": FONT, "size": 12}},
    }
    axis = {"showline": True, "linecolor": GREY, "ticks": "outside", "tickcolor": GREY, "gridcolor": GRID,
            "zeroline": False, "automargin": edges is None, "title": {"font": {"size": TEXT}}}  # fmt: skip
    # The layout is put together as plain data and checked once: each update of a figure costs more than its drawing.
    layout = figure.layout.to_plotly_json()
    shown = {key for key in layout if key.startswith(("xaxis", "yaxis"))} | {"xaxis", "yaxis"}
    layout = merged(layout, look | dict.fromkeys(sorted(shown), axis))
    _keep_together(figure, [layout[key] for key in shown])
    layout["meta"] = {
        "name": name,
        "title": title,
        "finding": finding,
        "caption": f"{finding} {caption}",
        "alt": unbroken(_short(f"{finding} {alt}", ALT_WORDS)),
        "points": plain(points),
        "keys": list(keys),
        "unit": unit,
        "notes": list(notes),
        "column": column_layout(
            layout,
            entries(figure),
            title=plain_text(title),
            height=height - over if column_height is None else column_height,
            above=above if column_above is None else column_above,
            legend=bool(layout.get("showlegend")) if column_legend is None else column_legend,
            changes=column,
        ),
    }
    figure.layout = layout
    return figure


def _short(text: str, most: int) -> str:
    """The first sentences of at most so many words; a single longer sentence is cut."""
    kept = ""
    for sentence in re.split(r"(?<=[.;]) ", text):
        longer = f"{kept} {sentence}".strip()
        if len(longer.split()) > most:
            break
        kept = longer
    return kept or " ".join(text.split()[: most - 1]) + " \N{HORIZONTAL ELLIPSIS}"


def _without_bars(figure: go.Figure) -> bool:
    """Take away ends of intervals that could not be computed, and say whether there are any."""
    found = False
    for trace in figure.data:
        for bar in filter(None, (getattr(trace, side, None) for side in ("error_x", "error_y"))):
            for side in ("array", "arrayminus"):
                ends = None if bar[side] is None else np.asarray(bar[side], dtype=float)
                if ends is not None and not np.isfinite(ends).all():
                    bar[side] = [end if np.isfinite(end) else None for end in ends.tolist()]
                    found = True
    return found


def _keep_together(figure: go.Figure, axes: Sequence[dict]) -> None:
    """No-break spaces in the names of traces and the titles of axes."""
    for trace in figure.data:
        if trace.name:
            trace.name = unbroken(trace.name)
    for axis in axes:
        if axis["title"].get("text"):
            axis["title"]["text"] = unbroken(axis["title"]["text"])


def _legend_lines(figure: go.Figure) -> int:
    """Lines of the legend: entries stand in columns of the widest where they do not fit on one line."""
    widths = [round(44 + text_width(name, TEXT)) for name in entries(figure)]
    labels = [str(text) for text in figure.layout.yaxis.ticktext or ()]
    room = round(WIDTH - 84 - max((text_width(label, TEXT) for label in labels), default=0))
    if not widths or sum(widths) <= room:
        return 1
    return ceil(len(widths) / max(1, room // max(widths)))
