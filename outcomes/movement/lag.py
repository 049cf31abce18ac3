"""Lag between two recordings of equal length, below one sample, for many pairs at once.

Model: y(t) = a + g x(t - lag) + error; a lag above 0 means that y, the follower, is late. The correlation of the
overlapping parts at each whole-sample lag gives the neighbourhood (the peak of the full correlation, padded with zeros,
shrinks towards 0); there, x is a cubic spline and the lag with the least squares is taken.

Both recordings go through the same zero-lag low-pass before, because a spline through noisy samples has less noise
between the samples than at them, which would draw the lag to half samples.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.ndimage import spline_filter1d

from outcomes.movement.recordings import Floats

# The spline's coefficients mirror the record at its ends; nine samples further in, 0.27^9 of that is left.
MARGIN = 9
# Cubic B-spline at j + u: weights of the coefficients j - 1 ... j + 2 as polynomials in u, highest power first.
_WEIGHTS = np.array([[-1, 3, -3, 1], [3, -6, 0, 4], [-3, 3, 3, 1], [1, 0, 0, 0]]) / 6
_SLOPES = np.array([np.polyder(row) for row in _WEIGHTS])


@dataclass(frozen=True)
class Lags:
    """Lag of each pair in samples, and whether it lies within a sample of the edge of the window looked at."""

    samples: Floats
    at_edge: NDArray[np.bool_]


@dataclass(frozen=True)
class Aligned:
    """A follower beside the five spline coefficients of the leader that each of its samples needs, near one whole
    lag."""

    taps: tuple[Floats, ...]  # five views, pairs x samples
    follower: Floats

    def leader(self, weights: Floats) -> Floats:
        """The leader at the follower's samples minus the lag, for the weights of `tap_weights`."""
        total = weights[:, 0, None] * self.taps[0]
        for number in range(1, 5):
            total += weights[:, number, None] * self.taps[number]
        return total


def spline(values: Floats) -> Floats:
    """Coefficients of the cubic B-spline through each row."""
    return spline_filter1d(values, order=3, axis=1)


def aligned(coefficients: Floats, follower: Floats, lag: int, margin: int) -> Aligned:
    """Follower and coefficients near a whole lag, `margin` samples left out at each end of both."""
    length = follower.shape[1]
    start, stop = max(margin, lag + margin), min(length - margin, length + lag - margin)
    taps = tuple(coefficients[:, start - lag + by : stop - lag + by] for by in range(-2, 3))
    return Aligned(taps, follower[:, start:stop])


def find_lags(first: Floats, second: Floats, coefficients: Floats, window: NDArray[np.int64], margin: int) -> Lags:
    """Lags of the rows of `second` behind those of `first`, from -window to window samples of each pair.

    first, second: low-passed, pairs x samples; coefficients: `spline(first)`. margin: samples left out at each end.
    """
    whole = _whole_lags(first, second, window)
    gram, cross = np.empty((len(first), 5, 5)), np.empty((len(first), 5))
    for lag, rows in by_lag(whole):
        gram[rows], cross[rows] = _products(aligned(coefficients[rows], second[rows], lag, margin))
    return Lags(whole + _best_shift(gram, cross), window - np.abs(whole) <= 1)


def tap_weights(shift: Floats, slopes: bool = False) -> Floats:
    """Weights of the five coefficients for `first` at its sample minus `shift` (-1 to 1); with `slopes`, of its change
    per sample."""
    polynomials = _SLOPES if slopes else _WEIGHTS
    late = shift > 0
    u = np.where(late, 1 - shift, -shift)
    weights = np.vander(u.ravel(), polynomials.shape[1]) @ polynomials.T
    weights = weights.reshape(*u.shape, 4)
    wide = np.zeros((*weights.shape[:-1], 5))
    wide[late, :4] = weights[late]
    wide[~late, 1:] = weights[~late]
    return wide


def drifts(leader: Floats, slope: Floats, rest: Floats, gain: Floats, rate: float) -> tuple[Floats, Floats, Floats]:
    """How much later the follower comes each second, s per s; what of `rest` is that; the sum of squares of its error.

    leader: at the follower's samples minus the lag, slope: its change per second there, rest: what `gain` times the
    leader leaves of the follower, pairs x samples. Model: y(t) = a + g x(t - lag - drift (t - middle)) + error, a step
    of Gauss and Newton from no drift; what a later lag, another gain or another offset would explain is taken off.
    """
    seconds = (np.arange(leader.shape[1]) - (leader.shape[1] - 1) / 2) / rate
    columns: list[Floats] = []
    for column in (leader, slope, slope * seconds):
        column = column - column.mean(axis=1, keepdims=True)
        for other in columns:
            own = np.einsum("rs,rs->r", other, other)
            share = np.einsum("rs,rs->r", column, other) / np.where(own > 0, own, np.inf)
            column = column - share[:, None] * other
        columns.append(column)
    power = np.einsum("rs,rs->r", columns[-1], columns[-1])
    turned = np.einsum("rs,rs->r", columns[-1], rest) / np.where(power > 0, power, np.inf)
    return -turned / gain, turned[:, None] * columns[-1], power


