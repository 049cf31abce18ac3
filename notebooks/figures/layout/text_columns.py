"""Texts in columns beside a panel of marks, as a table with a picture in it: once for each width of the figure.

Rows are numbered from 0 downwards, and a row of text stands at the height of its marks because both share the y axis.
"""

from dataclasses import dataclass, field

from notebooks.figures.layout.letter_widths import text_width
from notebooks.figures.one_column import SMALL
from notebooks.figures.style import GREY, INK, ZERO, unbroken


@dataclass
class TextColumns:
    """Annotations and shapes of one width.

    width: of the figure, px. size: of its type, px. panel: left and right end of the panel of marks, px. rows: number
    of rows, some of which may be half rows or headings. row: height of a row, px. foot, head: room below and above
    the rows, px.
    """

    width: int
    size: int
    panel: tuple[float, float]
    rows: float
    row: float
    head: int = 40
    foot: int = 34
    annotations: list[dict] = field(default_factory=list)
    shapes: list[dict] = field(default_factory=list)

    @property
    def height(self) -> int:
        """Of the panel with its axis, without the room over it, px."""
        return round(self.rows * self.row) + self.foot

    def write(
        self,
        x: float,
        row: float,
        text: str,
        *,
        anchor: str = "left",
        colour: str = INK,
        bold: bool = False,
        smaller: int = 0,
        lift: float = 0,
    ) -> None:
        """A text whose end, middle or start is x px from the left, at a row; lift: px upwards."""
        if not text:
            return
        words = unbroken(text)
        self.annotations.append(
            {
                "x": x / self.width,
                "xref": "paper",
                "xanchor": anchor,
                "align": anchor,
                "y": row,
                "yref": "y",
                "yanchor": "middle",
                "yshift": lift,
                "text": f"<b>{words}</b>" if bold else words,
                "showarrow": False,
                "font": {"size": self.size - smaller, "color": colour},
            }
        )

    def text_room(self, text: str) -> float:
        """Width of a text in bold, px."""
        return text_width(text, self.size, bold=True)

    def over(self, x: float, text: str, **look) -> None:
        """A heading of a column, over the first row."""
        self.write(x, -0.5, text, lift=look.pop("lift", 12), **look)

    def line(self, row: float, start: float = 0, end: float | None = None, colour: str = INK, width: float = 1) -> None:
        """A rule from side to side at the lower edge of a row."""
        ends = {"x0": start / self.width, "x1": (self.width if end is None else end) / self.width}
        self.shapes.append(
            {"type": "line", "xref": "paper", "yref": "y", "y0": row, "y1": row, "layer": "below"}
            | ends
            | {"line": {"color": colour, "width": width}}
        )

    def upright(self, x: float, start: float, end: float, colour: str = ZERO, width: float = 1, dash="solid") -> None:
        """A line in the panel at a value, from row to row."""
        self.shapes.append(
            {"type": "line", "xref": "x", "yref": "y", "x0": x, "x1": x, "y0": start, "y1": end, "layer": "below"}
            | {"line": {"color": colour, "width": width, "dash": dash}}
        )

    def band(self, low: float, high: float, start: float, end: float, colour: str) -> None:
        """A filled band in the panel between two values, from row to row."""
        self.shapes.append(
            {"type": "rect", "xref": "x", "yref": "y", "x0": low, "x1": high, "y0": start, "y1": end, "layer": "below"}
            | {"fillcolor": colour, "line": {"width": 0}}
        )

    def favours(self, zero: float, low: float, high: float, left: str, right: str, row: float) -> None:
        """Words and arrows on both sides of zero: whom the values there speak for. low, high: ends of the axis."""
        across = self.panel[1] - self.panel[0]
        at = self.panel[0] + (zero - low) / (high - low) * across
        for text, side, end in ((left, -1, self.panel[0]), (right, 1, self.panel[1])):
            start = at + side * 8
            anchor = "left" if side > 0 else "right"
            self.write(start, row, text, anchor=anchor, colour=GREY, smaller=min(1, self.size - SMALL), lift=6)
            self.annotations[-1]["yanchor"] = "bottom"
            self.annotations.append(
                {"x": end / self.width, "y": row, "ax": start - end, "ay": 0, "xref": "paper", "yref": "y",
                 "showarrow": True, "arrowhead": 2, "arrowsize": 0.9, "arrowwidth": 1, "arrowcolor": GREY, "text": ""}
            )  # fmt: skip

    def axes(self, low: float, high: float) -> dict:
        """Changes of the layout that give the panel its place."""
        ends = [self.panel[0] / self.width, self.panel[1] / self.width]
        return {
            "xaxis": {"domain": ends, "range": [low, high]},
            "yaxis": {"range": [self.rows - 0.5, -0.5], "visible": False},
            "annotations": self.annotations,
            "shapes": self.shapes,
            "margin": {"l": 0, "r": 0, "b": self.foot},
        }


def fill_of(symbol: str) -> str:
    """The symbol filled with white, so that no line runs through an open mark."""
    return symbol.removesuffix("-open")


def marker(mark: dict[str, str], size: float) -> dict:
    """A marker of an arm whose open symbols are filled with white."""
    opened = mark["symbol"].endswith("-open")
    return {
        "symbol": fill_of(mark["symbol"]),
        "size": size,
        "color": "#ffffff" if opened else mark["colour"],
        "line": {"color": mark["colour"], "width": 1.8 if opened else 0},
    }
