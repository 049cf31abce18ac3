"""Which rows of the scores an analysis uses: said once in a `Selection`, picked once by `rows`.

A hand: "affected" takes the rows of the affected hand and those without a hand (questionnaires, or a side that is not
known); any other name takes its rows alone, "" those without a hand; a tuple takes just what it names. A condition:
"unassisted" takes the unassisted rows and those that name none; any other takes its rows alone, "" those that name
none. Models, counts, effect sizes, pairs and figures all mean this.
"""

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import TypeAlias, TypedDict, Unpack

import numpy as np
import pandas as pd
from pandas.api.extensions import ExtensionArray

from outcomes import columns as c
from outcomes.protocol.trial import Protocol
from stats.errors import FitError

NEEDED = (c.PARTICIPANT, c.VISIT, c.DAY, c.OUTCOME, c.VALUE)
NONE_COUNTS_AS = {c.HAND: "affected", c.CONDITION: "unassisted"}


@dataclass(frozen=True)
class Selection:
    """One outcome, the visits a change lies between, one hand, one condition and, where named, some participants.

    outcome: "<instrument>.<scale>"; None where the caller finds it (a threshold's own, the only one in the frame).
    baseline: visit that changes are counted from, None the one with the smallest planned day; visits planned before a
    named one take no part. visit: the later visit of a change, None the last one; a model of all visits takes the
    others too. hand, condition: as in the head of this module. participants: codes, None everyone.
    """

    outcome: str | None = None
    visit: str | None = None
    baseline: str | None = None
    hand: str | tuple[str, ...] = "affected"
    condition: str = "unassisted"
    participants: tuple[str, ...] | None = None

    def __post_init__(self) -> None:
        if not isinstance(self.hand, str):
            object.__setattr__(self, "hand", tuple(self.hand))
        if self.participants is not None:
            object.__setattr__(self, "participants", tuple(map(str, self.participants)))

    @property
    def hands(self) -> frozenset[str]:
        """The values of the column `hand` that are taken."""
        return _taken(c.HAND, self.hand)

    def named(self) -> str:
        """The outcome. Raises FitError where none is named."""
        if self.outcome is None:
            raise FitError("Which outcome? Name one: select=Selection(outcome).")
        return self.outcome


class Narrowed(TypedDict, total=False):
    """The parts of a selection that can be given as keywords beside an outcome."""

    visit: str | None
    baseline: str | None
    hand: str | Collection[str]
    condition: str


Selected: TypeAlias = str | Selection


def selection_of(outcome: Selected | None, **named: Unpack[Narrowed]) -> Selection:
    """The selection behind an outcome's name or a selection, narrowed by what is named beside it."""
    chosen = outcome if isinstance(outcome, Selection) else Selection(outcome)
    return replace(chosen, **named) if named else chosen  # type: ignore[arg-type]  # a collection of hands is made a tuple


def rows(scores: pd.DataFrame, selection: Selection, *, once: bool = True) -> pd.DataFrame:
    """The rows of a selection, values or not, all columns; at most one per participant and visit.

    scores: frame of `outcomes.score` (hand and condition may be absent: then there is nothing to choose). once: False
    lets several scores of one participant and visit pass, where only their presence is counted.
    Raises FitError for a column, an outcome, a visit or a person that is not there, where nothing is left, and for two
    scores of one participant and visit.
    """
    return scores.take(positions(scores, selection, once=once))


