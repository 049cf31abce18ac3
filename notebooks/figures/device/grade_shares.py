"""How many digits are in each grade of motion, by visit, with and without the device."""

from collections.abc import Sequence

import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.style import finish, plain_text
from notebooks.show.names import Names

SHADES = ("#0b3c6f", "#5b83ad", "#b9c8d8", "#d9730d")  # best to worst, told apart in grey as well
PATTERNS = ("", "/", ".", "x")


def grade_shares(frame: pd.DataFrame, names: Names, order: Sequence[str]) -> go.Figure | None:
    """Stacked bars. frame: `graded_motion`. order: grades, best first."""
    rows = frame[frame["grade"] != ""] if len(frame) else frame
    if rows.empty:
        return None
    visits, conditions = names.visits(rows["visit"]), list(dict.fromkeys(rows["condition"]))
    bars = [(visit, condition) for visit in visits for condition in conditions]
    counts = rows.groupby(["visit", "condition", "grade"]).size()
    labels = [f"{names.visit(visit)}, {condition}" for visit, condition in bars]
    figure, points = go.Figure(), []
    for place, grade in enumerate(order):
        values = [int(counts.get((visit, condition, grade), 0)) for visit, condition in bars]
        points += [
            {"visit": visit, "condition": condition, "grade": grade, "digits": value}
            for (visit, condition), value in zip(bars, values, strict=True)
        ]
        figure.add_bar(
            y=[plain_text(label) for label in labels], x=values, orientation="h", name=grade,
            marker={"color": SHADES[place], "pattern": {"shape": PATTERNS[place]}},
            hovertemplate="%{y}: %{x}<extra></extra>",
        )  # fmt: skip
    figure.update_layout(barmode="stack", showlegend=True)
    figure.update_yaxes(autorange="reversed", showgrid=False)
    figure.update_xaxes(title="Digits", rangemode="tozero")
    last = rows[rows["visit"] == visits[-1]]
    best = []
    for condition in conditions:
        own = last.loc[last["condition"] == condition, "grade"]
        best.append(f"{condition} {int(own.isin(order[:2]).sum())} of {len(own)}")
    finding = f"Total active motion, {names.visit(visits[-1])}: digits graded good or better {', '.join(best)}"
    return finish(
        figure,
        name="motion_grades",
        title="Grades of total active motion",
        finding=f"{finding}.",
        caption=f"Digits in each grade; system {', '.join(sorted(set(rows['system'])))}. n = "
        f"{rows['participant'].nunique()} people.",
        alt="Stacked bars of grades by visit and condition.",
        points=pd.DataFrame(points),
        keys=["visit", "condition", "grade"],
        unit="digits",
        height=max(260, 100 + 34 * len(bars)),
    )
