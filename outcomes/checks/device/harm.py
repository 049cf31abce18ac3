"""Checks of adverse events, deficiencies of devices and looks at the skin: what a reader needs to know of each."""

from collections.abc import Iterator

import pandas as pd

from outcomes.checks.register import place, reports
from outcomes.findings import flag
from outcomes.study import Study

_ENDS = {"adverse_events": ("date", "end_date"), "device_deficiencies": ("date", "resolved")}
_LASTING = ("redness that stays", "blister", "open skin")


@reports("serious without a criterion", "criterion of an event not serious")
def criteria(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.adverse_events
    # A study that writes down none of these is not asked for the criterion of every event.
    keeps = any((frame[name] != "").any() for name in ("criterion", "event", "action", "expected"))
    rows = frame[(frame["serious"] == "yes") & (frame["criterion"] == "") & keeps]
    yield flag("serious without a criterion", rows, **place(study, "adverse_events", "criterion"), found=rows["term"])
    rows = frame[(frame["serious"] != "yes") & (frame["criterion"] != "")]
    yield flag("criterion of an event not serious", rows, **place(study, "adverse_events", "serious"),
               found=rows["criterion"] + ", serious " + rows["serious"].replace("", "blank"),
               allowed="yes")  # fmt: skip


@reports("ends before it begins")
def ends(study: Study) -> Iterator[pd.DataFrame]:
    for table, (begins, over) in _ENDS.items():
        frame = study.table(table)
        rows = frame[frame[over] < frame[begins]]
        yield flag("ends before it begins", rows, **place(study, table, over),
                   found=rows[over].dt.strftime("%Y-%m-%d"),
                   allowed="on or after " + rows[begins].dt.strftime("%Y-%m-%d"))  # fmt: skip


@reports("number given twice")
def numbers_once(study: Study) -> Iterator[pd.DataFrame]:
    """Other sheets name an event or a deficiency by its number."""
    for table, column in (("adverse_events", "event"), ("device_deficiencies", "deficiency")):
        frame = study.table(table)
        rows = frame[(frame[column] != "") & frame.duplicated(column)]
        yield flag("number given twice", rows, **place(study, table, column), found=rows[column], allowed="once")


@reports("event that is not there")
def linked(study: Study) -> Iterator[pd.DataFrame]:
    events = study.adverse_events
    owner = events[events["event"] != ""].drop_duplicates("event").set_index("event")["participant"]
    for table in ("device_deficiencies", "skin_checks"):
        frame = study.table(table)
        named = frame[frame["event"] != ""]
        whose = named["event"].map(owner)
        wrong = whose.isna() | ((named["participant"] != "") & (whose != named["participant"]))
        rows = named[wrong]
        told = whose[rows.index].map(lambda code: f" is of {code}" if isinstance(code, str) else " is none")
        yield flag("event that is not there", rows, **place(study, table, "event"), found=rows["event"] + told,
                   allowed="the number of an event of this participant in adverse_events")  # fmt: skip


@reports("deficiency incomplete")
def deficiencies(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.device_deficiencies
    for column in ("category", "date", "could_have_been_serious"):
        blank = frame[column].isna() if column == "date" else frame[column] == ""
        yield flag("deficiency incomplete", frame[blank], **place(study, "device_deficiencies", column))


@reports("deficiency ticked and not described")
def ticked(study: Study) -> Iterator[pd.DataFrame]:
    """Only where the study keeps the sheet of deficiencies and its events have numbers."""
    if study.device_deficiencies.empty:
        return
    frame = study.adverse_events[study.adverse_events["device_deficiency"] == "yes"]
    described = study.device_deficiencies
    named = frame["event"].isin(described["event"]) & (frame["event"] != "")
    days = set(zip(described["participant"], described["date"], strict=True))
    same_day = pd.Series(
        [pair in days for pair in zip(frame["participant"], frame["date"], strict=True)], index=frame.index, dtype=bool
    )
    rows = frame[~named & ~same_day]
    yield flag("deficiency ticked and not described", rows, **place(study, "adverse_events", "device_deficiency"),
               found=rows["term"], allowed="a row in device_deficiencies with its number, or of that day")  # fmt: skip


@reports("skin finding without a site", "skin damage without an event")
def skin(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.skin_checks
    seen = ~frame["finding"].isin(("", "none"))
    rows = frame[seen & (frame["site"] == "")]
    yield flag("skin finding without a site", rows, **place(study, "skin_checks", "site"), found=rows["finding"])
    rows = frame[frame["finding"].isin(_LASTING) & (frame["event"] == "")]
    yield flag("skin damage without an event", rows, **place(study, "skin_checks", "event"), found=rows["finding"])
