"""Peak velocity and movement time of the half-movements of a recording."""

import numpy as np
from numpy.typing import ArrayLike

from outcomes.errors import StudyError
from outcomes.movement.low_pass import derivative, filter_note, filtered, refuse_short
from outcomes.movement.recordings import LOWEST_RATE, Floats, Measured, Measures, one, rows_of
from outcomes.movement.turning_points import Halves, Places, half_movements, stretches

NO_MOVEMENT = "no movement: nowhere does the record travel far enough to be a half-movement"


def peak_velocity(angle: ArrayLike, rate: float, *, cutoff: float | None = None, unit: str = "degrees/s") -> Measured:
    """Highest speed of each half-movement of one recording, averaged over them.

    angle: degrees, evenly sampled. cutoff: Hz of the low-pass before differentiating; noise s of a sample becomes
    s rate / sqrt(2) in the velocity. Refused below 50 samples a second, without a half-movement, with samples missing.
    """
    return one(velocities(angle, rate, cutoff=cutoff), "peak-velocity", unit)


def movement_time(
    angle: ArrayLike, rate: float, *, fraction: float = 0.05, cutoff: float | None = None, unit: str = "s"
) -> Measured:
    """Time from the first to the last crossing of `fraction` of the peak velocity, averaged over half-movements.

    The threshold is part of the definition: a minimum-jerk movement of T seconds reads T sqrt(1 - sqrt(fraction)).
    """
    return one(velocities(angle, rate, fraction=fraction, cutoff=cutoff), "movement-time", unit)


def velocities(angles: ArrayLike, rate: float, *, fraction: float = 0.05, cutoff: float | None = None) -> Measures:
    """Of many recordings of one length: columns `peak-velocity` and `movement-time`, means over half-movements.

    Raises StudyError for an impossible rate, cut-off or fraction.
    """
    if not 0 < fraction < 1:
        raise StudyError(f"Movement time: fraction {fraction} of the peak velocity, allowed between 0 and 1.")
    values, refused = rows_of(angles, rate, "Velocity")
    refused.where(rate < LOWEST_RATE, f"{rate:g} samples a second, allowed 50 or more for a velocity")
    refuse_short(refused, values, cutoff)
    peaks, times = np.full(len(values), np.nan), np.full(len(values), np.nan)
    if refused.given.any():
        values = filtered(values, rate, cutoff)
        speeds = np.abs(derivative(values, rate))
        rows = np.flatnonzero(refused.given)
        halves = half_movements(values[rows], rate)
        peak, time = np.empty(len(halves.row)), np.empty(len(halves.row))
        for which, speed, size in stretches(speeds[rows], halves):
            peak[which], time[which] = _peak_and_time(speed, size, rate, fraction)
        peaks[rows], times[rows] = mean_of_halves(peak, halves, len(rows)), mean_of_halves(time, halves, len(rows))
        refused.where(np.isnan(peaks), NO_MOVEMENT)
    peaks, times = refused.apply(peaks, times)
    notes = (
        f"peak of the derivative and time above {100 * fraction:g} % of it, means over the half-movements",
        filter_note(rate, cutoff),
    )
    return Measures({"peak-velocity": peaks, "movement-time": times}, refused.reasons, notes)


def moving_part(speed: Floats, fraction: float = 0.05) -> tuple[Places, Places]:
    """First and last sample of each row at `fraction` of its highest speed or more."""
    moving = speed >= fraction * speed.max(axis=1, keepdims=True)
    return np.argmax(moving, axis=1), speed.shape[1] - 1 - np.argmax(moving[:, ::-1], axis=1)


def mean_of_halves(values: Floats, halves: Halves, rows: int) -> Floats:
    """Mean over the half-movements of each of `rows` recordings, those without a value left out; NaN where none has
    one."""
    known = np.isfinite(values)
    count = np.bincount(halves.row[known], minlength=rows)
    total = np.bincount(halves.row[known], weights=values[known], minlength=rows)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _peak_and_time(speed: Floats, size: Places, rate: float, fraction: float) -> tuple[Floats, Floats]:
    """Highest speed, and the time between the crossings of the threshold, between samples by a straight line."""
    peak = speed.max(axis=1)
    first, last = moving_part(speed, fraction)
    early = _beyond(speed, first, np.maximum(first - 1, 0), fraction * peak)
    late = _beyond(speed, last, np.minimum(last + 1, size - 1), fraction * peak)
    return peak, (last + late - first + early) / rate


def _beyond(speed: Floats, at: Places, beyond: Places, threshold: Floats) -> Floats:
    """How far towards the sample `beyond` the speed falls to the threshold, in samples; 0 where there is none
    beyond."""
    row = np.arange(len(speed))
    here, there = speed[row, at], speed[row, beyond]
    falls = here > there
    return np.where(falls, (here - threshold) / np.where(falls, here - there, 1), 0)
