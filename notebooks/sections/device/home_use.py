"""How much was the device worn and used, and does use go with the score inside people?"""

from collections.abc import Iterable

import numpy as np
import pandas as pd

from notebooks.analysis import Analysis
from notebooks.figures.device.days_of_wear import days_of_wear
from notebooks.figures.device.wear_and_score import wear_and_score
from notebooks.show.exhibits import Exhibits, Prose, gather, together
from notebooks.show.names import Names
from notebooks.show.numbers import number
from notebooks.show.tables import Table
from outcomes import Study
from outcomes import columns as c
from stats.errors import FitError
from stats.measurement.within_person import within_person_correlation
from stats.selection import Selection, rows

NONE = "wear and home use: there is no wear_log, or it is empty."
CAUTION = (
    "Inside people, over visits: whoever improves may wear the device more, time alone moves both, and visits of one "
    "person follow each other. It shows no effect of wearing the device."
)


def wear_by_person(study: Study) -> pd.DataFrame:
    """One row per participant of the log: days, hours, share of the prescribed minutes, movements, share assisted.

    A day with a gap of the log is not known; a day of 0 minutes is one without use. Nothing is capped at 100 %.
    """
    log = study.wear_log
    known = log[(log["gap"] != "yes") & log["minutes_worn"].notna()]
    weight = known["repetitions"].where(known["assisted_percent"].notna())
    known = known.assign(helped=known["assisted_percent"] * weight / 100, counted=weight)
    groups = known.groupby(c.PARTICIPANT, sort=False)
    frame = groups.agg(
        days=("date", "size"),
        days_of_use=("minutes_worn", lambda minutes: int((minutes > 0).sum())),
        minutes=("minutes_worn", "sum"),
        active=("minutes_active", lambda values: values.sum(min_count=1)),
        asked=("minutes_prescribed", lambda values: values.sum(min_count=1)),
        repetitions=("repetitions", lambda values: values.sum(min_count=1)),
        helped=("helped", lambda values: values.sum(min_count=1)),
        counted=("counted", lambda values: values.sum(min_count=1)),
    ).reset_index()
    unknown = log[(log["gap"] == "yes") | log["minutes_worn"].isna()].groupby(c.PARTICIPANT).size()
    frame["unknown"] = frame[c.PARTICIPANT].map(unknown).fillna(0).astype(int)
    frame["hours"] = frame["minutes"] / 60
    frame["per_day"] = frame["minutes"] / frame["days"]
    frame["percent"] = 100 * frame["minutes"] / frame["asked"]
    frame["assisted"] = 100 * frame["helped"] / frame["counted"]
    return frame


def wear_table(study: Study) -> Exhibits | Table:
    """Wear and use by participant."""
    if study.wear_log.empty:
        return gather((), (NONE,))
    return Table(
        "wear",
        "Wear and home use by participant",
        wear_by_person(study).rename(columns={"assisted": "share", "minutes": "minutes_worn"}),
        {"Participant": "{participant}", "Days with use": "{days_of_use} of {days}", "Days not known": "{unknown}",
         "Hours worn": "{hours}", "Minutes a day": "{per_day}", "% of prescribed": "{percent}",
         "Movements": "{repetitions}", "Assisted, %": "{share}"},
        keys=(c.PARTICIPANT,),
        decimals=1,
        limit=60,
        notes=(
            "Worn is not moved: minutes in which the device moved the hand are in the file. Days: those of the log "
            "without a gap; a day without a row is not among them. Assisted: share of the movements the device "
            "helped with, weighted by the movements of each day.",
        ),
    )  # fmt: skip


def wear_figure(study: Study):
    """Minutes worn day by day."""
    if study.wear_log.empty:
        return None
    return days_of_wear(study.wear_log, wear_by_person(study), Names(study.protocol))


