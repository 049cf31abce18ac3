"""The rules of the form: gates, skip rules and time limits, applied to raw answers as an examiner would."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from synthetic_cohort.forms.item_curves import Bank
from synthetic_cohort.people.ability import Array

Asked = NDArray[np.bool_]


def apply_rules(
    bank: Bank, value: Array, asked: Asked, options: Mapping[str, object], *, skip: bool = True
) -> tuple[Array, Asked]:
    """Answers as they would be written down.

    value: raw answers (..., items), changed in place; an item a skip rule leaves out holds what the rule credits.
    asked: True where an item is put to the person, changed in place.
    options: scoring options of the study for this instrument (a time limit). skip: False tests every item.
    """
    place = {item: number for number, item in enumerate(bank.ids)}
    for gate in bank.instrument.gates:
        if gate.item in place and all(item in place for item in gate.items):
            opening = value[..., [place[item] for item in gate.items]].sum(axis=-1)
            closed = opening < gate.at_least
            value[..., place[gate.item]] = np.where(closed, gate.otherwise, value[..., place[gate.item]])
    for scale in bank.instrument.scales:
        if skip and scale.kind == "skip-rule" and all(item in place for item in scale.items):
            _skip(bank, value, asked, [place[item] for item in scale.items])
        if scale.kind == "timed":
            _time_out(scale, value, asked, place, options)
    return value, asked


def _skip(bank: Bank, value: Array, asked: Asked, columns: list[int]) -> None:
    """Hardest item first, easiest second: a full first item or a failed second one ends the part."""
    first, second, rest = columns[0], columns[1], columns[2:]
    passed = value[..., first] == bank.curves[first].item.high
    failed = ~passed & (value[..., second] == bank.curves[second].item.low)
    asked[..., second] &= ~passed
    # The scale is a ladder: who fails the easiest item does not get part of the hardest.
    value[..., first] = np.where(failed, bank.curves[first].item.low, value[..., first])
    value[..., second] = np.where(passed, bank.curves[second].item.high, value[..., second])
    for column in rest:
        asked[..., column] &= ~(passed | failed)
        item = bank.curves[column].item
        value[..., column] = np.where(passed, item.high, np.where(failed, item.low, value[..., column]))


def _time_out(scale, value: Array, asked: Asked, place: Mapping[str, int], options: Mapping[str, object]) -> None:
    """Tasks stopped at the study's limit; with a count, the number done by then (a full count when finished)."""
    limit = options.get(str(scale.rule.get("limit", "")))
    if limit is None:
        return
    seconds_allowed = float(str(limit))
    counted = scale.rule.get("counted")
    for item in scale.items:
        if item not in place or item == counted:
            continue
        seconds = value[..., place[item]]
        late = seconds > seconds_allowed
        if counted in place:
            full = float(scale.rule["full"])
            done = np.where(late, np.floor(full * seconds_allowed / seconds), full)
            value[..., place[str(counted)]] = np.where(np.isnan(seconds), 0.0, done)
            value[..., place[item]] = np.where(late, seconds_allowed, seconds)
        else:
            value[..., place[item]] = np.where(late, np.nan, seconds)


def passive_beyond_active(active: Array, passive: Array, deficit: NDArray[np.bool_]) -> Array:
    """Passive angles: at least what the person reaches actively; an extension deficit at most that.

    active, passive: (..., items) of the same items. deficit: which items are deficits (smaller is better).
    """
    return np.where(deficit, np.minimum(passive, active), np.maximum(passive, active))
