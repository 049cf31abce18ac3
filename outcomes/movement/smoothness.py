"""Smoothness of a movement: spectral arc length and log dimensionless jerk. Nearer 0 is smoother for both.

Definitions: J NeuroEng Rehabil 2023;20:21, Table 3 (doi 10.1186/s12984-023-01142-7); spectral arc length from
Balasubramanian et al 2015, J NeuroEng Rehabil 12:112 (doi 10.1186/s12984-015-0090-9). Its parameters are from memory.
"""

import numpy as np
from numpy.typing import ArrayLike
from scipy.fft import rfft

from outcomes.errors import StudyError
from outcomes.movement.low_pass import derivative, filter_note, filtered, refuse_short
from outcomes.movement.recordings import (
    LOWEST_RATE,
    Bools,
    Floats,
    Measured,
    Measures,
    Refusals,
    in_pieces,
    one,
    rows_of,
)
from outcomes.movement.speed import NO_MOVEMENT, mean_of_halves, moving_part
from outcomes.movement.turning_points import half_movements, stretches

KINDS = ("spectral-arc-length", "log-dimensionless-jerk")
JERK_BY = ("peak velocity", "amplitude")
SHORTEST = 10  # samples
BACKWARDS = 0.25  # share of the highest speed; a profile that goes further below 0 holds more than one movement


def smoothness(
    speed: ArrayLike,
    rate: float,
    kind: str = "spectral-arc-length",
    *,
    highest_hz: float = 10.0,
    threshold: float = 0.05,
    padding: int = 4,
    by: str = "peak velocity",
) -> Measured:
    """Smoothness of one movement from its speed; no unit, nearer 0 is smoother (at most 0 from rest to rest).

    speed: speed of one movement (of an angle: its half-movement), evenly sampled, any unit. rate: samples a second.
    kind "spectral-arc-length": minus the length of the amplitude spectrum, scaled to its highest value, from 0 to
    the last frequency at or below `highest_hz` that reaches `threshold`; the spectrum is padded to 2^(ceil(log2 N) +
    padding). The padded grid alone moves it by up to 0.006 at padding 4: smaller differences mean nothing. (20 Hz is
    used as well.)
    kind "log-dimensionless-jerk": -ln(T^3 / v^2 x integral of (second derivative of the speed)^2), v the peak
    velocity and T = N / rate; with by="amplitude", -ln(T^5 / A^2 x the same). Strongly moved by noise, cut-off and
    by where the movement is cut, and through T and the ends of the sum by about 4 / N between sampling rates;
    compare equal durations only.
    Refused with a reason: below 50 samples a second, fewer than 10 samples, no movement, speed well below 0; jerk of a
    speed that is a straight line.
    Raises StudyError for an unknown kind or impossible parameters.
    Source: Balasubramanian et al. 2015 (doi 10.1186/s12984-015-0090-9) and the table of definitions in doi
    10.1186/s12984-023-01142-7; parameters from memory.

    >>> import numpy as np
    >>> seconds = np.arange(-100, 100) / 100
    >>> round(smoothness(np.exp(-5 * seconds**2), 100).value, 4)
    -1.414
    """
    if kind not in KINDS:
        raise StudyError(f"Smoothness: kind {kind!r}, allowed {', '.join(KINDS)}.")
    profile, refused = rows_of(speed, rate, "Smoothness")
    measures = _of_profiles(
        profile, np.array([profile.shape[1]]), rate, kind, refused, highest_hz, threshold, padding, by
    )
    return one(measures, kind, "")


def smoothness_of_angles(
    angles: ArrayLike,
    rate: float,
    kind: str = "spectral-arc-length",
    *,
    cutoff: float | None = None,
    fraction: float = 0.05,
    highest_hz: float = 10.0,
    threshold: float = 0.05,
    padding: int = 4,
    by: str = "peak velocity",
) -> Measures:
    """Smoothness of many recordings of an angle, of one length: mean over the half-movements of each.

    A half-movement lies between two turning points and is cut where its speed is first and last at `fraction` of its
    peak. cutoff: Hz of the low-pass before differentiating. One column, named as the kind. Other parameters and errors:
    see `smoothness`.
    """
    if kind not in KINDS:
        raise StudyError(f"Smoothness: kind {kind!r}, allowed {', '.join(KINDS)}.")
    values, refused = rows_of(angles, rate, "Smoothness")
    refused.where(rate < LOWEST_RATE, f"{rate:g} samples a second, allowed 50 or more for smoothness")
    refuse_short(refused, values, cutoff)
    mean, about = np.full(len(values), np.nan), Measures({}, refused.reasons)
    if refused.given.any():
        values = filtered(values, rate, cutoff)
        rows = np.flatnonzero(refused.given)
        halves = half_movements(values[rows], rate)
        each = np.full(len(halves.row), np.nan)
        for which, speed, _ in stretches(np.abs(derivative(values[rows], rate)), halves):
            profiles, lengths = _moving(speed, fraction)
            about = _of_profiles(
                profiles, lengths, rate, kind, Refusals(len(which)), highest_hz, threshold, padding, by
            )
            each[which] = about.columns[kind]
        mean[rows] = mean_of_halves(each, halves, len(rows))
        still = np.ones(len(values), dtype=bool)
        still[rows[halves.row]] = False
        refused.where(still, NO_MOVEMENT)
        refused.where(np.isnan(mean), f"no half-movement of {SHORTEST} samples or more")
    notes = (
        *about.notes,
        f"mean over half-movements, each from the first to the last sample at {100 * fraction:g} % of its peak",
        filter_note(rate, cutoff),
    )
    return Measures({kind: mean}, refused.reasons, notes)


