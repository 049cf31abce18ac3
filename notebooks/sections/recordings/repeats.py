"""How far repetitions of one session, and sessions of one participant, lie apart."""

import pandas as pd

from notebooks.sections.recordings.recorded_movement import NONE, Movement
from notebooks.show.exhibits import Exhibits, gather
from notebooks.show.names import unit_words
from notebooks.show.tables import Table
from outcomes import columns as c
from outcomes.protocol.series_tables import OF_TWO_HANDS, SeriesOutcome
from stats.errors import FitError
from stats.measurement.error_of_measurement import measurement_error
from stats.measurement.reliability import intraclass_correlation


def repeatability_table(movement: Movement) -> Exhibits | Table:
    """How far repetitions of one session lie apart, at the first visit: error, detectable change, correlation."""
    values, rows, refused = movement.study.series_values, [], []
    first = movement.study.protocol.baseline.id
    for one in movement.taken:
        own = values[(values["outcome"] == one.id) & (values[c.VISIT] == first) & (values["motion"] != "assisted")]
        own = _one_hand(movement, one, own[own["value"].notna()])
        label = movement.names.outcome(one.id)
        try:
            error = measurement_error(
                own, target=c.PARTICIPANT, rater="repetition", value="value", kind="one-way", incomplete="drop"
            ).frame(movement.study.protocol.level)
            same = intraclass_correlation(
                own, target=c.PARTICIPANT, rater="repetition", value="value", incomplete="drop"
            )
        except FitError as reason:
            refused.append(f"{label}: {reason}")
            continue
        icc = same.frame(movement.study.protocol.level).set_index("mcgraw_wong")
        rows.append({
            "outcome": one.id, "unit": one.unit, "unit_said": unit_words(one.unit), "n": same.n_participants,
            "k": same.squares.k,
            "error": error["estimate"].iloc[0], "error_low": error["conf_low"].iloc[0],
            "error_high": error["conf_high"].iloc[0], "detectable": error["estimate"].iloc[2],
            "single": icc["estimate"].iloc[0], "single_low": icc["conf_low"].iloc[0],
            "single_high": icc["conf_high"].iloc[0], "icc_mean": icc["estimate"].iloc[3],
        })  # fmt: skip
    if not rows:
        return gather((), refused or (NONE,))
    table = Table(
        "movement_repeatability",
        "Repetitions of one session",
        movement.names.labelled(pd.DataFrame(rows)),
        {"Outcome": "{outcome_label}", "n": "{n}", "Repetitions": "{k}",
         "Error of one repetition (interval)": "{error} ({error_low} to {error_high}) {unit_said}",
         "Detectable change, 95 %": "{detectable} {unit_said}", "ICC(1,1)": "{single} ({single_low} to {single_high})",
         "ICC(1,k)": "{icc_mean}"},
        keys=("outcome",),
        decimals="decimals",
        notes=(
            f"At {movement.names.visit(first)}, unassisted, participants with every repetition; one-way analysis of "
            "variance (Bland & Altman 1996, BMJ 313:744). A trend over repetitions (warming up) counts as error.",
            "This is the error inside a session. It leaves out putting the sensors on again, and is no detectable "
            "change between visits.",
        ),
    )  # fmt: skip
    return gather((table,), refused)


def sessions_table(movement: Movement) -> Exhibits | Table:
    """How far the scores of two sessions of one participant lie apart: error, detectable change, correlation."""
    scores, rows, refused = movement.analysis.scores, [], []
    pair, between = two_sessions(movement)
    if len(pair) < 2:
        return gather((), ("One visit only: nothing can be said about how repeatable a session is.",))
    for one in movement.taken:
        own = scores[(scores["outcome"] == one.id) & scores[c.VISIT].isin(pair) & (scores[c.CONDITION] != "assisted")]
        own = _one_hand(movement, one, own[own["value"].notna()])
        label = movement.names.outcome(one.id)
        try:
            error = measurement_error(
                own, target=c.PARTICIPANT, rater=c.VISIT, value="value", incomplete="drop",
                kind="consistency" if between else "agreement",
            ).frame(movement.study.protocol.level)  # fmt: skip
            same = intraclass_correlation(own, target=c.PARTICIPANT, rater=c.VISIT, value="value", incomplete="drop")
        except FitError as reason:
            refused.append(f"{label}: {reason}")
            continue
        form = same.frame(movement.study.protocol.level).set_index("form").loc["ICC(3,1)" if between else "ICC(2,1)"]
        rows.append({
            "outcome": one.id, "unit": one.unit, "unit_said": unit_words(one.unit), "n": same.n_participants,
            "error": error["estimate"].iloc[0],
            "error_low": error["conf_low"].iloc[0], "error_high": error["conf_high"].iloc[0],
            "detectable": error["estimate"].iloc[2], "single": form["estimate"], "single_low": form["conf_low"],
            "single_high": form["conf_high"],
        })  # fmt: skip
    if not rows:
        return gather((), refused or (NONE,))
    visits = " and ".join(movement.names.visit(visit) for visit in pair)
    form, kind = ("ICC(3,1)", "consistency") if between else ("ICC(2,1)", "agreement")
    note = (
        f"Scores at {visits}, without a device, participants with both; two-way analysis of variance, {kind} (Weir "
        "2005, J Strength Cond Res 19:231)."
    )
    more = (
        "Training began before the second of these sessions. The mean change between them is taken off; what "
        "participants changed differently is counted as error, so the true error of a session is smaller. A study that "
        "wants it plans two visits before training."
        if between
        else "No training lies between these sessions: this is the change that one participant's scores show by error "
        "alone, sensors put on again included."
    )
    table = Table(
        "movement_sessions",
        "Two sessions of one participant",
        movement.names.labelled(pd.DataFrame(rows)),
        {"Outcome": "{outcome_label}", "n": "{n}",
         "Error of one session (interval)": "{error} ({error_low} to {error_high}) {unit_said}",
         "Detectable change, 95 %": "{detectable} {unit_said}", form: "{single} ({single_low} to {single_high})"},
        keys=("outcome",),
        decimals="decimals",
        notes=(note, more),
    )  # fmt: skip
    return gather((table,), refused)


def two_sessions(movement: Movement) -> tuple[tuple[str, ...], bool]:
    """The two visits whose sessions are compared, and whether training lies between them.

    The last two planned up to day 0 where there are two, else the first two of the study.
    """
    visits = sorted(movement.study.protocol.visits, key=lambda visit: visit.day)
    before = [visit.id for visit in visits if visit.day <= 0]
    if len(before) >= 2:
        return tuple(before[-2:]), False
    return tuple(visit.id for visit in visits[:2]), True


def _one_hand(movement: Movement, one: SeriesOutcome, rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of the affected hand where the outcome has one of each."""
    if one.hand != "each" or one.measure in OF_TWO_HANDS:
        return rows
    affected = movement.study.participants.set_index(c.PARTICIPANT)["affected_side"]
    return rows[rows[c.SIDE] == rows[c.PARTICIPANT].map(affected)]
