"""Range, velocity, repetitions, smoothness: recovery, invariance and refusals. Truth is that of the formulas here."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes import StudyError, motion_range, smoothness
from outcomes.movement.low_pass import low_pass, residual_analysis, two_pass_gain
from outcomes.movement.ranges import motion_ranges
from outcomes.movement.signal import flat_top, high_share, main_frequency, noise_sd
from outcomes.movement.smoothness import smoothness_of_angles
from outcomes.movement.speed import movement_time, peak_velocity, velocities
from outcomes.movement.turning_points import count_repetitions, half_movements


def reaches(rate, amplitude=60.0, seconds=1.2, pause=0.6, times=5):
    """To and fro by minimum-jerk movements with pauses between (Flash & Hogan 1985, J Neurosci 5:1688, curve)."""
    u = np.arange(0, seconds, 1 / rate) / seconds
    out = amplitude * (10 * u**3 - 15 * u**4 + 6 * u**5)
    still = np.zeros(round(pause * rate))
    cycle = [out, still + amplitude, amplitude - out, still]
    return np.concatenate([still, *(cycle * times)])


@pytest.mark.parametrize("rate", [20, 50, 100, 250, 1000])
@pytest.mark.parametrize("kind", ["percentiles", "repetitions"])
def test_range_comes_back_from_noise_within_one_per_cent(rate, kind):
    rng = np.random.default_rng(1)
    record = reaches(rate) + rng.normal(0, 0.5, len(reaches(rate)))
    # Plateaus collect noise at both ends: filtered as a study would; at 20 Hz a cut-off of 6 Hz would leave most of it.
    assert motion_range(record, rate, kind=kind, cutoff=min(6, rate / 8)).value == pytest.approx(60, rel=0.01)


@pytest.mark.parametrize("rate", [20, 50, 100, 250, 1000])
def test_range_of_a_wave_comes_back_without_a_filter(rate):
    t = np.arange(0, 20, 1 / rate)
    wave = 30 + 40 * np.sin(np.pi * t) + np.random.default_rng(2).normal(0, 1.0, len(t))
    assert motion_range(wave, rate).value == pytest.approx(80, rel=0.01)


def test_highest_and_lowest_are_the_two_ends():
    found = motion_range(reaches(100) + 15, 100)
    assert (found.lowest, found.highest) == (pytest.approx(15), pytest.approx(75))
    assert "2.5" in found.notes[0]


@pytest.mark.parametrize("rate", [50, 100, 250, 1000])
def test_velocity_and_time_of_each_half_movement(rate):
    """1.875 A / T and T sqrt(1 - sqrt(0.05)), from samples: differences cost 0.1 % at 50 Hz."""
    record = reaches(rate)
    assert peak_velocity(record, rate).value == pytest.approx(1.875 * 60 / 1.2, rel=5e-3)
    assert movement_time(record, rate).value == pytest.approx(1.2 * np.sqrt(1 - np.sqrt(0.05)), rel=5e-3)
    assert count_repetitions(record, rate) == 5
    assert len(half_movements(record[None], rate).row) == 10


def bell(rate, width=1.0, height=1.0):
    t = np.arange(-1.5, 1.5, 1 / (rate * width) if width < 1 else 1 / rate)
    return height * np.exp(-5 * (t / width) ** 2)


@settings(max_examples=30, deadline=None)
@given(height=st.floats(1e-3, 1e4), kind=st.sampled_from(["spectral-arc-length", "log-dimensionless-jerk"]))
def test_smoothness_does_not_depend_on_the_scale(height, kind):
    assert smoothness(bell(100, height=height), 100, kind).value == pytest.approx(
        smoothness(bell(100), 100, kind).value, rel=1e-9
    )


@pytest.mark.parametrize("rate", [60, 100, 250, 1000])
def test_smoothness_between_sampling_rates(rate):
    """Spectral arc length within the grid of the padded spectrum (0.006 each), jerk within 4 / N of the duration."""
    arc = smoothness(bell(rate), rate).value
    assert arc == pytest.approx(-1.416458, abs=0.012)
    jerk = smoothness(bell(rate), rate, "log-dimensionless-jerk").value
    assert jerk == pytest.approx(
        smoothness(bell(4000), 4000, "log-dimensionless-jerk").value, abs=4 / (3 * rate) + 0.02
    )


def test_one_movement_is_smoother_than_two_and_noise_makes_rougher():
    t = np.arange(-2, 4, 0.01)
    one, two = np.exp(-5 * t**2), np.exp(-5 * t**2) + np.exp(-5 * (t - 2) ** 2)
    for kind in ("spectral-arc-length", "log-dimensionless-jerk"):
        assert smoothness(two, 100, kind).value < smoothness(one, 100, kind).value < 0
    rng = np.random.default_rng(1)
    shaken = reaches(100) + low_pass(rng.normal(0, 3, len(reaches(100))), 100, 8)
    calm = smoothness_of_angles(reaches(100), 100, cutoff=8).columns["spectral-arc-length"][0]
    assert smoothness_of_angles(shaken, 100, cutoff=8).columns["spectral-arc-length"][0] < calm - 0.05


@pytest.mark.parametrize("kind", ["spectral-arc-length", "log-dimensionless-jerk"])
def test_smoothness_of_an_angle_is_the_mean_of_its_half_movements(kind):
    """Against the same number from each half-movement alone, cut as the notes say."""
    record = reaches(100)
    whole = smoothness_of_angles(record, 100, kind).columns[kind][0]
    halves = half_movements(record[None], 100)
    each = []
    for first, last in zip(halves.first, halves.last, strict=True):
        speed = np.abs(np.gradient(record, 0.01))[first : last + 1]
        moving = np.flatnonzero(speed >= 0.05 * speed.max())
        each.append(smoothness(speed[moving[0] : moving[-1] + 1], 100, kind).value)
    assert whole == pytest.approx(np.mean(each), rel=1e-9)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: motion_range(np.clip(45 * np.sin(np.arange(1000) / 30), -45, 30), 100), "at its end"),
        (lambda: motion_range(np.clip(reaches(100), 0, 40), 100, limits=(0, 40)), "at its end"),
        (lambda: motion_range(np.full(1000, np.nan), 100), "without a number"),
        (lambda: motion_range(reaches(100) + 170, 100), "unwrap"),
        (lambda: motion_range(np.zeros(50), 100), "1 s or more"),
        (lambda: motion_range(np.zeros(500), 100, kind="repetitions"), "no whole repetition"),
        (lambda: smoothness(bell(40), 40), "50 or more"),
        (lambda: smoothness(np.ones(5), 100), "10 or more"),
        (lambda: smoothness(np.zeros(100), 100), "no movement"),
        (lambda: smoothness(np.sin(np.arange(200) / 20), 100), "goes below 0"),
        (lambda: peak_velocity(reaches(40), 40), "50 or more"),
        (lambda: peak_velocity(np.zeros(500), 100), "no movement"),
        (lambda: movement_time(np.array([]), 100), "no sample"),
    ],
)
def test_refusals(call, words):
    found = call()
    assert np.isnan(found.value)
    assert words in found.reason


def test_one_bad_recording_does_not_stop_the_others():
    records = np.tile(reaches(100), (3, 1))
    records[1, 7] = np.nan
    for measures in (
        motion_ranges(records, 100, cutoff=6),
        velocities(records, 100),
        smoothness_of_angles(records, 100),
    ):
        for column in measures.columns.values():
            assert np.isfinite(column[[0, 2]]).all()
            assert np.isnan(column[1])
        assert [bool(reason) for reason in measures.reasons] == [False, True, False]


def test_rest_and_plateaus_are_no_flat_top_and_a_clipped_top_is():
    step = 0.5
    rounded = np.round(reaches(100) / step) * step
    assert not flat_top(np.stack([reaches(100), rounded]), limits=None).any()
    clipped = np.clip(reaches(100) + np.random.default_rng(1).normal(0, 0.3, len(rounded)), -5, 40)
    assert flat_top(clipped[None]).all()


def test_the_filter_has_the_gain_it_is_said_to_have_and_no_lag():
    t = np.arange(0, 60, 0.01)
    middle = slice(1000, -1000)
    for frequency in (1.0, 6.0, 9.0):
        wave = np.sin(2 * np.pi * frequency * t)
        passed = low_pass(wave, 100, 6.0)
        expected = two_pass_gain(frequency, 7.430884958471, 100)
        assert np.dot(passed[middle], wave[middle]) / np.dot(wave[middle], wave[middle]) == pytest.approx(
            expected, abs=2e-3
        )
    with pytest.raises(StudyError, match="below 10 Hz"):
        low_pass(np.zeros(100), 20, 10)
    with pytest.raises(StudyError, match="too short"):
        low_pass(np.zeros(5), 100, 6)


def test_residual_analysis_finds_the_noise():
    rng = np.random.default_rng(5)
    t = np.arange(0, 100, 0.01)
    found = residual_analysis(30 * np.sin(np.pi * t) + rng.normal(0, 0.5, len(t)), 100)
    assert found.noise_sd == pytest.approx(0.5, rel=0.05)
    assert 0.5 < found.cutoff < 5
    assert noise_sd(rng.normal(0, 0.5, (1, 10_000)))[0] == pytest.approx(0.5, rel=0.05)


def test_frequencies_of_a_record():
    t = np.arange(0, 10, 0.01)
    records = np.stack([10 + 5 * np.sin(2 * np.pi * f * t) for f in (0.4, 1.3)])
    assert main_frequency(records, 100) == pytest.approx([0.4, 1.3], rel=0.03)
    assert high_share(records, 100) == pytest.approx([0, 0], abs=1e-3)
    assert high_share(np.random.default_rng(1).normal(size=(1, 1000)), 100)[0] == pytest.approx(0.2, abs=0.05)


def test_unknown_kinds_are_errors():
    for call in (
        lambda: motion_range(np.zeros(200), 100, kind="other"),
        lambda: motion_range(np.zeros(200), 100, share=0.4),
        lambda: smoothness(np.zeros(200), 100, "other"),
        lambda: smoothness(np.zeros(200), 100, threshold=2),
        lambda: smoothness(np.zeros(200), 100, by="other"),
        lambda: movement_time(np.zeros(200), 100, fraction=1.5),
    ):
        with pytest.raises(StudyError, match="allowed"):
            call()
