"""How many passed, at whose threshold: a table of thresholds with counts, shares and differences beside it."""

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.layout.letter_widths import fit, text_width
from notebooks.figures.layout.text_columns import TextColumns, marker
from notebooks.figures.one_column import COLUMN, SMALL
from notebooks.figures.style import GREY, GRID, INK, WIDTH, ZERO, arm_cue, finish, plain_text, unbroken
from notebooks.show.authors import author_year
from notebooks.show.names import Names
from notebooks.show.numbers import at_least, number, short, sizes
from outcomes import columns as c

POINTS = [c.ARM, "threshold", "value", "quantity", "source", "improved", "n", "missing", "enrolled", "share",
          "share_low", "share_high"]  # fmt: skip
GROUPS = ("Named in the protocol", "Published, same population or mixed", "Published in another population or phase")
HEADING = 0.8  # of a row
ROW = {WIDTH: 29, COLUMN: 30}


@dataclass(frozen=True)
class _Line:
    """One threshold, or the heading of a group (no key), at a height in rows."""

    height: float
    key: str
    text: str = ""


def responder_shares(
    counts: pd.DataFrame, differences: pd.DataFrame, names: Names, groups: Mapping[str, int]
) -> go.Figure:
    """One row per threshold: value, what it is, source, counts by arm, shares with intervals, their difference.

    counts: one outcome and visit, with arm, threshold, value, rule, unit, quantity, source, improved, n, missing,
    enrolled, share, share_low, share_high (percent). differences: arm, threshold, estimate, conf_low, conf_high
    (between 0 and 1) of two arms; empty where there are not two. groups: threshold -> place in GROUPS.
    """
    rows = counts.assign(group=counts["threshold"].map(groups)).sort_values(
        ["group", "value", "threshold"], kind="stable"
    )
    first, arms = rows.iloc[0], names.arms(rows[c.ARM])
    outcome, unit = str(first[c.OUTCOME]), str(first["unit"])
    reached = rows.groupby("threshold")["improved"].transform("sum") > 0
    drawn = rows[reached | (rows["group"] == 0)]
    drawn = rows if drawn.empty else drawn
    nobody = rows[~rows["threshold"].isin(drawn["threshold"])].drop_duplicates("threshold")
    lines = _lines(drawn)
    heights = {line.key: line.height for line in lines if line.key}
    figure = go.Figure()
    for place, arm in enumerate(arms):
        own = drawn[(drawn[c.ARM] == arm) & (drawn["n"] > 0)]  # nobody observed: no share, the counts beside say so
        mark = arm_cue(names, arm)
        shift = (place - (len(arms) - 1) / 2) * (0.4 if len(arms) < 3 else 0.26)
        figure.add_scatter(
            x=own["share"],
            y=[heights[key] + shift for key in own["threshold"]],
            mode="markers",
            cliponaxis=False,
            name=plain_text(names.arm(arm)),
            showlegend=False,
            marker=marker(mark, 8),
            error_x={"type": "data", "symmetric": False, "array": own["share_high"] - own["share"],
                     "arrayminus": own["share"] - own["share_low"], "color": mark["colour"], "thickness": 1.5,
                     "width": 0},
            customdata=own[["improved", "n"]],
            hovertemplate="%{customdata[0]} of %{customdata[1]}: %{x:.0f} %<extra></extra>",
        )  # fmt: skip
    parts = (lines, drawn, differences, arms, names, nobody, unit)
    wide, narrow = _wide(*parts), _narrow(*parts)
    figure.update_layout(showlegend=False, **_axes(wide, 11))
    main = drawn[drawn["threshold"] == drawn["threshold"].iloc[0]].set_index(c.ARM)
    told = "; ".join(
        f"{names.arm(arm) + ' ' if len(arms) > 1 else ''}{int(main.loc[arm, 'improved'])} of {int(main.loc[arm, 'n'])}"
        for arm in arms if arm in main.index
    )  # fmt: skip
    rule, level = drawn.iloc[0], f"{names.protocol.level:.0%}".replace("%", " %")
    missing = "; ".join((f"{names.arm(arm)} " if len(arms) > 1 else "") + f"{int(main.loc[arm, 'missing'])} of "
                        f"{int(main.loc[arm, 'enrolled'])}" for arm in arms if arm in main.index)  # fmt: skip
    as_not = "; ".join(f"{int(main.loc[arm, 'improved'])} of {int(main.loc[arm, 'enrolled'])}" for arm in arms
                       if arm in main.index)  # fmt: skip
    of_groups = drawn["quantity"].str.contains("group").any()
    return finish(
        figure,
        name=f"responder_shares/{outcome}",
        title="Who passed, at whose threshold",
        finding=f"{names.outcome(outcome)}, {names.visit(first[c.VISIT])}: {told} gained "
        f"{at_least(rule['rule'], rule['unit'])} ({rule['quantity']}, {author_year(rule['source'])}).",
        caption=f"Counts of the people with both values; shares with {level} intervals (Wilson score)"
        + (", differences in percentage points (pp; Newcombe)" if len(differences) else "")
        + f". Missing: {missing}; with the missing as not passed {as_not}."
        + (
            " Lines that name a group mean were published for the mean of a group, not for a person."
            if of_groups
            else ""
        )
        + " A share past a threshold does not say who responded to the treatment.",
        alt=f"Table with shares and intervals, {len(heights)} thresholds.",
        points=rows[POINTS],
        keys=[c.ARM, "threshold"],
        unit=unit,
        height=wide.height + wide.head + 10,
        above=wide.head,
        edges={"l": 0, "r": 0, "b": wide.foot},
        column=_axes(narrow, SMALL),
        column_height=narrow.height,
        column_above=narrow.head,
        column_legend=False,
    )


