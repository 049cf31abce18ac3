"""Published trials one below the other, the own pilot in its place, on the axis on which a difference matters."""

from math import isfinite

import pandas as pd
import plotly.graph_objects as go

from notebooks.application.gathered import Application
from notebooks.figures.one_column import wrap
from notebooks.figures.style import COLOURS, GREY, INK, faint, finish, plain_text
from notebooks.show.numbers import number, short

ASSUMED = "over the correlations assumed"


def published_forest(found: Application) -> go.Figure:
    """One line a trial, a band where a correlation is assumed; the pilot apart, a pooled line only if asked for."""
    level = found.study.protocol.level
    rows = _rows(found, level)
    digits = 1 if found.effects.unit != "SD" else 2
    figure = go.Figure()
    wide = rows[(rows["band_low"] < rows["conf_low"]) | (rows["band_high"] > rows["conf_high"])]
    if len(wide):
        _lines(figure, wide, "band_low", "band_high", {"color": faint(COLOURS[0], 0.35), "width": 9}, ASSUMED)
    looks = {
        "published": ("published trial", "circle", COLOURS[0], "solid"),
        "pooled": ("pooled", "diamond", INK, "solid"),
        "prediction": ("a new trial's true effect", "line-ns-open", GREY, "dot"),
        "pilot": ("this pilot", "square-open", COLOURS[1], "solid"),
    }  # fmt: skip
    for part, (name, symbol, colour, dash) in looks.items():
        own = rows[rows["part"] == part]
        if own.empty:
            continue
        _lines(figure, own, "conf_low", "conf_high", {"color": colour, "width": 2, "dash": dash}, None)
        figure.add_scatter(
            x=own["estimate"], y=own["place"], mode="markers", name=name, customdata=own[["label", "n"]],
            marker={"symbol": symbol, "size": 10, "color": colour, "line": {"width": 2, "color": colour}},
            hovertemplate="%{customdata[0]}: %{x}<extra></extra>",
        )  # fmt: skip
    figure.add_vline(x=0, line={"color": INK, "width": 1})
    unit = found.effects.unit or _unit(found)
    placed = found.important is not None and isfinite(found.important[2])
    if found.important is not None and placed:
        figure.add_vline(x=found.important[2], line={"color": GREY, "width": 1.5, "dash": "dash"})
        figure.add_annotation(
            x=found.important[2], y=-0.75, text=f"matters: {short(found.important[0].value)} {found.important[0].unit}",
            showarrow=False, font={"size": 12, "color": INK}, xanchor="left", xshift=4,
        )  # fmt: skip
    for row in rows.itertuples():
        text = f"{number(row.estimate, digits)} ({number(row.conf_low, digits)} to {number(row.conf_high, digits)})"
        figure.add_annotation(
            x=1.01,
            xref="paper",
            xanchor="left",
            y=row.place,
            text=text,
            showarrow=False,
            font={"size": 12, "color": INK},
        )
    last = int(rows["place"].max())
    labels = [plain_text(f"{row.label}, n = {row.n:.0f}" if row.n else row.label) for row in rows.itertuples()]
    narrow = [
        f"{wrap(plain_text(row.label), 22)}<br>{number(row.estimate, digits)} ({number(row.conf_low, digits)} to "
        f"{number(row.conf_high, digits)})"
        for row in rows.itertuples()
    ]
    figure.update_yaxes(
        tickvals=rows["place"].tolist(), ticktext=[wrap(label, 34) for label in labels], range=[last + 0.6, -1.1],
        showgrid=False,
    )  # fmt: skip
    better = f"Difference from control in {unit}" if found.effects.kind != "change" else f"Mean change in {unit}"
    ends = [*rows[["conf_low", "band_low"]].min(), *rows[["conf_high", "band_high"]].max(), 0.0]
    ends += [found.important[2]] if found.important and placed else []
    edge = 0.04 * (max(ends) - min(ends))
    figure.update_xaxes(title=f"{better}; to the right is better", range=[min(ends) - edge, max(ends) + edge])
    figure.update_layout(showlegend=False)
    published = rows[rows["part"] == "published"]
    title = (
        f"{found.outcome}: {len(published)} published trial{'s' if len(published) > 1 else ''}, "
        f"{number(published['estimate'].min(), digits)} to {number(published['estimate'].max(), digits)} {unit}"
        + (f"; this pilot {number(found.own.estimate, digits)}" if found.own else "")
    )
    lines = max(label.count("<br>") + 1 for label in narrow)
    return finish(
        figure,
        name="published_trials",
        title=title,
        caption=_caption(found, level, bool(len(wide))),
        alt=f"Forest plot, one line a trial. {title}.",
        points=rows.drop(columns=["place"]),
        keys=["label"],
        unit=unit,
        height=110 + 40 * len(rows),
        right=150,
        column={"margin": {"r": 12}, "yaxis": {"ticktext": narrow}, "annotations": _marks(figure)},
        column_height=96 + max(34, 13 * lines + 8) * len(rows),
    )


