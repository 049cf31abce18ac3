"""The difference between arms over the visits: when there is one, and how sure it is."""

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.layout.letter_widths import fit, text_width
from notebooks.figures.layout.time_axis import TimeAxis
from notebooks.figures.one_column import COLUMN, SMALL
from notebooks.figures.style import (
    GREY,
    INK,
    TEXT,
    WIDTH,
    ZERO,
    arm_cue,
    finish,
    plain_text,
    signed,
    spread,
    ticks,
    turned,
    unbroken,
)
from notebooks.figures.trajectories import LINE, Course
from notebooks.show.authors import author_year
from notebooks.show.names import Names
from notebooks.show.numbers import number, short
from outcomes import columns as c

POINTS = [c.ARM, "reference", c.VISIT, c.DAY, "estimate", "conf_low", "conf_high", "n"]
MOST = 3  # thresholds drawn
ENDS = {WIDTH: (118.0, WIDTH - 130.0), COLUMN: (80.0, COLUMN - 70.0)}  # of the panel, px
TALL = {WIDTH: 200, COLUMN: 165}


def differences_over_visits(course: Course, thresholds: pd.DataFrame, outcome: str, names: Names) -> go.Figure | None:
    """One line of differences per comparison with intervals; thresholds of the protocol as thin lines.

    course: see `trajectories.Course`; None where it holds no differences. thresholds: value, quantity, source, unit.
    """
    if course.differences is None or course.differences.empty:
        return None
    rows = turned(course.differences, course.better).sort_values(c.DAY)
    rows = rows.assign(**{name: rows[name].astype(str) for name in (c.ARM, "reference", c.VISIT)})
    unit, reference = str(rows["unit"].iloc[0]), rows["reference"].iloc[0]
    time = TimeAxis(names, [*course.people[c.VISIT].astype(str).unique()], course.visit)
    arms = names.arms(rows[c.ARM])
    counts = course.people.groupby([course.people[c.ARM].astype(str), course.people[c.VISIT].astype(str)]).size()
    rows["n"] = [int(counts.get((arm, visit), 0) + counts.get((reference, visit), 0))
                 for arm, visit in zip(rows[c.ARM], rows[c.VISIT], strict=True)]  # fmt: skip
    figure = go.Figure()
    for place, arm in enumerate(arms):
        own = rows[rows[c.ARM] == arm]
        mark = {"colour": INK, "symbol": "diamond", "dash": "solid"} if len(arms) == 1 else arm_cue(names, arm)
        moved = own[c.DAY] + (place - (len(arms) - 1) / 2) * time.span * 0.012
        main = own[c.VISIT] == course.visit
        figure.add_scatter(
            x=moved, y=own["estimate"], mode="lines+markers", showlegend=False, name=plain_text(names.arm(arm)),
            meta="difference", line={"color": mark["colour"], "width": 1.2, "dash": mark["dash"]},
            marker={"symbol": mark["symbol"].removesuffix("-open"), "size": [11 if one else 8 for one in main],
                    "opacity": 1, "color": [mark["colour"] if one else "#ffffff" for one in main],
                    "line": {"color": mark["colour"], "width": 1.5}},
            error_y={"type": "data", "symmetric": False, "array": own["conf_high"] - own["estimate"],
                     "arrayminus": own["estimate"] - own["conf_low"], "color": mark["colour"], "thickness": 1.6,
                     "width": 0},
            hovertemplate="%{y:.2f}, day %{x:.0f}<extra></extra>",
        )  # fmt: skip
    drawn = important(thresholds)
    look = _Look(rows, arms, reference, drawn, time, counts, names, unit)
    figure.update_layout(showlegend=False, **look.layout(WIDTH))
    at = rows[rows[c.VISIT] == course.visit]
    digits = names.decimals(outcome)
    told = "; ".join(
        (f"{names.arm(row[c.ARM])} " if len(arms) > 1 else "")
        + f"{number(row['estimate'], digits)} {unit} ({number(row['conf_low'], digits)} to "
        f"{number(row['conf_high'], digits)})"
        for row in at.to_dict("records")
    )
    level = f"{names.protocol.level:.0%}".replace("%", " %")
    lines = "; ".join(f"{short(row['value'])} {unit} ({row['quantity']}, {author_year(row['source'])})"
                      for row in drawn.to_dict("records"))  # fmt: skip
    against = names.arm(reference)
    first = " minus ".join([names.arm(arms[0]), against]) if len(arms) == 1 else f"each arm minus {against}"
    return finish(
        figure,
        name=f"differences/{outcome}",
        title="Difference between arms over the visits",
        finding=f"{names.outcome(outcome)}, difference in the change to {names.visit(course.visit)}: {told}.",
        caption=f"{first}, mixed model with {level} intervals, {course.people[c.PARTICIPANT].nunique()} participants "
        "in it; positive is better. Filled: the visit the study speaks of. n: people with a score the model uses. "
        + (f"Thin lines: {lines}; sizes of change of one person, drawn for scale. " if lines else "")
        + "Visits share the same people; no correction for looking at several.",
        alt=f"Differences with intervals at {rows[c.VISIT].nunique()} visits.",
        points=rows[POINTS],
        keys=[c.ARM, c.VISIT],
        unit=unit,
        height=TALL[WIDTH] + 30 + look.foot(WIDTH),
        above=12,
        edges={"l": 0, "r": 0, "b": look.foot(WIDTH)},
        column=look.layout(COLUMN) | {"margin": {"l": 0, "r": 0, "b": look.foot(COLUMN)}},
        column_height=TALL[COLUMN] + look.foot(COLUMN),
        column_above=14,
        column_legend=False,
    )


