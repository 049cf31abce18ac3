"""Could people still change? How many stood at an end of the scale, near one, or free, at each visit."""

from dataclasses import dataclass

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.layout.letter_widths import fit
from notebooks.figures.layout.text_columns import TextColumns
from notebooks.figures.one_column import COLUMN, SMALL
from notebooks.figures.style import GREY, INK, WIDTH, finish, plain_text, unbroken
from notebooks.show.names import Names
from notebooks.show.numbers import number
from outcomes import columns as c

KINDS = {  # in the order of the bar, worst end first: words, fill, colour of the count
    "at the worst end": (INK, "#ffffff"),
    "near it": ("#a8a8a4", INK),
    "free": ("#ffffff", INK),
    "near the best end": ("#a8a8a4", INK),
    "at the best end": (INK, "#ffffff"),
}
MANY = 15  # per cent at an end: the usual limit (Terwee 2007)
BAR = 0.62
POINTS = [c.OUTCOME, c.VISIT, "kind", "count", "n", "percent"]


@dataclass(frozen=True)
class Ends:
    """Where the scores of one outcome stand: worst and best value of its scale, and the change that counts, or None."""

    outcome: str
    worst: float
    best: float
    size: float | None = None

    def kind(self, value: float) -> str:
        """Which of KINDS a score is."""
        span = abs(self.best - self.worst)
        near = 0.0 if self.size is None else self.size
        down, up = abs(value - self.worst), abs(self.best - value)
        if down <= 1e-9 * span:
            return "at the worst end"
        if up <= 1e-9 * span:
            return "at the best end"
        return "near the best end" if up < near - 1e-9 else "near it" if down < near - 1e-9 else "free"


def floor_and_ceiling(scores: pd.DataFrame, ends: list[Ends], visits: list[str], names: Names) -> go.Figure | None:
    """One bar of counts per outcome and visit.

    scores: one row per participant, outcome and visit with a value. ends: of the outcomes that have both ends.
    """
    table = _counted(scores, ends, visits)
    if table.empty:
        return None
    figure = go.Figure()
    places = {key: place for place, key in enumerate(dict.fromkeys(zip(table[c.OUTCOME], table[c.VISIT], strict=True)))}
    for kind, (fill, _) in KINDS.items():
        own = table[table["kind"] == kind]
        heights = [places[key] for key in zip(own[c.OUTCOME], own[c.VISIT], strict=True)]
        figure.add_bar(
            x=own["percent"], y=heights, base=own["start"], orientation="h", width=BAR, name=kind, meta=kind,
            showlegend=False, offsetgroup="bar", customdata=own[["count", "n"]],
            marker={"color": fill, "line": {"color": INK, "width": 0.8}},
            hovertemplate="%{customdata[0]} of %{customdata[1]}<extra></extra>",
        )  # fmt: skip
    sheets = {width: _sheet(table, places, names, width) for width in (WIDTH, COLUMN)}
    figure.update_layout(showlegend=False, barmode="overlay", **_axes(sheets[WIDTH], 11))
    at_end = table[table["kind"].isin(["at the worst end", "at the best end"])]
    most = at_end.sort_values(["percent", "count"], ascending=False).iloc[0] if len(at_end) else None
    told = "nobody at an end of a scale"
    if most is not None:
        told = (
            f"most at an end: {int(most['count'])} of {int(most['n'])} {most['kind']} of "
            f"{names.outcome(most[c.OUTCOME])}, {names.visit(most[c.VISIT])}"
        )
    near = "; ".join(f"{names.outcome(one.outcome)} {one.size:g}" for one in ends if one.size is not None)
    return finish(
        figure,
        name="floor_and_ceiling",
        title="Room to change",
        finding=f"{told[0].upper()}{told[1:]}.",
        caption="Everybody with a score at the visit, from the worst end of the scale (left) to the best: black at the "
        "end, grey within one important change of it, white free; counts in the bars"
        + (f" (important changes: {near})" if near else "")
        + f". Line: {MANY} % at an end, the usual limit (Terwee 2007). Near the best end nobody could have passed.",
        alt=f"Bars of counts for {len(places)} outcomes and visits.",
        points=table[POINTS],
        keys=[c.OUTCOME, c.VISIT, "kind"],
        unit="people",
        height=sheets[WIDTH].height + sheets[WIDTH].head + 10,
        above=sheets[WIDTH].head,
        edges={"l": 0, "r": 0, "b": sheets[WIDTH].foot},
        column=_axes(sheets[COLUMN], SMALL),
        column_height=sheets[COLUMN].height,
        column_above=sheets[COLUMN].head,
    )


