"""Change of each person: in order with the thresholds, and as a cumulative distribution."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.one_column import labels_or_none
from notebooks.figures.style import GREY, INK, cue, faint, finish, plain_text
from notebooks.show.names import Names
from notebooks.show.numbers import at_least, number, short, sizes
from outcomes import columns as c

KEPT = [c.PARTICIPANT, c.ARM, "before", "after", "change", "improvement"]
FILLS = ("", "/", ".", "x")  # of the arms in turn: full, hatched, dotted, crossed
BAR = 0.85  # width of a bar where people stand 1 apart
PANEL = (600, 270)  # px of the panel, for hatches of about 45 degrees; on a narrow page they are steeper
APART = 6  # px between the lines of a hatch
FAR = 2  # times the largest change: thresholds beyond get no line


@dataclass(frozen=True)
class _About:
    """What the changes of one outcome have in common."""

    outcome: str
    unit: str
    visits: str
    axis: str
    enrolled: int


def _about(changes: pd.DataFrame, names: Names) -> tuple[pd.DataFrame, _About]:
    """People with both values, and what the figures say of the outcome."""
    first = changes.iloc[0]
    turned = "<br>(sign turned: lower scores are better)" if first["better"] == "lower" else ""
    about = _About(
        first[c.OUTCOME],
        first["unit"],
        f"{names.visit(first['from_visit'])} to {names.visit(first['to_visit'])}",
        f"Improvement, {first['unit']}{turned}",
        len(changes),
    )
    return changes[changes["missing"] == ""], about


def ordered_changes(changes: pd.DataFrame, thresholds: pd.DataFrame, names: Names) -> go.Figure | None:
    """One bar per person, ordered by improvement, with the published thresholds as lines both ways.

    changes: frame of `stats.change_table`. thresholds: frame with threshold, value, unit, quantity, rule, source.
    """
    known, about = _about(changes, names)
    if known.empty:
        return None
    rows = known.sort_values(["improvement", c.PARTICIPANT], ascending=[False, True], kind="stable")
    rows = rows.reset_index(drop=True).assign(place=np.arange(1, len(known) + 1))
    figure = go.Figure()
    arms = names.arms(rows[c.ARM])
    for order, arm in enumerate(arms):
        _bars(figure, rows[rows[c.ARM] == arm], plain_text(names.arm(arm)), order, rows["improvement"])
    drawn = _drawn(thresholds, rows["improvement"])
    figure.update_layout(shapes=_threshold_shapes(drawn, both_ways=True, on="y"), bargap=1 - BAR)
    _label_thresholds(figure, drawn, on="y")
    figure.update_layout(showlegend=len(arms) > 1)
    named = len(rows) <= 40
    figure.update_xaxes(
        title="Participants, from the largest improvement to the largest worsening",
        showgrid=False,
        tickvals=rows["place"] if named else None,
        ticktext=[plain_text(person) for person in rows[c.PARTICIPANT]] if named else None,
        tickangle=-90,
    )
    figure.update_yaxes(title=about.axis)
    better, worse = int((rows["improvement"] > 0).sum()), int((rows["improvement"] < 0).sum())
    found = f"{better} of {len(rows)} improved by any amount, {worse} worsened, {about.visits}"
    title = f"{names.outcome(about.outcome)}: {found}"
    return finish(
        figure,
        name=f"ordered_changes/{about.outcome}",
        title=title,
        caption=f"Each bar is one person (n = {len(rows)} with both values of {about.enrolled} enrolled). "
        f"{_threshold_words(thresholds, drawn)} An improvement of any size holds measurement error and natural "
        "recovery.",
        alt=f"Bar chart. {title}. Largest improvement {short(rows['improvement'].max())}, largest worsening "
        f"{short(-min(rows['improvement'].min(), 0))} {about.unit}.",
        points=rows[[*KEPT, "place"]],
        keys=[c.PARTICIPANT],
        unit=about.unit,
        height=390,
        right=56,
        column={"xaxis": labels_or_none(rows, 24), "margin": {"r": 34}},
    )


def _bars(figure: go.Figure, own: pd.DataFrame, label: str, order: int, everyone: pd.Series) -> None:
    colour, fill = cue(order)["colour"], FILLS[order % len(FILLS)]
    figure.add_bar(
        x=own["place"],
        y=own["improvement"],
        name=label,
        showlegend=False,
        offsetgroup="people",
        marker={"color": colour if not fill else "#ffffff", "line": {"color": colour, "width": 1.2}},
        customdata=own[[c.PARTICIPANT, "before", "after"]],
        hovertemplate="%{customdata[0]}: %{y} (from %{customdata[1]} to %{customdata[2]})<extra></extra>",
    )
    figure.add_bar(  # the legend's own mark: a single small pattern
        x=[None],
        y=[None],
        name=label,
        offsetgroup="people",
        marker={
            "color": colour if not fill else "#ffffff",
            "line": {"color": colour, "width": 1.2},
            "pattern": {"shape": fill, "fgcolor": colour, "size": 6},
        },
    )
    _hatch(figure, own, fill, colour, everyone)
    still = own[own["improvement"] == 0]  # a change of zero has no bar: a mark shows that the person is there
    figure.add_scatter(
        x=still["place"],
        y=still["improvement"],
        mode="markers",
        showlegend=False,
        hoverinfo="skip",
        marker={"color": colour, "symbol": cue(order)["symbol"], "size": 6},
    )


def _hatch(figure: go.Figure, own: pd.DataFrame, fill: str, colour: str, everyone: pd.Series) -> None:
    """The bars' second cue as lines and points. A pattern of plotly's would be a bitmap in every bar of a PDF."""
    tall = max(everyone.max(), 0) - min(everyone.min(), 0)
    if not fill or not tall:
        return
    step = APART * tall / PANEL[1]  # in units of the axis
    rise = BAR / (len(everyone) + 1) * PANEL[0] * tall / PANEL[1]  # of a line at 45 degrees across a bar
    x: list[float | None] = []
    y: list[float | None] = []
    for place, end in zip(own["place"], own["improvement"], strict=True):
        low, high = min(end, 0), max(end, 0)
        if fill == ".":
            dots = np.arange(low + step / 2, high, step)
            x += [place] * len(dots)
            y += dots.tolist()
            continue
        for start in np.arange(low - rise, high, step):
            inside = np.clip(np.array([low, high]), start, start + rise)
            across = BAR * (inside - start) / rise
            for left in (across - BAR / 2, BAR / 2 - across) if fill == "x" else (across - BAR / 2,):
                x += [*(place + left).tolist(), None]
                y += [*inside.tolist(), None]
    figure.add_scatter(
        x=x,
        y=y,
        mode="markers" if fill == "." else "lines",
        line={"color": colour, "width": 1},
        marker={"color": colour, "size": 2},
        meta="hatch",
        showlegend=False,
        hoverinfo="skip",
    )


def _threshold_shapes(thresholds: pd.DataFrame, *, both_ways: bool, on: str) -> list[dict]:
    """Zero, dashed lines at each threshold, and a band from the smallest to the largest."""
    across = "x" if on == "y" else "y"
    whole = {f"{across}0": 0, f"{across}1": 1, f"{across}ref": "paper", "layer": "below"}
    shapes = [whole | {"type": "line", f"{on}0": 0, f"{on}1": 0, "line": {"color": INK, "width": 1}}]
    values = _all_sizes(thresholds)
    for sign in (1, -1) if both_ways else (1,):
        if len(values) > 1:
            band = {f"{on}0": sign * values[0], f"{on}1": sign * values[-1], "line": {"width": 0}}
            shapes.append(whole | band | {"type": "rect", "fillcolor": faint(GREY, 0.13)})
        for value in values:
            line = {"color": GREY, "width": 1, "dash": "dash"}
            shapes.append(whole | {"type": "line", f"{on}0": sign * value, f"{on}1": sign * value, "line": line})
    return shapes


def _all_sizes(thresholds: pd.DataFrame) -> list[float]:
    return sorted({size for rule in thresholds["rule"] for size in sizes(rule)})


def _drawn(thresholds: pd.DataFrame, improvement: pd.Series) -> pd.DataFrame:
    """Thresholds that get a line: in the unit of the axis, and not far beyond the largest change.

    A percentage of each person's own baseline has no one place; a far line would leave no room to read the changes.
    """
    near = [min(sizes(rule)) <= FAR * improvement.abs().max() for rule in thresholds["rule"]]
    absolute = ~thresholds["unit"].astype(str).str.startswith("%")
    return thresholds[absolute & pd.Series(near, thresholds.index, dtype=bool)]


def _label_thresholds(figure: go.Figure, thresholds: pd.DataFrame, *, on: str) -> None:
    """The smallest and the largest threshold in numbers: more would not fit; the caption and the table name all."""
    values = _all_sizes(thresholds)
    for value in dict.fromkeys([values[0], values[-1]] if values else []):
        place = {"x": 1, "xref": "paper", "xanchor": "left", "y": value, "yanchor": "middle", "xshift": 4}
        if on == "x":
            place = {"y": 1, "yref": "paper", "yanchor": "bottom", "x": value, "xanchor": "center"}
        figure.add_annotation(**place, text=short(value), showarrow=False, font={"size": 11, "color": INK})


def _threshold_words(thresholds: pd.DataFrame, drawn: pd.DataFrame) -> str:
    if thresholds.empty:
        return "No published threshold of this outcome is known to the kit."
    lines, others = (
        "; ".join(
            f"{at_least(row['rule'], row['unit'])} ({row['quantity']}, {row['source']})"
            for row in thresholds[chosen].to_dict("records")
        )
        for chosen in (thresholds.index.isin(drawn.index), ~thresholds.index.isin(drawn.index))
    )
    told = [f"Dashed lines: {lines}."] if lines else []
    return " ".join([*told, f"Without a line (far beyond the changes, or by each one's baseline): {others}."]
                    if others else told)  # fmt: skip


def cumulative_change(changes: pd.DataFrame, thresholds: pd.DataFrame, names: Names) -> go.Figure | None:
    """Share of people who improved by at least each amount, as steps, one line per arm: every threshold at once."""
    known, about = _about(changes, names)
    if known.empty:
        return None
    figure, parts = go.Figure(), []
    arms = names.arms(known[c.ARM])
    for order, arm in enumerate(arms):
        part = _at_least(known.loc[known[c.ARM] == arm, "improvement"], arm)
        parts.append(part)
        mark = cue(order)
        figure.add_scatter(
            x=[*part["improvement"], part["improvement"].iloc[-1]],
            y=[*part["share"], 0],
            mode="lines+markers",
            line={"shape": "vh", "color": mark["colour"], "dash": mark["dash"], "width": 2},
            marker={"symbol": mark["symbol"], "size": 7, "color": mark["colour"]},
            name=f"{plain_text(names.arm(arm))} (n = {part['n'].iloc[0]})",
            hovertemplate="%{y:.0f} % improved by %{x} or more<extra></extra>",
        )
    drawn = _drawn(thresholds, known["improvement"])
    figure.update_layout(shapes=_threshold_shapes(drawn, both_ways=False, on="x"))
    _label_thresholds(figure, drawn, on="x")
    figure.update_layout(showlegend=len(arms) > 1)
    figure.update_xaxes(title=about.axis, showgrid=False)
    figure.update_yaxes(title="Participants who improved<br>by at least this, %", range=[-2, 104])
    digits = names.decimals(about.outcome)
    middle = {arm: number(known.loc[known[c.ARM] == arm, "improvement"].median(), digits) for arm in arms}
    medians = "; ".join(f"{names.arm(arm)} {value}" if len(arms) > 1 else value for arm, value in middle.items())
    title = f"{names.outcome(about.outcome)}: median improvement {medians} {about.unit}, {about.visits}"
    return finish(
        figure,
        name=f"cumulative_change/{about.outcome}",
        title=title,
        caption="Share of the people with both values who improved by at least the value on the horizontal axis "
        f"(n = {len(known)} of {about.enrolled} enrolled). {_threshold_words(thresholds, drawn)}",
        alt=f"Descending step curve, one per arm. {title}; from {short(known['improvement'].min())} to "
        f"{short(known['improvement'].max())}.",
        points=pd.concat(parts, ignore_index=True),
        keys=[c.ARM, "improvement"],
        unit=about.unit,
        height=370,
        above=18 if len(drawn) else 0,
    )


def _at_least(improvements: pd.Series, arm: str) -> pd.DataFrame:
    """Each value that occurs and the percentage of people who improved by at least that."""
    # Changes that differ in the last bits only (forces are means of trials) are one value.
    ordered = np.sort(improvements.to_numpy(dtype=float))
    _, first, counts = np.unique(np.round(ordered, 9), return_index=True, return_counts=True)
    share = 100 * np.cumsum(counts[::-1])[::-1] / len(improvements)
    return pd.DataFrame({c.ARM: arm, "improvement": ordered[first], "share": share, "n": len(improvements)})
