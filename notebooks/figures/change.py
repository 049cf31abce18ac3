"""Change of each person: in order with the thresholds, and as a cumulative distribution."""

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.style import GREY, INK, cue, faint, finish, plain_text
from notebooks.names import Names
from notebooks.tables import number, short
from outcomes import columns as c

KEPT = [c.PARTICIPANT, c.ARM, "before", "after", "change", "improvement"]


def _complete(changes: pd.DataFrame) -> tuple[pd.DataFrame, dict]:
    """People with both values, and what the figure says of the outcome."""
    first = changes.iloc[0]
    known = changes[changes["missing"] == ""]
    return known, {
        "outcome": first[c.OUTCOME],
        "unit": first["unit"],
        "from": first["from_visit"],
        "to": first["to_visit"],
        "lower": first["better"] == "lower",
        "enrolled": len(changes),
    }


def _improvement_axis(about: dict) -> str:
    turned = " (sign turned: lower scores are better)" if about["lower"] else ""
    return f"Improvement, {about['unit']}{turned}"


def ordered_changes(changes: pd.DataFrame, thresholds: pd.DataFrame, names: Names) -> go.Figure | None:
    """One bar per person, ordered by improvement, with the published thresholds as lines both ways.

    changes: frame of `stats.change_table`. thresholds: frame with threshold, value, quantity, source.
    """
    known, about = _complete(changes)
    if known.empty:
        return None
    rows = known.sort_values(["improvement", c.PARTICIPANT], ascending=[False, True], kind="stable")
    rows = rows.reset_index(drop=True).assign(place=np.arange(1, len(known) + 1))
    figure = go.Figure()
    arms = names.arms(rows[c.ARM])
    for order, arm in enumerate(arms):
        own = rows[rows[c.ARM] == arm]
        mark = cue(order)
        figure.add_bar(
            x=own["place"],
            y=own["improvement"],
            name=plain_text(names.arm(arm)),
            marker={"color": mark["colour"] if order % 2 == 0 else faint(mark["colour"], 0.55),
                    "line": {"color": mark["colour"], "width": 1.2},
                    "pattern": {"shape": ("", "/", ".", "x")[order % 4], "fgcolor": mark["colour"], "size": 5}},
            customdata=own[[c.PARTICIPANT, "before", "after"]],
            hovertemplate="%{customdata[0]}: %{y} (from %{customdata[1]} to %{customdata[2]})<extra></extra>",
        )  # fmt: skip
        _zeros(figure, own, mark)
    _threshold_lines(figure, thresholds, horizontal=True)
    figure.update_layout(bargap=0.15, showlegend=len(arms) > 1, legend={"orientation": "h", "y": -0.18, "x": 0})
    figure.update_xaxes(title="Participants, from the largest improvement to the largest worsening", showgrid=False,
                        tickvals=rows["place"] if len(rows) <= 40 else None,
                        ticktext=rows[c.PARTICIPANT] if len(rows) <= 40 else None, tickangle=-90)  # fmt: skip
    figure.update_yaxes(title=_improvement_axis(about), zeroline=True, zerolinecolor=INK)
    better, worse = int((rows["improvement"] > 0).sum()), int((rows["improvement"] < 0).sum())
    title = (
        f"{names.outcome(about['outcome'])}: {better} of {len(rows)} improved by any amount, {worse} worsened, "
        f"{names.visit(about['from'])} to {names.visit(about['to'])}"
    )
    caption = (
        f"Each bar is one person (n = {len(rows)} with both values of {about['enrolled']} enrolled). "
        f"{_threshold_words(thresholds)} An improvement of any size holds measurement error and natural recovery."
    )
    return finish(
        figure,
        name=f"ordered_changes/{about['outcome']}",
        title=title,
        caption=caption,
        alt=f"Bar chart. {title}. Largest improvement {short(rows['improvement'].max())}, largest worsening "
        f"{short(rows['improvement'].min())} {about['unit']}.",
        points=rows[[*KEPT, "place"]],
        keys=[c.PARTICIPANT],
        unit=about["unit"],
        height=430,
    )


def _zeros(figure: go.Figure, own: pd.DataFrame, mark: dict[str, str]) -> None:
    """A change of zero has no bar: a marker shows that the person is there."""
    still = own[own["improvement"] == 0]
    if len(still):
        figure.add_scatter(
            x=still["place"], y=still["improvement"], mode="markers", showlegend=False, hoverinfo="skip",
            marker={"color": mark["colour"], "symbol": "line-ew-open", "size": 9},
        )  # fmt: skip


