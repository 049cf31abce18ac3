"""What a record can carry: apparent frequencies, noise, resolution, flat tops, the main frequency of a movement."""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.fft import next_fast_len, rfft

from outcomes.movement.recordings import Bools, Floats, in_pieces

FLAT = 5  # equal samples in a row at an extreme that count as a flat top


def apparent_frequency(frequency: ArrayLike, rate: float) -> NDArray[np.float64]:
    """Frequency (Hz) at which an oscillation shows up when sampled at `rate`: |f - rate round(f / rate)|."""
    values = np.asarray(frequency, dtype=float)
    return np.abs(values - rate * np.round(values / rate))


def rounding_sd(step: float) -> float:
    """SD of the error of rounding to a step: step / sqrt(12)."""
    return float(step / np.sqrt(12))


def smallest_step(series: ArrayLike) -> float:
    """The smallest difference between neighbouring samples that is not 0; NaN for a constant record."""
    changes = np.abs(np.diff(np.asarray(series, dtype=float)))
    changes = changes[changes > 0]
    return float(changes.min()) if len(changes) else float("nan")


def noise_sd(values: Floats) -> Floats:
    """SD of white noise of each recording, from its second differences, which a slow movement leaves small."""
    if values.shape[1] < 5:
        return np.zeros(len(values))
    second = np.diff(values, 2, axis=1)
    # 1 + 4 + 1: the variance of a second difference of noise of SD 1.
    return np.sqrt(np.einsum("rs,rs->r", second, second) / second.shape[1] / 6)


def main_frequency(values: Floats, rate: float) -> Floats:
    """Frequency (Hz) of the highest peak of each recording's amplitude spectrum, its mean removed; 0 if it is
    constant."""
    length = values.shape[1]
    size = next_fast_len(2 * length, real=True)
    found = np.zeros(len(values))
    for piece in in_pieces(len(values), size):
        part = values[piece]
        amplitude = np.abs(rfft(part - part.mean(axis=1, keepdims=True), size, axis=1))
        amplitude[:, 0] = 0
        top = np.clip(np.argmax(amplitude, axis=1), 1, amplitude.shape[1] - 2)
        left, middle, right = (np.take_along_axis(amplitude, (top + by)[:, None], 1)[:, 0] for by in (-1, 0, 1))
        bend = left - 2 * middle + right
        shift = np.where(bend < 0, (left - right) / (2 * np.where(bend < 0, bend, 1)), 0)
        found[piece] = np.where(middle > 0, (top + np.clip(shift, -0.5, 0.5)) * rate / size, 0)
    return found


def high_share(values: Floats, rate: float, above: float = 0.8) -> Floats:
    """Share of each recording's power (without its mean) above `above` x half the sampling rate.

    Much of it there means noise, or a sensor without an anti-alias filter.
    """
    size = next_fast_len(values.shape[1], real=True)
    share = np.zeros(len(values))
    for piece in in_pieces(len(values), size):
        part = values[piece]
        power = np.abs(rfft(part - part.mean(axis=1, keepdims=True), size, axis=1)) ** 2
        frequency = np.arange(power.shape[1]) * rate / size
        total = power.sum(axis=1)
        share[piece] = power[:, frequency > above * rate / 2].sum(axis=1) / np.where(total > 0, total, 1)
    return share


def flat_top(values: Floats, *, bottom: bool = True, limits: tuple[float, float] | None = None) -> Bools:
    """Recordings that run into the end of the sensor: `FLAT` or more equal samples in a row at an extreme.

    limits: lowest and highest reading of the sensor; a run there is enough. Without them a run counts only if the
    record runs into it at speed: a hand at rest reads the same for long, but it gets there slowly, or in single steps
    of the resolution.
    bottom: whether the lowest value is looked at as well (a force of 0 before and after a hold is no flat bottom).
    """
    clipped = np.zeros(len(values), dtype=bool)
    if values.shape[1] < FLAT + 1:
        return clipped
    for sign in (1, -1) if bottom else (1,):
        limit = None if limits is None else (limits[1] if sign > 0 else -limits[0])
        for piece in in_pieces(*values.shape):
            part = sign * values[piece]
            extreme = part.max(axis=1)
            held = part >= extreme[:, None] - 1e-12 * np.abs(extreme[:, None])
            for row in np.flatnonzero(held.sum(axis=1) >= FLAT).tolist():
                if not clipped[piece.start + row]:
                    clipped[piece.start + row] = _runs_into(part[row], held[row], limit)
    return clipped


def _runs_into(series: Floats, held: Bools, limit: float | None) -> bool:
    """Whether one of the runs at the extreme is long, and entered or left at speed (or lies at the sensor's limit)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], held, [False])).astype(np.int8)))
    starts, ends = edges[::2], edges[1::2]
    long = ends - starts >= FLAT
    if not long.any():
        return False
    if limit is not None:
        return bool(series.max() >= limit - 1e-9 * abs(limit))
    changes = np.abs(np.diff(series))
    moving = changes[changes > 0]
    if not len(moving):
        return False
    bends = np.abs(np.diff(series, 2))[(changes[1:] > 0) & (changes[:-1] > 0)]
    if not len(bends) or np.median(bends) <= 1e-7 * np.ptp(series):
        return False  # straight lines without noise: drawn, not measured
    typical, step = np.median(moving), moving.min()
    entered = [changes[start - 1] for start in starts[long].tolist() if start > 0]
    left = [changes[end - 1] for end in ends[long].tolist() if end < len(series)]
    fast = max([*entered, *left], default=0.0)
    return bool(fast > 3 * step and fast > 0.2 * typical)