def _lines(drawn: pd.DataFrame) -> list[_Line]:
    made: list[_Line] = []
    at, group = 0.0, None
    for row in drawn.drop_duplicates("threshold").to_dict("records"):
        if row["group"] != group:
            group = row["group"]
            made.append(_Line(at - 0.5 + HEADING / 2, "", GROUPS[int(group)]))
            at += HEADING
        made.append(_Line(at, row["threshold"]))
        at += 1
    return made


def _rows_of(lines: list[_Line]) -> float:
    return sum(1 if line.key else HEADING for line in lines)


def _axes(sheet: TextColumns, size: int) -> dict:
    axes = sheet.axes(-3, 103)
    axes["xaxis"] |= {"tickvals": [0, 25, 50, 75, 100], "tickfont": {"size": size}, "showgrid": False}
    return axes


def _key(sheet: TextColumns, arms: list[str], names: Names, lift: float) -> None:
    """Which sign is which arm, on one line over the table."""
    if len(arms) < 2:
        return
    x = 2.0
    for arm in arms:
        mark = arm_cue(names, arm)
        text = f"{mark['sign']} {plain_text(names.arm(arm))}"
        sheet.over(x, text, colour=mark["colour"], bold=True, lift=lift)
        x += text_width(text, sheet.size, bold=True) + 18


def _panel(sheet: TextColumns, rows: float) -> None:
    for value in (0, 25, 50, 75, 100):
        sheet.upright(value, -0.5, rows - 0.5, ZERO if value == 0 else GRID)
    sheet.line(-0.5)


def _told(nobody: pd.DataFrame, unit: str) -> str:
    if nobody.empty:
        return ""
    values = [short(size) for size in sorted({size for rule in nobody["rule"] for size in sizes(rule)})]
    listed = " and ".join([", ".join(values[:-1]), values[-1]]) if len(values) > 1 else values[0]
    return f"{listed} {unit}, published elsewhere: nobody."


def _difference(differences: pd.DataFrame, key: str) -> tuple[str, str]:
    own = differences[differences["threshold"] == key] if len(differences) else differences
    if own.empty or pd.isna(own["estimate"].iloc[0]):
        return "", ""
    middle, low, high = (number(100 * own[name].iloc[0], 0) for name in ("estimate", "conf_low", "conf_high"))
    return middle, f"({low} to {high})"