def _counted(scores: pd.DataFrame, ends: list[Ends], visits: list[str]) -> pd.DataFrame:
    """Columns of POINTS and `start`, where the segment begins, in per cent."""
    rows = []
    for one in ends:
        for visit in visits:
            at = scores[(scores[c.OUTCOME] == one.outcome) & (scores[c.VISIT] == visit) & scores[c.VALUE].notna()]
            counts = at[c.VALUE].map(one.kind).value_counts()
            start = 0.0
            for kind in KINDS:
                if count := int(counts.get(kind, 0)):
                    share = 100 * count / len(at)
                    rows.append((one.outcome, visit, kind, count, len(at), share, start))
                    start += share
    return pd.DataFrame(rows, columns=[*POINTS, "start"])


def _axes(sheet: TextColumns, size: int) -> dict:
    axes = sheet.axes(-1, 101)
    axes["xaxis"] |= {"tickvals": [0, 25, 50, 75, 100], "tickfont": {"size": size}, "showgrid": False,
                      "ticktext": ["0", "25", "50", "75", "100 %".replace(" ", "\N{NO-BREAK SPACE}")]}  # fmt: skip
    return axes


def _sheet(table: pd.DataFrame, places: dict, names: Names, width: int) -> TextColumns:
    narrow = width == COLUMN
    small = SMALL if narrow else 11
    panel = (128.0, COLUMN - 34.0) if narrow else (300.0, WIDTH - 60.0)
    sheet = TextColumns(width, small, panel, len(places), 26 if narrow else 24, head=24, foot=28)
    sheet.line(-0.5)
    sheet.over(2, "Outcome, visit", colour=GREY)
    sheet.over(panel[0], "\N{LEFTWARDS ARROW} worst end", colour=GREY)
    sheet.over(panel[1], "best end \N{RIGHTWARDS ARROW}", anchor="right", colour=GREY)
    sheet.over(width - 2, "n", anchor="right", colour=GREY)
    for value in (MANY, 100 - MANY):
        sheet.upright(value, -0.5, len(places) - 0.5, GREY, 0.8, "dot")
    across = (panel[1] - panel[0]) / 102
    last = None
    for (outcome, visit), place in places.items():
        own = table[(table[c.OUTCOME] == outcome) & (table[c.VISIT] == visit)]
        name = plain_text(names.outcome(outcome)) if outcome != last else ""
        last = outcome
        if narrow:
            told = fit(f"{plain_text(names.outcome(outcome))}", 120, small).split("<br>")[0]
            sheet.write(2, place, f"{told}<br>{plain_text(names.visit(visit))}")
        else:
            sheet.write(2, place, fit(name, 196, small).split("<br>")[0])
            sheet.write(204, place, fit(plain_text(names.visit(visit)), 94, small).split("<br>")[0], colour=GREY)
        sheet.write(width - 2, place, str(int(own["n"].iloc[0])), anchor="right")
        for row in own.to_dict("records"):
            if row["percent"] * across > 12:
                x = panel[0] + across * (row["start"] + row["percent"] / 2 + 1)
                sheet.write(x, place, unbroken(number(row["count"], 0)), anchor="center", colour=KINDS[row["kind"]][1])
    return sheet
