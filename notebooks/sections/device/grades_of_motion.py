"""Grades of total active motion, digit by digit, with and without the device."""

import pandas as pd

from notebooks.figures.device.grade_shares import grade_shares
from notebooks.show.exhibits import Exhibits, gather, together
from notebooks.show.names import Names
from notebooks.show.tables import Table
from outcomes import Study
from outcomes.scoring.motion_grades import graded_motion

ORDER = ("excellent", "good", "fair", "poor")
NONE = "grades of total active motion: study.toml names no grading system ([total_motion]), and none were written down."


def grades_table(study: Study) -> Exhibits | Table:
    """Digits in each grade at each visit and condition; the file lists every digit."""
    frame, names = graded_motion(study), Names(study.protocol)
    if frame.empty:
        return gather((), (NONE,))
    made = []
    for (digit, condition, system, visit), own in frame.groupby(["digit", "condition", "system", "visit"], sort=False):
        counts = own["grade"].value_counts()
        reasons = own.loc[own["grade"] == "", "reason"].value_counts()
        made.append(
            {"digit": digit, "condition": condition, "system": system, "visit": visit, "n": len(own),
             **{grade: int(counts.get(grade, 0)) for grade in ORDER}, "median": own["total"].median(),
             "percent": own["percent"].median(),
             "without": "; ".join(f"{why} ({count})" for why, count in reasons.items())}
        )  # fmt: skip
    order = {visit: place for place, visit in enumerate(names.visits(row["visit"] for row in made))}
    made.sort(key=lambda row: (row["digit"], row["condition"], order[row["visit"]]))
    return Table(
        "motion_grades",
        "Grades of total active motion",
        names.labelled(pd.DataFrame(made)),
        {"Digit": "{digit}", "Condition": "{condition}", "Visit": "{visit_label}", "Excellent": "{excellent}",
         "Good": "{good}", "Fair": "{fair}", "Poor": "{poor}", "Median total, degrees": "{median}",
         "Median, %": "{percent}", "Digits": "{n}", "System": "{system}", "No grade": "{without}"},
        keys=("digit", "condition", "system", "visit"),
        group="Digit",
        decimals=0,
        notes=("Made for flexor tendon repair; the grading systems disagree, so a grade is read with its system. "
               "Grades are ranks and are not averaged. With and without the device are two things.",),
    )  # fmt: skip


def grades_figure(study: Study):
    """Shares of the grades by visit."""
    return grade_shares(graded_motion(study), Names(study.protocol), ORDER)


def grades(study: Study) -> Exhibits:
    """The figure and the table."""
    return together(grades_figure(study), grades_table(study))
