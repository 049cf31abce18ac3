"""The estimand as data, and what each strategy for intercurrent events does to the values.

An intercurrent event is what happens after the start of treatment and bears on the value or on what it means: stopping
the device, an injection, a second event, death. The strategy says which question is asked about people to whom it
happens; the values follow from it. Source: ICH E9(R1), 2019.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from outcomes import columns as c
from outcomes.protocol.trial import Protocol
from stats.errors import FitError
from stats.missing.visit_table import VisitTable

POLICY, HYPOTHETICAL, COMPOSITE, WHILE_ON, STRATUM = (
    "treatment policy",
    "hypothetical",
    "composite",
    "while on treatment",
    "principal stratum",
)
STRATEGIES = (POLICY, HYPOTHETICAL, COMPOSITE, WHILE_ON, STRATUM)
DOES = {
    POLICY: "values after it count like any other; missing ones are imputed or left to the model",
    HYPOTHETICAL: "values after it are set aside and taken as missing, as if it had not happened",
    COMPOSITE: "counts as not passed from then on; a mean needs a value for it, which the protocol must name",
    WHILE_ON: "the last value before it stands for what comes after",
    STRATUM: "refused: who would have had the event under either treatment cannot be seen in anybody",
}


@dataclass(frozen=True)
class IntercurrentEvent:
    """label: in words; strategy: one of STRATEGIES; table, column, values: where the study's tables tell of it.

    table: "adverse_events" or "visits"; column: e.g. "term" or "reason"; values: the words that mean it (as written,
    upper and lower case alike). composite_value: the score that stands for it in a mean, where the protocol names one.
    Raises FitError for an unknown strategy, and for a principal stratum, which cannot be seen in anybody.
    """

    label: str
    strategy: str
    table: str = ""
    column: str = ""
    values: tuple[str, ...] = ()
    composite_value: float | None = None

    def __post_init__(self) -> None:
        if self.strategy not in STRATEGIES:
            raise FitError(f"{self.label}: strategy {self.strategy!r}, allowed {', '.join(STRATEGIES)}.")
        if self.strategy == STRATUM:
            raise FitError(
                f"{self.label}: principal stratum is not offered. Who would have had the event under either treatment "
                "cannot be seen in anybody, and what would stand in for that cannot be checked in a pilot. Choose "
                "another strategy, or describe those people."
            )


@dataclass(frozen=True)
class Estimand:
    """The question: treatments, population, variable at a visit, events with strategies, summary measure."""

    treatments: str
    population: str
    variable: str
    visit: str
    summary: str
    events: tuple[IntercurrentEvent, ...] = ()

    def frame(self) -> pd.DataFrame:
        """Attribute and what is stated, one row each; an event a row."""
        rows = [("treatments", self.treatments), ("population", self.population), ("variable", self.variable),
                ("visit", self.visit), ("summary measure", self.summary)]  # fmt: skip
        rows += [(f"event: {one.label}", f"{one.strategy}: {DOES[one.strategy]}") for one in self.events]
        return pd.DataFrame(rows, columns=["attribute", "stated"])

    def unanswered(self, analysis: str) -> tuple[str, ...]:
        """Where an analysis ("means", "responders" or "while on") does not answer this estimand, in words."""
        found = []
        for one in self.events:
            if analysis == "means" and one.strategy == COMPOSITE and one.composite_value is None:
                found.append(f"{one.label}: a composite strategy has no mean unless the protocol names a score for it.")
        return tuple(found)


def events_of(protocol: Protocol) -> tuple[IntercurrentEvent, ...]:
    """The intercurrent events that study.toml names, with their strategies."""
    return tuple(
        IntercurrentEvent(one.label, one.strategy, one.table, one.column, one.values, one.score)
        for one in protocol.events
    )


def estimand_of(protocol: Protocol, visit: str) -> Estimand:
    """The estimand of the primary outcome as study.toml states it; what is not stated is blank."""
    said = protocol.estimand
    return Estimand(said.get("treatment", ""), said.get("population", ""), said.get("variable", ""), visit,
                    said.get("summary", ""), events_of(protocol))  # fmt: skip


def event_dates(event: IntercurrentEvent, tables: Mapping[str, pd.DataFrame]) -> pd.Series:
    """First date of the event by participant (NaT where the table has none), from the study's tables."""
    frame = tables.get(event.table)
    if frame is None or event.column not in frame or c.PARTICIPANT not in frame:
        there = ", ".join(tables)
        raise FitError(f"{event.label}: no column {event.column!r} in table {event.table!r}; tables there are {there}.")
    wanted = {str(value).strip().casefold() for value in event.values}
    rows = frame[frame[event.column].astype(str).str.strip().str.casefold().isin(wanted)]
    if "date" not in rows:
        raise FitError(f"{event.label}: the table {event.table!r} has no date to say which values came after.")
    return pd.to_datetime(rows["date"]).groupby(rows[c.PARTICIPANT]).min()


