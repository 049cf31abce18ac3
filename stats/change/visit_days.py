"""When a score is from: the order and day of the visits, planned days, and the days participants really came."""

import numpy as np
import pandas as pd

from outcomes.columns import ACTUAL_DAY
from outcomes.protocol.trial import ModelChoice, Protocol
from stats.errors import FitError

DAYS = {"day": 1.0, "week": 7.0, "month": 30.4375}
DAYS_TAKEN = ("planned", "actual")


def visits_by_day(
    scores: pd.DataFrame, at: np.ndarray, design: Protocol | None
) -> tuple[np.ndarray, dict[str, float], list[str]]:
    """Each row's visit as a number in the order of the planned days, the day of every visit, and notes.

    Where the days of one visit differ between rows, they are days people came: a mean over the visit then stands at its
    planned day (of the protocol, else the median of the days), never at that of whoever comes first.
    """
    code, names = pd.factorize(scores["visit"].array.take(at))
    day = scores["day"].to_numpy(dtype=float)[at]
    known = np.flatnonzero(~np.isnan(day))
    of_visit = np.full(len(names), np.nan)
    of_visit[code[known]] = day[known]
    notes, differ = [], np.unique(code[known][day[known] != of_visit[code[known]]])
    if len(differ):
        planned = {} if design is None else {visit.id: visit.day for visit in design.visits}
        for k in differ:
            of_visit[k] = planned.get(str(names[k]), np.nanmedian(day[code == k]))
        told = ", ".join(f"{names[k]} day {of_visit[k]}" for k in differ)
        notes.append(
            f"Days differ between the participants of a visit: each score keeps its own; means stand at {told} "
            f"({'as planned' if planned else 'the median'})."
        )
    order = np.lexsort((np.argsort(np.argsort(names.astype(object))), of_visit))  # by day, then by name
    rank = np.argsort(order, kind="stable")
    return rank[code], {str(names[k]): float(of_visit[k]) for k in order}, notes


def days_of_scores(
    scores: pd.DataFrame, taken: np.ndarray, choice: ModelChoice, outcome: str, *, differ: bool
) -> tuple[np.ndarray, np.ndarray, list[str]]:
    """The day of every score, where it is planned although actual days were asked for, and notes.

    differ: whether the column `day` holds days people came (it differs within a visit).

    A score without a date keeps its visit's planned day, as it would have by default: leaving it out would lose what
    was measured over a date nobody wrote down, refusing the model would lose the others too. Without any it is refused.
    """
    planned, nowhere = scores["day"].to_numpy(dtype=float)[taken], np.zeros(len(taken), dtype=bool)
    if choice.days not in DAYS_TAKEN:
        raise FitError(f"days '{choice.days}' is not known. Choose one of: {', '.join(DAYS_TAKEN)}.")
    if choice.days == "planned":
        return planned, nowhere, []
    if not uses_days(choice):
        why = "Actual days play no part in a mean per visit with this covariance: planned visits are compared."
        return planned, nowhere, [why]
    if ACTUAL_DAY in scores:
        own = scores[ACTUAL_DAY].to_numpy(dtype=float)[taken]
    else:
        own = planned if differ else np.full(len(taken), np.nan)
    known = ~np.isnan(own)
    if not known.any():
        raise FitError(
            f"{outcome}: days = 'actual' asks for the dates of visits, found none with a value and a dated "
            "baseline visit. Fill in the column date of the table visits, or take days = 'planned'."
        )
    notes = [f"Each participant's own days, counted from the own baseline visit: {known.sum()} of {len(own)} scores."]
    if not known.all():
        rows = scores[["participant", "visit"]].take(taken[~known]).astype(str).drop_duplicates()
        who = "; ".join(
            f"{person} ({', '.join(visits)})"
            for person, visits in rows.groupby("participant")["visit"].unique().items()
        )
        notes.append(f"No date of the visit, or none of the own baseline visit: the planned day is taken for {who}.")
    return np.where(known, own, planned), ~known, notes


def uses_days(choice: ModelChoice) -> bool:
    """Whether the model asks when a score is from: slopes do, and a correlation that fades with time."""
    return choice.time != "visit" or (choice.covariance or "").endswith("exponential")
