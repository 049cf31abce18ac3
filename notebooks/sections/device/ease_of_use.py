"""How easy was the device to use, and how hard the tasks with it, at every visit?"""

import pandas as pd

from notebooks.analysis import Analysis
from notebooks.figures.device.ratings_by_visit import ratings_by_visit
from notebooks.show.exhibits import Exhibits, gather, together
from notebooks.show.names import Names
from notebooks.show.numbers import short
from notebooks.show.tables import Table
from outcomes import Study
from outcomes import columns as c

SCORED = ("sus.total", "workload_raw.total", "workload_weighted.total")
NONE = "ease of use: neither device_ratings nor a score of usability or workload is there."
EVERY = 12  # people up to whom every value is printed


def rated(analysis: Analysis) -> pd.DataFrame:
    """Long rows of all ratings: participant, visit, respondent, rating, unit, value."""
    scores = analysis.scores
    own = scores[scores[c.OUTCOME].isin(SCORED) & scores[c.VALUE].notna()]
    names = Names(analysis.study.protocol)
    parts = [
        own.assign(rating=own[c.OUTCOME].map(names.outcome), respondent="participant")[
            [c.PARTICIPANT, c.VISIT, "respondent", "rating", "unit", c.VALUE]
        ]
    ]
    table = analysis.study.device_ratings
    if len(table):
        who = table["respondent"].replace("", "participant")
        share = 100 * table["tasks_done"] / table["tasks_tried"].where(table["tasks_tried"] > 0)
        for rating, unit, values in (("Time to put it on", "min", table["donning_minutes"]),
                                     ("Tasks done of those tried", "%", share)):  # fmt: skip
            part = table[[c.PARTICIPANT, c.VISIT]].assign(respondent=who, rating=rating, unit=unit, value=values)
            parts.append(part[part["value"].notna()])
    return pd.concat(parts, ignore_index=True)


def ratings_table(analysis: Analysis) -> Exhibits | Table:
    """Median, range and, in small trials, every value; a carer's rating is another one than a participant's."""
    frame, names = rated(analysis), Names(analysis.study.protocol)
    if frame.empty:
        return gather((), (NONE,))
    made = []
    for (rating, who, visit), own in frame.groupby(["rating", "respondent", c.VISIT], sort=False):
        values = own[c.VALUE].sort_values()
        every = ", ".join(short(float(f"{value:.1f}")) for value in values) if len(values) <= EVERY else ""
        made.append(
            {"rating": rating, "respondent": who, "visit": visit, "n": len(values), "median": values.median(),
             "lowest": values.min(), "highest": values.max(), "unit": own["unit"].iloc[0], "every": every}
        )  # fmt: skip
    frame = pd.DataFrame(made)
    order = {visit: place for place, visit in enumerate(names.visits(frame["visit"]))}
    frame = frame.assign(place=frame["visit"].map(order)).sort_values(["rating", "respondent", "place"], kind="stable")
    return Table(
        "ease_of_use",
        "Usability, workload and putting the device on",
        names.labelled(frame.drop(columns="place")),
        {"Rating": "{rating}", "By": "{respondent}", "Visit": "{visit_label}", "n": "{n}", "Median": "{median}",
         "Range": "{lowest} to {highest}", "Unit": "{unit}", "Every value": "{every}"},
        keys=("rating", "respondent", "visit"),
        group="Rating",
        decimals=1,
        notes=("Medians; every value where at most 12 people rated. Ratings of participants, carers and therapists are "
               "different outcomes.",),
    )  # fmt: skip


def continue_table(study: Study) -> Exhibits | Table:
    """Who helped to put the device on, and who would go on using it."""
    table = study.device_ratings
    if table.empty:
        return gather((), ("help and wish to continue: there is no device_ratings sheet, or it is empty.",))
    names, made = Names(study.protocol), []
    who = table["respondent"].replace("", "participant")
    for (visit, respondent), own in table.assign(respondent=who).groupby([c.VISIT, "respondent"], sort=False):
        counts = own["would_continue"].value_counts()
        helped = own["donning_help"].value_counts()
        made.append(
            {"visit": visit, "respondent": respondent, "n": len(own),
             **{word: int(counts.get(word, 0)) for word in ("yes", "unsure", "no")},
             "alone": int(helped.get("none", 0)), "asked": int(helped.drop("", errors="ignore").sum())}
        )  # fmt: skip
    frame = pd.DataFrame(made)
    order = {visit: place for place, visit in enumerate(names.visits(frame["visit"]))}
    frame = frame.sort_values("visit", key=lambda column: column.map(order), kind="stable")
    return Table(
        "would_continue",
        "Would go on using it",
        names.labelled(frame),
        {"Visit": "{visit_label}", "By": "{respondent}", "Yes": "{yes}", "Unsure": "{unsure}", "No": "{no}",
         "Put on without help": "{alone} of {asked}", "n": "{n}"},
        keys=("visit", "respondent"),
    )  # fmt: skip


def ratings_figure(analysis: Analysis):
    """Every rating of every participant by visit."""
    frame = rated(analysis)
    return ratings_by_visit(frame[frame["respondent"] == "participant"], Names(analysis.study.protocol))


def ratings(analysis: Analysis) -> Exhibits:
    """The figure and both tables."""
    return together(ratings_figure(analysis), ratings_table(analysis), continue_table(analysis.study))
