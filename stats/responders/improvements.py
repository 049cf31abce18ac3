"""What a responder count can be asked of: a scores frame, a change frame, or the improvements themselves."""

from collections.abc import Iterable, Mapping, Sequence
from typing import TypeAlias

import numpy as np
import pandas as pd

from outcomes import columns as c
from outcomes.library.instrument import Threshold
from stats.change.person_changes import CHANGE_COLUMNS, better_sign, change_table
from stats.errors import FitError
from stats.responders.criteria import OwnThreshold
from stats.responders.published_criteria import Beyond, outcomes_of, published
from stats.selection import Selection

Changes: TypeAlias = pd.DataFrame | pd.Series | np.ndarray | Sequence[float]


def as_list(threshold: object) -> list:
    single = isinstance(
        threshold, str | Threshold | OwnThreshold | Beyond | Mapping | int | float | np.integer | np.floating
    )
    return [threshold] if single or not isinstance(threshold, Iterable) else list(threshold)


def outcome_named(scores: Changes, asked: list) -> str | None:
    """The outcome from the thresholds named, else the only one in the frame."""
    first = asked[0].important if isinstance(asked[0], Beyond) else asked[0]
    if isinstance(first, Mapping):
        first = next(iter(first.values()))
    if isinstance(first, Threshold) or (isinstance(first, str) and first != "all"):
        owners = outcomes_of(published(first))
        if isinstance(scores, pd.DataFrame) and c.OUTCOME in scores:
            present = [owner for owner in owners if owner in set(scores[c.OUTCOME])]
            owners = present or owners
        if len(owners) == 1:
            return owners[0]
    if isinstance(scores, pd.DataFrame) and c.OUTCOME in scores:
        known = scores[c.OUTCOME].unique()
        if len(known) == 1:
            return str(known[0])
        raise FitError(f"Which outcome? Found {', '.join(map(str, known))}. Name one: select=Selection(outcome).")
    return None


def changes_of(
    scores: Changes,
    selection: Selection,
    *,
    participants: pd.DataFrame | None = None,
    unit: str | None = None,
    better: str | None = None,
) -> pd.DataFrame:
    """The change table behind a scores frame, a change frame or bare improvements."""
    if isinstance(scores, pd.DataFrame) and c.VALUE in scores:
        return change_table(scores, selection, participants=participants)
    outcome, unit = selection.outcome, unit or ""
    if isinstance(scores, pd.DataFrame):
        return _completed(scores.copy(), outcome, unit, better)
    improvements = pd.Series(np.asarray(scores, dtype=float))
    if improvements.empty:
        raise FitError("No changes to count: the list is empty.")
    people = pd.Series([f"{i + 1}" for i in range(len(improvements))])
    return _completed(pd.DataFrame({c.PARTICIPANT: people, "improvement": improvements}), outcome, unit, better)


def _completed(table: pd.DataFrame, outcome: str | None, unit: str, better: str | None) -> pd.DataFrame:
    """A change frame of any origin with every column of CHANGE_COLUMNS."""
    if "better" not in table:
        table["better"] = better or "higher"
        if better is None and "improvement" not in table:
            raise FitError("A frame of raw changes needs the direction: better='higher' or 'lower'.")
    sign = better_sign(table["better"].iloc[0])
    if "improvement" not in table:
        if "change" not in table:
            raise FitError("The frame has neither `improvement` nor `change`. Pass a scores or a change frame.")
        table["improvement"] = table["change"] * sign
    if "change" not in table:
        table["change"] = table["improvement"] * sign
    blank = {c.ARM: "", c.OUTCOME: outcome or "change", "from_visit": "before", "to_visit": "after", "unit": unit}
    for name, value in (blank | {"before": np.nan, "after": np.nan}).items():
        if name not in table:
            table[name] = value
    if "missing" not in table:
        table["missing"] = np.where(table["improvement"].isna(), "change", "")
    return table[list(CHANGE_COLUMNS)]
