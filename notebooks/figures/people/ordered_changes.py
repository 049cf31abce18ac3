"""Change of each person at one visit: arms side by side, one place for everyone enrolled."""

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.layout.letter_widths import fit, text_width
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
    unbroken,
)
from notebooks.show.authors import author_year
from notebooks.show.names import Names
from notebooks.show.numbers import at_least, short, sizes
from outcomes import columns as c

KEPT = [c.PARTICIPANT, c.ARM, "before", "after", "change", "improvement", "missing", "passed"]
BAR, GAP = 0.78, 1.6  # width of a bar where people stand 1 apart; room between two arms
ENDS = {WIDTH: (64.0, WIDTH - 96.0), COLUMN: (46.0, COLUMN - 40.0)}  # px of the panel
TALL = {WIDTH: 250, COLUMN: 190}
MOST = 3  # thresholds drawn
FAR = 2  # times the largest change: thresholds beyond get no line


@dataclass(frozen=True)
class Counted:
    """Who passed at one visit. rows: per arm and threshold, in the protocol's order, with arm, threshold, value, unit,
    quantity, rule, source, improved, observed. passed: people past the first of them; everyone who improved where the
    protocol names none.
    """

    rows: pd.DataFrame
    passed: Collection[str]

    @property
    def rules(self) -> pd.DataFrame:
        """One row per threshold."""
        return self.rows.drop_duplicates("threshold") if len(self.rows) else self.rows

    @property
    def first(self) -> str:
        """The first threshold in words; "" where there is none."""
        return "" if self.rows.empty else needed(self.rows.iloc[0])

    def lines(self, reach: float) -> pd.DataFrame:
        """Thresholds that get a line: in the unit of the axis, and not far beyond the largest change."""
        if self.rows.empty:
            return self.rules
        absolute = ~self.rules["unit"].astype(str).str.startswith("%")
        close = [min(sizes(rule)) <= FAR * reach for rule in self.rules["rule"]]
        return self.rules[absolute & np.array(close)].head(MOST)


def needed(row: pd.Series) -> str:
    """A threshold as words after "gained": "4.25 points or more", "more than 6.6 points"."""
    told = at_least(row["rule"], row["unit"])
    return f"more than {told[2:]}" if told.startswith("> ") else f"{told[2:]} or more"


def in_words(rows: pd.DataFrame) -> str:
    """Thresholds with what they are and who published them."""
    return "; ".join(
        f"{at_least(row['rule'], row['unit'])} ({row['quantity']}, {author_year(row['source'])})"
        for row in rows.to_dict("records")
    )


def ordered_changes(
    changes: pd.DataFrame, counted: Counted, names: Names, flagged: Collection[str] = ()
) -> go.Figure | None:
    """One bar per person, the largest gain of an arm first; filled where the first threshold was passed.

    changes: frame of `stats.change_table`. flagged: people one of whose two values the checks want looked at.
    """
    known = changes["missing"] == ""
    if not known.any():
        return None
    first, arms = changes.iloc[0], names.arms(changes[c.ARM])
    outcome, unit = str(first[c.OUTCOME]), str(first["unit"])
    rows = _placed(changes, arms, counted)
    reach = float(rows["improvement"].abs().max())
    figure = go.Figure()
    for arm in arms:
        _bars(figure, rows[rows[c.ARM] == arm], arm_cue(names, arm)["colour"], reach)
    ringed = rows[rows[c.PARTICIPANT].isin(list(flagged)) & rows["improvement"].notna()]
    figure.add_scatter(
        x=ringed["place"], y=ringed["improvement"], mode="markers", showlegend=False, hoverinfo="skip", meta="flagged",
        marker={"symbol": "circle-open", "size": 10, "color": INK, "line": {"width": 1.2}},
    )  # fmt: skip
    look = _Look(rows, arms, counted, counted.lines(reach), names, unit, first["better"] == "lower")
    figure.update_layout(showlegend=False, bargap=1 - BAR, **look.layout(WIDTH))
    at, count = names.visit(first["to_visit"]), int(known.sum())
    told = "; ".join(
        (f"{names.arm(arm)} " if len(arms) > 1 else "") + f"{look.passed(arm)} of {look.n(arm)}" for arm in arms
    )
    gain = f"gained {counted.first}" if counted.first else "gained by any amount"
    worse = int((rows["improvement"] < 0).sum())
    others = in_words(counted.rules.iloc[1:]) if len(counted.rows) else ""
    return finish(
        figure,
        name=f"ordered_changes/{outcome}",
        title="Change of each person",
        finding=f"{names.outcome(outcome)}, {names.visit(first['from_visit'])} to {at}: {told} {gain}.",
        caption=f"One place per person enrolled (n = {count} with both values of {len(changes)}), ordered inside the "
        f"arm; filled: passed, outline: not, \N{MULTIPLICATION SIGN}: no pair of scores. {worse} worsened. "
        + (f"Solid line: {in_words(counted.rules.iloc[:1])}. " if len(look.drawn) else "")
        + (f"Others of the protocol: {others}. " if others else "")
        + ("A ring marks a value the checks want looked at. " if len(ringed) else "")
        + ("Lower scores are better: the sign is turned. " if first["better"] == "lower" else "")
        + "A gain of any size holds measurement error and natural recovery.",
        alt=f"Bars in order, best gain {signed(round(rows['improvement'].max(), 3))}, largest loss "
        f"{short(round(-min(rows['improvement'].min(), 0), 3))} {unit}.",
        points=rows[[*KEPT, "place"]],
        keys=[c.PARTICIPANT],
        unit=unit,
        height=TALL[WIDTH] + look.head(WIDTH) + 44,
        above=look.head(WIDTH),
        edges={"l": 0, "r": 0, "b": 34},
        column=look.layout(COLUMN) | {"margin": {"l": 0, "r": 0, "b": 34}},
        column_height=TALL[COLUMN] + 34,
        column_above=look.head(COLUMN),
        column_legend=False,
    )


