"""Zero-lag low-pass filter, the cut-off that is meant, differences, and the residual analysis behind a cut-off.

Source of the two-pass correction and of residual analysis, from memory: Winter DA (2009) Biomechanics and Motor
Control of Human Movement, 4th ed; Robertson & Dowling (2003) J Electromyogr Kinesiol 13:569. The gain of two passes
follows from the bilinear transform.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.integrate import quad
from scipy.signal import butter, sosfiltfilt

from outcomes.errors import StudyError
from outcomes.movement.recordings import Floats, Refusals, piecewise

ORDER = 2  # of each of the two passes
SHORTEST = 9  # samples of a record that two passes of that order cannot take


def pass_correction(order: int = ORDER, passes: int = 2) -> float:
    """What the cut-off of one pass is divided by so that all passes together are at 0.707: (2^(1/passes)-1)^(1/2n)."""
    return float((2 ** (1 / passes) - 1) ** (1 / (2 * order)))


def design_cutoff(cutoff: float, rate: float, order: int = ORDER) -> float:
    """Cut-off (Hz) to design one pass with, so that both passes together are at 0.707 at `cutoff`.

    Dividing by the correction without the tangent is right only far below the sampling rate.
    """
    return float(rate / np.pi * np.arctan(np.tan(np.pi * cutoff / rate) / pass_correction(order)))


def two_pass_gain(frequency: ArrayLike, design: float, rate: float, order: int = ORDER) -> NDArray[np.float64]:
    """Amplitude that is left at `frequency` (Hz) after both passes of a filter designed at `design`: 0.5 there."""
    ratio = np.tan(np.pi * np.asarray(frequency, dtype=float) / rate) / np.tan(np.pi * design / rate)
    return 1 / (1 + ratio ** (2 * order))


def low_pass(series: ArrayLike, rate: float, cutoff: float, order: int = ORDER) -> NDArray[np.float64]:
    """Butterworth low-pass forwards and backwards (no lag), at 0.707 at `cutoff` after both passes.

    series: recordings in the last axis, without gaps. rate, cutoff: Hz; order: of one pass.
    Raises StudyError where the cut-off is not below half the sampling rate or the record is shorter than the filter
    needs.
    """
    values = np.asarray(series, dtype=np.float64)
    if not 0 < cutoff < rate / 2:
        raise StudyError(
            f"Low-pass filter: cut-off {cutoff:g} Hz at {rate:g} samples a second, allowed above 0 and below "
            f"{rate / 2:g} Hz. Choose a lower cut-off, or do not filter."
        )
    sections = butter(order, design_cutoff(cutoff, rate, order), fs=rate, output="sos")
    # The ends are continued by their odd reflection, over about the time the filter remembers.
    shortest = 3 * (2 * len(sections) + 1)
    if values.shape[-1] <= shortest:
        raise StudyError(
            f"Low-pass filter: {values.shape[-1]} samples, allowed more than {shortest}. The record is too short."
        )
    pad = int(min(values.shape[-1] - 1, max(shortest, np.ceil(rate / cutoff))))
    if values.ndim == 1:
        return sosfiltfilt(sections, values, padlen=pad)
    return piecewise(lambda piece: sosfiltfilt(sections, piece, axis=-1, padlen=pad), values)


def filter_note(rate: float, cutoff: float | None, order: int = ORDER) -> str:
    """What was done to the samples, in words."""
    if cutoff is None:
        return "samples as given, not filtered"
    return (
        f"low-pass {cutoff:g} Hz (amplitude 0.707 there): Butterworth of order {order}, forwards and backwards, "
        f"designed at {design_cutoff(cutoff, rate, order):.4g} Hz"
    )


def derivative(series: ArrayLike, rate: float) -> NDArray[np.float64]:
    """Change per second by central differences, one-sided at the ends; recordings in the last axis.

    White noise of SD s becomes s x rate / sqrt(2): filter before.
    """
    values = np.asarray(series, dtype=np.float64)
    if values.shape[-1] < 2:
        return np.zeros_like(values)
    return np.gradient(values, 1 / rate, axis=-1)


def white_residual(noise_sd: float, cutoff: float, rate: float, order: int = ORDER) -> float:
    """RMS of (raw - filtered) for white noise alone, the cut-off being that of the design of one pass."""

    def lost(frequency: float) -> float:
        return float((1 - two_pass_gain(frequency, cutoff, rate, order)) ** 2)

    return float(noise_sd * np.sqrt(2 / rate * quad(lost, 0, rate / 2, limit=200)[0]))


@dataclass(frozen=True)
class CutoffSearch:
    """What the residuals say of a cut-off. `cutoff` is NaN where the tail is not flat (`notes` say so)."""

    cutoff: float
    noise_sd: float
    residuals: pd.DataFrame
    notes: tuple[str, ...]


def residual_analysis(series: ArrayLike, rate: float, cutoffs: ArrayLike | None = None) -> CutoffSearch:
    """RMS of (raw - filtered) over cut-offs; the straight tail extended to 0 Hz is the noise, and the cut-off where the
    residual equals it is offered.

    series: one recording. cutoffs: Hz; by default 40 from 0.5 Hz to 0.45 of the rate.
    Returns the frame `cutoff`, `residual` with it. Residual analysis suits positions; published work finds its cut-offs
    too low for accelerations (Yu et al 1999, J Appl Biomech 15:318, abstract). Take one cut-off for every participant.
    """
    values = np.asarray(series, dtype=np.float64)
    tried = np.linspace(0.5, 0.45 * rate, 40) if cutoffs is None else np.asarray(cutoffs, dtype=float)
    residual = np.array([np.sqrt(np.mean((values - low_pass(values, rate, cutoff)) ** 2)) for cutoff in tried])
    tail = tried >= 0.5 * tried.max()
    slope, noise = np.polyfit(tried[tail], residual[tail], 1)
    frame = pd.DataFrame({"cutoff": tried, "residual": residual})
    notes = ["line through the residuals of the upper half of the cut-offs; a pilot's choice, then fixed for everybody"]
    below = np.flatnonzero(residual <= noise)
    if slope > 0 or not len(below) or below[0] == 0:
        return CutoffSearch(np.nan, float(noise), frame, (*notes, "no cut-off: the residuals never cross the noise"))
    after = below[0]
    share = (residual[after - 1] - noise) / (residual[after - 1] - residual[after])
    return CutoffSearch(
        float(tried[after - 1] + share * (tried[after] - tried[after - 1])), float(noise), frame, tuple(notes)
    )


def refuse_short(refused: Refusals, values: Floats, cutoff: float | None) -> None:
    """Refuse recordings that are to be filtered and are too short for it."""
    if cutoff is not None and values.shape[1] <= SHORTEST:
        refused.where(True, f"{values.shape[1]} samples, allowed more than {SHORTEST} for the low-pass")


def filtered(values: Floats, rate: float, cutoff: float | None) -> Floats:
    """The recordings, filtered where a cut-off is given."""
    return values if cutoff is None else low_pass(values, rate, cutoff)
