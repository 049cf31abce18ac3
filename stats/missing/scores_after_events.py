"""The scores that an analysis sees, after the strategies for intercurrent events: one frame for means, one for counts.

A model of means and a count of people who passed may need different values after the same event: a composite strategy
counts the person as not passed, and has a mean only where the protocol names a score for it. Source: ICH E9(R1), 2019.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from outcomes import columns as c
from outcomes.protocol.trial import Protocol
from stats.missing.estimand import (
    ACCOUNTING,
    COMPOSITE,
    DOES,
    HYPOTHETICAL,
    POLICY,
    WHILE_ON,
    IntercurrentEvent,
    after_event,
    events_of,
)

_ONE = [c.PARTICIPANT, c.OUTCOME, c.SIDE, c.CONDITION]  # a series of values over the visits


@dataclass(frozen=True)
class ScoresAfterEvents:
    """means: scores for models; counts: scores for counts of people who passed; both as `outcomes.score` gives them.

    accounting: event strategy people values_after does. Without events both frames are the scores themselves.
    """

    means: pd.DataFrame = field(repr=False)
    counts: pd.DataFrame = field(repr=False)
    accounting: pd.DataFrame
    notes: tuple[str, ...] = ()


def scores_after_events(
    scores: pd.DataFrame, protocol: Protocol, tables: Mapping[str, pd.DataFrame], dates: pd.DataFrame
) -> ScoresAfterEvents:
    """Scores with the values after each event of study.toml kept, set aside, held or replaced, as its strategy says.

    tables: the study's tables by name. dates: participant, visit, date of visits. Events are taken in the order of
    study.toml. A composite strategy: for counts the value after it is that of the first visit, which passes nothing;
    for means of the primary outcome it is the protocol's score, else it is set aside, and a note says that no mean
    answers it. Raises FitError for an event whose column is not there, or a principal stratum.
    """
    events = [event for event in events_of(protocol) if event.strategy != POLICY]
    every = events_of(protocol)
    if not every:
        return ScoresAfterEvents(scores, scores, pd.DataFrame(columns=ACCOUNTING))
    visits = [visit.id for visit in sorted(protocol.visits, key=lambda visit: visit.day)]
    people = list(dict.fromkeys(scores[c.PARTICIPANT]))
    means, counts = scores.copy(), scores.copy()
    rows: list[dict] = []
    notes: list[str] = []
    for event in every:
        found = after_event(event, people, visits, tables, dates)
        place = pd.MultiIndex.from_frame(scores[[c.PARTICIPANT, c.VISIT]])
        grid = pd.MultiIndex.from_product([people, visits])
        value = scores[c.VALUE].notna().to_numpy()
        seen = value & np.isin(grid.get_indexer(place), np.flatnonzero(found.after.ravel()))
        rows.append({"event": event.label, "strategy": event.strategy, "people": found.people,
                     "values_after": int(seen.sum()), "does": DOES[event.strategy]})  # fmt: skip
        notes += found.notes(np.ones(found.after.shape, dtype=bool))
        if event not in events:
            continue
        cells = {(people[i], visits[j]) for i, j in zip(*np.nonzero(found.after), strict=True)}
        means = _changed(means, event, cells, protocol, visits, for_counts=False)
        counts = _changed(counts, event, cells, protocol, visits, for_counts=True)
        if event.strategy == COMPOSITE and event.composite_value is None and cells:
            notes.append(
                f"{event.label}: counted as not passed. No mean answers this question, because study.toml names no "
                "score for it; models take the values after it as missing."
            )
    return ScoresAfterEvents(means, counts, pd.DataFrame(rows, columns=ACCOUNTING), tuple(dict.fromkeys(notes)))


def _changed(
    scores: pd.DataFrame,
    event: IntercurrentEvent,
    cells: set[tuple[str, str]],
    protocol: Protocol,
    visits: list[str],
    *,
    for_counts: bool,
) -> pd.DataFrame:
    """The scores with the cells after the event as the strategy says; rows are added where a value now stands."""
    if not cells:
        return scores
    touched = scores[c.PARTICIPANT].isin({person for person, _ in cells})
    kept, parts = scores[~touched], []
    for (_, outcome, _, _), rows in scores[touched].groupby(_ONE, sort=False, dropna=False):
        parts.append(_one_series(rows, event, cells, protocol, visits, str(outcome), for_counts))
    made = pd.concat([kept, *parts])
    return made.astype(scores.dtypes.to_dict()).sort_index(kind="stable").reset_index(drop=True)


def _one_series(
    rows: pd.DataFrame,
    event: IntercurrentEvent,
    cells: set[tuple[str, str]],
    protocol: Protocol,
    visits: list[str],
    outcome: str,
    for_counts: bool,
) -> pd.DataFrame:
    person = rows[c.PARTICIPANT].iloc[0]
    gone = [visit for visit in visits if (person, visit) in cells]
    by_visit = rows.drop_duplicates(c.VISIT).set_index(c.VISIT)[c.VALUE]
    before = [visit for visit in visits if visit not in gone and pd.notna(by_visit.get(visit, np.nan))]
    value, why = np.nan, f"set aside: after {event.label}"
    if event.strategy == WHILE_ON and before:
        value, why = by_visit[before[-1]], f"last value before {event.label}"
    elif event.strategy == COMPOSITE and for_counts and visits[0] in before:
        value, why = by_visit[visits[0]], f"not passed: {event.label}"
    elif event.strategy == COMPOSITE and not for_counts and outcome == protocol.primary:
        if event.composite_value is not None:
            value, why = event.composite_value, f"score for {event.label}"
    elif event.strategy not in (HYPOTHETICAL, WHILE_ON, COMPOSITE):
        return rows
    after = rows[c.VISIT].isin(gone)
    told = rows.assign(**{c.VALUE: rows[c.VALUE].mask(after, value), "reason": rows["reason"].mask(after, why)})
    planned = {visit.id: visit.day for visit in protocol.visits_of(outcome)}
    absent = [visit for visit in gone if visit in planned and visit not in set(rows[c.VISIT])]
    if not absent or pd.isna(value):
        return told
    last = told.iloc[[-1] * len(absent)].assign(
        **{c.VISIT: absent, c.VALUE: value, "reason": why, "day": [planned[visit] for visit in absent]}
    )
    return pd.concat([told, last])
