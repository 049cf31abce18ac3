"""Two hands: recovery of a known lag, gain and offset; properties; refusals. Truth is that of the formulas here."""

import numpy as np
import pytest
from scipy.signal import chirp

from outcomes import StudyError, two_hands
from outcomes.movement.ranges import motion_ranges
from outcomes.movement.time_stamps import even_series
from outcomes.movement.together import COLUMNS, pairs_together

RATES = (20, 50, 100, 250, 1000)


def turning(t, phase=0.0):
    """Two frequencies, so that no whole number of samples makes a cycle."""
    return 30 + 25 * np.sin(np.pi * t + phase) + 8 * np.sin(1.6 * np.pi * t + 2 * phase)


def pairs(rate, noise, count=60, seed=3, seconds=12):
    rng = np.random.default_rng(seed)
    t = np.arange(0, seconds, 1 / rate)
    lag, phase = rng.uniform(-0.3, 0.3, (count, 1)), rng.uniform(0, 6.28, (count, 1))
    first = turning(t, phase) + rng.normal(0, noise, (count, len(t)))
    second = 4 + 0.9 * turning(t - lag, phase) + rng.normal(0, noise, (count, len(t)))
    return first, second, lag[:, 0]


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("noise", [0.5, 1.0])
def test_lag_gain_and_offset_come_back_from_noise(rate, noise):
    """Lag within a tenth of a sample or three of its standard errors; the mean gain within 1 %.

    Of 60 pairs one may lie beyond three standard errors (0.3 % of a normal law is 0.16 of them).
    """
    first, second, lag = pairs(rate, noise)
    found = pairs_together(first, second, rate)
    assert (found.reasons == "").all()
    error = found.columns["lag_s"] - lag
    good = (np.abs(error) < 0.1 / rate) | (np.abs(error) < 3 * found.columns["lag_std_error"])
    assert (~good).sum() <= 1
    assert np.sqrt(np.mean((error / found.columns["lag_std_error"]) ** 2)) == pytest.approx(1, abs=0.35)
    assert np.mean(found.columns["gain"]) == pytest.approx(0.9, rel=0.01)
    # The mean position of the first hand over the record is not exactly 30.
    assert np.mean(found.columns["offset"]) == pytest.approx(4 - 0.1 * 30, abs=0.15)


@pytest.mark.parametrize("rate", RATES)
def test_lag_gain_and_range_come_back_through_drop_outs(rate):
    """Noise of 0.5 degrees and 3 % of the samples lost in each hand, filled on the way in; bounds as without losses."""
    rng = np.random.default_rng(11)
    first, second, lag = pairs(rate, 0.5, count=16)
    stamps = np.arange(first.shape[1]) / rate
    hands = []
    for hand in (first, second):
        filled = []
        for series in hand:
            kept = rng.random(len(stamps)) > 0.03
            kept[[0, -1]] = True
            filled.append(even_series(stamps[kept], series[kept], longest_filled_s=0.25).values[:, 0])
        hands.append(np.stack(filled))
    found = pairs_together(*hands, rate)
    assert (found.reasons == "").all()
    error = np.abs(found.columns["lag_s"] - lag)
    assert ((error >= 0.1 / rate) & (error >= 3 * found.columns["lag_std_error"])).sum() <= 1
    assert np.mean(found.columns["gain"]) == pytest.approx(0.9, rel=0.01)
    cutoff = min(6.0, 0.4 * rate)
    clean = motion_ranges(pairs(rate, 0.0, count=16)[0], rate, cutoff=cutoff).columns["range"]
    spread = motion_ranges(hands[0], rate, cutoff=cutoff).columns["range"]
    assert np.mean(spread) == pytest.approx(np.mean(clean), rel=0.01)


@pytest.mark.parametrize("rate", RATES)
def test_without_noise_the_lag_is_exact_to_a_thousandth_of_a_sample(rate):
    first, second, lag = pairs(rate, 0.0, count=10)
    assert pairs_together(first, second, rate).columns["lag_s"] * rate == pytest.approx(lag * rate, abs=2e-3)


def test_a_recording_of_a_general_package_goes_through():
    """A sweep from 0.3 to 0.8 Hz made by scipy.signal.chirp; the later hand is the same sweep, later."""
    t = np.arange(0, 20, 0.01)
    first = 40 * chirp(t, 0.3, 20, 0.8)
    second = 40 * chirp(t - 0.12, 0.3, 20, 0.8)
    found = two_hands(first, second, 100)
    assert (found.lag_s, found.gain, found.offset) == (
        pytest.approx(0.12, abs=1e-4), pytest.approx(1, abs=1e-3), pytest.approx(0, abs=0.02),
    )  # fmt: skip


def test_what_is_said_after_the_lag_is_that_of_the_shifted_samples():
    """Errors and concordance against plain arithmetic on the overlap, where the lag is a whole number of samples."""
    first, second, _ = pairs(100, 1.0, count=1)
    second = np.roll(second, 3, axis=1)
    found = two_hands(first[0], second[0], 100)
    shift = round(found.lag_s * 100)
    x, y = (
        (first[0, : len(first[0]) - shift], second[0, shift:]) if shift > 0 else (first[0, -shift:], second[0, :shift])
    )
    assert found.error_before == pytest.approx(np.sqrt(np.mean((second[0] - first[0]) ** 2)), rel=1e-12)
    # The ends of the record and a shift below one sample differ.
    assert found.error_after == pytest.approx(np.sqrt(np.mean((y - x) ** 2)), rel=0.05)
    concordance = 2 * np.cov(x, y, ddof=0)[0, 1] / (x.var() + y.var() + (x.mean() - y.mean()) ** 2)
    assert found.concordance_after == pytest.approx(concordance, abs=0.005)


