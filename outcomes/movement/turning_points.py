"""Where a movement turns: repetitions and half-movements of a record.

Defaults are judgement, to be printed: a turn counts from 10 degrees or a quarter of the record's 5-95 % range,
whichever is more, and 0.3 s after the one before (common practice, no single source).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.signal import find_peaks

from outcomes.errors import StudyError
from outcomes.movement.recordings import Floats, in_pieces, piecewise, rows_of

SMALLEST_TURN = 10.0
SHARE_OF_RANGE = 0.25
SPACING_S = 0.3
Places = NDArray[np.int64]


@dataclass(frozen=True)
class Turns:
    """Turning points of many recordings in order: of which row, at which sample, whether a highest point; and how far
    each row's must stand out."""

    row: Places
    at: Places
    top: NDArray[np.bool_]
    depth: Floats


@dataclass(frozen=True)
class Halves:
    """Half-movements of many recordings in order: of which row, first and last sample."""

    row: Places
    first: Places
    last: Places


def turns(
    values: Floats,
    rate: float,
    *,
    smallest: float = SMALLEST_TURN,
    share: float = SHARE_OF_RANGE,
    spacing_s: float = SPACING_S,
) -> Turns:
    """Points of each row that stand out by `smallest` or by `share` of its 5-95 % range, highest and lowest in turn.

    smallest: in the unit of the values. Points at the very ends of a record are no turns: the movement is cut there.
    """
    ends = piecewise(lambda piece: np.percentile(piece, (5, 95), axis=1).T, values)
    depth = np.maximum(smallest, share * (ends[:, 1] - ends[:, 0]))
    apart = max(1, round(spacing_s * rate))
    found: list[Places] = []
    for sign in (1.0, -1.0):
        for series, least in zip(sign * values, depth.tolist(), strict=True):
            found.append(find_peaks(series, prominence=least, distance=apart)[0])
    count = len(values)
    row = np.repeat(np.tile(np.arange(count), 2), [len(places) for places in found])
    at = np.concatenate(found) if found else np.empty(0, dtype=np.int64)
    top = np.arange(len(at)) < sum(len(places) for places in found[:count])
    order = np.lexsort((at, row))
    row, at, top = row[order], at[order], top[order]
    if not len(at):
        return Turns(row, at, top, depth)
    # Of several highs with no low between them the highest stays, and of lows the lowest.
    group = np.cumsum(np.concatenate(([False], (top[1:] != top[:-1]) | (row[1:] != row[:-1]))))
    height = values[row, at]
    best = np.lexsort((np.where(top, -height, height), group))
    best = best[np.concatenate(([True], np.diff(group[best]) > 0))]
    return Turns(row[best], at[best], top[best], depth)


def count_repetitions(series: ArrayLike, rate: float, **choices: float) -> int:
    """Number of highest points of one recording: one per repetition of a movement to and fro. `choices`: see
    `turns`.

    Raises StudyError for a record that is empty or has samples without a number, and for an impossible rate.
    """
    values, refused = rows_of(series, rate, "Repetitions")
    if not refused.given.all():
        raise StudyError(f"Repetitions: found {refused.reasons[0]}, allowed one number a sample. Cut the series there.")
    return int(turns(values, rate, **choices).top.sum())


def half_movements(values: Floats, rate: float, **choices: float) -> Halves:
    """Every stretch between two turns of each row, and before the first and after the last turn where the record
    travels as far there as a turn must stand out. `choices`: see `turns`."""
    found = turns(values, rate, **choices)
    rows, length = len(values), values.shape[1]
    every = np.arange(rows)
    row = np.concatenate((every, found.row))
    first = np.concatenate((np.zeros(rows, dtype=np.int64), found.at))
    order = np.lexsort((first, row))
    row, first = row[order], first[order]
    closes = np.concatenate((row[1:] != row[:-1], [True]))
    opens = np.concatenate(([True], row[1:] != row[:-1]))
    last = np.where(closes, length - 1, np.concatenate((first[1:], [0])))
    travelled = np.abs(values[row, last] - values[row, first])
    alone = opens & closes
    travelled[alone] = np.ptp(values[row[alone]], axis=1)
    kept = ~(opens | closes) | (travelled >= found.depth[row])
    return Halves(row[kept], first[kept], last[kept])


def stretches(values: Floats, halves: Halves) -> Iterator[tuple[Places, Floats, Places]]:
    """The samples of the half-movements, in matrices of similar lengths: which half-movements, their samples
    followed by 0, their numbers of samples."""
    lengths = halves.last - halves.first + 1
    by_length = np.argsort(lengths, kind="stable")
    for piece in in_pieces(len(lengths), int(lengths.max(initial=1))):
        which = by_length[piece]
        size = lengths[which]
        at = np.arange(int(size.max()))
        place = np.minimum(halves.first[which][:, None] + at, values.shape[1] - 1)
        yield which, np.where(at < size[:, None], values[halves.row[which][:, None], place], 0.0), size


def mean_about(values: Floats, row: Places, at: Places, width: float) -> Floats:
    """Mean of the straight-line curve through the samples of a row over `width` samples about `at`, not beyond the
    record."""
    area = np.concatenate((np.zeros((len(values), 1)), np.cumsum((values[:, 1:] + values[:, :-1]) / 2, axis=1)), axis=1)

    def up_to(place: Floats) -> Floats:
        whole = np.minimum(np.floor(place).astype(np.int64), values.shape[1] - 1)
        after = np.minimum(whole + 1, values.shape[1] - 1)
        part = place - whole
        low, high = values[row, whole], values[row, after]
        return area[row, whole] + part * low + part**2 / 2 * (high - low)

    low, high = np.maximum(at - width / 2, 0), np.minimum(at + width / 2, values.shape[1] - 1)
    across = high - low
    return np.where(across > 0, (up_to(high) - up_to(low)) / np.where(across > 0, across, 1), values[row, at])
