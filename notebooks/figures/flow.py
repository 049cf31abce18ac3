"""Flow of participants through the visits."""

from dataclasses import dataclass, field

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.style import GREY, INK, cue, finish, plain_text, wrap
from notebooks.show.names import Names
from outcomes import columns as c

BOX = 0.8  # share of a row's height that its box fills
POINTS = [c.ARM, c.VISIT, "enrolled", "attended", "missed", "withdrawn", "unknown", "reasons"]


@dataclass
class _Drawing:
    """Boxes, arrows and words of one diagram. `width` is that of the figure in characters of its small print."""

    arms: int
    width: int
    aside: bool  # whether the reasons stand beside the boxes (else inside, where the figure is narrow)
    shapes: list[dict] = field(default_factory=list)
    words: list[dict] = field(default_factory=list)

    @property
    def size(self) -> int:
        return 12 if self.aside else 9

    @property
    def fill(self) -> float:
        """Share of a column of the diagram that its boxes take."""
        return 0.54 if self.aside else 0.96

    def box(self, arm: int, row: int, lines: list[str], colour: str) -> None:
        left, step = arm / self.arms, 1 / self.arms
        ends = {"x0": left + step * 0.01, "x1": left + step * (0.01 + self.fill)}
        place = {"y0": -row - BOX / 2, "y1": -row + BOX / 2, "type": "rect", "fillcolor": "#ffffff"}
        self.shapes.append(ends | place | {"line": {"color": colour, "width": 1.5}})
        middle = left + step * (0.01 + self.fill / 2)
        self._write(middle, -row, "<br>".join(lines), self.size, "center")
        if row:
            self.words.append(
                {"x": middle, "y": -row + BOX / 2, "ax": middle, "ay": -(row - 1) - BOX / 2, "xref": "x", "yref": "y",
                 "axref": "x", "ayref": "y", "showarrow": True, "arrowhead": 2, "arrowsize": 1, "arrowwidth": 1.2,
                 "arrowcolor": GREY, "text": ""}
            )  # fmt: skip

    def reasons(self, arm: int, row: int, text: str) -> None:
        room = round(self.width / self.arms * 0.4)
        self._write((arm + 0.58) / self.arms, -row, wrap(text, max(14, room)), 10, "left")

    def _write(self, x: float, y: float, text: str, size: int, anchor: str) -> None:
        look = {"showarrow": False, "xanchor": anchor, "align": anchor, "font": {"size": size, "color": INK}}
        self.words.append({"x": x, "y": y, "xref": "x", "yref": "y", "text": text} | look)

    def fits(self) -> int:
        """Characters of a line inside a box."""
        return round(self.width / self.arms * self.fill * 10 / self.size * (0.85 if self.aside else 0.95))


def flow_figure(flow: pd.DataFrame, names: Names) -> go.Figure:
    """Boxes from enrolment down the visits, one column per arm; who was not there stands beside the boxes.

    flow: frame of `cohort.flow`: arm, visit, enrolled, attended, missed, withdrawn, unknown, reasons.
    """
    arms, visits = names.arms(flow[c.ARM]), names.visits(flow[c.VISIT])
    wide, narrow = _Drawing(len(arms), 115, aside=True), _Drawing(len(arms), 60, aside=False)
    tallest = max(_draw(flow, arms, visits, names, drawing) for drawing in (wide, narrow))
    figure = go.Figure()
    figure.update_layout(shapes=wide.shapes, annotations=wide.words, showlegend=False)
    figure.update_xaxes(range=[0, 1])
    figure.update_yaxes(range=[-len(visits) - 0.5, 0.5])
    last = flow[flow[c.VISIT] == visits[-1]]
    there = int(last["attended"].sum())
    title = f"{there} of {int(last['enrolled'].sum())} enrolled participants attended {names.visit(visits[-1])}"
    edges = {"l": 12, "r": 12, "b": 12}
    finished = finish(
        figure,
        name="participant_flow",
        title=title,
        caption=f"n = {int(last['enrolled'].sum())} enrolled. Attended: the visits sheet says so, or a score was "
        "taken. At each visit: who was not there and why. People approached and screened are not in a study folder.",
        alt=f"Flow diagram, one column per arm. {title}.",
        points=flow[POINTS],
        keys=[c.ARM, c.VISIT],
        height=62 * (len(visits) + 1) + 30,
        column={"shapes": narrow.shapes, "annotations": narrow.words, "margin": {"l": 4, "r": 4, "b": 6}},
        column_height=(16 + 14 * tallest) * (len(visits) + 1),
    )
    finished.update_xaxes(visible=False)
    finished.update_yaxes(visible=False)
    finished.update_layout(margin=edges)
    return finished


def _draw(flow: pd.DataFrame, arms: list[str], visits: list[str], names: Names, drawing: _Drawing) -> int:
    """Draw every box; returns the lines of the fullest one."""
    fullest = 0
    for place, arm in enumerate(arms):
        own, colour = flow[flow[c.ARM] == arm].set_index(c.VISIT), cue(place)["colour"]
        enrolled = int(own["enrolled"].iloc[0])
        heading = [f"<b>{line}</b>" for line in _lines(names.arm(arm), drawing)]
        drawing.box(place, 0, [*heading, f"enrolled {enrolled}"], colour)
        for row, visit in enumerate(visits, 1):
            now = own.loc[visit]
            lines = [*_lines(names.visit(visit), drawing), f"attended {now['attended']} of {enrolled}"]
            reasons = str(now["reasons"])
            if reasons and drawing.aside:
                drawing.reasons(place, row, plain_text(reasons))
            elif reasons:
                lines += _lines(reasons, drawing)
            drawing.box(place, row, lines, colour)
            fullest = max(fullest, len(lines))
    return fullest


def _lines(text: str, drawing: _Drawing) -> list[str]:
    return wrap(plain_text(text), drawing.fits()).split("<br>")
