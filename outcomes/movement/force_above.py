"""Time above a declared force, and how often it is exceeded: in absolute newtons, never a share of a changing
maximum."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from outcomes.errors import StudyError
from outcomes.movement.low_pass import filter_note, filtered, refuse_short
from outcomes.movement.recordings import Measures, in_pieces, rows_of

DEAD_BAND = 0.1  # of the force: an excursion ends this far below it
SHORTEST_S = 0.1


@dataclass(frozen=True)
class ForceAbove:
    """seconds: time above `level`. excursions: how often it was exceeded for 0.1 s or more."""

    seconds: float
    excursions: float
    level: float
    unit: str
    reason: str
    notes: tuple[str, ...]


def force_above(
    force: ArrayLike, rate: float, level: float, *, cutoff: float | None = None, unit: str = "N"
) -> ForceAbove:
    """Seconds above `level` and number of excursions of one recording; no baseline is taken off.

    An excursion ends 10 % below the level and counts from 0.1 s on (judgement): noise about the level is not counted.
    Raises StudyError for an impossible rate, cut-off or a level that is not above 0.
    """
    found = forces_above(force, rate, level, cutoff=cutoff)
    seconds, excursions = (float(found.columns[name][0]) for name in ("seconds", "excursions"))
    return ForceAbove(seconds, excursions, level, unit, str(found.reasons[0]), found.notes)


def forces_above(forces: ArrayLike, rate: float, level: float, *, cutoff: float | None = None) -> Measures:
    """`force_above` of many recordings of one length: columns `seconds`, `excursions`."""
    if not level > 0:
        raise StudyError(f"Time above a force: level {level}, allowed above 0.")
    values, refused = rows_of(forces, rate, "Time above a force")
    refuse_short(refused, values, cutoff)
    if refused.given.any():
        values = filtered(values, rate, cutoff)
    seconds, excursions = np.zeros(len(values)), np.zeros(len(values))
    at = np.arange(values.shape[1])
    for piece in in_pieces(*values.shape):
        part = values[piece]
        above, ended = part > level, part < (1 - DEAD_BAND) * level
        seconds[piece] = above.sum(axis=1) / rate
        # Between the two forces the state is that of the last sample outside them.
        known = np.maximum.accumulate(np.where(above | ended, at, -1), axis=1)
        inside = np.take_along_axis(above, np.maximum(known, 0), axis=1) & (known >= 0)
        edges = np.diff(np.pad(inside, ((0, 0), (1, 1))).astype(np.int8), axis=1)
        row, start = np.nonzero(edges == 1)
        long = np.nonzero(edges == -1)[1] - start >= SHORTEST_S * rate - 1e-9
        excursions[piece] = np.bincount(row[long], minlength=len(part))
    seconds, excursions = refused.apply(seconds, excursions)
    notes = (
        f"above {level:g}; an excursion ends {100 * DEAD_BAND:g} % below and counts from {SHORTEST_S:g} s",
        filter_note(rate, cutoff),
    )
    return Measures({"seconds": seconds, "excursions": excursions}, refused.reasons, notes)
