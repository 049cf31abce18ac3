"""Checks of visits and dates: planned visits, windows, order, onset, missed visits that have measurements."""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from outcomes.checks.grouping import looked_up
from outcomes.checks.register import hint, place, reports
from outcomes.findings import as_text, flag, texts
from outcomes.library.instrument import Item, Scale
from outcomes.library.known import find_instrument
from outcomes.reading.cells import dates
from outcomes.reading.day_counts import date_texts, is_counted
from outcomes.scoring.own_days import own_days
from outcomes.sheets import MEASUREMENTS
from outcomes.study import Study

_DEATH = r"\b(?:died|death|dead|deceased|fatal)"
_EARLIEST = pd.Timestamp("1990-01-01")  # no visit of a study under way can lie before it: a typing error


@reports("unknown visit")
def unknown_visit(study: Study) -> Iterator[pd.DataFrame]:
    planned = [visit.id for visit in study.protocol.visits]
    for table in ("visits", *MEASUREMENTS, "second_ratings", "device_ratings", "motion_grades", "skin_checks"):
        frame = study.table(table)
        if frame.empty:
            continue
        rows = frame[~frame["visit"].isin(planned)]
        if table == "skin_checks":  # at home there is no visit
            rows = rows[rows["visit"] != ""]
        if rows.empty:
            continue
        found = rows["visit"].replace("", "blank")
        hints = {name: hint(name, planned) for name in rows["visit"].unique()}
        yield flag("unknown visit", rows, **place(study, table, "visit"), found=found, allowed=", ".join(planned),
                   advice=rows["visit"].map(hints).astype("str"))  # fmt: skip


@reports("duplicate visit")
def duplicate_visit(study: Study) -> Iterator[pd.DataFrame]:
    rows = study.visits[study.visits.duplicated(["participant", "visit"])]
    yield flag("duplicate visit", rows, **place(study, "visits", "visit"), found=rows["visit"], allowed="one row")


@reports("visit outside its window")
def windows(study: Study) -> Iterator[pd.DataFrame]:
    """Days are counted from the participant's own baseline visit."""
    frame = dated_visits(study)
    planned = {visit.id: visit for visit in study.protocol.visits}
    for name, rows in frame.groupby("visit", sort=False):
        visit = planned[str(name)]
        if visit.window is None:
            continue
        late = rows["study_day"] - visit.day
        outside = rows[(late < visit.window[0]) | (late > visit.window[1])]
        if outside.empty:
            continue
        low, high = (as_text(visit.day + bound) for bound in visit.window)
        yield flag(
            "visit outside its window",
            outside,
            **place(study, "visits", "date"),
            found="day " + texts(outside["study_day"]) + " (" + date_texts(outside["date"]) + ")",
            allowed=f"day {low} to {high}",
        )