def _marks(figure: go.Figure) -> list[dict]:
    """What a column keeps of the annotations: the difference that matters; the numbers stand in the labels there."""
    kept = [mark.to_plotly_json() for mark in figure.layout.annotations if mark.xref != "paper"]
    return [mark | {"font": {"size": 9, "color": INK}} for mark in kept]


def _lines(figure: go.Figure, rows: pd.DataFrame, low: str, high: str, line: dict, name: str | None) -> None:
    x, y = [], []
    for row in rows.to_dict("records"):
        x += [row[low], row[high], None]
        y += [row["place"], row["place"], None]
    figure.add_scatter(
        x=x, y=y, mode="lines", line=line, name=name or "", showlegend=name is not None, hoverinfo="skip"
    )


def _rows(found: Application, level: float) -> pd.DataFrame:
    """One row a line of the figure, from the top."""
    columns = ["label", "n", "estimate", "conf_low", "conf_high", "band_low", "band_high", "part"]
    frame = found.effects.frame(level).rename(columns={"study": "label"})
    rows = frame.assign(part="published")[columns].to_dict("records")
    if found.pooled is not None:
        joint = found.pooled.frame(level).set_index("term")
        for term, label in (("pooled", "Pooled, random effects"), ("prediction", "Prediction for a new trial")):
            if term in joint.index:
                low, high = joint.loc[term, "conf_low"], joint.loc[term, "conf_high"]
                rows.append({"label": label, "n": 0, "estimate": joint.loc[term, "estimate"], "conf_low": low,
                             "conf_high": high, "band_low": low, "band_high": high, "part": term})  # fmt: skip
    if found.own is not None:
        own = found.own
        label = "This pilot" if found.wanted.with_pilot or found.pooled is None else "This pilot, not pooled"
        rows.append({"label": label, "n": own.n, "estimate": own.estimate, "conf_low": own.low,
                     "conf_high": own.high, "band_low": own.low, "band_high": own.high, "part": "pilot"})  # fmt: skip
    made = pd.DataFrame(rows, columns=columns)
    return made.assign(place=range(len(made)))


def _unit(found: Application) -> str:
    return str(found.plan.unit) if found.plan is not None else "its own unit"


def _caption(found: Application, level: float, assumed: bool) -> str:
    parts = [f"Interval {level:.0%}."]
    if assumed:
        grid = found.effects.grid
        parts.append(f"Pale bar: correlation of baseline and end assumed from {min(grid):g} to {max(grid):g}.")
    if found.important is not None and isfinite(found.important[2]):
        parts.append(f"Dashed: {found.important[1]}.")
    if found.pooled is None:
        parts.append("Nothing is pooled.")
    parts.append("The trials differ in people, dose and time since onset; the pilot's effect sizes no trial.")
    return " ".join(parts)
