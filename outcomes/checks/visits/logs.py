"""Checks of training sessions and adverse events."""

from collections.abc import Iterator

import pandas as pd

from outcomes.checks.register import place, reports
from outcomes.findings import as_text, flag, texts
from outcomes.study import Study

_FAR_ABOVE = 2.0  # times the minutes prescribed; common practice, no source
_LONGEST = 24 * 60.0


@reports("session minutes out of range")
def minutes(study: Study) -> Iterator[pd.DataFrame]:
    for column in ("minutes_prescribed", "minutes_performed", "repetitions"):
        frame = study.sessions
        wrong = frame[column] < 0
        if column != "repetitions":
            wrong |= frame[column] > _LONGEST
        rows = frame[wrong]
        allowed = "0 or more" if column == "repetitions" else f"0 to {as_text(_LONGEST)}"
        yield flag("session minutes out of range", rows, **place(study, "sessions", column), found=rows[column],
                   allowed=allowed)  # fmt: skip


@reports("far more than prescribed")
def dose(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.sessions
    rows = frame[frame["minutes_performed"] > _FAR_ABOVE * frame["minutes_prescribed"]]
    found = texts(rows["minutes_performed"]) + " of " + texts(rows["minutes_prescribed"]) + " minutes"
    yield flag("far more than prescribed", rows, **place(study, "sessions", "minutes_performed"), found=found,
               allowed=f"up to {as_text(_FAR_ABOVE)} times")  # fmt: skip


@reports("duplicate session")
def duplicate_session(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.sessions
    rows = frame[frame.duplicated(["participant", "session"]) & (frame["session"] != "")]
    yield flag(
        "duplicate session", rows, **place(study, "sessions", "session"), found=rows["session"], allowed="one row"
    )


@reports("session without a number")
def unnumbered_session(study: Study) -> Iterator[pd.DataFrame]:
    """A mark where the number belongs: nobody can tell it from another session."""
    frame = study.sessions
    rows = frame[(frame["session"] != "") & ~frame["session"].str.contains(r"\w", regex=True)]
    yield flag("session without a number", rows, **place(study, "sessions", "session"), found=rows["session"],
               allowed="a number")  # fmt: skip


@reports("event entered twice")
def event_twice(study: Study) -> Iterator[pd.DataFrame]:
    """One person, one day, the same words: mostly one event on two lines, which would be counted as two."""
    frame = study.adverse_events[study.adverse_events["term"] != ""]
    words = frame["term"].str.split().str.join(" ").str.casefold()
    rows = frame[frame.assign(term=words).duplicated(["participant", "date", "term"])]
    yield flag("event entered twice", rows, **place(study, "adverse_events", "term"), found=rows["term"],
               allowed="one line an event")  # fmt: skip


@reports("adverse event incomplete")
def adverse_events(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.adverse_events
    for column in ("term", "severity", "serious", "related"):
        yield flag("adverse event incomplete", frame[frame[column] == ""], **place(study, "adverse_events", column))