@reports("visits out of order", "two visits on one day")
def order(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.visits[study.visits["date"].notna()].copy()
    frame["planned"] = planned_days(study, frame["visit"])
    frame = frame[frame["planned"].notna()].sort_values(["participant", "planned"], kind="stable")
    before = frame.groupby("participant")[["visit", "date"]].shift()
    where = place(study, "visits", "date")
    for rule, wrong in (
        ("visits out of order", frame["date"] < before["date"]),
        ("two visits on one day", frame["date"] == before["date"]),
    ):
        rows, earlier = frame[wrong], before[wrong]
        if rows.empty:
            continue
        yield flag(
            rule,
            rows,
            **where,
            found=date_texts(rows["date"]),
            allowed="after " + earlier["visit"] + ", " + date_texts(earlier["date"]),
        )


@reports("date implausible")
def implausible(study: Study) -> Iterator[pd.DataFrame]:
    today = pd.Timestamp.today().normalize()
    for table in ("visits", "sessions", "adverse_events", "device_deficiencies", "wear_log", "skin_checks"):
        frame = study.table(table)
        rows = frame[((frame["date"] < _EARLIEST) & ~is_counted(frame["date"])) | (frame["date"] > today)]
        if rows.empty:
            continue
        found = date_texts(rows["date"])
        allowed = f"{_EARLIEST:%Y-%m-%d} to the day of this check"
        yield flag("date implausible", rows, **place(study, table, "date"), found=found, allowed=allowed)


@reports("date before onset")
def before_onset(study: Study) -> Iterator[pd.DataFrame]:
    onset = dates(study.participants["onset"])["value"]
    by_participant = pd.Series(onset.to_numpy(), index=study.participants["participant"])
    by_participant = by_participant[~by_participant.index.duplicated()]
    since = looked_up(study.visits["participant"], by_participant)
    rows = study.visits[study.visits["date"] < since]
    if rows.empty:
        return
    yield flag(
        "date before onset",
        rows,
        **place(study, "visits", "date"),
        found=date_texts(rows["date"]),
        allowed="on or after the onset, " + since[rows.index].dt.strftime("%Y-%m-%d"),
    )


@reports("measured at a missed visit", "attended without measurements", "missed without a reason")
def attendance(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.visits
    if frame.empty:
        return
    measured: set[tuple[str, str]] = set()
    for table in MEASUREMENTS:
        rows = study.table(table)
        measure = "degrees" if table == "angles" else "value"
        measured |= _pairs(rows[rows[measure].notna()])
    measured |= _pairs(study.series_values[study.series_values["value"].notna()])
    has = pd.Series([pair in measured for pair in zip(frame["participant"], frame["visit"], strict=True)], frame.index)
    absent = frame["status"].isin(("missed", "withdrawn"))
    where = place(study, "visits", "status")
    # An outcome that has a value for death (or counts it as the worst) is entered although nobody came.
    died = frame["reason"].str.contains(_DEATH, case=False, regex=True)
    worst = _only_worst(study) if died.any() else set()
    entered = died & pd.Series([pair in worst for pair in zip(frame["participant"], frame["visit"], strict=True)],
                               frame.index)  # fmt: skip
    doubtful = frame[absent & has & ~entered]
    yield flag("measured at a missed visit", doubtful, **where, found=doubtful["status"])
    yield flag("attended without measurements", frame[(frame["status"] == "attended") & ~has], **where)
    silent = absent & (frame["reason"] == "")
    yield flag("missed without a reason", frame[silent], **place(study, "visits", "reason"))


def _only_worst(study: Study) -> set[tuple[str, str]]:
    """Participants and visits of which every value entered is the worst its item or scale has."""
    good: set[tuple[str, str]] = set()
    worst: set[tuple[str, str]] = set()
    for table in MEASUREMENTS:
        rows = study.table(table)
        rows = rows[rows["degrees" if table == "angles" else "value"].notna()]
        at_worst = pd.Series(False, index=rows.index)
        part = {"items": "item", "totals": "scale"}.get(table)
        if part is not None and len(rows):
            code = rows.groupby(["instrument", part], sort=False, dropna=False).ngroup().to_numpy()
            first = rows[~pd.Series(code, index=rows.index).duplicated()]  # in the order of the codes
            named = zip(first["instrument"], first[part], strict=True)
            ends = np.array([_worst_end(str(name), str(which), part) for name, which in named])
            at_worst = rows["value"] == ends[code]
        bad = at_worst.to_numpy()
        worst |= _pairs(rows[bad])
        good |= _pairs(rows[~bad])
    return worst - good


def _pairs(rows: pd.DataFrame) -> set[tuple[str, str]]:
    """Participants and visits of rows."""
    return set(rows[["participant", "visit"]].drop_duplicates().itertuples(index=False, name=None))


def _worst_end(name: str, which: str, kind: str) -> float:
    """The worst value of an item or scale; NaN where it is not known."""
    instrument = find_instrument(name)
    part: Item | Scale | None = None
    if instrument is not None and kind == "item":
        part = instrument.item(which)
    elif instrument is not None:
        part = instrument.scale(which) if which else instrument.main_scale
    end = None if part is None else part.low if part.better == "higher" else part.high
    return float("nan") if end is None else float(end)


@reports("visit after withdrawal")
def after_withdrawal(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.visits.copy()
    frame["planned"] = planned_days(study, frame["visit"])
    left = frame[frame["status"] == "withdrawn"].groupby("participant")["planned"].min()
    rows = frame[(frame["planned"] > looked_up(frame["participant"], left)) & (frame["status"] == "attended")]
    yield flag("visit after withdrawal", rows, **place(study, "visits", "status"), found=rows["visit"])


def planned_days(study: Study, visits: pd.Series) -> pd.Series:
    """The planned day of each visit, NaN where it is not planned."""
    return looked_up(visits, {visit.id: visit.day for visit in study.protocol.visits}, "float64")


def dated_visits(study: Study) -> pd.DataFrame:
    """Visits with a date, of planned visits, with `study_day` counted from the participant's baseline visit."""
    frame = own_days(study)
    return frame[frame["visit"].isin([visit.id for visit in study.protocol.visits]) & frame["study_day"].notna()]
