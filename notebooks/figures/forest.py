"""How large, over all outcomes: effect sizes side by side, with n and the numbers in each outcome's own unit."""

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.layout.letter_widths import fit
from notebooks.figures.layout.text_columns import TextColumns, marker
from notebooks.figures.one_column import COLUMN, SMALL
from notebooks.figures.style import GREY, GRID, INK, WIDTH, arm_cue, finish, plain_text, signed, ticks, unbroken
from notebooks.show.names import Names
from notebooks.show.numbers import number
from outcomes import columns as c

POINTS = [c.OUTCOME, c.ARM, "n", "effect", "effect_low", "effect_high", "standardiser", "standardiser_value"]
RAW = ["estimate", "conf_low", "conf_high"]
INSIDE = (
    "Change inside each arm from baseline, complete pairs. It holds natural recovery and has no comparison in it. "
    "Indices with other standardisers differ."
)
KINDS = {"g_av": "Hedges' g, average SD", "d_av": "d, average SD", "d_z": "d of the changes",
         "srm": "standardised response mean", "baseline-sd": "baseline SD"}  # fmt: skip
WIDEST = 2.5  # the axis reaches at most so many times the largest effect; an interval that goes on ends in an arrow


def effect_forest(
    effects: pd.DataFrame,
    names: Names,
    *,
    caption: str = INSIDE,
    title: str = "Change inside arms, standardised",
    name: str | None = None,
    raw: pd.DataFrame | None = None,
) -> go.Figure:
    """One row per outcome; a mark with interval per arm, or for a comparison a diamond (primary) and circles.

    effects: one index and visit, with outcome, arm, n, kind, visit, effect, effect_low, effect_high, standardiser.
    caption: what is estimated; the interval level is added. name: of the figure, the index where not given.
    raw: of a comparison of two arms the numbers in the own unit: outcome, unit, estimate, conf_low, conf_high, and a
    column `change <arm>` per arm where there is one.
    """
    primary = names.protocol.primary
    order = list(dict.fromkeys(effects[c.OUTCOME]))
    order = [*(one for one in order if one == primary), *(one for one in order if one != primary)]
    arms = names.arms(effects[c.ARM])
    alone = len(arms) == 1
    limit = _limit(effects)
    figure = go.Figure()
    for place, arm in enumerate(arms):
        own = effects[effects[c.ARM] == arm]
        shift = (place - (len(arms) - 1) / 2) * (0.4 if len(arms) < 3 else 0.26)
        heights = np.array([order.index(outcome) + shift for outcome in own[c.OUTCOME]])
        for main in (True, False):
            part = (own[c.OUTCOME] == primary).to_numpy() == main
            mark = _cue(names, arm)
            if raw is not None or arm not in {one.id for one in names.protocol.arms}:
                mark = {"colour": INK, "symbol": "diamond" if main else "circle"} if alone else mark
            large = 11 if main and alone else 8
            _marks(figure, own[part], heights[part], mark, limit, plain_text(names.arm(arm)), large)
    first = effects.iloc[0]
    parts = (effects, order, arms, names, raw, limit)
    wide, narrow = _wide(*parts), _narrow(*parts)
    figure.update_layout(showlegend=False, **_axes(wide, limit, 11, first))
    top = effects[effects[c.OUTCOME] == order[0]]
    told = "; ".join(
        (f"{names.arm(row[c.ARM])} " if not alone else "") + f"{number(row['effect'], 2)} SD "
        f"({number(row['effect_low'], 2)} to {number(row['effect_high'], 2)})"
        for row in top.to_dict("records")
    )
    level = f"{names.protocol.level:.0%}".replace("%", " %")
    beyond = effects[(effects["effect_low"] < -limit) | (effects["effect_high"] > limit)]
    several = f" {len(order)} outcomes, no correction for their number." if len(order) > 1 else ""
    return finish(
        figure,
        name=f"effect_sizes/{name or first['kind']}",
        title=title,
        finding=f"Effect size to {names.visit(first[c.VISIT])}, {names.outcome(order[0])}: {told}.",
        caption=f"{caption} In units of the {first['standardiser']} ({KINDS.get(first['kind'], first['kind'])}); "
        f"positive is better everywhere; {level} intervals; n = {_span(effects['n'])}.{several}"
        + (" An arrow: the interval goes on beyond the axis." if len(beyond) else ""),
        alt=f"Forest of {len(order)} outcomes, {number(effects['effect'].min(), 2)} to "
        f"{number(effects['effect'].max(), 2)} SD.",
        points=_points(effects, raw),
        keys=[c.OUTCOME, c.ARM],
        unit="SD",
        height=wide.height + wide.head + 10,
        above=wide.head,
        edges={"l": 0, "r": 0, "b": wide.foot},
        column=_axes(narrow, limit, SMALL, first),
        column_height=narrow.height,
        column_above=narrow.head,
        column_legend=False,
    )