def test_swapping_the_hands_turns_the_lag_round_and_inverts_the_gain():
    first, second, _ = pairs(100, 0.0, count=1)
    one, other = two_hands(first[0], second[0], 100), two_hands(second[0], first[0], 100)
    assert other.lag_s == pytest.approx(-one.lag_s, abs=1e-5)
    assert other.gain == pytest.approx(1 / one.gain, rel=1e-4)


def test_a_constant_changes_the_offset_only():
    first, second, _ = pairs(100, 0.5, count=1)
    plain, moved = two_hands(first[0], second[0], 100), two_hands(first[0], second[0] + 7, 100)
    for name in ("lag_s", "lag_std_error", "gain", "gain_spread", "correlation"):
        assert getattr(moved, name) == pytest.approx(getattr(plain, name), rel=1e-6)
    assert moved.offset == pytest.approx(plain.offset + 7)
    assert moved.intercept == pytest.approx(plain.intercept + 7)


def test_many_pairs_give_what_one_gives():
    first, second, _ = pairs(100, 1.0, count=7)
    many = pairs_together(first, second, 100)
    for row in (0, 6):
        one = two_hands(first[row], second[row], 100)
        for name in COLUMNS:
            assert many.columns[name][row] == pytest.approx(getattr(one, name), rel=1e-9)


def test_interval_of_the_lag_is_over_cycles():
    first, second, lag = pairs(100, 1.0, count=1, seconds=30)
    found = two_hands(first[0], second[0], 100)
    low, high = found.interval(0.95)
    assert low < found.lag_s < high
    assert len(found.lag_by_cycle) >= 12
    assert abs(found.lag_s - lag[0]) < 3 * (high - low)
    short = two_hands(first[0, :500], second[0, :500], 100)
    assert np.isnan(short.interval()).all()


def sine(seconds=10.0, amplitude=30.0, frequency=1.0, lag=0.0, rate=100):
    return amplitude * np.sin(2 * np.pi * frequency * (np.arange(0, seconds, 1 / rate) - lag))


@pytest.mark.parametrize(
    ("first", "second", "options", "words"),
    [
        (sine(2), sine(2), {}, "3 s or more"),
        (sine(4, frequency=0.3), sine(4, frequency=0.3), {}, "cycles"),
        (sine(), sine(lag=0.7), {}, "edge of the window"),
        (sine(), sine(lag=0.1), {"window": 0.6}, "below half a cycle"),
        (sine(), sine(lag=0.1), {"window": 0.1}, "edge of the window"),
        (sine(amplitude=1.5), sine(), {}, "hardly any movement"),
        (sine(), np.zeros(1000), {}, "hardly any movement"),
        (np.zeros(1000), np.zeros(1000), {}, "hardly any movement"),
        (np.clip(sine(), -99, 20), sine(), {}, "sensor of a hand was at its end"),
        (np.where(np.arange(1000) == 500, np.nan, sine()), sine(), {}, "without a number"),
        (sine(), np.where(np.arange(1000) == 500, np.nan, sine()), {}, "second hand"),
        (sine(0.1), sine(0.1), {}, "samples"),
    ],
)
def test_refusals(first, second, options, words):
    found = two_hands(first, second, 100, **options)
    assert np.isnan(found.lag_s)
    assert np.isnan(found.gain)
    assert words in found.reason


def test_little_movement_still_gives_offset_and_error():
    found = two_hands(sine(amplitude=1.0), sine(amplitude=1.0) + 5, 100)
    assert found.offset == pytest.approx(5)
    assert found.error_before == pytest.approx(5)
    assert np.isnan(found.correlation)
    assert "hardly any movement" in found.reason


@pytest.mark.parametrize(
    ("second", "rate", "options"),
    [(sine(9), 100, {}), (sine(), 0, {}), (sine(), float("nan"), {}), (sine(), 100, {"window": -1}),
     (sine(), 100, {"cutoff": 60})],
)  # fmt: skip
def test_impossible_calls_say_what_is_wrong(second, rate, options):
    with pytest.raises(StudyError, match="allowed"):
        two_hands(sine(), second, rate, **options)


@pytest.mark.parametrize("drift", [0.004, -0.002])
def test_a_clock_that_gains_is_told_from_a_constant_lag(drift):
    """The follower's clock gains `drift` seconds a second; white noise of 0.5 degrees: 59 of 60 within three errors."""
    rng = np.random.default_rng(8)
    t = np.arange(0, 12, 0.02)
    phase = rng.uniform(0, 6.28, (60, 1))
    first = turning(t, phase) + rng.normal(0, 0.5, (60, len(t)))
    second = turning(t / (1 + drift) - 0.1, phase) + rng.normal(0, 0.5, (60, len(t)))
    found = pairs_together(first, second, 50).columns
    error = found["lag_change"] - 12 * drift
    assert (np.abs(error) > 3 * found["lag_change_std_error"]).sum() <= 1
    assert np.mean(error) == pytest.approx(0, abs=0.001)
    # The lag of the whole record is that of its middle.
    assert np.mean(found["lag_s"]) == pytest.approx(0.1 + 6 * drift, abs=0.001)
