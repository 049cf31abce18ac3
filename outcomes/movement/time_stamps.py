"""Time stamps of a recording: step, dropped samples, gaps, jumps of the clock, and an even grid.

Nothing is interpolated over a gap longer than stated. Samples made by interpolation are counted and never called
measured.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from outcomes.movement.recordings import Bools, Floats

LONGEST_FILLED_S = 0.1
UNEVEN, TOO_UNEVEN = 0.05, 0.25  # coefficient of variation of the step (judgement)
LARGEST_STEP_S = 1.0  # a median step of 1 or more is no time in seconds


@dataclass(frozen=True)
class Dropped:
    """Samples that a steady clock would have given and the record has not."""

    step_s: float
    missing: int
    expected: int
    share: float
    longest_gap_s: float


@dataclass(frozen=True)
class EvenSeries:
    """A recording on an even grid. `reason` says why there is none; `filled` counts samples made by interpolation."""

    values: Floats  # samples x channels
    start: float
    rate: float
    filled: int
    uneven: float  # coefficient of variation of the steps
    reason: str
    notes: tuple[str, ...]


def dropped_samples(time: ArrayLike) -> Dropped:
    """Dropped samples of increasing time stamps (s): the sum of round(step / median step) - 1 over all steps."""
    stamps = np.asarray(time, dtype=float)
    if len(stamps) < 2:
        return Dropped(float("nan"), 0, len(stamps), 0.0, 0.0)
    steps = np.diff(stamps)
    step = float(np.median(steps))
    missing = int(np.maximum(np.rint(steps / step) - 1, 0).sum()) if step > 0 else 0
    return Dropped(step, missing, len(stamps) + missing, missing / (len(stamps) + missing), float(steps.max()))


def even_series(
    time: ArrayLike, values: ArrayLike, *, longest_filled_s: float = LONGEST_FILLED_S, rate: float | None = None
) -> EvenSeries:
    """The recording at the median step of its own clock, by a shape-preserving cubic through its samples.

    time: seconds, as recorded. values: samples x channels; samples without a number count as dropped. rate: samples a
    second where the study states it; else 1 / median step. A record whose steps are even to a millionth is taken as
    it is.
    Refused with a reason: fewer than 2 samples, time that stands still or runs back, a median step of 1 s or more
    (milliseconds or numbers of frames: never guessed and scaled), steps that vary by more than 25 %, a gap longer than
    `longest_filled_s`.
    """
    stamps, samples = np.asarray(time, dtype=float), np.asarray(values, dtype=float)
    samples = samples.reshape(len(stamps), -1) if len(stamps) else np.empty((0, 1))
    nothing = np.empty((0, samples.shape[1]))

    def refuse(reason: str, step: float = float("nan"), uneven: float = float("nan")) -> EvenSeries:
        return EvenSeries(nothing, float("nan"), 1 / step if step else float("nan"), 0, uneven, reason, ())

    known: Bools = np.isfinite(stamps) & np.isfinite(samples).all(axis=1)
    if known.sum() < 2:
        return refuse(f"{int(known.sum())} samples with a time and a number, allowed 2 or more")
    stamps, samples = stamps[known], samples[known]
    steps = np.diff(stamps)
    if (steps <= 0).any():
        at = stamps[int(np.argmax(steps <= 0)) + 1]
        return refuse(f"time stands still or runs back at {at:g}: a jump of the clock, or two recordings in one")
    step = float(np.median(steps))
    if step >= LARGEST_STEP_S:
        return refuse(f"a median step of {step:g}: time in milliseconds or numbers of frames, allowed seconds", step)
    whole = np.maximum(np.rint(steps / step), 1)
    uneven = float(np.std(steps / whole) / step)
    if uneven > TOO_UNEVEN:
        return refuse(f"steps vary by {100 * uneven:.3g} %, allowed up to {100 * TOO_UNEVEN:g} %", step, uneven)
    longest = float(steps.max())
    if longest > longest_filled_s + 1e-9 and longest > 1.5 * step:
        return refuse(
            f"a gap of {longest:.3g} s, filled up to {longest_filled_s:g} s: cut the series there", step, uneven
        )
    missing = int((whole - 1).sum())
    # The mean step is the better estimate where stamps scatter about an even clock or are rounded.
    own = float(whole.sum() / (stamps[-1] - stamps[0]))
    if rate is None:
        rate = own
    else:
        stamps = stamps[0] + (stamps - stamps[0]) * own / rate
        step = step * own / rate
    grid = stamps[0] + np.arange(int(np.floor((stamps[-1] - stamps[0]) * rate + 1e-6)) + 1) / rate
    if not missing and len(grid) == len(stamps) and np.abs(grid - stamps).max() < 0.05 * step:
        return EvenSeries(samples, float(stamps[0]), rate, 0, uneven, "", ())

    even = _curve(stamps, samples)(np.minimum(grid, stamps[-1]))
    notes = [f"on an even grid of {rate:.6g} samples a second by a shape-preserving cubic"]
    if missing:
        notes.append(f"{missing} of {len(stamps) + missing} samples dropped and filled, gaps up to {longest:.3g} s")
    return EvenSeries(even, float(stamps[0]), rate, missing, uneven, "", tuple(notes))


def shared_grid(first: EvenSeries, second: EvenSeries) -> tuple[Floats, Floats, str]:
    """Two even series of one rate (to a thousandth) cut to the time they share, the second moved onto the first's grid;
    or why not."""
    if abs(first.rate - second.rate) > 1e-3 * first.rate:
        return first.values, second.values, f"hands sampled at {first.rate:.4g} and {second.rate:.4g} Hz"
    at_first = first.start + np.arange(len(first.values)) / first.rate
    at_second = second.start + np.arange(len(second.values)) / second.rate
    low, high = max(at_first[0], at_second[0]) - 1e-9, min(at_first[-1], at_second[-1]) + 1e-9
    kept = (at_first >= low) & (at_first <= high)
    if kept.sum() < 2:
        return first.values[:0], second.values[:0], "the two hands share no time: no common clock"
    moved = np.clip(at_first[kept], at_second[0], at_second[-1])
    place = (moved - at_second[0]) * second.rate
    if np.abs(place - np.rint(place)).max() < 0.05:
        return first.values[kept], second.values[np.rint(place).astype(np.int64)], ""
    return first.values[kept], _curve(at_second, second.values, extrapolate=True)(moved), ""


def _curve(stamps: np.ndarray, values: np.ndarray, extrapolate: bool = False):
    """A monotone cubic through samples (Fritsch & Carlson 1980, by scipy)."""
    from scipy.interpolate import PchipInterpolator  # heavy to load, and most studies have no recordings

    return PchipInterpolator(stamps, values, axis=0, extrapolate=extrapolate)