def _threshold_lines(figure: go.Figure, thresholds: pd.DataFrame, *, horizontal: bool) -> None:
    """Dashed lines at plus and minus each threshold, the band between the smallest and the largest shaded."""
    if thresholds.empty:
        return
    low, high = thresholds["value"].min(), thresholds["value"].max()
    add_band = figure.add_hrect if horizontal else figure.add_vrect
    add_line = figure.add_hline if horizontal else figure.add_vline
    for sign in (1, -1):
        if high > low:
            ends = sorted((sign * low, sign * high))
            side = {"y0": ends[0], "y1": ends[1]} if horizontal else {"x0": ends[0], "x1": ends[1]}
            add_band(**side, fillcolor=faint(GREY, 0.14), line_width=0, layer="below")
        for value in sorted(thresholds["value"].unique()):
            place = {"y": sign * value} if horizontal else {"x": sign * value}
            label = {"annotation_text": short(value), "annotation_font_size": 11} if sign == 1 else {}
            add_line(**place, line={"color": GREY, "width": 1, "dash": "dash"}, layer="below", **label)


def _threshold_words(thresholds: pd.DataFrame) -> str:
    if thresholds.empty:
        return "No published threshold of this outcome is known to the kit."
    listed = "; ".join(
        f"{row['rule']} {row['unit']} ({row['quantity']}, {row['source']})" for row in thresholds.to_dict("records")
    )
    return f"Dashed lines, in both directions: {listed}."


def cumulative_change(changes: pd.DataFrame, thresholds: pd.DataFrame, names: Names) -> go.Figure | None:
    """Share of people who improved by at least each amount, as steps, one line per arm: every threshold at once."""
    known, about = _complete(changes)
    if known.empty:
        return None
    figure, parts = go.Figure(), []
    arms = names.arms(known[c.ARM])
    ends = []
    for order, arm in enumerate(arms):
        own = known.loc[known[c.ARM] == arm, "improvement"].sort_values().to_numpy()
        values, counts = np.unique(own, return_counts=True)
        share = 100 * np.cumsum(counts[::-1])[::-1] / len(own)  # of those with both values, improved by >= value
        part = pd.DataFrame({c.ARM: arm, "improvement": values, "share": share, "n": len(own)})
        parts.append(part)
        mark = cue(order)
        figure.add_scatter(
            x=[*values, values[-1]],
            y=[*share, 0],
            mode="lines+markers",
            line={"shape": "vh", "color": mark["colour"], "dash": mark["dash"], "width": 2},
            marker={"symbol": mark["symbol"], "size": 6, "color": mark["colour"]},
            name=plain_text(names.arm(arm)),
            hovertemplate="%{y:.0f} % improved by %{x} or more<extra></extra>",
        )
        ends.append((values[0], len(own)))
    _threshold_lines(figure, thresholds, horizontal=False)
    figure.update_layout(showlegend=len(arms) > 1, legend={"orientation": "h", "y": -0.2, "x": 0})
    figure.update_xaxes(title=_improvement_axis(about), showgrid=False)
    figure.update_yaxes(title="Participants who improved by at least this, %", range=[-2, 104])
    median = known["improvement"].median()
    title = (
        f"{names.outcome(about['outcome'])}: half of the {len(known)} participants improved by "
        f"{number(median, names.decimals(about['outcome']))} {about['unit']} or more"
    )
    return finish(
        figure,
        name=f"cumulative_change/{about['outcome']}",
        title=title,
        caption=(
            f"Share with an improvement of at least the value on the horizontal axis, {names.visit(about['from'])} to "
            f"{names.visit(about['to'])}, people with both values "
            f"({', '.join(f'{names.arm(arm)} n = {n}' for arm, (_, n) in zip(arms, ends, strict=True))}). "
            f"{_threshold_words(thresholds)}"
        ),
        alt=f"Descending step curve per arm. {title}; range {short(known['improvement'].min())} to "
        f"{short(known['improvement'].max())}.",
        points=pd.concat(parts, ignore_index=True),
        keys=[c.ARM, "improvement"],
        unit=about["unit"],
    )
