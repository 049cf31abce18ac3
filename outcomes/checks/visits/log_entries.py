"""Checks of sessions and adverse events: order of dates, doses no person can do, harm and devices."""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from outcomes.checks.grouping import looked_up
from outcomes.checks.register import place, reports
from outcomes.findings import as_text, flag, texts
from outcomes.reading.day_counts import date_texts
from outcomes.study import Study

# Common practice, no source, all of these.
_FATAL = r"\b(?:fatal|death|died|dead|deceased)\b"
_DEVICE = (
    r"\b(?:batter\w+|overheat\w*|charger|cable|firmware|sensor|actuator|malfunction\w*|short.?circuit)\b"
    r"|\bdevice (?:stopped|broke|failed)|\bstrap (?:broke|tore)|\bsoftware (?:crash|error)"
)
_MOST_REPETITIONS = 5000  # a session; and far above the study's own
_TIMES_USUAL = 10.0
_RARELY = 0.01  # of the sets of trials
_FEW, _MOST = 0.2, 0.8  # shares of an arm with sessions: an arm that trains, and one that does not


@reports("fatal outcome not serious")
def fatal(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.adverse_events
    rows = frame[frame["outcome"].str.contains(_FATAL, case=False, regex=True) & (frame["serious"] != "yes")]
    yield flag("fatal outcome not serious", rows, **place(study, "adverse_events", "serious"),
               found=rows["outcome"] + ", serious " + rows["serious"].replace("", "blank"), allowed="yes")  # fmt: skip


@reports("device in the words of an event")
def device_words(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.adverse_events
    rows = frame[frame["term"].str.contains(_DEVICE, case=False, regex=True) & (frame["device_deficiency"] != "yes")]
    ticked = rows["device_deficiency"].replace("", "blank")
    yield flag("device in the words of an event", rows, **place(study, "adverse_events", "device_deficiency"),
               found=rows["term"] + ", device_deficiency " + ticked)  # fmt: skip


@reports("before enrolment")
def before_enrolment(study: Study) -> Iterator[pd.DataFrame]:
    """Sessions and events dated before the participant's baseline visit."""
    baseline = study.visits[study.visits["visit"] == study.protocol.baseline.id]
    start = baseline.dropna(subset=["date"]).drop_duplicates("participant").set_index("participant")["date"]
    if start.empty:
        return
    for table in ("sessions", "adverse_events", "wear_log", "skin_checks", "device_deficiencies"):
        frame = study.table(table)
        if frame.empty:
            continue
        since = looked_up(frame["participant"], start)
        rows = frame[frame["date"] < since]
        if rows.empty:
            continue
        yield flag("before enrolment", rows, **place(study, table, "date"), found=date_texts(rows["date"]),
                   allowed="on or after " + date_texts(since[rows.index]))  # fmt: skip


@reports("two sessions on one day")
def two_on_one_day(study: Study) -> Iterator[pd.DataFrame]:
    """Only where a study has one session a day as a rule."""
    frame = study.sessions[study.sessions["date"].notna()]
    twice = frame.duplicated(["participant", "date"])
    if twice.mean() > 0.05 if len(frame) else True:
        return
    rows = frame[twice]
    yield flag("two sessions on one day", rows, **place(study, "sessions", "date"),
               found=date_texts(rows["date"]), allowed="one a day, as elsewhere in this study")  # fmt: skip


@reports("session in an arm without sessions")
def of_a_control(study: Study) -> Iterator[pd.DataFrame]:
    people = study.participants.drop_duplicates("participant")
    if "arm" not in people or len(study.protocol.arms) < 2 or study.sessions.empty:
        return
    trained = people["participant"].isin(study.sessions["participant"])
    share = trained.groupby(people["arm"]).mean()
    if not (share >= _MOST).any():
        return
    quiet = people[people["arm"].isin(share.index[share <= _FEW])]
    rows = study.sessions[study.sessions["participant"].isin(quiet["participant"])]
    rows = rows.drop_duplicates("participant")
    arm = looked_up(rows["participant"], quiet.set_index("participant")["arm"])
    yield flag("session in an arm without sessions", rows, **place(study, "sessions", "participant"),
               found=rows["participant"] + " of arm " + arm)  # fmt: skip


@reports("repetitions without minutes", "repetitions implausible", "repetitions in fractions")
def repetitions(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.sessions
    where = place(study, "sessions", "repetitions")
    rows = frame[(frame["minutes_performed"] == 0) & (frame["repetitions"] > 0)]
    yield flag("repetitions without minutes", rows, **where, found=texts(rows["repetitions"]) + " in 0 minutes")
    usual = frame["repetitions"].median()
    rows = frame[(frame["repetitions"] > _MOST_REPETITIONS) & (frame["repetitions"] > _TIMES_USUAL * usual)]
    yield flag("repetitions implausible", rows, **where, found=rows["repetitions"],
               allowed=f"usually near {as_text(float(usual))}")  # fmt: skip
    known = frame["repetitions"].notna()
    rows = frame[known & (np.floor(frame["repetitions"].where(known, 0)) != frame["repetitions"].where(known, 0))]
    yield flag("repetitions in fractions", rows, **where, found=rows["repetitions"], allowed="whole numbers")


@reports("attended without a date")
def attended_without_date(study: Study) -> Iterator[pd.DataFrame]:
    """Only where the study writes dates down at all."""
    frame = study.visits
    if frame.empty or frame["date"].notna().mean() < 0.5:
        return
    rows = frame[(frame["status"] == "attended") & frame["date"].isna()]
    yield flag("attended without a date", rows, **place(study, "visits", "date"))


@reports("trials identical")
def identical_trials(study: Study) -> Iterator[pd.DataFrame]:
    """Three readings that agree to the last digit, where readings scatter otherwise."""
    keys = ["participant", "visit", "instrument", "side", "condition"]
    frame = study.trials[study.trials["value"].notna()]
    if frame.empty:
        return
    groups = frame.groupby(keys, sort=False)["value"]
    alike = (groups.transform("nunique") == 1) & (groups.transform("size") >= 3) & (frame["value"] > 0)
    rows = frame[alike].drop_duplicates(keys)
    # On a coarse dial equal readings are ordinary; a copy is one that hardly ever happens here.
    if len(rows) > max(1, _RARELY * groups.ngroups):
        return
    yield flag("trials identical", rows, **place(study, "trials", "value", rows),
               found=rows["instrument"] + ": three times " + rows["typed"])  # fmt: skip
