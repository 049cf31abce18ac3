"""Range of a movement: between robust percentiles of the record, or between the turning points of its repetitions."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from outcomes.errors import StudyError
from outcomes.movement.low_pass import filter_note, filtered, refuse_short
from outcomes.movement.recordings import LARGEST_ANGLE, Measures, piecewise, rows_of
from outcomes.movement.signal import flat_top
from outcomes.movement.turning_points import mean_about, turns

KINDS = ("percentiles", "repetitions")


@dataclass(frozen=True)
class MotionRange:
    """Range of one recording. `highest` and `lowest` are its two ends: a range hides a shift of both."""

    value: float
    highest: float
    lowest: float
    unit: str
    reason: str
    notes: tuple[str, ...]


def motion_range(
    angle: ArrayLike,
    rate: float,
    *,
    kind: str = "percentiles",
    share: float = 0.025,
    window_s: float = 0.1,
    cutoff: float | None = None,
    limits: tuple[float, float] | None = None,
    unit: str = "degrees",
) -> MotionRange:
    """Range of motion of one recording.

    angle: degrees (or another unit, named), evenly sampled. rate: samples a second.
    kind: "percentiles", from `share` to 1 - `share` of all samples: stands noise and single spikes, loses a little
    of the true range (a sinusoid of amplitude A reads 2 A cos(pi share), 0.3 % less at 0.025; arcsine law); or
    "repetitions", the mean over `window_s` about each turning point, highs minus lows (A sin x / x with x = pi f
    window_s). Highest minus lowest sample is not offered: noise adds to it at both ends, the more the longer the
    record. Take one kind for all visits. cutoff: Hz of a zero-lag low-pass first, None for none. limits: lowest and
    highest reading of the sensor.
    Refused with a reason: samples without a number, a flat top (the sensor was at its end), angles beyond 200 degrees,
    a record shorter than 1 s, no repetition.
    Raises StudyError for an impossible rate, cut-off, kind or share.
    Source: percentiles and turning points of a record, common practice; the loss stated above is algebra.

    >>> import numpy as np
    >>> seconds = np.arange(0, 20, 0.01)
    >>> round(motion_range(45 * np.sin(np.pi * seconds), 100).value, 2)  # 89.72 without the steps of the samples
    89.61
    """
    found = motion_ranges(
        angle, rate, kind=kind, share=share, window_s=window_s, cutoff=cutoff, limits=limits, unit=unit
    )
    value, highest, lowest = (float(found.columns[name][0]) for name in ("range", "highest", "lowest"))
    return MotionRange(value, highest, lowest, unit, str(found.reasons[0]), found.notes)


def motion_ranges(
    angles: ArrayLike,
    rate: float,
    *,
    kind: str = "percentiles",
    share: float = 0.025,
    window_s: float = 0.1,
    cutoff: float | None = None,
    limits: tuple[float, float] | None = None,
    unit: str = "degrees",
) -> Measures:
    """`motion_range` of many recordings of one length: columns `range`, `highest`, `lowest`."""
    if kind not in KINDS:
        raise StudyError(f"Range of motion: kind {kind!r}, allowed {', '.join(KINDS)}.")
    if not 0 < share < 0.25:
        raise StudyError(f"Range of motion: share {share}, allowed above 0 and below 0.25, e.g. 0.025.")
    raw, refused = rows_of(angles, rate, "Range of motion")
    refused.where(raw.shape[1] < rate, f"{raw.shape[1] / rate:.3g} s of record, allowed 1 s or more")
    refused.where(flat_top(raw, limits=limits), "the sensor was at its end: equal readings in a row at an extreme")
    if unit == "degrees":
        furthest = np.abs(raw).max(axis=1)
        refused.where(furthest > LARGEST_ANGLE, "an angle of {:.4g} degrees, allowed up to 200: unwrap it", furthest)
    refuse_short(refused, raw, cutoff)
    values = filtered(raw, rate, cutoff) if refused.given.any() else raw
    if kind == "percentiles":
        ends = piecewise(lambda piece: np.percentile(piece, (100 * share, 100 * (1 - share)), axis=1).T, values)
        lowest, highest = ends[:, 0], ends[:, 1]
        how = f"from the {100 * share:g} to the {100 * (1 - share):g} percentile of the record"
    else:
        rows = np.flatnonzero(refused.given)
        found = turns(values[rows], rate)
        height = mean_about(values[rows], found.row, found.at, window_s * rate)
        highest, lowest = np.full(len(values), np.nan), np.full(len(values), np.nan)
        for column, chosen in ((highest, found.top), (lowest, ~found.top)):
            count = np.bincount(found.row[chosen], minlength=len(rows))
            total = np.bincount(found.row[chosen], weights=height[chosen], minlength=len(rows))
            column[rows] = np.where(count > 0, total / np.maximum(count, 1), np.nan)
        refused.where(np.isnan(highest) | np.isnan(lowest), "no whole repetition: fewer than two turning points")
        how = f"between turning points, each the mean over {window_s:g} s; means over the repetitions of the record"
    lowest, highest = refused.apply(lowest, highest)
    columns = {"range": highest - lowest, "highest": highest, "lowest": lowest}
    return Measures(columns, refused.reasons, (how, filter_note(rate, cutoff)))
