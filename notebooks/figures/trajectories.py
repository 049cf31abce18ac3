"""How the arms moved over time: everyone's scores arm by arm, and the model's mean change from baseline."""

from dataclasses import dataclass

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.layout.letter_widths import fit, text_width
from notebooks.figures.layout.text_columns import marker
from notebooks.figures.layout.time_axis import TimeAxis
from notebooks.figures.one_column import COLUMN, LEFT_OUT, SMALL
from notebooks.figures.style import (
    INK,
    TEXT,
    WIDTH,
    ZERO,
    arm_cue,
    finish,
    pale,
    plain_text,
    signed,
    spread,
    ticks,
    turned,
    unbroken,
)
from notebooks.show.names import Names
from notebooks.show.numbers import number, short
from outcomes import columns as c
from stats.change.model_rows import COMMON

POINTS = ["kind", c.PARTICIPANT, c.ARM, c.VISIT, c.DAY, "value", "conf_low", "conf_high", "n"]
MOST_PANELS = 3  # arms whose people have a panel of their own
RIGHT = {WIDTH: 112, COLUMN: 82}  # px for the names of the arms
LINE = {WIDTH: 15, COLUMN: 12}  # px of a line of n under the axis
PANEL = {WIDTH: 262, COLUMN: 180}  # px, height of the panels


@dataclass(frozen=True)
class Course:
    """What the model says of one outcome, all in frames with arm, visit, day.

    means, changes, differences: estimate, conf_low, conf_high; changes and differences later minus earlier, raw sign;
    differences has reference too and is None where none is drawn. people: participant, arm, visit of every score the
    model uses (its baselines among them). visit: the one the study speaks of. flagged: (participant, visit) of values
    the checks want looked at. ends: of the scale, None where there are none.
    """

    means: pd.DataFrame
    changes: pd.DataFrame
    differences: pd.DataFrame | None
    people: pd.DataFrame
    visit: str
    better: str
    flagged: frozenset[tuple[str, str]] = frozenset()
    ends: tuple[float | None, float | None] = (None, None)


def trajectories(scores: pd.DataFrame, course: Course, names: Names) -> go.Figure:
    """Left one panel per arm: thin lines for people, the model's mean in front. Right: the mean change of each arm.

    scores: one outcome, hand and condition (`stats.selection.rows`). In one column the right panel stands alone.
    """
    rows = scores[scores[c.VALUE].notna()].sort_values([c.PARTICIPANT, c.DAY])
    outcome, unit = str(rows[c.OUTCOME].iloc[0]), str(rows["unit"].iloc[0])
    arms = names.arms(rows[c.ARM])
    changes = turned(course.changes, course.better)
    changes = changes.assign(**{c.ARM: changes[c.ARM].astype(str)})
    drawn = _Drawn(arms, rows, changes, course, names)
    figure = go.Figure()
    if drawn.with_people:
        for place, arm in enumerate(arms):
            drawn.people(figure, arm, place + 2)
    for arm in arms:
        drawn.mean_change(figure, arm)
    figure.add_scatter(
        x=[drawn.time.first], y=[0], mode="markers", showlegend=False, hoverinfo="skip", meta="start",
        marker={"color": INK, "size": 9, "symbol": "circle"},
    )  # fmt: skip
    figure.update_layout(showlegend=False, **drawn.layout(WIDTH, unit))
    told, between = drawn.in_words(unit)
    level = f"{names.protocol.level:.0%}".replace("%", " %")
    turn = "; the sign is turned, so that up is better" if course.better == "lower" else ""
    flags = " A ring marks a value the checks want looked at." if drawn.any_flag and drawn.with_people else ""
    people = (
        f"Left: scores of each person (n = {rows[c.PARTICIPANT].nunique()}, {len(rows)} scores) and the model's means; "
        f"a line goes on over a missed visit, its dot does not.{flags} "
        if drawn.with_people
        else ""
    )
    at = names.visit(course.visit)
    return finish(
        figure,
        name=f"trajectories/{outcome}",
        title="Change over time by arm" if len(arms) > 1 else "Change over time",
        finding=f"{names.outcome(outcome)}, mean {drawn.gain} to {at}: {told}{between}.",
        caption=f"{people}Mean change from baseline in {unit}{turn}: mixed model with {level} intervals, "
        f"{course.people[c.PARTICIPANT].nunique()} participants in it; all arms start at no change. n: people with a "
        "score the model uses, at each visit. The arms are set slightly apart.",
        alt=f"Line chart of mean change over {len(drawn.time.days)} visits.",
        points=drawn.points(),
        keys=["kind", c.PARTICIPANT, c.ARM, c.VISIT, c.DAY],
        unit=unit,
        height=PANEL[WIDTH] + 40 + drawn.foot(WIDTH),
        above=30,
        edges={"l": 0, "r": 0, "b": drawn.foot(WIDTH)},
        column=drawn.layout(COLUMN, unit) | {"margin": {"l": 0, "r": 0, "b": drawn.foot(COLUMN)}},
        column_height=PANEL[COLUMN] + drawn.foot(COLUMN),
        column_above=14,
        column_legend=False,
    )


