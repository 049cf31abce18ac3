"""Checks of the wear log and of what people say of the device."""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from outcomes.checks.grouping import looked_up
from outcomes.checks.register import place, reports
from outcomes.findings import as_text, flag, texts
from outcomes.study import Study

_DAY = 24 * 60.0  # minutes
_FAR_ABOVE = 3.0  # times the minutes prescribed; common practice, no source
_LONGEST_DONNING = 60.0  # minutes; common practice, no source


@reports("wear out of range")
def ranges(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.wear_log
    for column, high in (("minutes_prescribed", _DAY), ("minutes_worn", _DAY), ("minutes_active", _DAY),
                         ("repetitions", np.inf), ("assisted_percent", 100.0)):  # fmt: skip
        rows = frame[(frame[column] < 0) | (frame[column] > high)]
        allowed = "0 or more" if np.isinf(high) else f"0 to {as_text(high)}"
        yield flag("wear out of range", rows, **place(study, "wear_log", column), found=rows[column], allowed=allowed)


@reports("active longer than worn")
def active(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.wear_log
    rows = frame[frame["minutes_active"] > frame["minutes_worn"]]
    yield flag("active longer than worn", rows, **place(study, "wear_log", "minutes_active"),
               found=texts(rows["minutes_active"]),
               allowed="up to the " + texts(rows["minutes_worn"]) + " minutes worn")  # fmt: skip


@reports("day logged twice")
def once_a_day(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.wear_log
    rows = frame[frame["date"].notna() & frame.duplicated(["participant", "date"])]
    yield flag("day logged twice", rows, **place(study, "wear_log", "date"),
               found=rows["date"].dt.strftime("%Y-%m-%d"),
               allowed="one row a day, with the minutes added up")  # fmt: skip


@reports("movements without wear", "movements in fractions", "worn far longer than prescribed")
def movements(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.wear_log
    where = place(study, "wear_log", "repetitions")
    rows = frame[(frame["minutes_worn"] == 0) & (frame["repetitions"] > 0)]
    yield flag("movements without wear", rows, **where, found=texts(rows["repetitions"]) + " in 0 minutes")
    known = frame[frame["repetitions"].notna()]
    rows = known[np.floor(known["repetitions"]) != known["repetitions"]]
    yield flag("movements in fractions", rows, **where, found=rows["repetitions"], allowed="whole numbers")
    rows = frame[frame["minutes_worn"] > _FAR_ABOVE * frame["minutes_prescribed"]]
    yield flag("worn far longer than prescribed", rows, **place(study, "wear_log", "minutes_worn"),
               found=texts(rows["minutes_worn"]) + " of " + texts(rows["minutes_prescribed"]) + " minutes",
               allowed=f"up to {as_text(_FAR_ABOVE)} times")  # fmt: skip


@reports("after the last visit")
def after_the_end(study: Study) -> Iterator[pd.DataFrame]:
    """Sessions and days of wear after the date of the last planned visit, or of leaving; unknown without that date."""
    visits = study.visits
    last = max(study.protocol.visits, key=lambda visit: visit.day)
    dated = visits[visits["date"].notna()]
    left = dated[dated["status"] == "withdrawn"].groupby("participant")["date"].min()
    end = left.combine_first(dated[dated["visit"] == last.id].groupby("participant")["date"].max())
    margin = pd.Timedelta(days=max(0.0, last.window[1]) if last.window else 7.0)
    for table in ("sessions", "wear_log"):
        frame = study.table(table)
        until = looked_up(frame["participant"], end, None)
        rows = frame[frame["date"] > pd.to_datetime(until) + margin]
        yield flag("after the last visit", rows, **place(study, table, "date"),
                   found=rows["date"].dt.strftime("%Y-%m-%d"),
                   allowed="up to " + pd.to_datetime(until)[rows.index].dt.strftime("%Y-%m-%d"))  # fmt: skip


@reports("duplicate rating", "more tasks done than tried", "donning time implausible")
def ratings(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.device_ratings
    rows = frame[frame.duplicated(["participant", "visit", "respondent"])]
    yield flag("duplicate rating", rows, **place(study, "device_ratings", "respondent"),
               found=rows["respondent"].replace("", "participant"),
               allowed="one row per visit and respondent")  # fmt: skip
    rows = frame[frame["tasks_done"] > frame["tasks_tried"]]
    yield flag("more tasks done than tried", rows, **place(study, "device_ratings", "tasks_done"),
               found=texts(rows["tasks_done"]),
               allowed="up to the " + texts(rows["tasks_tried"]) + " tried")  # fmt: skip
    rows = frame[(frame["donning_minutes"] < 0) | (frame["donning_minutes"] > _LONGEST_DONNING)]
    yield flag("donning time implausible", rows, **place(study, "device_ratings", "donning_minutes"),
               found=rows["donning_minutes"], allowed=f"0 to {as_text(_LONGEST_DONNING)} minutes")  # fmt: skip