def _wide(lines, drawn, differences, arms, names, nobody, unit) -> TextColumns:
    counts = 352.0 + (0 if len(arms) < 3 else 40)  # right end of the last column of counts
    right = WIDTH - (126 if len(differences) else 16)
    sheet = TextColumns(WIDTH, 11, (counts + 16, right), _rows_of(lines), ROW[WIDTH], head=48 if len(arms) > 1 else 32,
                        foot=44)  # fmt: skip
    _panel(sheet, sheet.rows)
    _key(sheet, arms, names, 36)
    for x, text in ((2, f"Gain, {unit}"), (76, "What"), (158, "Source")):
        sheet.over(x, text, colour=GREY)
    sheet.over((sheet.panel[0] + right) / 2, "Share who gained this, %", anchor="center", colour=GREY)
    if len(differences):
        sheet.over(WIDTH - 2, f"Difference, pp ({names.protocol.level:.0%})".replace("%)", " %)"), anchor="right",
                   colour=GREY)  # fmt: skip
    for place, arm in enumerate(arms):
        sheet.over(_count_at(counts, place, len(arms)), arm_cue(names, arm)["sign"] if len(arms) > 1 else "Passed",
                   anchor="right", colour=arm_cue(names, arm)["colour"], bold=True)  # fmt: skip
    known = drawn.drop_duplicates("threshold").set_index("threshold")
    for line in lines:
        if not line.key:
            sheet.write(2, line.height, line.text, bold=True)
            continue
        row = known.loc[line.key]
        value = at_least(row["rule"], "").strip()
        sheet.write(2, line.height, fit(value, 72, 11))
        sheet.write(76, line.height, fit(plain_text(_what(row["quantity"])), 80, 11), colour=GREY)
        source, room = plain_text(author_year(row["source"])), counts - 158 - 50 * len(arms)
        smaller = 0 if text_width(source, 11) <= room else 2
        words = fit(source if smaller else unbroken(source), room + 3 * smaller, 11 - smaller)
        sheet.write(158, line.height, words, colour=GREY, smaller=smaller)
        _counts(
            sheet, line, drawn, arms, names, [_count_at(counts, place, len(arms)) for place in range(len(arms))], " of "
        )
        middle, ends = _difference(differences, line.key)
        sheet.write(WIDTH - 2, line.height, f"{middle} {ends}", anchor="right")
    sheet.write(2, sheet.rows - 0.5, fit(_told(nobody, unit), sheet.panel[0] - 16, 11), lift=-16, colour=GREY)
    return sheet


def _narrow(lines, drawn, differences, arms, names, nobody, unit) -> TextColumns:
    counts = 158.0 + (0 if len(arms) < 3 else 24)
    right = COLUMN - (66 if len(differences) else 14)
    sheet = TextColumns(COLUMN, SMALL, (counts + 10, right), _rows_of(lines), ROW[COLUMN],
                        head=44 if len(arms) > 1 else 30, foot=40)  # fmt: skip
    _panel(sheet, sheet.rows)
    _key(sheet, arms, names, 34)
    sheet.over(2, f"Gain, {unit}", colour=GREY)
    sheet.over((sheet.panel[0] + right) / 2, "Share, %", anchor="center", colour=GREY)
    if len(differences):
        sheet.over(COLUMN - 2, "Diff., pp", anchor="right", colour=GREY)
    ends = [_count_at(counts, place, len(arms), 34) for place in range(len(arms))]
    for place, arm in enumerate(arms):
        sheet.over(ends[place], arm_cue(names, arm)["sign"] if len(arms) > 1 else "", anchor="right",
                   colour=arm_cue(names, arm)["colour"], bold=True)  # fmt: skip
    known = drawn.drop_duplicates("threshold").set_index("threshold")
    for line in lines:
        if not line.key:
            sheet.write(2, line.height, line.text, bold=True)
            continue
        row = known.loc[line.key]
        what = f"{at_least(row['rule'], '').strip()} {_what(row['quantity']).split()[0]}"
        room = counts - 34 * len(arms) - 4
        source = plain_text(author_year(row["source"]))
        if text_width(source, SMALL) > room:  # the first word and the year
            source = f"{source.split()[0]} \N{HORIZONTAL ELLIPSIS} {source.split()[-1]}"
        told = f"{fit(what, room, SMALL)}<br>{unbroken(source)}"
        sheet.write(2, line.height, told, colour=INK)
        _counts(sheet, line, drawn, arms, names, ends, "/")
        sheet.write(COLUMN - 2, line.height, "<br>".join(_difference(differences, line.key)), anchor="right")
    sheet.write(2, sheet.rows - 0.5, fit(_told(nobody, unit), sheet.panel[0] - 14, SMALL), lift=-20, colour=GREY)
    return sheet


def _what(quantity: str) -> str:
    return quantity.replace(" individual", "")


def _count_at(last: float, place: int, arms: int, apart: float = 50) -> float:
    return last - apart * (arms - 1 - place)


def _counts(sheet: TextColumns, line: _Line, drawn, arms, names, ends, between: str) -> None:
    own = drawn[drawn["threshold"] == line.key].set_index(c.ARM)
    for arm, x in zip(arms, ends, strict=True):
        if arm in own.index:
            text = f"{int(own.loc[arm, 'improved'])}{between}{int(own.loc[arm, 'n'])}"
            sheet.write(x, line.height, text, anchor="right", colour=arm_cue(names, arm)["colour"], bold=True)