def positions(scores: pd.DataFrame, selection: Selection, *, once: bool = True) -> np.ndarray:
    """Where the rows of `rows` are in the frame: integer positions, ascending."""
    outcome = selection.named()
    absent = [name for name in NEEDED if name not in scores.columns]
    if absent:
        raise FitError(f"The scores frame lacks the columns {', '.join(absent)}. Pass the frame that score() returns.")
    at = np.flatnonzero((scores[c.OUTCOME] == outcome).to_numpy(dtype=bool, na_value=False))
    if not len(at):
        known = ", ".join(map(str, scores[c.OUTCOME].unique()))
        raise FitError(f"Outcome {outcome!r} is not among the scores; there are {known}.")
    for name, wanted in ((c.HAND, selection.hand), (c.CONDITION, selection.condition)):
        if name in scores:
            at = at[_among(scores[name].array.take(at), _taken(name, wanted))]
    if not len(at):
        raise FitError(
            f"No score of {outcome} for hand {selection.hand!r} and condition {selection.condition!r}. "
            "Name the hand and the condition that were measured."
        )
    if selection.participants is not None:
        at = at[scores[c.PARTICIPANT].take(at).astype(str).isin(selection.participants).to_numpy()]
        if not len(at):
            raise FitError(f"No score of {outcome} of the {len(selection.participants)} participants named.")
    _refuse_profiles(scores, at, outcome)
    if once:
        _refuse_twice(scores, at, outcome)
    if selection.baseline is not None:
        at = at[~(scores[c.DAY].to_numpy()[at] < _day_of(scores.take(at), selection.baseline, outcome))]
    if selection.visit is not None:
        _day_of(scores.take(at), selection.visit, outcome)
    return at


def at_headline(selection: Selection, scores: pd.DataFrame, design: Protocol | None) -> Selection:
    """The selection with the visit a study speaks of, where it names none and a protocol does (`headline_visit`)."""
    if design is None or selection.visit is not None or not {c.OUTCOME, c.VISIT, c.VALUE} <= set(scores.columns):
        return selection
    own = np.flatnonzero((scores[c.OUTCOME] == selection.outcome).to_numpy() & scores[c.VALUE].notna().to_numpy())
    seen = scores[c.VISIT].take(own).unique().tolist()
    return replace(selection, visit=design.headline_visit({str(visit) for visit in seen}))


def visits_in_order(scores: pd.DataFrame) -> list[str]:
    """Visit ids by planned day."""
    return scores.drop_duplicates(c.VISIT).sort_values(c.DAY, kind="stable")[c.VISIT].tolist()


def _taken(column: str, wanted: str | Collection[str]) -> frozenset[str]:
    if not isinstance(wanted, str):
        return frozenset(wanted)
    return frozenset({wanted, ""} if wanted == NONE_COUNTS_AS[column] else {wanted})


def _among(values: ExtensionArray, names: frozenset[str]) -> np.ndarray:
    """Whether each value is one of the names; a missing value is a blank. One look per value that occurs."""
    codes, seen = pd.factorize(values)
    return np.array([*(one in names for one in seen), "" in names])[codes]  # code -1, missing, is the last


def _refuse_profiles(scores: pd.DataFrame, at: np.ndarray, outcome: str) -> None:
    """Digits written side by side are a code: there is no difference and no mean of them."""
    if "unit" in scores and len(at) and scores["unit"].iloc[at[0]] == "profile":
        name = outcome.partition(".")[0]
        raise FitError(
            f"{outcome} is a profile: its digits are no quantity, so there is no change and no mean of it. Analyse the "
            f"index by the study's value set ({name}.index, with value_set under [instruments.{name}]) or the visual "
            f"analogue scale ({name}.vas)."
        )


def _refuse_twice(scores: pd.DataFrame, at: np.ndarray, outcome: str) -> None:
    person, people = pd.factorize(scores[c.PARTICIPANT].array.take(at))
    visit, visits = pd.factorize(scores[c.VISIT].array.take(at))
    place = person * len(visits) + visit
    counted = np.bincount(place[(person >= 0) & (visit >= 0)])
    twice = np.flatnonzero(counted > 1)
    if not len(twice):
        return
    first = place[np.isin(place, twice)][0]
    name = visits[first % len(visits)]
    raise FitError(
        f"{outcome}: participant {people[first // len(visits)]}, visit {name} has {counted[first]} scores where one is "
        f"allowed: two rows at visit {name} cannot both count. "
        "Choose one hand and one condition (hand= and condition= of the selection), or the rater; for people with two "
        "affected hands say which one in study.toml, [both_hands]."
    )


def _day_of(mine: pd.DataFrame, visit: str, outcome: str) -> float:
    at = mine.loc[mine[c.VISIT] == visit, c.DAY]
    if at.empty:
        raise FitError(f"Visit {visit!r} has no score of {outcome}; there are {', '.join(visits_in_order(mine))}.")
    return float(at.iloc[0])