def _whole_lags(first: Floats, second: Floats, window: NDArray[np.int64]) -> NDArray[np.int64]:
    """The whole-sample lag with the highest correlation of the overlapping parts, within each pair's window."""
    length, widest = first.shape[1], int(window.max(initial=0))
    lags = np.arange(-widest, widest + 1)
    overlap = length - np.abs(lags)
    size = next_fast_len(length + widest, real=True)
    x = first - first.mean(axis=1, keepdims=True)
    y = second - second.mean(axis=1, keepdims=True)
    products = irfft(np.conj(rfft(x, size, axis=1)) * rfft(y, size, axis=1), size, axis=1)
    products = np.concatenate((products[:, size - widest :], products[:, : widest + 1]), axis=1)
    x1, x2 = _overlap_sums(x, widest), _overlap_sums(x**2, widest)
    y1, y2 = _overlap_sums(y, widest)[:, ::-1], _overlap_sums(y**2, widest)[:, ::-1]
    spread = (x2 - x1**2 / overlap) * (y2 - y1**2 / overlap)
    correlation = (products - x1 * y1 / overlap) / np.sqrt(np.where(spread > 0, spread, np.inf))
    outside = np.abs(lags) > window[:, None]
    return lags[np.argmax(np.where(outside, -np.inf, correlation), axis=1)]


def _overlap_sums(values: Floats, widest: int) -> Floats:
    """Sum of the part of each row that overlaps a partner late by -widest ... widest samples."""
    total = values.sum(axis=1, keepdims=True)
    if not widest:
        return total
    head = np.cumsum(values[:, :widest], axis=1)  # left out where the partner is early
    tail = np.cumsum(values[:, ::-1][:, :widest], axis=1)  # left out where it is late
    return np.concatenate((total - head[:, ::-1], total, total - tail), axis=1)


def by_lag(whole: NDArray[np.int64]) -> list[tuple[int, NDArray[np.int64]]]:
    order = np.argsort(whole, kind="stable")
    values, starts = np.unique(whole[order], return_index=True)
    return list(zip(values.tolist(), np.split(order, starts[1:]), strict=True))


def _products(pair: Aligned) -> tuple[Floats, Floats]:
    """Centred sums of products of the five taps with each other (pairs x 5 x 5) and with the follower (pairs x 5)."""
    pairs, count = pair.follower.shape
    gram, cross = np.empty((pairs, 5, 5)), np.empty((pairs, 5))
    sums = np.stack([tap.sum(axis=1) for tap in pair.taps], axis=1)
    follower = pair.follower - pair.follower.mean(axis=1, keepdims=True)
    for a, tap in enumerate(pair.taps):
        cross[:, a] = np.einsum("rs,rs->r", tap, follower)
        for b in range(a + 1):
            gram[:, a, b] = gram[:, b, a] = np.einsum("rs,rs->r", tap, pair.taps[b])
    return gram - sums[:, :, None] * sums[:, None, :] / count, cross


def _best_shift(gram: Floats, cross: Floats) -> Floats:
    """The shift between -1 and 1 at which the spline of the leader fits the follower best, from sums of products
    alone."""

    def fit(shift: Floats) -> Floats:
        """Signed share of the follower's variance explained, up to a constant of the pair; shifts in the last axis."""
        weights = tap_weights(shift)
        along = np.matmul(weights, cross[:, :, None])[:, :, 0]
        own = np.sum(np.matmul(weights, gram) * weights, axis=2)
        return along / np.sqrt(np.where(own > 0, own, np.inf))

    grid = np.broadcast_to(np.linspace(-1, 1, 21), (len(gram), 21))
    best = grid[0, np.argmax(fit(grid), axis=1)]
    for step in (0.1, 0.02, 0.004, 0.0008):
        around = np.clip(best[:, None] + np.array([-step, 0, step]), -1, 1)
        low, middle, high = fit(around).T
        bend = low - 2 * middle + high
        move = np.where(bend < 0, (low - high) / (2 * np.where(bend < 0, bend, -1)), 0)
        best = np.clip(best + step * np.clip(move, -1, 1), -1, 1)
    return best
