"""The same figure for one column of a journal page (89 mm) and for a phone: another layout of the same data."""

from collections.abc import Mapping, Sequence

import plotly.graph_objects as go

from notebooks.figures.layout.letter_widths import fit

COLUMN = 336  # px at 96 per inch = 89 mm
FONT_SIZE, TITLE_SIZE, SMALL = 10, 11, 9  # px: 7.5, 8.25 and 6.75 points in print
ENTRY = 19  # px of a line in a legend
# Of an axis whose panel is left out in one column: its marks lie far outside and are not drawn.
LEFT_OUT = {"domain": [0.0, 0.001], "range": [1e9, 1e9 + 1], "visible": False}


def wrap(text: str, width: int = 88) -> str:
    """Break a text at its spaces into lines of at most `width` characters; a line break counts as a space.

    No-break spaces hold: a number stays with its unit.
    """
    lines, line = [], ""
    for word in text.replace("<br>", " ").split(" "):
        if line and len(line) + len(word) + 1 > width:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}".strip(" ")
    return "<br>".join([*lines, line])


def merged(layout: Mapping, changes: Mapping) -> dict:
    """A layout with changes: mappings are merged key by key, everything else is replaced."""
    out = dict(layout)
    for key, value in changes.items():
        both = isinstance(value, Mapping) and isinstance(out.get(key), Mapping)
        out[key] = merged(out[key], value) if both else value
    return out


def in_column(layout: Mapping) -> dict:
    """The layout of a figure for one column: its own, with the changes it carries."""
    return merged(layout, (layout.get("meta") or {}).get("column", {}))


def exported(layout: Mapping) -> dict:
    """The layout without its title and the room of it, and without the description: journals set both themselves."""
    title = layout.get("title") or {}
    room = title_room(str(title.get("text", "")), (title.get("font") or {}).get("size", 14)) - 6 if title else 0
    margin, height = layout.get("margin", {}), layout.get("height", 420) - room
    legend = {**layout.get("legend", {}), "y": 1 - 4 / height}
    kept = {key: value for key, value in layout.items() if key not in {"title", "meta"}}
    return (
        kept
        | {"height": height, "margin": {**margin, "t": margin.get("t", 80) - room}}
        | ({"legend": legend} if layout.get("showlegend") else {})
    )


def untitled(layout: Mapping) -> dict:
    """The same for a page, which sets the title as text of its own and gives the figure its width."""
    kept = {key: value for key, value in exported(layout).items() if key != "width"}
    return kept | {"autosize": True}


def title_room(words: str, size: int) -> int:
    """Height of a title, px."""
    return round(size * 0.9 + size * 1.37 * (words.count("<br>") + 1))


def entries(figure: go.Figure) -> list[str]:
    """Names in the legend, where the figure shows one."""
    return [trace.name for trace in figure.data if trace.name and trace.showlegend is not False]


def column_layout(
    wide: Mapping, listing: Sequence[str], *, title: str, height: int, above: int, legend: bool, changes: Mapping | None
) -> dict:
    """What differs from the wide layout.

    listing: the entries of the legend. height: of the panels with their axes. changes: what this figure needs.
    """
    words = fit(title, COLUMN - 20, TITLE_SIZE)
    lines = words.count("<br>") + 1
    top = title_room(words, TITLE_SIZE)
    listed = ENTRY * len(listing) + 4 if legend else 0
    whole = top + listed + above + height
    layout: dict = {
        "width": COLUMN,
        "height": whole,
        "showlegend": legend,
        "font": {"size": FONT_SIZE},
        "title": {"text": words, "font": {"size": TITLE_SIZE}, "pad": {"t": 8 + 7 * (lines - 1)}},
        "margin": {"l": 40, "r": 10, "t": top + listed + above, "b": 36},
        # Each entry as wide as the panel, so one to a line (an upright legend would take room beside the panel).
        "legend": {"y": 1 - top / whole, "font": {"size": FONT_SIZE}, "entrywidth": 1, "entrywidthmode": "fraction"},
        "annotations": [_smaller(annotation) for annotation in wide.get("annotations", [])],
    }
    layout = merged(layout, changes or {})
    left = _left({**(wide.get("yaxis") or {}), **layout.get("yaxis", {})})
    for key, axis in wide.items():
        if key.startswith(("xaxis", "yaxis")):
            layout[key] = merged(_axis(axis, COLUMN - 20 - left if key[0] == "x" else height - 50), layout.get(key, {}))
    return layout


def _left(axis: Mapping) -> float:
    """Room at the left of the panel, by the longest label of its ticks."""
    lines = [line for text in axis.get("ticktext") or () for line in str(text).split("<br>")]
    return max(46.0, 5.0 * max((len(line) for line in lines), default=0))


def _smaller(annotation: Mapping) -> dict:
    size = min((annotation.get("font") or {}).get("size", FONT_SIZE), FONT_SIZE)
    return merged(annotation, {"font": {"size": size}})


def _axis(axis: Mapping, length: float) -> dict:
    """Smaller ticks, and a title broken into lines of the axis's own length (px)."""
    text = (axis.get("title") or {}).get("text")
    changes: dict = {"tickfont": {"size": SMALL}}
    return changes | ({"title": {"text": fit(text, length, FONT_SIZE), "font": {"size": FONT_SIZE}}} if text else {})


def labels_or_none(labels: Sequence, most: int) -> dict:
    """Tick labels are left out where more than `most` would run into each other."""
    return {"showticklabels": len(labels) <= most}