def _limit(effects: pd.DataFrame) -> float:
    """Half the width of the axis, which is the same on both sides of zero."""
    largest = float(effects["effect"].abs().max())
    ends = effects[["effect_low", "effect_high"]].abs().max().max()
    reach = float(ends) if np.isfinite(ends) else largest
    return 1.08 * max(min(reach, max(WIDEST * largest, 0.5)), 1.1 * largest, 0.1)


def _marks(figure: go.Figure, own: pd.DataFrame, heights: np.ndarray, mark, limit: float, name: str, size: int) -> None:
    if own.empty:
        return
    low, high = own["effect_low"].clip(lower=-limit), own["effect_high"].clip(upper=limit)
    figure.add_scatter(
        x=own["effect"], y=heights, mode="markers", name=name, showlegend=False, marker=marker(mark, size),
        error_x={"type": "data", "symmetric": False, "array": high - own["effect"], "arrayminus": own["effect"] - low,
                 "color": mark["colour"], "thickness": 2.4 if mark["symbol"] == "diamond" else 1.6, "width": 0},
        customdata=own[["n"]], hovertemplate="%{x:.2f} SD, n = %{customdata[0]}<extra></extra>",
    )  # fmt: skip
    for beyond, at, symbol in ((own["effect_low"] < -limit, -limit, "triangle-left"),
                               (own["effect_high"] > limit, limit, "triangle-right")):  # fmt: skip
        if beyond.any():
            figure.add_scatter(
                x=[at] * int(beyond.sum()), y=heights[beyond.to_numpy()], mode="markers", showlegend=False,
                meta="beyond", hoverinfo="skip", cliponaxis=False,
                marker={"symbol": symbol, "size": 9, "color": mark["colour"]},
            )  # fmt: skip


def _points(effects: pd.DataFrame, raw: pd.DataFrame | None) -> pd.DataFrame:
    points = effects[POINTS].reset_index(drop=True)
    if raw is None or raw.empty:
        return points
    kept = raw[[c.OUTCOME, "unit", *RAW, *(name for name in raw if name.startswith("change "))]]
    return points.merge(kept, on=c.OUTCOME, how="left")


def _cue(names: Names, arm: str) -> dict[str, str]:
    """The cue of an arm; of a comparison in words ("B minus A") that of the arm it is of."""
    compared = next((one.id for one in names.protocol.arms if arm.startswith(f"{one.label} minus ")), arm)
    return arm_cue(names, compared)


def _in_order(own: pd.DataFrame, arms: list[str]) -> pd.DataFrame:
    """Rows of one outcome, arms in the order of their marks."""
    return own.sort_values(c.ARM, key=lambda column: column.map(arms.index))


def _axes(sheet: TextColumns, limit: float, size: int, first: pd.Series) -> dict:
    axes = sheet.axes(-limit, limit)
    at = ticks(-limit, limit, 5)
    axes["xaxis"] |= {"tickvals": at, "ticktext": [signed(value) for value in at], "tickfont": {"size": size},
                      "showgrid": False, "title": {"text": "SD", "standoff": 2, "font": {"size": size}}}  # fmt: skip
    return axes


def _frame_of_panel(sheet: TextColumns, limit: float, names: Names, arms: list[str], raw: pd.DataFrame | None) -> None:
    for value in ticks(-limit, limit, 5):
        sheet.upright(value, -0.5, sheet.rows - 0.5, GREY if value == 0 else GRID)
    sheet.line(-0.5)
    compared = compared_arms(names, arms)
    if compared:
        room = (sheet.panel[1] - sheet.panel[0]) / 2 - 8
        left, right = (fit(f"favours {plain_text(names.arm(arm))}", room, sheet.size - 1) for arm in reversed(compared))
        sheet.favours(0, -limit, limit, left, right, -0.5)


def compared_arms(names: Names, arms: list[str]) -> list[str]:
    """The two arms of the one comparison drawn, the reference last; none where it is something else."""
    parallel = names.protocol.arms if not names.protocol.periods else ()
    order = [one.id for one in sorted(parallel, key=lambda one: one.reference)]
    alone = len(arms) == 1 and len(order) == 2 and arms[0] not in order
    return order if alone else []