def _placed(changes: pd.DataFrame, arms: list[str], counted: Counted) -> pd.DataFrame:
    """Everyone enrolled with a place: arm after arm, the largest gain first, people without a pair last."""
    parts, start = [], 0.0
    for arm in arms:
        own = changes[changes[c.ARM] == arm].assign(
            improvement=lambda part: part["improvement"].where(part["missing"] == "")
        )
        own = own.sort_values(
            ["improvement", c.PARTICIPANT], ascending=[False, True], kind="stable", na_position="last"
        )
        parts.append(own.assign(place=start + np.arange(1, len(own) + 1)))
        start += len(own) + GAP
    rows = pd.concat(parts, ignore_index=True)
    return rows.assign(passed=rows[c.PARTICIPANT].isin(list(counted.passed)) & rows["improvement"].notna())


def _bars(figure: go.Figure, own: pd.DataFrame, colour: str, reach: float) -> None:
    edge = {"color": colour, "width": 1.2}
    for passed in (True, False):
        part = own[(own["passed"] == passed) & (own["improvement"] != 0) & own["improvement"].notna()]
        figure.add_bar(
            x=part["place"], y=part["improvement"], showlegend=False, offsetgroup="people",
            meta="passed" if passed else "not",
            marker={"color": colour if passed else "#ffffff", "line": edge},
            customdata=part[[c.PARTICIPANT, "before", "after"]],
            hovertemplate="%{customdata[0]}: %{y} (from %{customdata[1]} to %{customdata[2]})<extra></extra>",
        )  # fmt: skip
    still, missing = own[own["improvement"] == 0], own[own["improvement"].isna()]
    xs = [x for place in still["place"] for x in (place - BAR / 2, place + BAR / 2, None)]
    figure.add_scatter(
        x=xs, y=[None if x is None else 0 for x in xs], mode="lines", showlegend=False, meta="no change",
        hoverinfo="skip", line={"color": colour, "width": 3},
    )  # fmt: skip
    figure.add_scatter(
        x=missing["place"], y=[0.05 * reach] * len(missing), mode="markers", showlegend=False, meta="missing",
        customdata=missing[[c.PARTICIPANT, "missing"]],
        hovertemplate="%{customdata[0]}: no %{customdata[1]}<extra></extra>",
        marker={"symbol": "x-thin", "size": 6, "line": {"color": GREY, "width": 1.4}},
    )  # fmt: skip


