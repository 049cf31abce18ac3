"""Scores of many scales put together as the long frame that everything after scoring reads."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from outcomes.scoring.administrations import CONDITIONS, SIDES, Integers, Keys
from outcomes.scoring.score_notes import Scored, joined, reason, said

HANDS = ("", "affected", "other")
_SIDED = len(SIDES) * len(CONDITIONS)


@dataclass(frozen=True)
class Block:
    """Scores of one outcome. `typed` marks totals that were typed, not computed from items.

    exact_to: of typed totals, half a unit of the last digit typed; None where nothing was typed.
    """

    outcome: str
    unit: str
    better: str
    keys: Integers
    scored: Scored
    typed: bool = False
    exact_to: NDArray[np.float64] | None = None


def long_frame(blocks: list[Block], keys: Keys, actual_days: NDArray[np.float64]) -> pd.DataFrame:
    """One row per score, sorted by participant, visit, and the order of the blocks.

    actual_days (participants, visits): the day each was really seen, NaN where it is not known.
    """
    blocks = _without_doubles(blocks)
    outcomes = [block.outcome for block in blocks]
    rank = np.array([outcomes.index(outcome) for outcome in outcomes], dtype=np.int64)
    sizes = [len(block.keys) for block in blocks]
    number = np.repeat(np.arange(len(blocks)), sizes)
    key = _joined([block.keys for block in blocks], np.int64)
    participant, visit, side, condition = keys.split(key)
    # One whole number per score sorts faster than five columns: participant, visit, outcome, side, condition.
    order = np.argsort((key // _SIDED * len(blocks) + rank[number]) * _SIDED + key % _SIDED, kind="stable")
    number, participant, visit, side, condition = (
        part[order] for part in (number, participant, visit, side, condition)
    )
    names = [block.outcome.partition(".") for block in blocks]

    def text(choices: list[str] | tuple[str, ...], position: Integers) -> pd.api.extensions.ExtensionArray:
        taken = pa.array(list(choices) or [""], type=pa.large_string()).take(pa.array(position))
        return pd.array(taken, dtype="str")

    def numbers(parts: list[NDArray], dtype: type) -> NDArray:
        return _joined(parts, dtype)[order]

    scored = [block.scored for block in blocks]
    reason_place, reason_texts = joined(reason(part) for part in scored)
    return pd.DataFrame(
        {
            "participant": text(keys.participants, participant),
            "arm": text(keys.arms, participant),
            "visit": text(keys.visits, visit),
            "day": keys.days[visit] if len(keys.days) else np.empty(0),
            "instrument": text([name[0] for name in names], number),
            "scale": text([name[2] for name in names], number),
            "outcome": text(outcomes, number),
            "side": text(SIDES, side),
            "hand": text(HANDS, _hand(side, keys.affected[participant])),
            "condition": text(CONDITIONS, condition),
            "value": numbers([part.value for part in scored], np.float64),
            "unit": text([block.unit for block in blocks], number),
            "better": text([block.better for block in blocks], number),
            "answered": numbers([part.answered for part in scored], np.int64),
            "items": numbers([part.items for part in scored], np.int64),
            "complete": numbers([part.complete for part in scored], np.bool_),
            "reason": text(reason_texts, reason_place[order]),
            "actual_day": actual_days[participant, visit],
        }
    )


def _hand(side: Integers, affected: Integers) -> Integers:
    both = SIDES.index("both")
    one_sided = (side > 0) & (side != both) & (affected > 0)
    return np.where(~one_sided, 0, np.where((affected == both) | (side == affected), 1, 2))


def _without_doubles(blocks: list[Block]) -> list[Block]:
    """Typed totals give way to scores computed from items; where the two differ, the computed score says so."""
    computed = {block.outcome: block for block in blocks if not block.typed}
    kept = []
    for block in blocks:
        other = computed.get(block.outcome)
        if not block.typed or other is None:
            kept.append(block)
            continue
        place = pd.Index(other.keys).get_indexer(block.keys)
        doubled = (place >= 0) & ~np.isnan(other.scored.value[place])
        # 56.3 is what a person writes for 56.25.
        rounded = 0.0 if block.exact_to is None else block.exact_to
        differ = doubled & (np.abs(other.scored.value[place] - block.scored.value) > rounded + 1e-9)
        mask = np.zeros(len(other.keys), dtype=bool)
        mask[place[differ]] = True
        other.scored.notes.append(said(mask, "the typed total differs from the items"))
        # A computed score that could not be given makes way for the typed total of the same administration.
        replaced = np.zeros(len(other.keys), dtype=bool)
        replaced[place[(place >= 0) & ~doubled]] = True
        block.scored.notes.append(said(place >= 0, "typed total; its items give no score"))
        kept.append(_rows(block, ~doubled))
        kept = [_rows(entry, ~replaced) if entry is other else entry for entry in kept]
    return [block for block in kept if len(block.keys)]


def _rows(block: Block, rows: NDArray[np.bool_]) -> Block:
    part = block.scored
    notes = [note.at(rows) for note in part.notes]
    scored = Scored(part.value[rows], part.answered[rows], part.items[rows], part.complete[rows], notes)
    exact = None if block.exact_to is None else block.exact_to[rows]
    return Block(block.outcome, block.unit, block.better, block.keys[rows], scored, block.typed, exact)


def _joined(parts: list[NDArray], dtype: type) -> NDArray:
    return np.concatenate(parts).astype(dtype, copy=False) if parts else np.empty(0, dtype=dtype)


def _as_typed(values: np.ndarray) -> np.ndarray:
    """How far a typed total may lie from the computed one: half of its last decimal, where it has decimals.

    A total typed as a whole number must be right: for a mean of 0 to 5, half a point is no rounding.
    """
    allowed = np.full(len(values), 1e-9)
    for decimals in (3, 2, 1):
        exact = np.isclose(values, np.round(values, decimals), rtol=0, atol=1e-12)
        allowed[exact] = 0.5 * 10.0**-decimals + 1e-9
    allowed[values == np.round(values)] = 1e-9
    return allowed
