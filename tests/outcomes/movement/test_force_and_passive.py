"""Force holds, time above a force, passive resistance: recovery and refusals. Truth is that of the formulas here."""

import numpy as np
import pytest

from outcomes import InstrumentError, StudyError, force_hold
from outcomes.movement.force_above import force_above
from outcomes.movement.force_hold import COLUMNS, force_holds
from outcomes.movement.passive import first_and_later, passive_resistance


def hold(rate=1000, level=20.0, rise=0.4, seconds=4.0, rest=0.5, noise=0.0, zero=0.0, seed=1):
    t = np.arange(0, rest + rise + seconds + 1, 1 / rate)
    force = level * np.clip((t - rest) / rise, 0, 1) * np.clip((rest + rise + seconds + 0.3 - t) / 0.3, 0, 1)
    return zero + force + np.random.default_rng(seed).normal(0, noise, len(t))


@pytest.mark.parametrize("rate", [100, 250, 1000])
@pytest.mark.parametrize("zero", [0.0, 3.0])
def test_a_hold_with_rest_before_and_release_after(rate, zero):
    found = force_hold(hold(rate, noise=0.05, zero=zero), rate)
    assert found.plateau == pytest.approx(20, rel=0.002)
    assert found.peak == pytest.approx(20, abs=0.3)
    assert found.time_to_90 == pytest.approx(0.36, abs=0.015)
    assert found.spread == pytest.approx(0.05, rel=0.15)
    assert found.steadiness == pytest.approx(0.0025, rel=0.15)
    if rate >= 200:
        assert found.rate_of_rise == pytest.approx(50, rel=0.06)
        assert found.reason == ""
    else:
        assert "200 or more" in found.reason


def test_units_and_many_at_once():
    newtons, pounds = hold(noise=0.02), hold(noise=0.02) / 4.4482216152605
    one, other = force_hold(newtons, 1000), force_hold(pounds, 1000, unit="lbf")
    assert other.plateau == pytest.approx(one.plateau / 4.4482216152605)
    assert other.time_to_90 == pytest.approx(one.time_to_90)
    many = force_holds(np.stack([newtons, np.zeros_like(newtons), newtons]), 1000)
    for name in COLUMNS:
        assert many.columns[name][[0, 2]] == pytest.approx(getattr(one, name))
        assert np.isnan(many.columns[name][1])
        assert "no force" in many.reason(name)[1]
    with pytest.raises(InstrumentError, match="pressure"):
        force_hold(newtons, 1000, unit="kPa")


@pytest.mark.parametrize(
    ("force", "missing", "words"),
    [
        (np.zeros(4000), COLUMNS, "no force above"),
        (np.where(np.arange(5900) == 9, np.nan, hold()), COLUMNS, "without a number"),
        (np.clip(hold(noise=0.3), -9, 19.9), COLUMNS, "at its end"),
        (hold(seconds=1.5), ("steadiness", "spread"), "1.5 s or more"),
        (hold(seconds=0.8), ("plateau", "time_to_90"), "0.5 s or more"),
        (hold(level=0.8, noise=0.01), ("steadiness",), "below 1 N only the SD"),
        (hold()[1200:], ("time_to_90", "rate_of_rise"), "begins while holding"),
        (hold(rest=0.0)[100:], ("time_to_90", "rate_of_rise"), "begins after the onset"),
        (np.r_[hold(), hold(level=19)], ("plateau", "steadiness", "time_to_90", "impulse"), "more than one hold"),
        (np.r_[hold(level=19), hold()], ("plateau", "steadiness", "time_to_90", "impulse"), "more than one hold"),
    ],
)
def test_refusals(force, missing, words):
    found = force_hold(force, 1000)
    for name in missing:
        assert np.isnan(getattr(found, name)), name
    assert words in found.reason
    if missing != COLUMNS:
        assert np.isfinite(found.peak)


def test_a_short_slip_is_the_same_hold():
    force = hold(seconds=6.0)
    force[3000:3200] *= 0.3  # 0.2 s, below half of the hold
    assert np.isfinite(force_hold(force, 1000).plateau)


def test_noise_about_the_level_is_one_excursion():
    rng = np.random.default_rng(1)
    steps = np.concatenate([np.zeros(1000), np.full(2000, 5.1), np.zeros(1000)]) + rng.normal(0, 0.1, 4000)
    found = force_above(steps, 1000, 5.0)
    assert found.excursions == 1
    assert found.seconds == pytest.approx(np.sum(steps > 5) / 1000)
    assert force_above(np.where(np.arange(4000) % 1000 < 50, 9.0, 0.0), 1000, 5.0).excursions == 0
    with pytest.raises(StudyError, match="above 0"):
        force_above(steps, 1000, 0)


def test_resistance_comes_back_from_noise_and_short_or_still_records_are_refused():
    t, w = np.arange(0, 10, 0.01), np.pi
    angle = 30 * np.sin(w * t)
    torque = 0.2 + 0.01 * angle + 0.002 * 30 * w * np.cos(w * t) + np.random.default_rng(1).normal(0, 0.02, len(t))
    found = passive_resistance(angle, torque, 100, cycles=5)
    assert found.stiffness == pytest.approx(0.01, rel=0.02)
    assert found.damping == pytest.approx(0.002, rel=0.02)
    assert found.loop_area == pytest.approx(np.pi * 0.002 * w * 900, rel=0.03)
    assert "5 or more" in passive_resistance(angle / 100, torque, 100).reason
    assert "more than 10" in passive_resistance(angle[:5], torque[:5], 100).reason
    with pytest.raises(StudyError, match="one length"):
        passive_resistance(angle, torque[1:], 100)
    assert first_and_later([np.nan, 1, 2]).reason
    assert first_and_later([1.0]).reason
    assert first_and_later([3.0, 1, np.nan, 2]).later_mean == 1.5
