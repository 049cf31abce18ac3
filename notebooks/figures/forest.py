"""Effect sizes of all outcomes side by side."""

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.style import INK, cue, finish, plain_text, wrap
from notebooks.show.names import Names
from notebooks.show.numbers import number
from outcomes import columns as c

POINTS = [c.OUTCOME, c.ARM, "n", "effect", "effect_low", "effect_high", "standardiser", "standardiser_value"]

INSIDE = (
    "Change inside each arm from baseline, complete pairs; positive is better. It holds natural recovery and has no "
    "comparison. Indices with other standardisers differ."
)


def effect_forest(
    effects: pd.DataFrame, names: Names, *, caption: str = INSIDE, what: str | None = None, name: str | None = None
) -> go.Figure:
    """One line per outcome, one marker with interval per arm (or comparison); positive is better.

    effects: one index and visit, with outcome, arm, n, kind, visit, effect, effect_low, effect_high, standardiser.
    caption: what is estimated; the interval level is added. what: of which effect, in the title. name: of the figure,
    the index where not given.
    """
    order = list(dict.fromkeys(effects[c.OUTCOME]))
    labels, narrow = (
        [wrap(plain_text(names.outcome(outcome)), characters) for outcome in order] for characters in (30, 21)
    )
    arms = names.arms(effects[c.ARM])
    figure = go.Figure()
    for place, arm in enumerate(arms):
        own = effects[effects[c.ARM] == arm]
        mark = cue(place)
        shift = (place - (len(arms) - 1) / 2) * 0.24
        figure.add_scatter(
            x=own["effect"],
            y=[order.index(outcome) + shift for outcome in own[c.OUTCOME]],
            mode="markers",
            name=plain_text(names.arm(arm)),
            marker={"symbol": mark["symbol"], "size": 9, "color": mark["colour"]},
            error_x={
                "type": "data",
                "symmetric": False,
                "array": own["effect_high"] - own["effect"],
                "arrayminus": own["effect"] - own["effect_low"],
                "color": mark["colour"],
                "thickness": 1.5,
            },
            customdata=own[["n"]],
            hovertemplate="%{x:.2f} SD, n = %{customdata[0]}<extra></extra>",
        )
    first = effects.iloc[0]
    figure.add_vline(x=0, line={"color": INK, "width": 1})
    figure.update_yaxes(
        tickvals=list(range(len(order))),
        ticktext=labels,
        range=[len(order) - 0.4, -0.6],
        showgrid=False,
    )
    figure.update_xaxes(title=f"{first['kind']}: improvement in units of the {first['standardiser']}")
    figure.update_layout(showlegend=len(arms) > 1)
    low, high = effects["effect"].min(), effects["effect"].max()
    title = (
        f"Effect size {what or first['kind'] + ' of the change'} to {names.visit(first[c.VISIT])}: {number(low, 2)} to "
        f"{number(high, 2)} across {len(order)} outcome{'s' if len(order) > 1 else ''}"
    )
    return finish(
        figure,
        name=f"effect_sizes/{name or first['kind']}",
        title=title,
        caption=f"{caption} n = {_span(effects['n'])}. Interval {names.protocol.level:.0%}.",
        alt=f"Dot plot with intervals, one line per outcome. {title}.",
        points=effects[POINTS],
        keys=[c.OUTCOME, c.ARM],
        unit="SD",
        height=120 + max(48, 16 * _most_lines(labels) + 10) * len(order),
        column={"yaxis": {"ticktext": narrow}},
        column_height=80 + max(40, 13 * _most_lines(narrow) + 8) * len(order),
    )


def _most_lines(labels: list[str]) -> int:
    return max(label.count("<br>") + 1 for label in labels)


def _span(counts: pd.Series) -> str:
    """The smallest and the largest n, or the one there is."""
    return " to ".join(dict.fromkeys(f"{count:.0f}" for count in (counts.min(), counts.max())))
