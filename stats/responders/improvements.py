"""What a responder count can be asked of: a scores frame, a change frame, or the improvements themselves."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, TypeAlias

import numpy as np
import pandas as pd

from outcomes import columns as c
from outcomes.library.instrument import Threshold
from stats.change.change_table import CHANGE_COLUMNS, better_sign, change_table
from stats.errors import FitError
from stats.responders.published_criteria import outcomes_of, published

Changes: TypeAlias = pd.DataFrame | pd.Series | np.ndarray | Sequence[float]


def completed_table(filled: Changes, table: pd.DataFrame, outcome: str, selection: Mapping[str, Any]) -> pd.DataFrame:
    """The change table of one completed data set: the same participants and arms as the observed one."""
    unit, better = str(table["unit"].iloc[0]), str(table["better"].iloc[0])
    made = changes_of(filled, outcome, unit, better, selection)
    if set(made[c.PARTICIPANT]) != set(table[c.PARTICIPANT]):
        raise FitError("A completed data set holds other participants than the observed one.")
    if (made["missing"] != "").any():
        raise FitError("A completed data set still lacks values: every enrolled participant needs both visits.")
    return made


def as_list(threshold: object) -> list:
    single = isinstance(threshold, str | Threshold | Mapping | int | float | np.integer | np.floating)
    return [threshold] if single or not isinstance(threshold, Iterable) else list(threshold)


def outcome_named(scores: Changes, asked: list) -> str | None:
    """The outcome from the thresholds named, else the only one in the frame."""
    first = asked[0]
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
        raise FitError(f"Which outcome? Found {', '.join(map(str, known))}. Name one: outcome=.")
    return None


def changes_of(
    scores: Changes, outcome: str | None, unit: str, better: str | None, selection: Mapping[str, Any]
) -> pd.DataFrame:
    """The change table behind a scores frame, a change frame or bare improvements."""
    if isinstance(scores, pd.DataFrame) and c.VALUE in scores:
        if outcome is None:
            raise FitError("Which outcome? Name one: outcome=.")
        return change_table(scores, outcome, **selection)
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