@dataclass(frozen=True)
class Applied:
    """Values after the strategies: a table to analyse, who is counted as not passed, and what was done.

    not_passed (n, J): cells that a composite strategy counts as not passed. accounting: event strategy people
    values_after does.
    """

    table: VisitTable = field(repr=False)
    not_passed: np.ndarray = field(repr=False)
    accounting: pd.DataFrame
    notes: tuple[str, ...]


def apply_strategies(
    table: VisitTable,
    events: Sequence[IntercurrentEvent],
    tables: Mapping[str, pd.DataFrame],
    dates: pd.DataFrame,
) -> Applied:
    """Keep, set aside, replace or count as not passed the values after each event, as its strategy says.

    table: values by person and visit. events: what may happen, each with its strategy. tables: name -> frame of
    the study. dates: columns participant, visit, date of the visits (a visit without a date counts as
    after an event if a later visit or none is dated before it; see notes). The first visit is never touched.
    Events are taken in the order given; a value that one has set aside stays so.
    Values stay in their unit. Raises FitError where an event names a table, a column or a date that is not there.
    Source: the strategies of ICH E9 (R1), 2019; what each does to a value is stated in the result.
    """
    values = table.values.copy()
    refused = np.zeros(values.shape, dtype=bool)
    rows, notes = [], list(table.notes)
    for event in events:
        found = after_event(event, table.participants, table.visits, tables, dates)
        after, seen = found.after, found.after & ~np.isnan(values)
        notes += found.notes(~np.isnan(values))
        if event.strategy == HYPOTHETICAL:
            values[after] = np.nan
        elif event.strategy == WHILE_ON:
            values = _held(values, after)
        elif event.strategy == COMPOSITE:
            refused |= after
            if event.composite_value is not None:
                values[after] = event.composite_value
        rows.append({"event": event.label, "strategy": event.strategy, "people": found.people,
                     "values_after": int(seen.sum()), "does": DOES[event.strategy]})  # fmt: skip
    accounting = pd.DataFrame(rows, columns=ACCOUNTING)
    return Applied(replace(table, values=values, notes=tuple(notes)), refused, accounting, tuple(notes))


ACCOUNTING = ["event", "strategy", "people", "values_after", "does"]


@dataclass(frozen=True)
class AfterEvent:
    """Which visits of whom come after an event: after (n, J); the first visit never does.

    unknown (n, J): visits of people with the event whose own date is not known. people: how many have it with a date;
    undated: how many without one.
    """

    label: str
    after: np.ndarray = field(repr=False)
    unknown: np.ndarray = field(repr=False)
    people: int
    undated: int

    def notes(self, seen: np.ndarray) -> tuple[str, ...]:
        """What is uncertain, for values seen (n, J)."""
        told = []
        if self.undated:
            told.append(f"{self.label}: {self.undated} people have it without a date; their values are kept.")
        if (self.unknown & seen & ~self.after).any():
            told.append(f"{self.label}: values at visits without a date are taken as before it.")
        return tuple(told)


def after_event(
    event: IntercurrentEvent,
    participants: Sequence,
    visits: Sequence,
    tables: Mapping[str, pd.DataFrame],
    dates: pd.DataFrame,
) -> AfterEvent:
    """The visits after an event, by participant (rows) and visit in order (columns).

    tables: the study's tables by name. dates: participant, visit, date. Raises FitError for a column that is not there.
    """
    first = event_dates(event, tables).reindex(list(participants))
    has = first.notna().to_numpy()[:, None]
    when = _visit_dates(participants, visits, dates)
    after = _carried(when >= first.to_numpy(dtype="datetime64[ns]")[:, None]) & has
    after[:, 0] = False
    undated = int((~has).sum() - (~np.isin(list(participants), _people(event, tables))).sum())
    return AfterEvent(event.label, after, np.isnat(when) & has, int(has.sum()), undated)


def _people(event: IntercurrentEvent, tables: Mapping[str, pd.DataFrame]) -> list:
    frame = tables[event.table]
    wanted = {str(value).strip().casefold() for value in event.values}
    return frame.loc[frame[event.column].astype(str).str.strip().str.casefold().isin(wanted), c.PARTICIPANT].tolist()


def _visit_dates(participants: Sequence, visits: Sequence, dates: pd.DataFrame) -> np.ndarray:
    known = dates.drop_duplicates([c.PARTICIPANT, c.VISIT])
    wide = known.pivot(index=c.PARTICIPANT, columns=c.VISIT, values="date")
    wide = wide.reindex(index=list(participants), columns=list(visits))
    return wide.apply(pd.to_datetime).to_numpy(dtype="datetime64[ns]")


def _carried(after: np.ndarray) -> np.ndarray:
    """After an event, every later visit is after it too, dated or not."""
    return np.maximum.accumulate(after, axis=1)


def _held(values: np.ndarray, after: np.ndarray) -> np.ndarray:
    """The last value before the event, carried over everything after it."""
    out = values.copy()
    for j in range(1, values.shape[1]):
        out[:, j] = np.where(after[:, j], out[:, j - 1], out[:, j])
    return out
