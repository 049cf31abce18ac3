"""Flow of participants in the stages of the CONSORT extension for pilots, from assessment to analysis."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.layout.letter_widths import fit
from notebooks.figures.one_column import COLUMN, SMALL
from notebooks.figures.style import GREY, INK, WIDTH, arm_cue, finish, plain_text, unbroken
from notebooks.show.names import Names
from outcomes import columns as c

Reasons = Mapping[str, int]  # reason ("" where none is given) -> people


@dataclass(frozen=True)
class ArmFlow:
    """One arm. began: people with a training log, None where that is not kept. seen: visit -> people, in order.
    withdrew: reasons, each person once. missed: reasons for no visit at the visit the study speaks of, of people who
    had not withdrawn. elsewhere: visit -> reasons for other missed visits. analysed: what of the analysis -> people;
    not_counted: why people are not in the count against the threshold.
    """

    arm: str
    allocated: int
    seen: Mapping[str, int]
    withdrew: Reasons
    missed: Reasons
    elsewhere: Mapping[str, Reasons]
    analysed: Mapping[str, int]
    not_counted: Reasons = field(default_factory=dict)
    began: int | None = None


@dataclass(frozen=True)
class Flow:
    """Everyone. assessed, excluded: None where the study does not state them. visit: the one the study speaks of."""

    arms: tuple[ArmFlow, ...]
    visit: str
    outcome: str
    assessed: int | None = None
    excluded: Reasons | None = None
    randomised: bool = False

    @property
    def enrolled(self) -> int:
        return sum(one.allocated for one in self.arms)


def flow_figure(flow: Flow, names: Names) -> go.Figure:
    """Boxes from assessment to analysis, one column per arm; losses stand on the arrows where they happened."""
    wide, narrow = _Sheet(WIDTH, 11, 15), _Sheet(COLUMN, SMALL, 12.5)
    for sheet in (wide, narrow):
        _draw(flow, names, sheet)
    figure = go.Figure()
    figure.update_layout(showlegend=False, **wide.layout())
    visit = names.visit(flow.visit)
    seen = sum(one.seen.get(flow.visit, 0) for one in flow.arms)
    lost = sum(sum(one.withdrew.values()) for one in flow.arms)
    others = "; ".join(
        f"{names.arm(one.arm) + ', ' if len(flow.arms) > 1 else ''}{names.visit(at)}: {_listed(reasons)}"
        for one in flow.arms
        for at, reasons in one.elsewhere.items()
    )
    dashed = flow.assessed is None or flow.excluded is None
    split = f" ({' and '.join(str(one.allocated) for one in flow.arms)})" if len(flow.arms) > 1 else ""
    return finish(
        figure,
        name="participant_flow",
        title="Flow of participants",
        finding=f"{flow.enrolled} enrolled{split}; {seen} of {flow.enrolled} seen at {visit}; {lost} withdrew.",
        caption="Seen: the visits sheet says so, or a score was taken. Each withdrawal stands once, where it was first "
        "noted." + (f" Other missed visits: {others}." if others else "")
        + (" Dashed boxes: not stated in the study's files; the authors write the numbers in." if dashed else ""),
        alt="Flow diagram in four stages, one column per arm.",
        points=_points(flow),
        keys=[c.ARM, "stage", c.VISIT],
        unit="people",
        height=wide.height + 14,
        edges={"l": 0, "r": 0, "b": 4},
        column=narrow.layout() | {"margin": {"l": 0, "r": 0, "b": 4}},
        column_height=narrow.height + 4,
    )  # fmt: skip


def _points(flow: Flow) -> pd.DataFrame:
    rows = [("", "assessed", "", flow.assessed), ("", "enrolled", "", flow.enrolled)]
    rows += [("", f"excluded: {reason}", "", count) for reason, count in (flow.excluded or {}).items()]
    for one in flow.arms:
        rows.append((one.arm, "allocated", "", one.allocated))
        if one.began is not None:
            rows.append((one.arm, "with a training log", "", one.began))
        rows.append((one.arm, "withdrew", "", sum(one.withdrew.values())))
        rows += [(one.arm, "seen", visit, count) for visit, count in one.seen.items()]
        rows.append((one.arm, "missed", flow.visit, sum(one.missed.values())))
        rows += [(one.arm, "missed", visit, sum(reasons.values())) for visit, reasons in one.elsewhere.items()]
        rows += [(one.arm, what, flow.visit, count) for what, count in one.analysed.items()]
        rows += [(one.arm, f"not counted: {why}", flow.visit, count) for why, count in one.not_counted.items()]
    frame = pd.DataFrame(rows, columns=[c.ARM, "stage", c.VISIT, "count"])
    return frame.assign(count=frame["count"].astype("Int64").astype(object))


def _listed(reasons: Reasons) -> str:
    """ "2 (moved away 1, no reason given 1)", or the number alone where nobody is missing."""
    total = sum(reasons.values())
    if not total:
        return "0"
    told = [f"{why or 'no reason given'}" + (f" {count}" if len(reasons) > 1 else "") for why, count in reasons.items()]
    return f"{total} ({', '.join(told)})"


class _Sheet:
    """Boxes, arrows and words of one width, in px from the upper left corner."""

    def __init__(self, width: int, size: int, line: float):
        self.width, self.size, self.line = width, size, line
        self.narrow = width == COLUMN
        self.shapes: list[dict] = []
        self.words: list[dict] = []
        self.height = 0

    def write(self, x: float, y: float, text: str, colour: str = INK) -> None:
        look = {"showarrow": False, "xanchor": "left", "yanchor": "top", "align": "left", "xref": "x", "yref": "y"}
        self.words.append(
            look | {"x": x, "y": -y, "text": unbroken(text), "font": {"size": self.size, "color": colour}}
        )

    def lines(self, texts: Sequence[str], room: float) -> list[str]:
        """Texts broken to the room of a box; the first is its heading."""
        made: list[str] = []
        for place, text in enumerate(texts):
            parts = fit(plain_text(text), room, self.size, bold=not place).split("<br>")
            made += [f"<b>{part}</b>" for part in parts] if place == 0 else parts
        return made

    def tall(self, lines: Sequence[str]) -> float:
        """Height of a box with these lines."""
        return self.line * len(lines) + 9

    def box(self, x0: float, x1: float, y: float, lines: Sequence[str], tall: float, colour: str, dashed=False) -> None:
        edge = {"color": GREY if dashed else colour, "width": 1.2, "dash": "dash" if dashed else "solid"}
        ends = {"x0": x0, "x1": x1, "y0": -y, "y1": -(y + tall), "xref": "x", "yref": "y"}
        self.shapes.append({"type": "rect", "fillcolor": "#ffffff", "line": edge} | ends)
        self.write(x0 + 5, y + 3, "<br>".join(lines))

    def arrow(self, x0: float, y0: float, x1: float, y1: float, head: bool = True) -> None:
        if head:
            self.words.append(
                {"x": x1, "y": -y1, "ax": x0, "ay": -y0, "xref": "x", "yref": "y", "axref": "x", "ayref": "y",
                 "showarrow": True, "arrowhead": 2, "arrowsize": 0.9, "arrowwidth": 1.1, "arrowcolor": GREY, "text": ""}
            )  # fmt: skip
            return
        ends = {"x0": x0, "x1": x1, "y0": -y0, "y1": -y1, "xref": "x", "yref": "y"}
        self.shapes.append({"type": "line", "line": {"color": GREY, "width": 1.1}} | ends)

    def layout(self) -> dict:
        """What the figure draws: one unit of its axes is a pixel."""
        return {
            "xaxis": {"range": [0, self.width], "visible": False, "domain": [0, 1]},
            "yaxis": {"range": [-self.height, 0], "visible": False, "domain": [0, 1]},
            "annotations": self.words,
            "shapes": self.shapes,
        }


def _draw(flow: Flow, names: Names, sheet: _Sheet) -> None:
    left = 4.0 if sheet.narrow else 94.0
    y = _enrolment(flow, sheet, left)
    each = (sheet.width - left - 4) / len(flow.arms)
    columns = [(left + place * each, left + (place + 1) * each - 12) for place in range(len(flow.arms))]
    stem = [x0 + 12 if sheet.narrow else (x0 + x1) / 2 for x0, x1 in columns]
    middle = _middle(sheet, left)
    if len(flow.arms) > 1:
        sheet.arrow(middle, y, middle, y + 10, head=False)
        sheet.arrow(min(*stem, middle), y + 10, max(*stem, middle), y + 10, head=False)
        y += 10
    for x in stem:
        sheet.arrow(x if len(flow.arms) > 1 else stem[0], y, x, y + 16)
    y += 16
    stages = [("Allocation", _allocation), ("Follow-up", _follow_up), ("Analysis", _analysis)]
    losses = [None, lambda one: [f"Withdrew: {_listed(one.withdrew)}"],
              lambda one: [f"Missed {names.visit(flow.visit)}: {_listed(one.missed)}"]]  # fmt: skip
    for (stage, told), on_arrow in zip(stages, losses, strict=True):
        if on_arrow is not None:
            y = _arrows(flow, sheet, columns, stem, y, on_arrow)
        boxes = [
            sheet.lines(told(one, flow, names), x1 - x0 - 10) for one, (x0, x1) in zip(flow.arms, columns, strict=True)
        ]
        tall = max(sheet.tall(lines) for lines in boxes)
        if not sheet.narrow:
            sheet.write(2, y + 3, f"<b>{stage}</b>", GREY)
        for one, lines, (x0, x1) in zip(flow.arms, boxes, columns, strict=True):
            sheet.box(x0, x1, y, lines, tall, arm_cue(names, one.arm)["colour"])
        y += tall
    sheet.height = round(y + 3)


def _middle(sheet: _Sheet, left: float) -> float:
    return 60.0 if sheet.narrow else (left + sheet.width - 16) / 2


def _enrolment(flow: Flow, sheet: _Sheet, left: float) -> float:
    """The boxes before the arms; returns the lower end of the last."""
    middle, half = _middle(sheet, left), 118.0
    x0, x1 = (4.0, 200.0) if sheet.narrow else (middle - half, middle + half)
    assessed = (
        [f"Assessed for eligibility: {flow.assessed}"]
        if flow.assessed is not None
        else ["Assessed for eligibility", "number to be written in"]
    )
    lines = sheet.lines(assessed, x1 - x0 - 10)
    tall = sheet.tall(lines)
    if not sheet.narrow:
        sheet.write(2, 4, "<b>Enrolment</b>", GREY)
    sheet.box(x0, x1, 1, lines, tall, INK, dashed=flow.assessed is None)
    y = 1 + tall
    if flow.excluded is None:
        excluded = ["Excluded", "numbers and reasons to be written in"]
    else:
        excluded = [f"Excluded: {sum(flow.excluded.values())}", *(f"{why}: {n}" for why, n in flow.excluded.items())]
        gone = flow.assessed - sum(flow.excluded.values()) - flow.enrolled if flow.assessed is not None else 0
        excluded += [f"not accounted for: {gone}"] if gone > 0 else []
    out0, out1 = (middle + 26, sheet.width - 4) if sheet.narrow else (middle + half * 0.72, sheet.width - 16)
    lines = sheet.lines(excluded, out1 - out0 - 10)
    gap = sheet.tall(lines) + 14
    sheet.arrow(middle, y, middle, y + gap)
    sheet.arrow(middle, y + gap / 2, out0, y + gap / 2)
    sheet.box(out0, out1, y + 7, lines, gap - 14, INK, dashed=flow.excluded is None)
    y += gap
    word = "Randomised" if flow.randomised else "Enrolled and allocated" if len(flow.arms) > 1 else "Enrolled"
    lines = sheet.lines([f"{word}: {flow.enrolled}"], x1 - x0 - 10)
    sheet.box(x0, x1, y, lines, sheet.tall(lines), INK)
    return y + sheet.tall(lines)


def _arrows(flow: Flow, sheet: _Sheet, columns, stem, y: float, told) -> float:
    """Arrows down, with who was lost beside them; returns their lower end."""
    texts = []
    for one, x, (_, x1) in zip(flow.arms, stem, columns, strict=True):
        room = x1 - x - 10 + (0 if sheet.narrow else 8)
        texts.append("<br>".join(fit(plain_text(text), room, sheet.size) for text in told(one)))
    gap = max(text.count("<br>") + 1 for text in texts) * sheet.line + 14
    for x, text in zip(stem, texts, strict=True):
        sheet.arrow(x, y, x, y + gap)
        sheet.write(x + 8, y + 5, text)
    return y + gap


def _allocation(one: ArmFlow, flow: Flow, names: Names) -> list[str]:
    began = [f"with a training log: {one.began}"] if one.began is not None else []
    label = names.arm(one.arm) if one.arm else "All participants"
    return [f"{label}: {one.allocated}", *began]


def _follow_up(one: ArmFlow, flow: Flow, names: Names) -> list[str]:
    return ["Seen", *(f"{names.visit(visit)}: {count} of {one.allocated}" for visit, count in one.seen.items())]


def _analysis(one: ArmFlow, flow: Flow, names: Names) -> list[str]:
    lines = [f"{what}: {count} of {one.allocated}" for what, count in one.analysed.items()]
    if one.not_counted:
        lines.append("not counted: " + ", ".join(f"{count} {why}" for why, count in one.not_counted.items()))
    return lines or ["Not analysed yet"]
