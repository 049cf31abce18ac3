"""Two hands moving together: how late, how far, how far off the second follows the first.

Gain, offset and fit of one curve on another: Iosa et al 2014, BioMed Res Int 214156 (doi 10.1155/2014/214156,
abstract). Concordance: Lin LI (1989) Biometrics 45:255-68, with moments over n.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import t as student_t

from outcomes.errors import StudyError
from outcomes.movement.lag import MARGIN, aligned, by_lag, drifts, find_lags, spline, tap_weights
from outcomes.movement.low_pass import filter_note, filtered, low_pass
from outcomes.movement.recordings import Floats, Measures, Refusals, in_pieces, rows_of
from outcomes.movement.signal import flat_top, main_frequency, noise_sd

SHORTEST = 15  # samples: what the low-pass needs
WINDOW_S = 0.5
SMALLEST_RANGE = 5.0  # degrees; below it a lag or a gain describes noise (judgement)
LAG_HZ = 6.0  # low-pass of both hands for lag, gain and offset, or 4 times the main frequency if that is more
COLUMNS = (
    "lag_s", "lag_std_error", "gain", "gain_spread", "offset", "intercept", "error_before", "error_after",
    "concordance", "concordance_after", "correlation", "lag_change", "lag_change_std_error",
)  # fmt: skip


@dataclass(frozen=True)
class HandsTogether:
    """How the second hand follows the first. NaN where refused; `reason` says why.

    lag_s: seconds the second is late. gain: its movement per degree of the first, lag removed (least squares; noise of
    the first makes it smaller); gain_spread: ratio of the SDs. offset: second minus first at the first's mean
    position, lag removed; intercept: second where the first is at 0. error_before: root mean square of second minus
    first as recorded, what the hand experiences; error_after: the same with the lag removed, error of size and
    shape. concordance: Lin's, as recorded; concordance_after: lag removed. correlation: Pearson's r as recorded.
    lag_std_error: from the residuals and their first autocorrelation. lag_by_cycle: one lag for each whole cycle,
    the source of `interval`. lag_change: seconds by which the lag grows from the start of the record to its end (two
    clocks that run apart, or a hand that tires), with its standard error.
    """

    lag_s: float
    lag_std_error: float
    gain: float
    gain_spread: float
    offset: float
    intercept: float
    error_before: float
    error_after: float
    concordance: float
    concordance_after: float
    correlation: float
    lag_change: float
    lag_change_std_error: float
    lag_by_cycle: tuple[float, ...]
    unit: str
    reason: str
    notes: tuple[str, ...]

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """t interval of the lag over whole cycles; (NaN, NaN) with fewer than 5: not estimated."""
        lags = np.array(self.lag_by_cycle)
        if len(lags) < 5:
            return (np.nan, np.nan)
        half = student_t.ppf((1 + level) / 2, len(lags) - 1) * lags.std(ddof=1) / np.sqrt(len(lags))
        return (float(lags.mean() - half), float(lags.mean() + half))


def two_hands(
    first: ArrayLike,
    second: ArrayLike,
    rate: float,
    *,
    window: float | None = None,
    cutoff: float | None = None,
    smallest_range: float = SMALLEST_RANGE,
    limits: tuple[float, float] | None = None,
    unit: str = "degrees",
) -> HandsTogether:
    """How the second hand (follower) follows the first (leader), both on the same clock and evenly sampled.

    first, second: one recording each, of equal length. rate: samples a second, the same for both. limits: lowest
    and highest reading of the sensor.
    window: largest lag looked for, s; by default 0.5 s or a quarter of the main period, whichever is less, because a
    periodic movement late by 0.7 of a period looks early by 0.3. cutoff: Hz of a zero-lag low-pass of both hands before
    everything; None: as given (lag, gain and offset are always fitted to low-passed hands, see the notes).
    What is said after removal of the lag is said over the first hand's whole record: offset, size and rest of the fit.
    Refused with a reason: samples missing, a flat top, less than 3 s or 2 cycles, hardly any movement (range below
    `smallest_range` or 3 SD of the noise), a window of half a period or more, the best lag at the window's edge;
    what does not depend on the lag is then still given. Swapping the hands turns the lag round.
    Raises StudyError where the recordings differ in length or the rate or window is impossible.
    Source: gain, offset and fit as Iosa et al. 2014 (doi 10.1155/2014/214156, abstract); concordance Lin 1989
    (Biometrics 45:255-268); limits are judgement.

    >>> import numpy as np
    >>> seconds = np.arange(0, 20, 0.01)
    >>> leader, follower = 40 * np.sin(np.pi * seconds), 5 + 32 * np.sin(np.pi * (seconds - 0.15))
    >>> found = two_hands(leader, follower, 100)
    >>> round(found.lag_s, 4), round(found.gain, 4), round(found.offset, 3)
    (0.15, 0.8, 5.0)
    """
    x, y = (np.asarray(hand, dtype=float) for hand in (first, second))
    if x.ndim != 1:
        raise StudyError(f"Two hands: found {x.ndim} dimensions, allowed one recording; `pairs_together` takes many.")
    if x.shape != y.shape:
        raise StudyError(f"Two hands: found {x.shape} and {y.shape} samples, allowed equal numbers on one clock.")
    found = _pairs(x[None, :], y[None, :], rate, window, cutoff, smallest_range, limits)
    numbers = {name: float(found.columns[name][0]) for name in COLUMNS}
    cycles: tuple[float, ...] = ()
    if not found.reasons[0]:
        cycles = _Pairs(x[None, :], y[None, :], rate, window, cutoff, smallest_range, limits).lags_by_cycle()
    return HandsTogether(**numbers, lag_by_cycle=cycles, unit=unit, reason=str(found.reasons[0]), notes=found.notes)


def pairs_together(
    first: ArrayLike,
    second: ArrayLike,
    rate: float,
    *,
    window: float | None = None,
    cutoff: float | None = None,
    smallest_range: float = SMALLEST_RANGE,
    limits: tuple[float, float] | None = None,
) -> Measures:
    """`two_hands` of many pairs of one length, row by row: the columns of `COLUMNS`."""
    return _pairs(first, second, rate, window, cutoff, smallest_range, limits)


def _pairs(
    first: ArrayLike,
    second: ArrayLike,
    rate: float,
    window: float | None,
    cutoff: float | None,
    smallest_range: float,
    limits: tuple[float, float] | None,
) -> Measures:
    x, refused = rows_of(first, rate, "Two hands, first hand")
    y, refused_second = rows_of(second, rate, "Two hands, second hand")
    if x.shape != y.shape:
        raise StudyError(
            f"Two hands: found {x.shape[1]} and {y.shape[1]} samples ({len(x)} and {len(y)} recordings), allowed equal "
            "numbers on one clock. Cut both to the time they share."
        )
    if window is not None and not 0 < window < np.inf:
        raise StudyError(f"Two hands: window {window} s, allowed a number above 0.")
    refused.where(~refused_second.given, "second hand: samples without a number; fill short gaps or cut the series")
    refused.where(x.shape[1] <= SHORTEST, f"{x.shape[1]} samples, allowed more than {SHORTEST}")
    late = Refusals(len(x))
    late.reasons = refused.reasons.copy()
    columns = {name: np.full(len(x), np.nan) for name in COLUMNS}
    for piece in in_pieces(*x.shape):
        rows = np.flatnonzero(refused.given[piece]) + piece.start
        if len(rows):
            found = _Pairs(x[rows], y[rows], rate, window, cutoff, smallest_range, limits)
            for name, column in found.columns.items():
                columns[name][rows] = column
            refused.reasons[rows], late.reasons[rows] = found.refused.reasons, found.late.reasons
    largest = "0.5 s or a quarter of the main period" if window is None else f"{window:g} s"
    notes = (
        filter_note(rate, cutoff),
        f"lag looked for up to {largest}; lag, gain and offset from one least-squares fit to both hands low-passed at "
        f"{LAG_HZ:g} Hz (or 4 times the main frequency), the first as a cubic spline",
        "after removal of the lag: over the whole record of the first hand",
    )
    # What needs no lag keeps its own, shorter list of reasons.
    partly = {
        name: np.where(np.isnan(columns[name]) & refused.given, late.reasons, refused.reasons)
        for name in ("error_before", "concordance", "correlation", "offset")
    }
    return Measures(columns, late.reasons, notes, partly)


class _Pairs:
    """A piece of the pairs: what is refused, and the columns. `refused`: nothing is given; `late`: nothing of a lag."""

    def __init__(
        self,
        x: Floats,
        y: Floats,
        rate: float,
        window: float | None,
        cutoff: float | None,
        smallest_range: float,
        limits: tuple[float, float] | None,
    ):
        self.rate = rate
        self.refused, self.late = Refusals(len(x)), Refusals(len(x))
        flat = flat_top(x, limits=limits) | flat_top(y, limits=limits)
        self.refused.where(flat, "the sensor of a hand was at its end: equal readings in a row at an extreme")
        noise = np.maximum(noise_sd(x), noise_sd(y))
        self.x, self.y = filtered(x, rate, cutoff), filtered(y, rate, cutoff)
        self.columns = {name: np.full(len(x), np.nan) for name in COLUMNS} | self._as_recorded()
        self._fit(window, smallest_range, noise)
        for name, column in self.columns.items():
            self.columns[name] = np.where(self.refused.given, column, np.nan)
        self.late.reasons = np.where(self.refused.given, self.late.reasons, self.refused.reasons)

    def _as_recorded(self) -> dict[str, Floats]:
        x, y = self.x, self.y
        mean_x, mean_y = x.mean(axis=1), y.mean(axis=1)
        centred_x, centred_y = x - mean_x[:, None], y - mean_y[:, None]
        var_x, var_y, covariance = (
            np.einsum("rs,rs->r", a, b) / x.shape[1]
            for a, b in ((centred_x, centred_x), (centred_y, centred_y), (centred_x, centred_y))
        )
        self.mean_x, self.var_x = mean_x, var_x
        apart, spread = mean_y - mean_x, np.sqrt(var_x * var_y)
        together = var_x + var_y + apart**2
        return {
            # Means as recorded stay where only the lag is refused.
            "offset": apart,
            "error_before": np.sqrt(np.maximum(var_x + var_y - 2 * covariance + apart**2, 0)),
            "concordance": np.where(together > 0, 2 * covariance / np.where(together > 0, together, 1), np.nan),
            "correlation": np.where(spread > 0, covariance / np.where(spread > 0, spread, 1), np.nan),
        }

    def _fit(self, window: float | None, smallest_range: float, noise: Floats) -> None:
        late, rate, length = self.late, self.rate, self.x.shape[1]
        seconds = length / rate
        late.where(seconds < 3 - 1e-9, f"{seconds:.3g} s of both hands, allowed 3 s or more for a lag")
        self.frequency = frequency = main_frequency(self.x, rate)
        smooth_hz = np.minimum(np.maximum(LAG_HZ, 4 * frequency), 0.4 * rate)
        self.smooth_x, self.smooth_y = _smooth(self.x, smooth_hz, rate), _smooth(self.y, smooth_hz, rate)
        for hand in (self.smooth_x, self.smooth_y):
            travelled = 2 * np.sqrt(2) * hand.std(axis=1)  # the range of a sinusoid of that SD
            little = (travelled < smallest_range) | (travelled < 3 * noise)
            late.where(little, "hardly any movement: a range of about {:.3g}, noise SD {:.3g}", travelled, noise)
        little = ~late.given
        self.columns["correlation"][little] = np.nan
        period = np.where(frequency > 0, 1 / np.where(frequency > 0, frequency, 1), np.inf)
        # A tenth of a cycle is left to the estimate of the frequency.
        late.where(seconds * frequency < 1.9, "{:.2g} cycles of the movement, allowed 2 or more", seconds * frequency)
        width = np.minimum(WINDOW_S, period / 4) if window is None else np.full(len(period), float(window))
        late.where(
            width > 0.475 * period,
            "a window of {:.3g} s for a movement of {:.3g} s a cycle, allowed below half a cycle: the lag is ambiguous",
            width, period,
        )  # fmt: skip
        # The ends, where the low-pass has only one side to go by, are left out.
        self.margin = margin = MARGIN + int(min(0.5 * rate / LAG_HZ, length / 20))
        samples = np.maximum(np.floor(width * rate + 1e-9), 1)
        late.where(length - 2 * margin - samples < 2 * MARGIN, "too few samples for a window of {:.3g} s", width)
        rows = np.flatnonzero(late.given)
        if not len(rows):
            return
        coefficients = spline(self.smooth_x[rows])
        lags = find_lags(self.smooth_x[rows], self.smooth_y[rows], coefficients, samples[rows].astype(np.int64), margin)
        self.lags, self.rows = lags.samples, rows
        at_edge = np.zeros(len(late.reasons), dtype=bool)
        at_edge[rows] = lags.at_edge
        late.where(at_edge, "the best lag lies at the edge of the window of {:.3g} s: ambiguous", samples / rate)
        raw = coefficients if self.x is self.smooth_x else spline(self.x[rows])
        whole = np.round(lags.samples).astype(np.int64)
        for lag, group in by_lag(whole):
            part = group[late.given[rows[group]]]
            for name, column in self._at(
                rows[part], lag, lags.samples[part] - lag, coefficients[part], raw[part]
            ).items():
                self.columns[name][rows[part]] = column

    def _at(self, rows: NDArray[np.int64], lag: int, shift: Floats, smooth: Floats, raw: Floats) -> dict[str, Floats]:
        """Gain, offset and errors of pairs whose lag is `lag` samples plus their own `shift`."""
        weights = tap_weights(shift)
        fitted = aligned(smooth, self.smooth_y[rows], lag, self.margin)
        leader, follower = fitted.leader(weights), fitted.follower
        gain, intercept, left = _line(leader, follower)
        slope = fitted.leader(tap_weights(shift, slopes=True)) * self.rate
        as_given = aligned(raw, self.y[rows], lag, self.margin)
        raw_gain, raw_intercept, rest = _line(as_given.leader(weights), as_given.follower)
        mean_x, var_x = self.mean_x[rows], self.var_x[rows]
        drift, drifted, power = drifts(leader, slope, left, gain, self.rate)
        seconds = self.x.shape[1] / self.rate
        # A clock that drifts leaves a wave behind, which is no error of the drift.
        wider = _variance(rest - drifted, self.frequency[rows], self.rate)
        # Mean square error = offset^2 + (gain - 1)^2 variance + rest, over the leader's whole record.
        remaining = np.einsum("rs,rs->r", rest, rest) / rest.shape[1]
        apart = raw_intercept + (raw_gain - 1) * mean_x
        var_y = raw_gain**2 * var_x + remaining
        return {
            "lag_s": (lag + shift) / self.rate,
            "lag_std_error": _lag_std_error(leader, slope, gain, rest, self.frequency[rows], self.rate),
            "gain": gain,
            "gain_spread": follower.std(axis=1) / leader.std(axis=1),
            "offset": intercept + (gain - 1) * mean_x,
            "intercept": intercept,
            "error_after": np.sqrt(apart**2 + (raw_gain - 1) ** 2 * var_x + remaining),
            "concordance_after": 2 * raw_gain * var_x / (var_x + var_y + apart**2),
            "lag_change": drift * seconds,
            "lag_change_std_error": np.sqrt(wider / power) / np.abs(gain) * seconds,
        }

    def lags_by_cycle(self) -> tuple[float, ...]:
        """One lag for each whole cycle of the first pair: a straight-line step from the lag of its whole record."""
        lag = float(self.lags[0])
        whole = round(lag)
        pair = aligned(spline(self.smooth_x[:1]), self.smooth_y[:1], whole, self.margin)
        shift = np.array([lag - whole])
        leader = pair.leader(tap_weights(shift))[0]
        slope = pair.leader(tap_weights(shift, slopes=True))[0] * self.rate
        length = self.rate / self.frequency[0]
        lags = []
        for cycle in range(int(len(leader) // length)):
            part = slice(round(cycle * length), round((cycle + 1) * length))
            columns = np.stack([np.ones(part.stop - part.start), leader[part], slope[part]], axis=1)
            _, gain, turned = np.linalg.lstsq(columns, pair.follower[0, part], rcond=None)[0]
            if gain != 0:
                lags.append(float(lag / self.rate - turned / gain))
        return tuple(lags)


def _smooth(values: Floats, cutoffs: Floats, rate: float) -> Floats:
    """One filter for all pairs whose movement allows it; a fast movement gets its own, and its partner the same."""
    smoothed = np.empty_like(values)
    for cutoff in np.unique(cutoffs).tolist():
        rows = cutoffs == cutoff
        smoothed[rows] = low_pass(values[rows], rate, cutoff)
    return smoothed


def _line(leader: Floats, follower: Floats) -> tuple[Floats, Floats, Floats]:
    """Least-squares slope, intercept and residuals of the follower on the leader, row by row."""
    mean_x, mean_y = leader.mean(axis=1), follower.mean(axis=1)
    x, y = leader - mean_x[:, None], follower - mean_y[:, None]
    gain = np.einsum("rs,rs->r", x, y) / np.einsum("rs,rs->r", x, x)
    y -= gain[:, None] * x
    return gain, mean_y - gain * mean_x, y


def _lag_std_error(leader: Floats, slope: Floats, gain: Floats, rest: Floats, frequency: Floats, rate: float) -> Floats:
    """s / (|gain| sqrt(sum of squared slopes)), s as `_variance` widens it; for one frequency and white noise it is the
    Cramer-Rao bound."""
    x = leader - leader.mean(axis=1, keepdims=True)
    own = np.einsum("rs,rs->r", x, x)
    slope = slope - slope.mean(axis=1, keepdims=True)
    slope -= (np.einsum("rs,rs->r", slope, x) / own)[:, None] * x
    power = np.einsum("rs,rs->r", slope, slope)
    return np.sqrt(_variance(rest, frequency, rate) / power) / np.abs(gain)


def _variance(rest: Floats, frequency: Floats, rate: float) -> Floats:
    """Variance of the residuals, widened where they hang together from sample to sample.

    With a first autocorrelation r it grows by (1 - r^2) / (1 - 2 r cos(theta) + r^2), theta the angle a cycle of the
    main frequency turns per sample.
    """
    squares = np.einsum("rs,rs->r", rest, rest)
    neighbours = np.einsum("rs,rs->r", rest[:, 1:], rest[:, :-1])
    r = np.clip(neighbours / np.where(squares > 0, squares, 1), 0, 0.999)
    turn = 2 * np.pi * frequency / rate
    wider = np.maximum((1 - r**2) / (1 - 2 * r * np.cos(turn) + r**2), 1)
    return squares / max(rest.shape[1] - 3, 1) * wider
