"""First and last repetition of passive motion, joined for every person, beside each other by visit."""

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.style import cue, faint, finish, plain_text
from notebooks.show.names import Names
from notebooks.show.numbers import number

APART = 0.3  # from the first to the last repetition, of the way between two visits


def stretch_lines(
    sets: pd.DataFrame, quantity: str, label: str, unit: str, digits: int, names: Names
) -> go.Figure | None:
    """Thin lines of people and thick ones of means for the motion and velocity most people have.

    sets: frame of `first_to_last` with `what`. quantity: "torque" or "degrees".
    """
    first, last = f"{quantity}_first", f"{quantity}_last"
    known = sets[sets[first].notna() & sets[last].notna()]
    if known.empty:
        return None
    known = known.assign(speed=known["velocity"].fillna(-1.0))
    people = known.groupby(["what", "speed"], sort=True)["participant"].nunique()
    what, speed = people.idxmax()
    rows = known[(known["what"] == what) & (known["speed"] == speed)].reset_index(drop=True)
    visits, conditions = names.visits(rows["visit"]), list(dict.fromkeys(rows["condition"]))
    figure, told = go.Figure(), []
    for place, condition in enumerate(conditions):
        mark, own = cue(place), rows[rows["condition"] == condition]
        shift = (place - (len(conditions) - 1) / 2) * 0.4
        xs: list[float | None] = []
        ys: list[float | None] = []
        for row in own.to_dict("records"):
            at = visits.index(row["visit"]) + shift
            xs += [at - APART / 2, at + APART / 2, None]
            ys += [row[first], row[last], None]
        figure.add_scatter(x=xs, y=ys, mode="lines", showlegend=False, hoverinfo="y",
                           line={"color": faint(mark["colour"], 0.35), "width": 1, "dash": mark["dash"]})  # fmt: skip
        means = own.groupby("visit")[[first, last]].mean()
        mx: list[float | None] = []
        my: list[float | None] = []
        for visit in (visit for visit in visits if visit in means.index):
            at = visits.index(visit) + shift
            mx += [at - APART / 2, at + APART / 2, None]
            my += [float(means.loc[visit, first]), float(means.loc[visit, last]), None]
        figure.add_scatter(
            x=mx, y=my, mode="lines+markers", name=plain_text(condition),
            line={"color": mark["colour"], "width": 3, "dash": mark["dash"]},
            marker={"size": 9, "color": mark["colour"], "symbol": mark["symbol"]},
        )  # fmt: skip
        at_last = own[own["visit"] == visits[-1]]
        if len(at_last):
            told.append(f"{condition} {number((at_last[last] - at_last[first]).mean(), digits)}")
    figure.update_layout(showlegend=True)
    figure.update_xaxes(
        tickvals=list(range(len(visits))), ticktext=[plain_text(names.visit(visit)) for visit in visits],
        range=[-0.6, len(visits) - 0.4], showgrid=False,
    )  # fmt: skip
    figure.update_yaxes(title=f"{label}, {unit}")
    speed_words = f" at {number(speed, 0)} degrees per second" if speed >= 0 else ""
    finding = (
        f"{label}, {what}{speed_words}: last minus first, {names.visit(visits[-1])}, mean {'; '.join(told)} {unit}"
    )
    return finish(
        figure,
        name=f"stretches/{quantity}",
        title=f"{label}, first and last repetition: {what}",
        finding=f"{finding}.",
        caption="At each visit the first repetition on the left, the last on the right; thin lines are people, thick "
        f"ones means. Unassisted: device off. n = {rows['participant'].nunique()}.",
        alt="Lines from first to last repetition by visit and condition.",
        points=rows[["participant", "visit", "condition", first, last]],
        keys=["participant", "visit", "condition"],
        unit=unit,
        height=380,
    )
