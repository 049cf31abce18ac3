"""Force while gripping and holding: peak, plateau, how fast it comes, how steady it stays.

The rate of force development is hard to measure well: sampling, filter and onset all move it (Maffiuletti et al 2016,
doi 10.1007/s00421-016-3346-6, abstract). Windows and limits are judgement, and printed with the result.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from outcomes.dynamometry.force import convert_force
from outcomes.movement.low_pass import filter_note, filtered, refuse_short
from outcomes.movement.recordings import Bools, Floats, Measures, Refusals, in_pieces, rows_of
from outcomes.movement.signal import flat_top

QUIET_S = 0.25  # of rest before the onset, which the baseline is taken from
ONSET_N = 0.5  # least force above the baseline that counts as an onset
HOLDING = 0.7  # a record whose first sample has this share of its 95th percentile begins while holding
LETS_GO_S, LASTS_S = 0.25, 0.25  # below half of the hold, and again at it: another hold (judgement)
SEVERAL = "the force is let go and comes back: more than one hold, cut the recording between them"
AFTER_ONSET_S, BEFORE_RELEASE_S = 1.0, 0.5
SHORTEST_PLATEAU_S, SHORTEST_STEADY_S = 0.5, 1.5
STAYS_S = 0.05
SMALL_N = 1.0  # mean force below which a coefficient of variation says nothing
LOWEST_RATE = 200.0  # samples a second, for the rate of force development
COLUMNS = (
    "peak", "plateau", "time_to_90", "rate_of_rise", "impulse", "steadiness", "steadiness_detrended", "spread",
    "spread_detrended",
)  # fmt: skip


@dataclass(frozen=True)
class ForceHold:
    """One hold; all forces above the baseline. NaN where it cannot be given: `reason` says why, of each in turn.

    peak, plateau: `unit`. time_to_90: s from the onset to 90 % of the plateau. rate_of_rise: `unit` a second over
    the first 0.1 s. impulse: `unit` s, from the onset to the end of the hold. steadiness: SD / mean of the plateau
    (1/n); steadiness_detrended: the same after a straight line is taken off; spread and spread_detrended: those SDs.
    """

    peak: float
    plateau: float
    time_to_90: float
    rate_of_rise: float
    impulse: float
    steadiness: float
    steadiness_detrended: float
    spread: float
    spread_detrended: float
    unit: str
    reason: str
    notes: tuple[str, ...]


def force_hold(
    force: ArrayLike,
    rate: float,
    *,
    cutoff: float | None = None,
    rise_window_s: float = 0.1,
    limits: tuple[float, float] | None = None,
    unit: str = "N",
) -> ForceHold:
    """Peak, plateau, time to 90 %, rate of rise and steadiness of one hold.

    force: one recording, evenly sampled; rate: samples a second. cutoff: Hz of a zero-lag low-pass, None for none.
    rise_window_s: over which the rate of rise is taken.
    Baseline: mean of 0.25 s of rest at the start; without it the sensor's zero. Onset: where the last rise through
    max(3 SD of the rest, 0.5 N) before the peak, extended back through twice that force, meets the baseline.
    Plateau: mean from 1 s after the onset to 0.5 s before the release (the last time at 90 % of the hold), or to the
    end of the record where nothing is let go. A record that begins at 70 % of its 95th percentile is a hold without
    its rise: all of it is the plateau, and nothing is said of the onset. limits: lowest and highest reading of the
    sensor.
    Refused with a reason: samples missing, a flat top, no force; all but the peak where the force falls below half for
    0.25 s and comes back (more than one hold); a plateau under 0.5 s; steadiness under 1.5 s of
    plateau, its ratio also below 1 N; rate of rise below 200 samples a second.
    Raises StudyError for an impossible rate or cut-off, InstrumentError for a unit that is no force.
    Source: caution with the rate of rise, Maffiuletti et al. 2016 (doi 10.1007/s00421-016-3346-6, abstract); windows
    and limits are judgement, printed with the result.

    >>> import numpy as np
    >>> seconds = np.arange(0, 3.4, 0.001)
    >>> found = force_hold(20 * np.minimum(seconds / 0.4, 1), 1000)
    >>> round(found.peak, 3), round(found.plateau, 3), round(found.time_to_90, 4)
    (20.0, 20.0, 0.36)
    """
    found = force_holds(force, rate, cutoff=cutoff, rise_window_s=rise_window_s, limits=limits, unit=unit)
    numbers = {name: float(found.columns[name][0]) for name in COLUMNS}
    reasons = dict.fromkeys(str(found.reason(name)[0]) for name in COLUMNS)
    return ForceHold(**numbers, unit=unit, reason="; ".join(filter(None, reasons)), notes=found.notes)


def force_holds(
    forces: ArrayLike,
    rate: float,
    *,
    cutoff: float | None = None,
    rise_window_s: float = 0.1,
    limits: tuple[float, float] | None = None,
    unit: str = "N",
) -> Measures:
    """`force_hold` of many recordings of one length: the columns of `COLUMNS`, each with its own reasons."""
    newton = convert_force(1.0, "N", unit)
    values, refused = rows_of(forces, rate, "Force")
    refused.where(
        flat_top(values, bottom=False, limits=limits), "the sensor was at its end: equal highest readings in a row"
    )
    refuse_short(refused, values, cutoff)
    if refused.given.any():
        values = filtered(values, rate, cutoff)
    refused.where(~(values.max(axis=1) > ONSET_N * newton), f"no force above {ONSET_N} N")
    columns = {name: np.full(len(values), np.nan) for name in COLUMNS}
    partly = {name: refused.reasons.copy() for name in COLUMNS}
    unzeroed = False
    for piece in in_pieces(*values.shape):
        rows = np.flatnonzero(refused.given[piece]) + piece.start
        if len(rows):
            holds = _Holds(values[rows], rate, newton, rise_window_s)
            unzeroed |= holds.unzeroed
            for name in COLUMNS:
                columns[name][rows], partly[name][rows] = holds.columns[name], holds.reasons[name].reasons
    notes = [
        f"baseline from {QUIET_S:g} s of rest; onset from max(3 SD, {ONSET_N:g} N), extended back to the baseline; "
        f"plateau from {AFTER_ONSET_S:g} s after the onset to {BEFORE_RELEASE_S:g} s before the release; SD over n",
        filter_note(rate, cutoff),
    ]
    if unzeroed:
        notes.append("a record without rest before the onset: the sensor's zero is its baseline")
    if rate < 1000:
        notes.append(f"rate of rise at {rate:g} samples a second: below 1,000 it is blunted")
    return Measures(columns, refused.reasons, tuple(notes), partly)


def _several_holds(strong: Bools, rate: float) -> Bools:
    """Rows whose force lets go and comes back: two stretches of half the plateau or more, `LASTS_S` each, with
    `LETS_GO_S` between."""
    several = np.zeros(len(strong), dtype=bool)
    edges = np.diff(strong.astype(np.int8), axis=1, prepend=0, append=0)
    for row in np.flatnonzero((edges == 1).sum(axis=1) > 1).tolist():
        starts, ends = np.flatnonzero(edges[row] == 1), np.flatnonzero(edges[row] == -1)
        apart = starts[1:] - ends[:-1] >= LETS_GO_S * rate  # shorter dips are the same hold
        first, last = starts[np.concatenate(([True], apart))], ends[np.concatenate((apart, [True]))]
        several[row] = (last - first >= LASTS_S * rate).sum() > 1
    return several


class _Holds:
    """A piece of the recordings, each with a force above the least onset."""

    def __init__(self, values: Floats, rate: float, newton: float, rise_window_s: float):
        self.rate, self.newton = rate, newton
        self.count, self.length = values.shape
        self.at = np.arange(self.length)
        self.columns = {name: np.full(self.count, np.nan) for name in COLUMNS}
        self.reasons = {name: Refusals(self.count) for name in COLUMNS}
        top = np.percentile(values, 95, axis=1)
        self.holding = values[:, 0] >= HOLDING * top
        base, quiet_sd, quiet = self._rest(values)
        self.unzeroed = bool((~quiet & ~self.holding).any())
        self.force = values - base[:, None]
        self.peak = np.argmax(self.force, axis=1)
        self._set("peak", self.force.max(axis=1), Refusals(self.count))
        self.onset, began = self._onset(np.maximum(3 * quiet_sd, ONSET_N * newton))
        self._plateau()
        timed = Refusals(self.count)
        timed.where(self.holding, "the record begins while holding: no onset")
        timed.where(~began, "the record begins after the onset")
        timed.where(self.repeated, SEVERAL)
        self._rise(timed, rise_window_s)

    def _set(self, name: str, column: Floats, refused: Refusals) -> None:
        self.columns[name] = np.where(refused.given, column, np.nan)
        self.reasons[name] = refused

    def _rest(self, values: Floats) -> tuple[Floats, Floats, Bools]:
        """Mean and SD of the rest at the start of each record; 0 where it does not rest there."""
        samples = int(np.ceil(QUIET_S * self.rate))
        lead = values[:, :samples]
        rise = values.max(axis=1) - lead.mean(axis=1)
        quiet = (np.ptp(lead, axis=1) <= 0.1 * rise) & ~self.holding & (self.length > 2 * samples)
        return np.where(quiet, lead.mean(axis=1), 0), np.where(quiet, lead.std(axis=1), 0), quiet

    def _onset(self, threshold: Floats) -> tuple[Floats, Bools]:
        """Sample (with its fraction) at which each rise leaves the baseline, and whether the record shows it."""
        before_peak = self.at < self.peak[:, None]
        low = (self.force < threshold[:, None]) & before_peak
        began = low.any(axis=1)
        last_low = self.length - 1 - np.argmax(low[:, ::-1], axis=1)
        first = self._crossing(np.where(began, last_low, 0), threshold)
        higher = (self.force >= 2 * threshold[:, None]) & (self.at > last_low[:, None])
        second = self._crossing(np.maximum(np.argmax(higher, axis=1) - 1, 0), 2 * threshold)
        back = np.where(higher.any(axis=1) & (second >= first), second - first, 0)
        return np.where(began, np.maximum(first - back, 0), 0.0), began & ~self.holding

    def _crossing(self, sample: NDArray[np.int64], level: Floats) -> Floats:
        """Where the straight line from `sample` to the next reaches the level."""
        rows = np.arange(self.count)
        after = np.minimum(sample + 1, self.length - 1)
        low, high = self.force[rows, sample], self.force[rows, after]
        share = np.where(high > low, (level - low) / np.where(high > low, high - low, 1), 0)
        return sample + np.clip(share, 0, 1)

    def _plateau(self) -> None:
        rows = self.at >= self.onset[:, None]
        level = np.nanmedian(
            np.where(rows & (self.force >= 0.5 * self.force.max(axis=1)[:, None]), self.force, np.nan), axis=1
        )
        high = self.force >= 0.9 * level[:, None]
        release = self.length - 1 - np.argmax(high[:, ::-1], axis=1)
        self.repeated = _several_holds(self.force >= 0.5 * level[:, None], self.rate)
        let_go = (release < self.length - 1) & (self.force[:, -1] < 0.5 * level)
        start = np.where(self.holding, 0, np.ceil(self.onset + AFTER_ONSET_S * self.rate - 1e-9))
        end = np.where(let_go, release - np.ceil(BEFORE_RELEASE_S * self.rate), self.length - 1)
        self.end_of_hold = np.where(let_go, release, self.length - 1)
        count = np.maximum(end - start + 1, 0)
        inside = (self.at >= start[:, None]) & (self.at <= end[:, None])
        safe = np.maximum(count, 1)
        mean = np.sum(self.force, axis=1, where=inside) / safe
        rest = np.where(inside, self.force - mean[:, None], 0)
        place = np.where(inside, self.at - ((start + end) / 2)[:, None], 0)
        spread = np.sqrt(np.einsum("rs,rs->r", rest, rest) / safe)
        squares = np.einsum("rs,rs->r", place, place)
        slope = np.einsum("rs,rs->r", place, rest) / np.where(squares > 0, squares, 1)
        detrended = np.sqrt(np.maximum(spread**2 - slope**2 * squares / safe, 0))
        plateau, steady, ratio = (Refusals(self.count) for _ in range(3))
        short = "{:.2g} s of plateau after trimming, allowed {} s or more"
        for refusals in (plateau, steady, ratio):
            refusals.where(self.repeated, SEVERAL)
        for refusals, least in ((plateau, SHORTEST_PLATEAU_S), (steady, SHORTEST_STEADY_S), (ratio, SHORTEST_STEADY_S)):
            refusals.where(count / self.rate < least - 1e-9, short.replace("{} s", f"{least:g} s"), count / self.rate)
        small = mean < SMALL_N * self.newton
        ratio.where(small, "a mean of {:.2g} N: below 1 N only the SD is given", mean / self.newton)
        self._set("plateau", mean, plateau)
        self._set("spread", spread, steady)
        self._set("spread_detrended", detrended, steady)
        self._set("steadiness", spread / np.where(mean > 0, mean, np.nan), ratio)
        self._set("steadiness_detrended", detrended / np.where(mean > 0, mean, np.nan), ratio)

    def _rise(self, timed: Refusals, window_s: float) -> None:
        rows = np.arange(self.count)
        reach = Refusals(self.count)
        reach.reasons = timed.reasons.copy()
        without = ~np.isfinite(self.columns["plateau"])
        reach.where(without, "no plateau to reach 90 % of")
        goal = 0.9 * np.where(without, 0, self.columns["plateau"])
        high = (self.force >= goal[:, None]) & (self.at > self.onset[:, None])
        stays = max(1, int(np.ceil(STAYS_S * self.rate)))
        run = np.cumsum(high, axis=1)
        held = np.zeros_like(high)
        if self.length >= stays:
            before = np.concatenate((np.zeros((self.count, 1), run.dtype), run[:, :-stays]), axis=1)
            held[:, : self.length - stays + 1] = run[:, stays - 1 :] - before == stays
        reach.where(~held.any(axis=1), "never at 90 % of the plateau for 0.05 s")
        first = np.argmax(held, axis=1)
        reached = np.where(first > 0, self._crossing(np.maximum(first - 1, 0), goal), first)
        self._set("time_to_90", (reached - self.onset) / self.rate, reach)

        summed = np.concatenate(
            (np.zeros((self.count, 1)), np.cumsum(self.force[:, 1:] + self.force[:, :-1], axis=1) / 2), axis=1
        )
        end = self.end_of_hold.astype(np.int64)
        start = np.ceil(self.onset).astype(np.int64)
        part = (start - self.onset) * self.force[rows, start] / 2
        self._set("impulse", (summed[rows, end] - summed[rows, start] + part) / self.rate, timed)

        rise = Refusals(self.count)
        rise.reasons = timed.reasons.copy()
        rise.where(
            self.rate < LOWEST_RATE,
            f"{self.rate:g} samples a second, allowed {LOWEST_RATE:g} or more for a rate of rise",
        )
        later = self.onset + window_s * self.rate
        rise.where(later > self.length - 1, f"the record ends before {window_s:g} s after the onset")
        gained = self._value_at(later) - self._value_at(self.onset)
        self._set("rate_of_rise", gained / window_s, rise)

    def _value_at(self, sample: Floats) -> Floats:
        rows = np.arange(self.count)
        low = np.clip(np.floor(sample).astype(np.int64), 0, self.length - 1)
        high = np.minimum(low + 1, self.length - 1)
        share = sample - low
        return (1 - share) * self.force[rows, low] + share * self.force[rows, high]