def told_of_wear(study: Study) -> Iterable[str]:
    """One sentence on wear."""
    if study.wear_log.empty:
        return
    people = wear_by_person(study)
    share = people["percent"].dropna()
    enrolled = len(study.participants)
    spread = ""
    if len(share):
        spread = (
            f", median {number(share.median(), 0)} % of the prescribed minutes (from {number(share.min(), 0)} to "
            f"{number(share.max(), 0)} %)"
        )
    yield (
        f"The device was worn by {len(people)} of {enrolled} people on {people['days_of_use'].sum()} of "
        f"{people['days'].sum()} logged days, {number(people['hours'].sum(), 0)} hours in all{spread}; "
        f"the log has gaps on {people['unknown'].sum()} days."
    )


def wear_up_to_visits(analysis: Analysis, outcome: str) -> pd.DataFrame:
    """Hours worn up to each visit beside the unassisted score there: participant, visit, hours, value."""
    study = analysis.study
    scored = rows(analysis.scores, Selection(outcome))
    scored = scored[scored[c.VALUE].notna()]
    visits = study.visits[study.visits["date"].notna()].drop_duplicates([c.PARTICIPANT, c.VISIT])
    at = scored.merge(visits[[c.PARTICIPANT, c.VISIT, "date"]], on=[c.PARTICIPANT, c.VISIT])
    log = study.wear_log[study.wear_log["minutes_worn"].notna() & study.wear_log["date"].notna()]
    log = log.sort_values("date")
    made = np.full(len(at), np.nan)
    for person, own in at.groupby(c.PARTICIPANT, sort=False):
        mine = log[log[c.PARTICIPANT] == person]
        if mine.empty:
            continue
        total = np.concatenate(([0.0], np.cumsum(mine["minutes_worn"].to_numpy(dtype=float))))
        before = np.searchsorted(mine["date"].to_numpy(), own["date"].to_numpy(), side="left")
        made[at.index.get_indexer(own.index)] = total[before] / 60
    return at.assign(hours=made)[[c.PARTICIPANT, c.VISIT, c.DAY, "hours", c.VALUE, "unit"]]


def use_and_score(analysis: Analysis) -> Exhibits:
    """Correlation of hours worn so far and the unassisted score, inside people, with its figure and its caution."""
    protocol, names = analysis.study.protocol, Names(analysis.study.protocol)
    if analysis.study.wear_log.empty:
        return gather((), (NONE,))
    outcome = protocol.primary
    try:
        frame = wear_up_to_visits(analysis, outcome)
        found = within_person_correlation(frame, participant=c.PARTICIPANT, x="hours", y=c.VALUE, level=protocol.level)
    except FitError as why:
        return gather((), (f"wear against {names.outcome(outcome)}: {why}",))
    low, high = found.limits(protocol.level)
    text = (
        f"Hours worn so far and {names.outcome(outcome)} without the device, inside people: r = "
        f"{number(found.estimate, 2)} ({protocol.level:.0%} interval {number(low, 2)} to {number(high, 2)}; "
        f"{found.n_participants} people, {found.n_rows} visits; repeated-measures correlation). {CAUTION}"
    )
    table = Table(
        "wear_and_score",
        "Wear and score inside people",
        found.frame(protocol.level).assign(outcome=outcome, effect=found.estimate, effect_low=low, effect_high=high,
                                           outcome_label=names.outcome(outcome), n=found.n_participants,
                                           visits=found.n_rows),
        {"Outcome": "{outcome_label}", "r (interval)": "{effect} ({effect_low} to {effect_high})", "df": "{df}",
         "p": "{p_value}", "People": "{n}", "Visits": "{visits}"},
        keys=("outcome",),
        notes=(CAUTION, *found.notes),
    )  # fmt: skip
    figure = wear_and_score(frame, found.estimate, names, outcome)
    return gather((figure, table, Prose("wear_and_score_words", (text,), heading="Wear and change")))


def wear(study: Study) -> Exhibits:
    """The figure and the table of wear."""
    return together(wear_figure(study), wear_table(study))