def _moving(speed: Floats, fraction: float) -> tuple[Floats, np.ndarray]:
    """The moving part of each row, moved to its start and followed by 0, and its number of samples."""
    first, last = moving_part(speed, fraction)
    lengths = last - first + 1
    at = np.arange(int(lengths.max()))
    place = np.minimum(first[:, None] + at, speed.shape[1] - 1)
    return np.where(at < lengths[:, None], np.take_along_axis(speed, place, axis=1), 0.0), lengths


def _of_profiles(
    profiles: Floats,
    lengths: np.ndarray,
    rate: float,
    kind: str,
    refused: Refusals,
    highest_hz: float,
    threshold: float,
    padding: int,
    by: str,
) -> Measures:
    """Smoothness of speed profiles of different lengths, each in the first samples of its row and 0 after."""
    if not (highest_hz > 0 and 0 < threshold < 1 and 0 <= padding <= 12):
        raise StudyError(
            f"Smoothness: highest_hz {highest_hz}, threshold {threshold}, padding {padding}; allowed above 0, "
            "between 0 and 1, 0 to 12."
        )
    if by not in JERK_BY:
        raise StudyError(f"Smoothness: by {by!r}, allowed {', '.join(JERK_BY)}.")
    refused.where(rate < LOWEST_RATE, f"{rate:g} samples a second, allowed 50 or more for smoothness")
    refused.where(lengths < SHORTEST, "{:.0f} samples, allowed 10 or more", lengths.astype(float))
    peak, lowest = profiles.max(axis=1, initial=0), profiles.min(axis=1, initial=0)
    refused.where(~(np.abs(profiles).max(axis=1, initial=0) > 0), "no movement: the speed is 0 throughout")
    refused.where(
        lowest < -BACKWARDS * peak, "the speed goes below 0: give the speed of one movement, without its way back"
    )
    value = np.full(len(profiles), np.nan)
    rows = np.flatnonzero(refused.given)
    if kind == "spectral-arc-length":
        sizes = 2 ** (np.ceil(np.log2(np.maximum(lengths, 1))).astype(np.int64) + padding)
        for size in np.unique(sizes[rows]).tolist():
            same = rows[sizes[rows] == size]
            longest = int(lengths[same].max())
            for piece in in_pieces(len(same), size):
                part = same[piece]
                value[part] = _arc_length(profiles[part, :longest], size, rate, highest_hz, threshold)
        note = (
            f"spectral arc length up to {highest_hz:g} Hz, threshold {threshold:g} of the highest amplitude, "
            f"zero-padded to 2^(ceil(log2 N) + {padding}); nearer 0 is smoother"
        )
    else:
        for piece in in_pieces(len(rows), profiles.shape[1]):
            part = rows[piece]
            value[part] = _jerk(profiles[part], lengths[part], rate, by)
        refused.where(np.isinf(value), "the speed is a straight line: there is no jerk to measure")
        (value,) = refused.apply(value)
        note = f"log dimensionless jerk by {by}, T = N / rate, second differences; nearer 0 is smoother"
    notes = (note, "the profile goes below 0 in places: given as it is") if (lowest < 0).any() else (note,)
    return Measures({kind: value}, refused.reasons, notes)


def _arc_length(profiles: Floats, size: int, rate: float, highest_hz: float, threshold: float) -> Floats:
    spectrum = np.abs(rfft(profiles, size, axis=1))
    spectrum /= spectrum.max(axis=1, keepdims=True)
    kept = spectrum[:, : int(np.floor(highest_hz * size / rate * (1 + 1e-12))) + 1]
    reached = kept >= threshold
    first = np.argmax(reached, axis=1)
    last = kept.shape[1] - 1 - np.argmax(reached[:, ::-1], axis=1)
    steps = np.arange(kept.shape[1] - 1)
    inside: Bools = (steps >= first[:, None]) & (steps < last[:, None])
    across = 1 / np.maximum(last - first, 1)[:, None]
    length = np.sqrt(across**2 + np.diff(kept, axis=1) ** 2)
    return -np.sum(length, axis=1, where=inside)


def _jerk(profiles: Floats, lengths: np.ndarray, rate: float, by: str) -> Floats:
    seconds = lengths / rate
    second = np.diff(profiles, 2, axis=1) * rate**2
    inside = np.arange(second.shape[1]) < (lengths - 2)[:, None]
    total = np.sum(second**2, axis=1, where=inside) / rate
    if by == "amplitude":
        scale = seconds**5 / (profiles.sum(axis=1) / rate) ** 2
    else:
        scale = seconds**3 / profiles.max(axis=1) ** 2
    with np.errstate(divide="ignore"):
        return -np.log(scale * total)
