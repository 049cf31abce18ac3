"""Two scores of the same person at the same visit, joined by a line."""

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.style import INK, cue, faint, finish, plain_text, wrap
from notebooks.show.names import Names
from notebooks.show.numbers import number
from outcomes import columns as c

APART = 0.22  # of the way between two visits
BESIDE = 0.07  # the same, from arm to arm: means of two arms at one place would hide each other


def paired_scores(scores: pd.DataFrame, means: pd.DataFrame, names: Names, between: str) -> go.Figure:
    """Per visit two positions, a thin line per person between them, the means of complete pairs in front.

    scores: one outcome with `which` naming the two ("unassisted"/"assisted" or "other"/"affected", in this order).
    means: frame of `stats.compare_within_visit`: arm, visit, what, n, mean_first, mean_second, estimate.
    """
    rows = scores[scores[c.VALUE].notna()]
    first = rows.iloc[0]
    which = list(dict.fromkeys(scores["which"]))
    visits = names.visits(rows[c.VISIT])
    arms = names.arms(rows[c.ARM])
    figure = go.Figure()
    for place, arm in enumerate(arms):
        mark, own = cue(place), rows[rows[c.ARM] == arm]
        shift = (place - (len(arms) - 1) / 2) * BESIDE
        xs: list[float | None] = []
        ys: list[float | None] = []
        for _, pair in own.groupby([c.VISIT, c.PARTICIPANT], sort=True):
            ordered = pair.sort_values("which", key=lambda column: column.map(which.index))
            middle = visits.index(pair[c.VISIT].iloc[0]) + shift
            xs += [middle + _side(value, which) for value in ordered["which"]]
            ys += [*ordered[c.VALUE]]
            xs.append(None)
            ys.append(None)
        figure.add_scatter(
            x=xs, y=ys, mode="lines+markers", showlegend=False, hoverinfo="y",
            line={"color": faint(mark["colour"], 0.35), "width": 1, "dash": mark["dash"]},
            marker={"size": 4, "color": faint(mark["colour"], 0.5), "symbol": mark["symbol"]},
        )  # fmt: skip
        average = means[(means[c.ARM].astype(str) == arm) & (means["what"] == "difference") & (means["n"] > 0)]
        mx: list[float | None] = []
        my: list[float | None] = []
        for row in average.to_dict("records"):
            middle = visits.index(row[c.VISIT]) + shift
            mx += [middle - APART, middle + APART, None]
            my += [row["mean_second"], row["mean_first"], None]
        figure.add_scatter(
            x=mx, y=my, mode="lines+markers", name=f"{plain_text(names.arm(arm))}, mean",
            line={"color": mark["colour"], "width": 3, "dash": mark["dash"]},
            marker={"size": 10, "color": mark["colour"], "symbol": mark["symbol"]},
        )  # fmt: skip
    figure.update_xaxes(
        tickvals=[place + side for place in range(len(visits)) for side in (-APART, APART)],
        ticktext=[word for _ in visits for word in which],
        tickangle=-45 if len(visits) > 3 else 0,
        range=[-0.5, len(visits) - 0.5],
        showgrid=False,
    )
    heads = [
        {"x": place, "y": 1, "yref": "paper", "yanchor": "bottom", "showarrow": False,
         "text": wrap(plain_text(names.visit(visit)), 16), "font": {"size": 12, "color": INK}}
        for place, visit in enumerate(visits)
    ]  # fmt: skip
    figure.update_layout(annotations=heads)
    short_heads = [wrap(plain_text(names.visit(visit)), 9) for visit in visits]
    figure.update_yaxes(title=first["unit"] or "value, without a unit")
    figure.update_layout(showlegend=True)
    last = means[(means["what"] == "difference") & (means[c.VISIT] == visits[-1])]
    digits = names.decimals(first[c.OUTCOME])
    told = "; ".join(
        f"{names.arm(str(row['arm'])) + ' ' if len(arms) > 1 else ''}{number(row['estimate'], digits)}"
        for row in last.to_dict("records")
    )
    title = f"{names.outcome(first[c.OUTCOME])}: {which[1]} minus {which[0]}, {names.visit(visits[-1])}, mean {told} "
    return finish(
        figure,
        name=f"pairs/{between}/{first[c.OUTCOME]}",
        title=f"{title}{first['unit']}",
        caption="Thin lines join the two scores of one person at one visit; thick lines are means of the complete "
        "pairs; the arms are set slightly apart. Where lower scores are better, a positive mean in the table still "
        f"means that the first is better. n = {rows[c.PARTICIPANT].nunique()}.",
        alt=f"Pairs of points joined by lines at each visit. {title}{first['unit']}.",
        points=rows[[c.PARTICIPANT, c.ARM, c.VISIT, "which", c.VALUE]],
        keys=[c.PARTICIPANT, c.VISIT, "which"],
        unit=first["unit"],
        height=400,
        above=20 if max(len(names.visit(visit)) for visit in visits) <= 16 else 36,
        column={
            "xaxis": {"tickangle": -90},
            "annotations": [
                head | {"text": text, "font": {"size": 9, "color": INK}}
                for head, text in zip(heads, short_heads, strict=True)
            ],
        },
        column_above=4 + 12 * (1 + max(text.count("<br>") for text in short_heads)),
    )


def _side(value: str, which: list[str]) -> float:
    return APART if which.index(value) else -APART
