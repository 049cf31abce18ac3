"""The main result under other choices: one interval per choice, the protocol's marked."""

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.style import COLOURS, GREY, INK, finish, plain_text, wrap
from notebooks.show.names import Names
from notebooks.show.numbers import number
from outcomes import columns as c

PROTOCOL = {"symbol": "diamond", "size": 12, "color": COLOURS[1]}
OTHER = {"symbol": "circle", "size": 7, "color": COLOURS[0]}
ROW = 22  # px per line of the figure
NARROW_ROW, NARROW_LABEL, NARROW_MARGIN = 25, 26, 50  # px, characters and px where the figure has one column
POINTS = ["choice", "option", "comparison", "is_protocol", "n", "estimate", "conf_low", "conf_high"]


def answers_figure(answers: pd.DataFrame, names: Names, visit: str, better: str) -> go.Figure:
    """One line per option under the name of its choice; a vertical line at the protocol's estimate.

    answers: one comparison, with outcome, choice, option, drawn_as, comparison, comparison_label, quantity, unit, n,
    estimate, conf_low, conf_high, is_protocol; NaN where a choice was refused.
    """
    first = answers.iloc[0]
    outcome, digits = str(first[c.OUTCOME]), names.decimals(str(first[c.OUTCOME]))
    figure = _intervals(answers, answers["drawn_as"].tolist())
    own = answers.loc[answers["is_protocol"] & answers["estimate"].notna(), "estimate"]
    others = answers.loc[~answers["is_protocol"], "estimate"].dropna()
    if len(own):
        line = {"color": COLOURS[1], "width": 1.5, "dash": "dash"}
        figure.add_vline(x=own.iloc[0], line=line, layer="below")
    figure.update_xaxes(title=f"{first['quantity'].capitalize()}, {first['unit']}")
    at = f", {names.visit(visit)}" if visit else ""
    compared = f", {first['comparison_label']}" if first["comparison_label"] else ""
    main = f"{number(own.iloc[0], digits)} by the protocol" if len(own) else "no answer by the protocol"
    range_ = (
        f", {number(others.min(), digits)} to {number(others.max(), digits)} by other choices" if len(others) else ""
    )
    title = f"{names.outcome(outcome)}{at}{compared}: {main}{range_} ({first['unit']})"
    way = "; lower is better, so a minus sign is an improvement" if better == "lower" else ""
    return finish(
        figure,
        name=f"what_if/{first['comparison'] or 'change'}",
        title=title,
        caption=f"One choice changed at a time, everything else as in the protocol{way}. Diamonds and the dashed line: "
        f"the protocol's choice; intervals {names.protocol.level:.0%}. Of the answers without one person, the lowest "
        "and the highest are drawn; all are in the table. A choice made by looking here would be no choice.",
        alt=f"Dot plot with intervals, one line per choice. {title}.",
        points=answers[POINTS],
        keys=["choice", "option", "comparison"],
        unit=first["unit"],
        height=110 + ROW * (len(answers) + answers["choice"].nunique()),
        right=70,
        **_narrow(figure, len(answers) + answers["choice"].nunique()),
    )


def shares_figure(shares: pd.DataFrame, names: Names, visit: str) -> go.Figure:
    """The share that improved, or its difference between arms, over the thresholds by size.

    shares: one comparison, as for `answers_figure`, with the threshold key in option and its value.
    """
    first, outcome = shares.iloc[0], str(shares[c.OUTCOME].iloc[0])
    percent = shares.assign(**{name: 100 * shares[name] for name in ("estimate", "conf_low", "conf_high")})
    unit = "percentage points" if " - " in first["comparison"] else "%"
    labels = [f"{value:g}  {option}" for value, option in zip(shares["value"], shares["option"], strict=True)]
    figure = _intervals(percent, labels)
    figure.update_xaxes(title=f"{first['quantity'].capitalize()}, {unit}")
    at = f", {names.visit(visit)}" if visit else ""
    compared = f", {first['comparison_label']}" if first["comparison_label"] else ""
    low, high = (number(end, 0) for end in (percent["estimate"].min(), percent["estimate"].max()))
    title = f"{names.outcome(outcome)}{at}{compared}: {first['quantity']} {low} to {high} {unit}, by the threshold"
    return finish(
        figure,
        name=f"what_if_shares/{first['comparison'] or 'share'}",
        title=title,
        caption=f"Published thresholds by size; people with both values; intervals {names.protocol.level:.0%}. "
        "Diamonds: thresholds of the protocol. A share past a threshold says nothing of who responded.",
        alt=f"Dot plot with intervals, one line per threshold. {title}.",
        points=percent[[*POINTS, "value"]].rename(
            columns={
                "estimate": "share",
                "conf_low": "share_low",
                "conf_high": "share_high",
                "value": "threshold_value",
            }
        ),
        keys=["choice", "option", "comparison"],
        unit=unit,
        height=110 + ROW * (len(shares) + 1),
        right=70,
        **_narrow(figure, len(shares) + 1),
    )


def _narrow(figure: go.Figure, lines: int) -> dict:
    """What differs in one column: labels on two lines, and room for the word beside the protocol's rows."""
    words = [wrap(text, NARROW_LABEL) for text in figure.layout.yaxis.ticktext]
    changes = {"margin": {"r": NARROW_MARGIN}, "yaxis": {"ticktext": words}}
    return {"column": changes, "column_height": 60 + NARROW_ROW * lines, "column_above": 8}


def _intervals(rows: pd.DataFrame, labels: list[str]) -> go.Figure:
    """Markers with intervals, the name of each choice above its options; refused choices keep an empty line."""
    figure = go.Figure()
    heights, ticks, words, line = [], [], [], 0
    choice = None
    for name, label in zip(rows["choice"], labels, strict=True):
        if name != choice:
            ticks.append(line)
            words.append(f"<b>{plain_text(str(name)).capitalize()}</b>")
            choice, line = name, line + 1
        heights.append(line)
        ticks.append(line)
        words.append(plain_text(label) if len(label) <= 48 else wrap(plain_text(label), 48).replace("<br>", "<br>  "))
        line += 1
    placed = rows.assign(height=heights)
    for is_protocol, mark in ((False, OTHER), (True, PROTOCOL)):
        own = placed[(placed["is_protocol"] == is_protocol) & placed["estimate"].notna()]
        figure.add_scatter(
            x=own["estimate"],
            y=own["height"],
            mode="markers",
            name="protocol" if is_protocol else "other choice",
            marker=mark,
            error_x={
                "type": "data",
                "symmetric": False,
                "array": own["conf_high"] - own["estimate"],
                "arrayminus": own["estimate"] - own["conf_low"],
                "color": mark["color"],
                "thickness": 2 if is_protocol else 1.2,
            },
            customdata=own[["n"]],
            hovertemplate="%{x:.2f}, n = %{customdata[0]}<extra></extra>",
        )
    for row in placed.to_dict("records"):
        refused = pd.isna(row["estimate"])
        if refused or row["is_protocol"]:
            figure.add_annotation(
                x=1.01,
                xref="paper",
                xanchor="left",
                y=row["height"],
                text="not run" if refused else "protocol",
                showarrow=False,
                font={"size": 11, "color": GREY if refused else INK},
            )
    figure.add_vline(x=0, line={"color": INK, "width": 1})
    figure.update_yaxes(tickvals=ticks, ticktext=words, range=[line - 0.4, -0.6], showgrid=False)
    figure.update_layout(showlegend=False)
    return figure
