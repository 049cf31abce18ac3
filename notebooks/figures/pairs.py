"""What does the aid add, or how far is the affected hand from the other: paired differences of each person."""

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.layout.dot_columns import TALL, DotColumn, aside, dot_layout, foot
from notebooks.figures.layout.text_columns import marker
from notebooks.figures.one_column import COLUMN
from notebooks.figures.style import INK, WIDTH, arm_cue, finish, plain_text
from notebooks.show.names import Names
from notebooks.show.numbers import number
from outcomes import columns as c

POINTS = [c.PARTICIPANT, c.ARM, c.VISIT, "first", "second", "difference"]


def paired_scores(
    scores: pd.DataFrame, means: pd.DataFrame, names: Names, between: str, wanted: str
) -> go.Figure | None:
    """A dot per person and column, a column per visit and arm; a diamond with interval for the mean; the line is none.

    scores: one outcome with `which` naming the two ("unassisted"/"assisted" or "other"/"affected", in this order).
    means: frame of `stats.compare_within_visit`: arm, visit, what, n, estimate, conf_low, conf_high. wanted: the visit
    the study speaks of; the first visit stands beside it. None where nobody has both values at either.
    """
    second, first = list(dict.fromkeys(scores["which"]))
    rows = scores[scores[c.VALUE].notna()]
    outcome, unit = str(rows[c.OUTCOME].iloc[0]), str(rows["unit"].iloc[0] or "")
    better = str(rows["better"].iloc[0])
    table = rows.pivot_table(index=[c.PARTICIPANT, c.ARM, c.VISIT], columns="which", values=c.VALUE, observed=True)
    table = table.reindex(columns=[second, first]).dropna().reset_index()
    if table.empty:
        return None
    sign = -1 if better == "lower" else 1
    table = table.rename(columns={first: "first", second: "second"})
    table = table.assign(difference=sign * (table["first"] - table["second"]))
    seen = names.visits(table[c.VISIT])
    visits = list(dict.fromkeys([seen[0], wanted if wanted in seen else seen[-1]]))
    table = table[table[c.VISIT].isin(visits)]
    arms, digits = names.arms(table[c.ARM]), names.decimals(outcome)
    known = means[(means["what"] == "difference") & (means["n"] > 0)]
    known = known.assign(**{c.ARM: known[c.ARM].astype(str)}).set_index([c.ARM, c.VISIT])
    ends = [0.0, *table["difference"]]
    room = 0.07 * ((max(ends) - min(ends)) or 1.0)
    span = (min(ends) - room, max(ends) + room)
    figure, columns, groups = go.Figure(), [], []
    for group, visit in enumerate(visits):
        start = group * (len(arms) + 0.8)
        groups.append((start + (len(arms) - 1) / 2, names.visit(visit)))
        for place, arm in enumerate(arms):
            own, mark = table[(table[c.ARM] == arm) & (table[c.VISIT] == visit)], arm_cue(names, arm)
            if own.empty:
                continue
            figure.add_scatter(
                x=start + place - 0.08 + aside(own["difference"], span[1] - span[0]), y=own["difference"],
                mode="markers", meta="people", showlegend=False, name=plain_text(names.arm(arm)),
                marker=marker(mark, 6) | {"opacity": 1}, customdata=own[[c.PARTICIPANT]],
                hovertemplate="%{customdata[0]}: %{y}<extra></extra>",
            )  # fmt: skip
            told = f"n = {len(own)}"
            if (arm, visit) in known.index:
                row = known.loc[(arm, visit)]
                figure.add_scatter(
                    x=[start + place + 0.36], y=[row["estimate"]], mode="markers", meta="mean", showlegend=False,
                    marker={"symbol": "diamond", "size": 9, "color": INK}, hoverinfo="y",
                    error_y={"type": "data", "symmetric": False, "array": [row["conf_high"] - row["estimate"]],
                             "arrayminus": [row["estimate"] - row["conf_low"]], "color": INK, "thickness": 1.6,
                             "width": 0},
                )  # fmt: skip
                low, high = (number(row[name], digits) for name in ("conf_low", "conf_high"))
                told = f"{number(row['estimate'], digits)} ({low} to {high}) {told}"
            label = f"{mark['sign']} {plain_text(names.arm(arm))} " if len(arms) > 1 else ""
            columns.append(DotColumn(start + place, f"{label}{told}", mark["colour"]))
    axis = f"{first.capitalize()} minus {second}" + (f", {unit}" if unit else "")
    layouts = {width: dot_layout(columns, groups, span, axis, width, change=True, line=0) for width in (WIDTH, COLUMN)}
    figure.update_layout(showlegend=False, **layouts[WIDTH])
    level = f"{names.protocol.level:.0%}".replace("%", " %")
    parts = []
    for arm in arms:
        if (arm, visits[-1]) in known.index:
            row = known.loc[(arm, visits[-1])]
            ends_ = " to ".join(number(row[name], digits) for name in ("conf_low", "conf_high"))
            lead = f"{names.arm(arm)} " if len(arms) > 1 else ""
            parts.append(f"{lead}{number(row['estimate'], digits)} {unit} ({ends_})")
    return finish(
        figure,
        name=f"pairs/{between}/{outcome}",
        title=f"{first.capitalize()} and {second}",
        finding=f"{names.outcome(outcome)}, {first} minus {second}, {names.visit(visits[-1])}: mean "
        f"{'; '.join(parts) if parts else number(table['difference'].mean(), digits)}.",
        caption=f"One dot per person with both values at the visit (n = {table[c.PARTICIPANT].nunique()}); diamonds: "
        f"means with {level} intervals; the line: no difference. Positive: the first is better"
        + ("; lower scores are better, the sign is turned." if better == "lower" else "."),
        alt=f"Dots of paired differences at {len(visits)} visits.",
        points=table[POINTS],
        keys=[c.PARTICIPANT, c.VISIT],
        unit=unit,
        height=TALL[WIDTH] + foot(columns, WIDTH) + 14,
        above=4,
        edges={"l": 0, "r": 0, "b": foot(columns, WIDTH)},
        column=layouts[COLUMN] | {"margin": {"l": 0, "r": 0, "b": foot(columns, COLUMN)}},
        column_height=TALL[COLUMN] + foot(columns, COLUMN),
        column_above=6,
    )
