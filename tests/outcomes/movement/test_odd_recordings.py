"""Odd recordings through every measure: a number, or NaN with its reason; never an exception, never a bare NaN.

What the numbers of a constant recording are is arithmetic: no range, no time above, no jerk, a steady hold.
"""

from dataclasses import asdict

import numpy as np
import pytest

from outcomes import StudyError, force_hold, motion_range, smoothness, two_hands
from outcomes.movement.force_above import force_above
from outcomes.movement.low_pass import residual_analysis
from outcomes.movement.passive import first_and_later, passive_resistance
from outcomes.movement.ranges import motion_ranges
from outcomes.movement.smoothness import smoothness_of_angles
from outcomes.movement.speed import movement_time, peak_velocity
from outcomes.movement.together import pairs_together
from outcomes.movement.turning_points import count_repetitions

RATE = 200
t = np.arange(0, 8, 1 / RATE)
WAVE = 30 * np.sin(np.pi * t)
ODD = {
    "empty": np.empty(0),
    "one sample": np.array([3.0]),
    "eight samples": np.arange(8.0),
    "nothing moves": np.full(1600, 12.0),
    "zeros": np.zeros(1600),
    "all missing": np.full(1600, np.nan),
    "one missing": np.where(np.arange(1600) == 700, np.nan, WAVE),
    "infinite": np.where(np.arange(1600) == 700, np.inf, WAVE),
    "one peak": 30 * np.exp(-((t - 4) ** 2)),
    "a step": 30.0 * (t > 4),
    "upside down": -WAVE,
    "a spike": np.where(np.arange(1600) == 700, 150.0, 0.0),
}
ONE = {
    "range": lambda x, cutoff: motion_range(x, RATE, cutoff=cutoff),
    "range by repetitions": lambda x, cutoff: motion_range(x, RATE, kind="repetitions", cutoff=cutoff),
    "peak velocity": lambda x, cutoff: peak_velocity(x, RATE, cutoff=cutoff),
    "movement time": lambda x, cutoff: movement_time(x, RATE, cutoff=cutoff),
    "arc length": lambda x, cutoff: smoothness(x, RATE),
    "jerk": lambda x, cutoff: smoothness(x, RATE, "log-dimensionless-jerk"),
    "jerk by amplitude": lambda x, cutoff: smoothness(x, RATE, "log-dimensionless-jerk", by="amplitude"),
    "hold": lambda x, cutoff: force_hold(x, RATE, cutoff=cutoff),
    "above": lambda x, cutoff: force_above(x, RATE, 5.0, cutoff=cutoff),
    "two hands": lambda x, cutoff: two_hands(x, 0.8 * x, RATE, cutoff=cutoff),
    "upside-down follower": lambda x, cutoff: two_hands(x, -x, RATE, cutoff=cutoff),
    "resistance": lambda x, cutoff: passive_resistance(x, 0.1 * x, RATE, cutoff=cutoff),
    "repetitions of a measure": lambda x, cutoff: first_and_later(x[:6]),
}


@pytest.mark.parametrize("measure", ONE)
def test_every_odd_recording_gives_a_number_or_a_reason(measure):
    for name, series in ODD.items():
        for cutoff in (None, 6.0):
            found = asdict(ONE[measure](series, cutoff))
            numbers = [value for value in found.values() if isinstance(value, float)]
            assert not np.isinf(numbers).any(), name
            assert found["reason"] or not np.isnan(numbers).any(), name


def test_a_recording_that_does_not_move_says_what_arithmetic_says():
    still = ODD["nothing moves"]
    assert motion_range(still, RATE).value == 0
    assert "straight line" in smoothness(still, RATE, "log-dimensionless-jerk").reason
    hold = force_hold(still, RATE)
    assert (hold.peak, hold.plateau, hold.steadiness) == (12, 12, 0)
    assert (force_above(still, RATE, 5).seconds, force_above(still, RATE, 13).seconds) == (8, 0)
    hands = two_hands(still, still + 2, RATE)
    assert (hands.offset, hands.error_before) == (2, 2)
    assert "hardly any movement" in hands.reason


def test_signs():
    """A follower the other way round is no late one: it is refused, or its gain is below 0; upside down is no other
    range."""
    turned = two_hands(WAVE, -WAVE, RATE)
    assert "edge of the window" in turned.reason
    assert motion_range(-WAVE, RATE).value == pytest.approx(motion_range(WAVE, RATE).value)
    assert motion_range(-WAVE, RATE).highest == pytest.approx(-motion_range(WAVE, RATE).lowest)
    assert force_above(-WAVE, RATE, 5).seconds == force_above(WAVE, RATE, 5).seconds


def test_repetitions_are_counted_or_refused():
    assert count_repetitions(ODD["nothing moves"], RATE) == 0
    assert count_repetitions(ODD["one peak"], RATE) == 1
    assert count_repetitions(WAVE, RATE) == 4
    for name in ("empty", "one missing"):
        with pytest.raises(StudyError, match="allowed one number a sample"):
            count_repetitions(ODD[name], RATE)
    assert first_and_later([0.0, 2.0]).reason == "a first value of 0 has no ratio"
    assert first_and_later([0.0, 2.0]).first_minus_later == -2


def test_what_has_no_answer_of_many_says_so_for_each():
    """Records that are all too short, of two lengths, in another unit, or noise alone."""
    assert np.isnan(smoothness_of_angles(np.ones((2, 30)), 10.0).columns["spectral-arc-length"]).all()
    newtons = motion_ranges(np.stack([WAVE * 20, WAVE]), RATE, unit="N")
    assert newtons.columns["range"][0] == pytest.approx(20 * newtons.columns["range"][1])  # 600 N, no angle of 600
    assert "unwrap" in motion_ranges(np.stack([WAVE * 20, WAVE]), RATE).reasons[0]
    with pytest.raises(StudyError, match="1600 and 1599 samples"):
        pairs_together(WAVE[None], WAVE[None, :-1], RATE)
    for nothing_to_find in (np.zeros(400), np.cumsum(np.ones(400))):
        found = residual_analysis(nothing_to_find, 100)
        assert np.isnan(found.cutoff)
        assert "never cross the noise" in found.notes[-1]
