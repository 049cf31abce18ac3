"""Share of people who gained at least each amount: every threshold at once."""

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.layout.letter_widths import text_width
from notebooks.figures.one_column import COLUMN, SMALL
from notebooks.figures.people.ordered_changes import Counted, in_words
from notebooks.figures.style import GREY, WIDTH, arm_cue, finish, pale, plain_text, signed, ticks, unbroken
from notebooks.show.names import Names
from notebooks.show.numbers import at_least, number, sizes
from outcomes import columns as c

LEVEL = {WIDTH: 16, COLUMN: 13}  # px of a line of counts over the panel
PANEL = {WIDTH: 228, COLUMN: 172}  # px, height of the panel
ENDS = {WIDTH: (66.0, WIDTH - 24.0), COLUMN: (52.0, COLUMN - 12.0)}


def cumulative_change(changes: pd.DataFrame, counted: Counted, names: Names) -> go.Figure | None:
    """A step line per arm from the worst change to the best; a thin line counts people without both scores as not.

    changes: frame of `stats.change_table`. counted: see `ordered_changes.Counted`.
    """
    known = changes[changes["missing"] == ""]
    if known.empty:
        return None
    first, arms = changes.iloc[0], names.arms(known[c.ARM])
    outcome, unit = str(first[c.OUTCOME]), str(first["unit"])
    figure, parts = go.Figure(), []
    for arm in arms:
        enrolled = int((changes[c.ARM] == arm).sum())
        part = _at_least(known.loc[known[c.ARM] == arm, "improvement"], arm, enrolled)
        parts.append(part)
        mark = arm_cue(names, arm)
        for share, width, kind in (("share_enrolled", 1.0, "enrolled"), ("share", 2.2, "observed")):
            if kind == "enrolled" and enrolled == part["n"].iloc[0]:
                continue
            figure.add_scatter(
                x=[*part["improvement"], part["improvement"].iloc[-1]],
                y=[*part[share], 0],
                mode="lines",
                meta=kind,
                showlegend=kind == "observed" and len(arms) > 1,
                line={"shape": "vh", "color": mark["colour"] if kind == "observed" else pale(mark["colour"], 0.6),
                      "dash": mark["dash"], "width": width},
                name=f"{plain_text(names.arm(arm))} (n = {part['n'].iloc[0]} of {enrolled})",
                hovertemplate="%{y:.0f} % gained %{x} or more<extra></extra>",
            )  # fmt: skip
    reach = float(known["improvement"].abs().max())
    drawn = counted.lines(reach)
    low, high = float(known["improvement"].min()), float(known["improvement"].max())
    room = 0.04 * (high - low or 1)
    span = (
        min(low, 0) - room,
        max([high, *(min(sizes(rule)) for rule in drawn["rule"])] if len(drawn) else [high]) + room,
    )
    figure.update_layout(showlegend=len(arms) > 1, **_layout(drawn, counted, names, arms, span, unit, WIDTH))
    digits = names.decimals(outcome)
    medians = "; ".join(
        (f"{names.arm(arm)} " if len(arms) > 1 else "")
        + signed(float(number(known.loc[known[c.ARM] == arm, "improvement"].median(), digits).replace("−", "-")))
        for arm in arms
    )
    thresholds = f"Lines: {in_words(drawn)}, with the counts of the arms. " if len(drawn) else ""
    return finish(
        figure,
        name=f"cumulative_change/{outcome}",
        title="Share who gained at least this",
        finding=f"{names.outcome(outcome)}, {names.visit(first['from_visit'])} to {names.visit(first['to_visit'])}: "
        f"median change {medians} {unit}.",
        caption=f"Share of the people with both values who gained at least the amount on the axis (n = {len(known)} of "
        f"{len(changes)} enrolled), from the worst change to the best. {thresholds}"
        "Thin lines, where drawn: of everybody enrolled, those without both values counted as not gained."
        + (" Lower scores are better: the sign is turned." if first["better"] == "lower" else ""),
        alt=f"Descending step lines from {signed(round(low, 3))} to {signed(round(high, 3))} {unit}.",
        points=pd.concat(parts, ignore_index=True),
        keys=[c.ARM, "improvement"],
        unit=unit,
        height=300 + LEVEL[WIDTH] * len(drawn),
        above=LEVEL[WIDTH] * len(drawn),
        edges={"l": 0, "r": 0, "b": 44},
        column=_layout(drawn, counted, names, arms, span, unit, COLUMN) | {"margin": {"l": 0, "r": 0, "b": 38}},
        column_height=210,
        column_above=LEVEL[COLUMN] * len(drawn),
    )


def _layout(drawn, counted, names, arms, span, unit: str, width: int) -> dict:
    """Axes, lines of the thresholds, and over them their counts, for one width."""
    small, (left, right) = (SMALL if width == COLUMN else 11), ENDS[width]
    at, words, shapes = ticks(span[0], span[1], 7 if width == COLUMN else 9), [], []
    for level, row in enumerate(drawn.to_dict("records") if len(drawn) else []):
        value = min(sizes(row["rule"]))
        up = LEVEL[width] * (len(drawn) - level)
        line = {"color": GREY, "width": 1, "dash": "solid" if level == 0 else "dash"}
        shapes.append({"type": "line", "xref": "x", "yref": "paper", "x0": value, "x1": value, "y0": 0,
                       "y1": 1 + (up - 4) / PANEL[width],
                       "line": line, "layer": "below"})  # fmt: skip
        own = counted.rows[counted.rows["threshold"] == row["threshold"]].set_index(c.ARM)
        told = ", ".join(
            f'<span style="color:{arm_cue(names, arm)["colour"]}">{int(own.loc[arm, "improved"])}'
            f" of {int(own.loc[arm, 'observed'])}</span>"
            for arm in arms if arm in own.index
        )  # fmt: skip
        text = unbroken(f"{at_least(row['rule'], row['unit'])}: {told}")
        place = left + (value - span[0]) / (span[1] - span[0]) * (right - left)
        before = place + text_width(text, small) > width - 4
        words.append(
            {"x": value, "xref": "x", "y": 1, "yref": "paper", "yanchor": "middle", "yshift": up - LEVEL[width] / 2,
             "xanchor": "right" if before else "left", "xshift": -3 if before else 3, "text": text, "showarrow": False,
             "font": {"size": small, "color": GREY}}
        )  # fmt: skip
    return {
        "xaxis": {"domain": [left / width, right / width], "range": list(span), "tickvals": at, "showgrid": False,
                  "ticktext": [signed(value) for value in at], "tickfont": {"size": small},
                  "title": {"text": f"Gain of at least, {unit}", "standoff": 4}},
        "yaxis": {"range": [-2, 104], "tickvals": [0, 25, 50, 75, 100], "tickfont": {"size": small},
                  "title": {"text": "People, %", "standoff": 6}},
        "annotations": words,
        "shapes": shapes,
    }  # fmt: skip


def _at_least(improvements: pd.Series, arm: str, enrolled: int) -> pd.DataFrame:
    """Each value that occurs and the percentage of people who gained at least that, of the observed and of all."""
    # Changes that differ in the last bits only (forces are means of trials) are one value.
    ordered = np.sort(improvements.to_numpy(dtype=float))
    _, first, counts = np.unique(np.round(ordered, 9), return_index=True, return_counts=True)
    above = np.cumsum(counts[::-1])[::-1]
    shares = {"share": 100 * above / len(improvements), "share_enrolled": 100 * above / enrolled}
    return pd.DataFrame({c.ARM: arm, "improvement": ordered[first]} | shares | {"n": len(improvements)})