class _Look:
    """Axes, words and shapes of one figure, for each width."""

    def __init__(self, rows, arms, counted, drawn, names, unit, turn):
        self.rows, self.arms, self.counted, self.drawn = rows, arms, counted, drawn
        self.names, self.unit, self.turn = names, unit, turn
        self.own = {arm: rows[rows[c.ARM] == arm] for arm in arms}

    def n(self, arm: str) -> int:
        """People of an arm with both values."""
        return int(self.own[arm]["improvement"].notna().sum())

    def passed(self, arm: str) -> int:
        return int(self.own[arm]["passed"].sum())

    def _heading(self, arm: str, room: float, small: float) -> str:
        colour = arm_cue(self.names, arm)["colour"]
        name = fit(plain_text(self.names.arm(arm)), room, small, bold=True)
        gain = f"gained {self.counted.first}" if self.counted.first else "gained by any amount"
        told = fit(unbroken(f"{self.passed(arm)} of {self.n(arm)} {gain}"), room, small)
        head = f'<span style="color:{colour}"><b>{name}</b></span><br>' if len(self.arms) > 1 else ""
        return f"{head}{told}"

    def _room(self, arm: str, width: int) -> float:
        low, high = self._range()
        left, right = ENDS[width]
        return (len(self.own[arm]) + GAP * 0.8) / (high - low) * (right - left)

    def _range(self) -> tuple[float, float]:
        return 0.3, float(self.rows["place"].max()) + 0.7

    def head(self, width: int) -> int:
        """Room over the panel, px."""
        small = SMALL if width == COLUMN else 11
        most = max(self._heading(arm, self._room(arm, width), small).count("<br>") + 1 for arm in self.arms)
        return round(most * (small + 4)) + 4

    def layout(self, width: int) -> dict:
        """What one width draws."""
        small, size = (SMALL, 10) if width == COLUMN else (11, TEXT)
        left, right = ENDS[width]
        values = [0.0, *self.rows["improvement"].dropna(), *self._lines()]
        span = (max(values) - min(values)) or 1.0
        low, high = min(values) - 0.06 * span, max(values) + 0.06 * span
        at = ticks(low, high, 7)
        axes = {
            "xaxis": {"domain": [left / width, right / width], "range": list(self._range()), "visible": False},
            "yaxis": {"range": [low, high], "tickvals": at, "ticktext": [signed(value) for value in at],
                      "tickfont": {"size": small}},
        }  # fmt: skip
        line = {"type": "line", "xref": "x domain", "yref": "y", "x0": 0, "x1": 1, "layer": "below"}
        shapes = [line | {"y0": 0, "y1": 0, "line": {"color": ZERO, "width": 1}}]
        for place, value in enumerate(self._lines()):
            dash = {"color": GREY, "width": 1, "dash": "solid" if place == 0 else "dash"}
            shapes.append(line | {"y0": value, "y1": value, "line": dash})
        words = self._headings(width, small) + self._line_names(width, small, (low, high))
        widest = max(text_width(signed(value), small) for value in at)
        words.append(
            {"x": (left - widest - 18) / width, "xref": "paper", "y": 0.5, "yref": "paper", "textangle": -90,
             "xanchor": "center", "yanchor": "middle", "showarrow": False, "font": {"size": size, "color": INK},
             "text": unbroken(f"Improvement, {self.unit}" if self.turn else f"Change, {self.unit}")}
        )  # fmt: skip
        return axes | {"annotations": words, "shapes": shapes}

    def _lines(self) -> list[float]:
        return (
            list(dict.fromkeys(size for rule in self.drawn["rule"] for size in sizes(rule))) if len(self.drawn) else []
        )

    def _headings(self, width: int, small: float) -> list[dict]:
        words = []
        for arm in self.arms:
            own = self.own[arm]
            place = {"x": own["place"].min() - 0.5, "xref": "x", "xanchor": "left", "align": "left", "showarrow": False}
            look = {"font": {"size": small, "color": INK}, "yref": "paper"}
            words.append(place | look | {"y": 1, "yanchor": "bottom", "yshift": 2,
                                         "text": self._heading(arm, self._room(arm, width), small)})  # fmt: skip
            missing = len(own) - self.n(arm)
            told = f"n = {self.n(arm)}" + (
                f", \N{MULTIPLICATION SIGN} {missing} without both scores" if missing else ""
            )
            told = fit(unbroken(told), self._room(arm, width), small)
            words.append(place | {"y": 0, "yanchor": "top", "yshift": -3, "yref": "paper", "text": told,
                                  "font": {"size": small, "color": GREY}})  # fmt: skip
        return words

    def _line_names(self, width: int, small: float, span: tuple[float, float]) -> list[dict]:
        values = self._lines()
        places = spread(values, (small + 3) * (span[1] - span[0]) / TALL[width])
        right = ENDS[width][1]
        return [
            {"x": (right + 4) / width, "xref": "paper", "xanchor": "left", "y": place, "yref": "y", "yanchor": "middle",
             "showarrow": False, "text": short(value) if width == COLUMN else unbroken(self._line_name(value)),
             "font": {"size": small, "color": GREY}}
            for place, value in zip(places, values, strict=True)
        ]  # fmt: skip

    def _line_name(self, value: float) -> str:
        row = next(row for row in self.drawn.to_dict("records") if value in sizes(row["rule"]))
        whole = f"{short(value)} {author_year(row['source'])}"
        return whole if text_width(whole, 11) < WIDTH - ENDS[WIDTH][1] - 8 else short(value)