class _Drawn:
    """One figure being drawn."""

    def __init__(self, arms: list[str], rows: pd.DataFrame, changes: pd.DataFrame, course: Course, names: Names):
        self.arms, self.rows, self.changes, self.course, self.names = arms, rows, changes, course, names
        visits = [course.people[c.VISIT].astype(str).unique(), changes[c.VISIT].astype(str).unique(), rows[c.VISIT]]
        self.time = TimeAxis(names, [str(visit) for part in visits for visit in part], course.visit)
        self.with_people = len(arms) <= MOST_PANELS
        self.any_flag = any((p, v) in course.flagged for p, v in zip(rows[c.PARTICIPANT], rows[c.VISIT], strict=True))
        self.n = course.people.groupby([course.people[c.ARM].astype(str), course.people[c.VISIT].astype(str)]).size()

    def people(self, figure: go.Figure, arm: str, axis: int) -> None:
        """The panel of one arm."""
        mark, own = arm_cue(self.names, arm), self.rows[self.rows[c.ARM] == arm]
        on = {"xaxis": f"x{axis}", "yaxis": "y2", "showlegend": False}
        xs, ys, who = [], [], []
        for person, course in own.groupby(c.PARTICIPANT, sort=True):
            xs += [*course[c.DAY], None]
            ys += [*course[c.VALUE], None]
            who += [person] * (len(course) + 1)
        figure.add_scatter(
            x=xs, y=ys, customdata=who, mode="lines+markers", meta="people", **on,
            line={"color": pale(mark["colour"], 0.35), "width": 1},
            marker={"size": 3.5, "color": pale(mark["colour"], 0.35)},
            hovertemplate="%{customdata}: %{y}, day %{x}<extra></extra>",
        )  # fmt: skip
        flagged = own[[(p, v) in self.course.flagged for p, v in zip(own[c.PARTICIPANT], own[c.VISIT], strict=True)]]
        figure.add_scatter(
            x=flagged[c.DAY], y=flagged[c.VALUE], mode="markers", meta="flagged", hoverinfo="skip", **on,
            marker={"size": 9, "symbol": "circle-open", "color": INK, "line": {"width": 1.2}},
        )  # fmt: skip
        means = self.course.means
        means = means[means[c.ARM].astype(str).isin([arm, COMMON])] if c.ARM in means else means
        means = means.sort_values(c.DAY)
        figure.add_scatter(
            x=means[c.DAY], y=means["estimate"], mode="lines+markers", meta="mean", **on,
            line={"color": mark["colour"], "width": 2.5, "dash": mark["dash"]}, marker=marker(mark, 7),
            hovertemplate="mean %{y:.2f}, day %{x:.0f}<extra></extra>",
        )  # fmt: skip

    def _moved(self, arm: str) -> float:
        """Days that an arm is set beside the planned day, so that intervals do not hide each other."""
        return (self.arms.index(arm) - (len(self.arms) - 1) / 2) * self.time.span * 0.012

    def own_change(self, arm: str) -> pd.DataFrame:
        """Change of one arm by day."""
        return self.changes[self.changes[c.ARM] == arm].sort_values(c.DAY)

    def mean_change(self, figure: go.Figure, arm: str) -> None:
        """The line of one arm from the common start."""
        mark, own = arm_cue(self.names, arm), self.own_change(arm)
        figure.add_scatter(
            name=plain_text(self.names.arm(arm)), meta="change", showlegend=False,
            x=[self.time.first, *(own[c.DAY] + self._moved(arm))], y=[0, *own["estimate"]], mode="lines+markers",
            line={"color": mark["colour"], "width": 2.2, "dash": mark["dash"]},
            marker=marker(mark, 8) | {"size": [0, *([8] * len(own))], "opacity": 1},
            error_y={"type": "data", "symmetric": False, "array": [0, *(own["conf_high"] - own["estimate"])],
                     "arrayminus": [0, *(own["estimate"] - own["conf_low"])], "color": mark["colour"],
                     "thickness": 1.4, "width": 0},
            hovertemplate="mean change %{y:.2f}, day %{x:.0f}<extra></extra>",
        )  # fmt: skip

    def foot(self, width: int) -> int:
        """Room under the panels, px."""
        return 26 + LINE[width] * (1 + len(self.arms))

    def _ends(self, width: int) -> dict[str, tuple[float, float]]:
        """Left and right of each panel, px."""
        right = width - RIGHT[width]
        if width == COLUMN or not self.with_people:
            return {"x": (58.0, right)}
        count = len(self.arms)
        each = {1: 190, 2: 116, 3: 84}[count]
        places = {
            f"x{place + 2}": (58.0 + place * (each + 10), 58.0 + place * (each + 10) + each) for place in range(count)
        }
        return places | {"x": (places[f"x{count + 1}"][1] + 74, right)}

    def layout(self, width: int, unit: str) -> dict:
        """Axes, words and shapes for one width."""
        small, size = (SMALL, 10) if width == COLUMN else (11, TEXT)
        ends = self._ends(width)
        spans = [0.0, *self.changes["conf_low"], *self.changes["conf_high"]]
        room = 0.06 * ((max(spans) - min(spans)) or 1.0)
        low, high = min(spans) - room, max(spans) + room
        at = self._ticks((low, high))
        axes: dict = {
            "xaxis": self.time.axis(ends["x"], width, small),
            "yaxis": {"domain": [0, 1], "range": [low, high], "tickvals": at, "ticktext": [signed(v) for v in at],
                      "tickfont": {"size": small}, "anchor": "x", "showline": False, "ticks": ""},
        }  # fmt: skip
        words, shapes = self._words(width, ends, size, small, (low, high), unit), self.time.band()
        zero = {"type": "line", "xref": "x domain", "yref": "y", "x0": 0, "x1": 1, "y0": 0, "y1": 0, "layer": "below"}
        shapes = [*shapes, zero | {"line": {"color": ZERO, "width": 1}}, *self._bracket()]
        if not self.with_people:
            return axes | {"annotations": words, "shapes": shapes}
        score_axis = {"domain": [0, 1], "anchor": "x2", "tickfont": {"size": small}, "showline": False, "ticks": ""}
        axes["yaxis2"] = score_axis
        for place in range(len(self.arms)):
            key = f"x{place + 2}"
            axes[f"xaxis{place + 2}"] = (
                {**self.time.axis(ends[key], width, small), "anchor": "y2"} if key in ends else dict(LEFT_OUT)
            )
        if width == COLUMN:
            axes["yaxis2"] = {"visible": False}
        return axes | {"annotations": words, "shapes": shapes}

    def _words(self, width, ends, size, small, span, unit) -> list[dict]:
        under = {"yref": "paper", "y": 0, "showarrow": False, "yanchor": "middle"}
        words: list[dict] = []

        def write(x: float, text: str, shift: float, colour: str = INK, anchor: str = "center", **look) -> None:
            place = {"x": x / width, "xref": "paper", "xanchor": anchor, "text": text, "yshift": shift}
            words.append(under | place | {"font": {"size": look.pop("type", small), "color": colour}} | look)

        left = ends["x"][0]
        rows = [(f"{arm_cue(self.names, arm)['sign']} n", arm_cue(self.names, arm)["colour"], self._counts(arm))
                for arm in self.arms]  # fmt: skip
        words += self.time.counts(rows, ends["x"], width, small, LINE[width])
        widest = max(text_width(signed(value), small) for value in self._ticks(span))
        words += self._turned_name(f"Mean {self.gain}, {unit}", left - widest - 18, width, size)
        words += self.time.band_name(small)
        words += self._ends_of_lines(width, size, small, span)
        if "x2" in ends:
            low, high = self.course.ends
            scale = f" ({short(low)} to {short(high)})" if low is not None and high is not None else ""
            words += self._turned_name(f"Score, {unit}{scale}", 14, width, size)
            letters = "abc"
            for place, arm in enumerate(self.arms):
                x0, x1 = ends[f"x{place + 2}"]
                lines = fit(f"{letters[place]} {plain_text(self.names.arm(arm))}", x1 - x0 + 6, small, bold=True)
                colour = arm_cue(self.names, arm)["colour"]
                label = f'<b>{lines[:2]} <span style="color:{colour}">{lines[2:]}</span></b>'
                write(x0 - 4, label, 4, anchor="left", y=1, yanchor="bottom", align="left")
            write(left - 4, f"<b>{letters[len(self.arms)] if len(self.arms) < 3 else 'd'}</b>  "
                  f"<b>Mean {self.gain}, mixed model</b>", 18, anchor="left", y=1, yanchor="bottom")  # fmt: skip
        return words

    @property
    def gain(self) -> str:
        """What goes up: the change, or where lower is better the improvement, as its sign is turned."""
        return "improvement" if self.course.better == "lower" else "change"

    @staticmethod
    def _ticks(span: tuple[float, float]) -> list[float]:
        return ticks(*span, 7)

    def _turned_name(self, text: str, x: float, width: int, size: float) -> list[dict]:
        look = {"textangle": -90, "showarrow": False, "xanchor": "center", "yanchor": "middle"}
        place = {"x": x / width, "xref": "paper", "y": 0.5, "yref": "paper"}
        words = fit(plain_text(text), PANEL[width] + 20, size)
        return [look | place | {"text": unbroken(words), "font": {"size": size, "color": INK}}]

    def _counts(self, arm: str) -> dict[str, str]:
        return {visit: str(int(self.n.get((arm, visit), 0))) for visit in self.time.days}

    def difference(self) -> pd.Series | None:
        """The difference at the visit the study speaks of, where there is one and only one."""
        if self.course.differences is None or len(self.arms) != 2:
            return None
        own = self.course.differences
        own = turned(own[own[c.VISIT].astype(str) == self.course.visit], self.course.better)
        return own.iloc[0] if len(own) == 1 else None

    def _bracket_place(self) -> tuple[float, list[float]] | None:
        """Day of the bracket and the two means it joins."""
        found = self.difference()
        if found is None:
            return None
        own = self.changes[self.changes[c.VISIT].astype(str) == self.course.visit]
        means = own["estimate"].tolist()
        return (float(own[c.DAY].iloc[0]) + 0.045 * self.time.span, means) if len(means) == 2 else None

    def _is_last(self) -> bool:
        return self.course.visit == list(self.time.days)[-1]

    def _bracket(self) -> list[dict]:
        place = self._bracket_place()
        if place is None:
            return []
        day, (one, other) = place
        lip = 0.014 * self.time.span
        path = f"M {day - lip},{one} L {day},{one} L {day},{other} L {day - lip},{other}"
        return [{"type": "path", "path": path, "xref": "x", "yref": "y", "line": {"color": INK, "width": 1.2}}]

    def _ends_of_lines(self, width: int, size: float, small: float, span: tuple[float, float]) -> list[dict]:
        """Names of the arms at the ends of their lines, and the difference beside its bracket."""
        room = RIGHT[width] - 12
        digits = self.names.decimals(str(self.rows[c.OUTCOME].iloc[0]))
        entries: list[tuple[float, str, int]] = []
        for arm in self.arms:
            own, mark = self.own_change(arm), arm_cue(self.names, arm)
            if own.empty:
                continue
            label = fit(f"{mark['sign']} {plain_text(self.names.arm(arm))}", room, small, bold=True)
            text = f'<span style="color:{mark["colour"]}"><b>{label}</b></span>'
            entries.append((float(own["estimate"].iloc[-1]), text, label.count("<br>") + 1))
        place, found, inside = self._bracket_place(), self.difference(), None
        if place is not None and found is not None:
            low, high = (number(found[end], digits) for end in ("conf_low", "conf_high"))
            told = f"difference<br><b>{number(found['estimate'], digits)}</b> ({low} to {high})"
            told = told.replace(" (", "<br>(") if width == COLUMN or self._is_last() else told
            if self._is_last():
                entries.append((sum(place[1]) / 2, told, 3))
            else:
                inside = self._beside_bracket(told, place, small, span, width)
        px = (span[1] - span[0]) / PANEL[width]  # units of the axis in a pixel
        most = max((lines for *_, lines in entries), default=1)
        moved = spread([height for height, *_ in entries], (small + 3.5) * most * px)
        words = [
            {"x": (width - room + 2) / width, "xref": "paper", "xanchor": "left", "align": "left", "showarrow": False,
             "y": min(max(height, span[0]), span[1]), "yref": "y", "text": text, "font": {"size": small, "color": INK}}
            for height, (_, text, _) in zip(moved, entries, strict=True)
        ]  # fmt: skip
        return words + ([inside] if inside else [])

    def _beside_bracket(self, told: str, place, small: float, span, width: int) -> dict:
        """The difference in words, right of its bracket; at the foot of the panel where the bracket is too short."""
        day, (one, other) = place
        tall = abs(one - other) / (span[1] - span[0]) * PANEL[width]
        lines = told.count("<br>") + 1
        low = span[0] + (small + 4) * lines / 2 / PANEL[width] * (span[1] - span[0])
        middle = (one + other) / 2 if tall > (small + 4) * lines else low
        across = self._ends(width)["x"]
        room = across[1] - (across[0] + (day - self.time.range[0]) / (self.time.range[1] - self.time.range[0])
                            * (across[1] - across[0]))  # fmt: skip
        leftward = text_width(told, small) + 8 > room + RIGHT[width] - 20
        return {"x": day, "xref": "x", "xanchor": "right" if leftward else "left", "xshift": -8 if leftward else 5,
                "y": middle, "yref": "y", "align": "left", "showarrow": False, "text": unbroken(told),
                "bgcolor": "#ffffff", "borderpad": 1, "font": {"size": small, "color": INK}}  # fmt: skip

    def in_words(self, unit: str) -> tuple[str, str]:
        """The changes at the visit the study speaks of, and the difference, in words."""
        digits = self.names.decimals(str(self.rows[c.OUTCOME].iloc[0]))
        at = self.changes[self.changes[c.VISIT].astype(str) == self.course.visit].set_index(c.ARM)
        parts = []
        for arm in self.arms:
            if arm in at.index:
                row = at.loc[arm]
                value = ("+" if row["estimate"] > 0 else "") + number(row["estimate"], digits)
                parts.append(f"{self.names.arm(arm)} {value}" if len(self.arms) > 1 else value)
        told = f"{', '.join(parts)} {unit}" if parts else "not estimated"
        found = self.difference()
        if found is None:
            return told, ""
        low, high = (number(found[end], digits) for end in ("conf_low", "conf_high"))
        return told, f"; difference {number(found['estimate'], digits)} ({low} to {high})"

    def points(self) -> pd.DataFrame:
        """Every number drawn."""
        counted = [
            int(self.n.get((arm, str(v)), 0)) for arm, v in zip(self.changes[c.ARM], self.changes[c.VISIT], strict=True)
        ]
        change = self.changes.rename(columns={"estimate": "value"}).assign(kind="model change", n=counted)
        means = self.course.means.rename(columns={"estimate": "value"}).assign(kind="model mean")
        people = self.rows[[c.PARTICIPANT, c.ARM, c.VISIT, c.DAY, c.VALUE]].assign(kind="person")
        start = [
            {"kind": "at the start", c.ARM: arm, c.VISIT: visit, c.DAY: self.time.first,
             "n": int(self.n.get((arm, visit), 0))}
            for arm in self.arms for visit in list(self.time.days)[:1]
        ]  # fmt: skip
        parts = [change, means, people, pd.DataFrame(start)]
        found = self.difference()
        if found is not None:
            row = {"kind": "difference", c.ARM: found[c.ARM], c.VISIT: found[c.VISIT], c.DAY: found[c.DAY]}
            ends = {"value": found["estimate"], "conf_low": found["conf_low"], "conf_high": found["conf_high"]}
            parts.append(pd.DataFrame([row | ends]))
        points = pd.concat(parts, ignore_index=True)
        points = points[[name for name in POINTS if name in points]]
        points["n"] = points["n"].astype("Int64").astype(object)
        for column in (c.PARTICIPANT, c.ARM, c.VISIT):
            if column in points:
                points[column] = points[column].astype(object).where(points[column].notna(), "").astype(str)
        return points