def _wide(effects, order, arms, names: Names, raw, limit: float) -> TextColumns:
    size, right = 11, WIDTH - 128
    changes = [name for name in raw if name.startswith("change ")] if raw is not None else []
    with_raw = raw is not None and not raw.empty
    panel = (416.0 if with_raw and changes else 330.0 if with_raw else 250.0, float(right))
    row = 41 if len(arms) < 3 else 50
    sheet = TextColumns(WIDTH, size, panel, len(order), row, head=44, foot=40)
    _frame_of_panel(sheet, limit, names, arms, raw)
    level = f"{names.protocol.level:.0%}".replace("%", " %")
    sheet.over(2, "Outcome", colour=GREY)
    n_at = 162.0 if with_raw else 214.0
    sheet.over(n_at, "n", anchor="right", colour=GREY)
    sheet.over(WIDTH - 2, f"SD ({level})", anchor="right", colour=GREY)
    if len(arms) != 1 and not compared_arms(names, arms):
        _arm_key(sheet, arms, names)
    if with_raw:
        sheet.over(panel[0] - 12, f"{'Difference' if changes else 'Estimate'} ({level})", anchor="right", colour=GREY)
        for place, column in enumerate(changes):
            arm = column.removeprefix("change ")
            mark = arm_cue(names, arm)
            sheet.over(n_at + 44 + 46 * place, mark["sign"], anchor="right", colour=mark["colour"], bold=True)
        if changes:
            _arm_key(sheet, [column.removeprefix("change ") for column in changes], names, "change, ")
    for height, outcome in enumerate(order):
        own = _in_order(effects[effects[c.OUTCOME] == outcome], arms)
        main = outcome == names.protocol.primary
        unit = "" if raw is None else str(raw.loc[raw[c.OUTCOME] == outcome, "unit"].iloc[0])
        label = _label(names.outcome(outcome), n_at - 34, size, main)
        under = unit + (", primary" if main and unit else "primary" if main else "")
        sheet.write(
            2, height, label + (f'<br><span style="color:{GREY};font-size:9px">{under}</span>' if under else "")
        )
        counts = list(dict.fromkeys(str(int(n)) for n in own["n"]))
        sheet.write(n_at, height, "<br>".join(counts), anchor="right")
        for place, record in enumerate(own.to_dict("records")):
            lift = 0 if len(own) == 1 else (len(own) - 1) / 2 * 13 - 13 * place
            middle, low, high = (number(record[name], 2) for name in ("effect", "effect_low", "effect_high"))
            told = f"{middle} ({low} to {high})"
            colour = INK if len(own) == 1 else _cue(names, record[c.ARM])["colour"]
            sheet.write(WIDTH - 2, height, told, anchor="right", bold=main and len(own) == 1, lift=lift, colour=colour)
        if with_raw:
            line, digits = raw[raw[c.OUTCOME] == outcome].iloc[0], names.decimals(outcome)
            middle, low, high = (number(line[name], digits) for name in RAW)
            told = f"{middle} ({low} to {high})"
            sheet.write(panel[0] - 12, height, told, anchor="right", bold=main)
            for place, column in enumerate(changes):
                colour = arm_cue(names, column.removeprefix("change "))["colour"]
                value = number(line[column], digits)
                told = f"+{value}" if line[column] > 0 else value
                sheet.write(n_at + 44 + 46 * place, height, told, anchor="right", colour=colour)
    return sheet


def _narrow(effects, order, arms, names: Names, raw, limit: float) -> TextColumns:
    sheet = TextColumns(COLUMN, SMALL, (122.0, COLUMN - 76.0), len(order), 32, head=40, foot=34)
    _frame_of_panel(sheet, limit, names, arms, raw)
    sheet.over(2, "Outcome", colour=GREY)
    sheet.over(COLUMN - 2, f"SD ({names.protocol.level:.0%})".replace("%)", " %)"), anchor="right", colour=GREY)
    if len(arms) != 1:
        _arm_key(sheet, arms, names)
    for height, outcome in enumerate(order):
        own = _in_order(effects[effects[c.OUTCOME] == outcome], arms)
        main = outcome == names.protocol.primary
        sheet.write(2, height, _label(names.outcome(outcome), 112, SMALL, main))
        for place, record in enumerate(own.to_dict("records")):
            lift = 0 if len(own) == 1 else (len(own) - 1) / 2 * 12 - 12 * place
            ends = f"({number(record['effect_low'], 2)} to {number(record['effect_high'], 2)})"
            colour = INK if len(own) == 1 else _cue(names, record[c.ARM])["colour"]
            told = f"{number(record['effect'], 2)}<br>{ends}" if len(own) == 1 else number(record["effect"], 2)
            sheet.write(COLUMN - 2, height, told, anchor="right", bold=main and len(own) == 1, lift=lift, colour=colour)
    return sheet


def _arm_key(sheet: TextColumns, arms: list[str], names: Names, lead: str = "") -> None:
    """Which mark is which arm, on the line over the heads."""
    x = 2.0
    for arm in arms:
        mark = _cue(names, arm)
        text = f"{mark['sign']} {lead}{plain_text(names.arm(arm))}"
        sheet.over(x, text, colour=mark["colour"], bold=True, lift=28)
        x += sheet.text_room(text) + 16


def _label(text: str, room: float, size: int, bold: bool) -> str:
    """An outcome on at most two lines."""
    lines = fit(plain_text(text), room, size, bold).split("<br>")
    words = "<br>".join(lines[:2]) + (" \N{HORIZONTAL ELLIPSIS}" if len(lines) > 2 else "")
    return f"<b>{unbroken(words)}</b>" if bold else words


def _span(counts: pd.Series) -> str:
    """The smallest and the largest n, or the one there is."""
    return " to ".join(dict.fromkeys(f"{count:.0f}" for count in (counts.min(), counts.max())))