def important(thresholds: pd.DataFrame) -> pd.DataFrame:
    """The important changes among thresholds: one number in the unit of the outcome each, the smallest first."""
    chosen = thresholds["quantity"].astype(str).str.startswith("MCID")
    absolute = ~thresholds["unit"].astype(str).str.startswith("%")
    return thresholds[chosen & absolute].drop_duplicates("value").sort_values("value").head(MOST)


class _Look:
    """Axes, words and shapes of one figure, for each width."""

    def __init__(self, rows, arms, reference, drawn, time, counts, names, unit):
        self.rows, self.arms, self.reference, self.drawn = rows, arms, reference, drawn
        self.time, self.counts, self.names, self.unit = time, counts, names, unit

    def foot(self, width: int) -> int:
        return 26 + LINE[width] * (len(self.arms) + 2)

    def layout(self, width: int) -> dict:
        """What one width draws."""
        small, size = (SMALL, 10) if width == COLUMN else (11, TEXT)
        ends = ENDS[width]
        values = [0.0, *self.rows["conf_low"], *self.rows["conf_high"], *self.drawn["value"]]
        room = 0.07 * (max(values) - min(values))
        low, high = min(values) - room, max(values) + room
        at = ticks(low, high, 6)
        axes = {
            "xaxis": self.time.axis(ends, width, small),
            "yaxis": {"range": [low, high], "tickvals": at, "ticktext": [signed(value) for value in at],
                      "tickfont": {"size": small}, "domain": [0, 1]},
        }  # fmt: skip
        line = {"type": "line", "xref": "x domain", "yref": "y", "x0": 0, "x1": 1, "layer": "below"}
        shapes = [*self.time.band(), line | {"y0": 0, "y1": 0, "line": {"color": ZERO, "width": 1.2}}]
        for place, value in enumerate(self.drawn["value"]):
            dash = {"color": GREY, "width": 0.9, "dash": "dash" if place else "solid"}
            shapes.append(line | {"y0": value, "y1": value, "line": dash})
        words = self.time.band_name(small) + self._names_of_lines(width, small, (low, high))
        rows = [
            (f"{arm_cue(self.names, arm)['sign']} n", arm_cue(self.names, arm)["colour"],
             {visit: str(int(self.counts.get((arm, visit), 0))) for visit in self.time.days})
            for arm in (*self.arms, self.reference)
        ]  # fmt: skip
        words += self.time.counts(rows, ends, width, small, LINE[width])
        widest = max(text_width(signed(value), small) for value in at)
        words += self._side(ends[0] - widest - 18, width, size, small)
        return axes | {"annotations": words, "shapes": shapes}

    def _side(self, x: float, width: int, size: float, small: float) -> list[dict]:
        """The name of the axis, turned, with what each end speaks for."""
        look = {"textangle": -90, "showarrow": False, "xref": "paper", "yref": "paper", "xanchor": "center"}
        middle = {"x": x / width, "y": 0.5, "yanchor": "middle", "text": unbroken(f"Difference, {self.unit}")}
        words = [look | middle | {"font": {"size": size, "color": INK}}]
        if len(self.arms) > 1:
            return words
        for arm, end, arrow, anchor in ((self.arms[0], 1, "\N{RIGHTWARDS ARROW}", "top"),
                                        (self.reference, 0, "\N{LEFTWARDS ARROW}", "bottom")):  # fmt: skip
            told = f"favours {plain_text(self.names.arm(arm))}"
            told = f"{told} {arrow}" if end else f"{arrow} {told}"
            lines = fit(told, TALL[width] * 0.5 - 4, small)
            shift = -(size / 2 + 5 + (small + 2) / 2 * (lines.count("<br>") + 1))
            place = {"x": x / width, "y": end, "yanchor": anchor, "xshift": shift, "text": lines}
            words.append(look | place | {"font": {"size": small, "color": GREY}})
        return words

    def _names_of_lines(self, width: int, small: float, span: tuple[float, float]) -> list[dict]:
        ends = ENDS[width]
        labels = [fit(f"{short(row['value'])} {row['quantity'].replace(' individual', '')}, "
                      f"{author_year(row['source'])}", width - ends[1] - 10, small)
                  for row in self.drawn.to_dict("records")]  # fmt: skip
        if len(self.arms) > 1:
            return []
        most = max((label.count("<br>") + 1 for label in labels), default=1)
        places = spread(self.drawn["value"].tolist(), (small + 3) * most * (span[1] - span[0]) / TALL[width])
        return [
            {"x": (ends[1] + 6) / width, "xref": "paper", "xanchor": "left", "align": "left", "y": place, "yref": "y",
             "yanchor": "middle", "showarrow": False, "text": label, "font": {"size": small, "color": GREY}}
            for place, label in zip(places, labels, strict=True)
        ]  # fmt: skip
