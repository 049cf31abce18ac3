"""Shares of people past each published threshold, with intervals."""

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.style import cue, finish, plain_text, wrap
from notebooks.show.names import Names
from notebooks.show.numbers import at_least, number
from outcomes import columns as c

POINTS = [c.ARM, "threshold", "value", "quantity", "source", "improved", "n", "share", "share_low", "share_high"]


def responder_shares(counts: pd.DataFrame, names: Names) -> go.Figure:
    """One row per threshold, one marker with interval per arm; the denominator is the people with both values.

    counts: one outcome and visit, with arm, threshold, value, rule, unit, quantity, source, improved, n, share,
    share_low, share_high (percent).
    """
    rows = counts.sort_values(["value", "threshold"], kind="stable")
    order = list(dict.fromkeys(rows["threshold"]))
    first = rows.iloc[0]
    arms = names.arms(rows[c.ARM])
    figure = go.Figure()
    for place, arm in enumerate(arms):
        own = rows[rows[c.ARM] == arm].set_index("threshold").loc[order].reset_index()
        mark = cue(place)
        shift = (place - (len(arms) - 1) / 2) * 0.22
        heights = [order.index(key) + shift for key in own["threshold"]]
        figure.add_scatter(
            x=own["share"],
            y=heights,
            mode="markers",
            name=plain_text(names.arm(arm)),
            marker={"symbol": mark["symbol"], "size": 9, "color": mark["colour"]},
            error_x={
                "type": "data",
                "symmetric": False,
                "array": own["share_high"] - own["share"],
                "arrayminus": own["share"] - own["share_low"],
                "color": mark["colour"],
                "thickness": 1.5,
            },
            customdata=own[["improved", "n"]],
            hovertemplate="%{customdata[0]} of %{customdata[1]}: %{x:.0f} %<extra></extra>",
        )
    labels = rows.drop_duplicates("threshold").set_index("threshold").loc[order]
    told = [
        (plain_text(f"{at_least(row['rule'], row['unit'])} {row['quantity']}"), plain_text(row["source"]))
        for row in labels.to_dict("records")
    ]
    text = [f"{what}<br><i>{source}</i>" for what, source in told]
    figure.update_yaxes(tickvals=list(range(len(order))), ticktext=text, range=[len(order) - 0.4, -0.6], showgrid=False)
    figure.update_xaxes(title="Participants who improved by the threshold, %", range=[-2, 102])
    figure.update_layout(showlegend=len(arms) > 1)
    low, high = rows["share"].min(), rows["share"].max()
    ends = dict.fromkeys((number(low, 0), number(high, 0)))
    how = "depending on the threshold" if len(ends) > 1 else "whichever the threshold"
    found = f"{' % to '.join(ends)} % improved, {how}, {names.visit(first[c.VISIT])}"
    title = f"{names.outcome(first[c.OUTCOME])}: {found}"
    counted = "; ".join(f"{names.arm(arm)} n = {int(rows.loc[rows[c.ARM] == arm, 'n'].iloc[0])}" for arm in arms)
    of_groups = labels[labels["quantity"].str.contains("group")]
    groups = (
        ""
        if of_groups.empty
        else (" Lines marked group mean were published for the mean of a group and do not say who changed.")
    )
    return finish(
        figure,
        name=f"responder_shares/{first[c.OUTCOME]}",
        title=title,
        caption=f"Share of the people with both values ({counted}), interval {names.protocol.level:.0%}. Each line is "
        f"one published threshold with its source; populations differ, see the table.{groups}",
        alt=f"Dot plot with intervals, one line per threshold. {title}.",
        points=rows[POINTS],
        keys=[c.ARM, "threshold"],
        unit=first["unit"],
        height=130 + 44 * len(order),
        column={"yaxis": {"ticktext": [f"{wrap(what, 18)}<br><i>{source}</i>" for what, source in told]}},
    )
