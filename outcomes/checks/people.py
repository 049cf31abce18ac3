"""Checks of participants, arms and visits: who is in the study and when they came."""

import difflib
from collections.abc import Iterator

import pandas as pd

from outcomes.checks.register import reports
from outcomes.findings import flag
from outcomes.sheets import MEASUREMENTS
from outcomes.study import Study

_BY_PARTICIPANT = ("visits", *MEASUREMENTS, "sessions", "adverse_events")


def place(study: Study, table: str, column: str) -> dict[str, str]:
    """File and header of one of our columns, as `flag` takes them."""
    return {"file": study.files.get(table, ""), "column": study.header(table, column)}


@reports("participant blank")
def participant_blank(study: Study) -> Iterator[pd.DataFrame]:
    for table in ("participants", *_BY_PARTICIPANT):
        frame = study.table(table)
        yield flag("participant blank", frame[frame["participant"] == ""], **place(study, table, "participant"))


@reports("duplicate participant")
def duplicate_participant(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.participants
    rows = frame[frame.duplicated("participant") & (frame["participant"] != "")]
    first = frame.drop_duplicates("participant").set_index("participant")["row"]
    yield flag(
        "duplicate participant",
        rows,
        **place(study, "participants", "participant"),
        found=rows["participant"],
        allowed="one row; the first is row " + rows["participant"].map(first).astype("str"),
    )


@reports("unknown participant")
def unknown_participant(study: Study) -> Iterator[pd.DataFrame]:
    known = list(study.participants["participant"])
    for table in _BY_PARTICIPANT:
        frame = study.table(table)
        rows = frame[~frame["participant"].isin(known) & (frame["participant"] != "")]
        near = {name: difflib.get_close_matches(name, known, 1, 0.7) for name in rows["participant"].unique()}
        yield flag(
            "unknown participant",
            rows,
            **place(study, table, "participant"),
            found=rows["participant"],
            allowed=f"one of the {len(known)} codes of {study.files['participants']}",
            advice=rows["participant"].map(
                {name: f"Is it {close[0]}?" if close else "" for name, close in near.items()}
            ),
        )


@reports("unknown arm", "arm with too few participants")
def arms(study: Study) -> Iterator[pd.DataFrame]:
    planned = [arm.id for arm in study.protocol.arms]
    if not planned:
        return
    frame = study.participants
    unknown = ~frame["arm"].isin(planned)
    if len(planned) == 1:  # a single arm need not be written out
        unknown &= frame["arm"] != ""
    where = place(study, "participants", "arm")
    yield flag("unknown arm", frame[unknown], **where, found=frame.loc[unknown, "arm"], allowed=", ".join(planned))
    if len(planned) > 1:
        sizes = frame.groupby("arm")["participant"].nunique()
        for arm in planned:
            size = int(sizes.get(arm, 0))
            if size < 2:
                people = "participant" if size == 1 else "participants"
                yield flag(
                    "arm with too few participants", **where, found=f"{size} {people} in arm {arm}", allowed="2 or more"
                )


@reports("unknown visit")
def unknown_visit(study: Study) -> Iterator[pd.DataFrame]:
    planned = [visit.id for visit in study.protocol.visits]
    for table in ("visits", *MEASUREMENTS):
        frame = study.table(table)
        rows = frame[~frame["visit"].isin(planned)]
        yield flag(
            "unknown visit", rows, **place(study, table, "visit"), found=rows["visit"], allowed=", ".join(planned)
        )


@reports("duplicate visit")
def duplicate_visit(study: Study) -> Iterator[pd.DataFrame]:
    rows = study.visits[study.visits.duplicated(["participant", "visit"])]
    yield flag("duplicate visit", rows, **place(study, "visits", "visit"), found=rows["visit"], allowed="one row")
