"""Every row of movement_values.csv: published values and closed forms; citation and strength stand in the row.

Where a row gives an exact curve, it is sampled here at a rate high enough for its tolerance; a wider tolerance has its
reason beside it.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.movement.force_above import force_above
from outcomes.movement.force_hold import force_hold
from outcomes.movement.low_pass import derivative, design_cutoff, pass_correction, two_pass_gain, white_residual
from outcomes.movement.passive import first_and_later, passive_resistance
from outcomes.movement.ranges import motion_range
from outcomes.movement.signal import apparent_frequency, rounding_sd
from outcomes.movement.smoothness import smoothness
from outcomes.movement.speed import movement_time, peak_velocity
from outcomes.movement.time_stamps import dropped_samples
from outcomes.movement.together import two_hands
from outcomes.movement.turning_points import count_repetitions, mean_about

ROWS = pd.read_csv(Path(__file__).parents[2] / "reference" / "movement_values.csv", keep_default_na=False)


def seconds(i, rate=None):
    rate = rate or i["fs"]
    return np.arange(round(i["T"] * rate)) / rate


def sines(i):
    t = seconds(i)
    leader = i["A"] * np.sin(2 * np.pi * i["f"] * t)
    follower = i["b"] + i["g"] * i["A"] * np.sin(2 * np.pi * i["f"] * (t - i["tau"]))
    found = two_hands(leader, follower, i["fs"])
    assert found.reason == ""
    slope = np.polyfit(leader, follower, 1)[0]
    return {
        "lag_s": found.lag_s,
        "gain": found.gain,
        "offset_deg": found.offset,
        "r_before": found.correlation,
        "rmse_before": found.error_before,
        "rmse_after_lag": found.error_after,
        "ols_slope_before": slope,
        "ccc_before": found.concordance,
        "ccc_after_lag": found.concordance_after,
    }


def lag_se(i):
    """The standard error of the row, from one long noisy record with an exact leader."""
    rng, factor = np.random.default_rng(4), 50
    t = np.arange(i["T"] * factor * i["fs"]) / i["fs"]
    leader = i["A"] * np.sin(2 * np.pi * i["f"] * t)
    turn, rho = 2 * np.pi * i["f"] / i["fs"], i["rho"]
    found = two_hands(leader, i["g"] * leader + rng.normal(0, i["noise_sd"], len(t)), i["fs"])
    return {
        "se_white_ms": 1000 * found.lag_std_error * np.sqrt(factor),
        "variance_inflation": (1 - rho**2) / (1 - 2 * rho * np.cos(turn) + rho**2),
        "se_ar1_ms": None,
    }


def ambiguous(i):
    t = seconds(i)
    leader, follower = (30 * np.sin(2 * np.pi * i["f"] * (t - lag)) for lag in (0, i["true_lag"]))
    for window in (None, i["window"]):
        found = two_hands(leader, follower, i["fs"], window=window)
        assert np.isnan(found.lag_s)
        assert np.isnan(found.gain)
        assert "ambiguous" in found.reason
    return {}


def attenuation(i):
    rng = np.random.default_rng(2)
    t = np.arange(0, 400, 0.01)
    leader = i["A"] * np.sin(2 * np.pi * 0.5 * t)
    # Noise as slow as the movement stays after the low-pass, as the formula supposes of all noise.
    noise = np.sqrt(2) * i["noise_sd"] * np.sin(2 * np.pi * 1.7 * t + rng.uniform(0, 6))
    return {"expected_slope": two_hands(leader + noise, i["g"] * leader, 100).gain, "reliability": None}


def minimum_jerk(i, rate, around=0.0):
    t = np.arange(-around, i["T"] + around + 1e-9, 1 / rate)
    u = np.clip(t / i["T"], 0, 1)
    return i["A"] * (10 * u**3 - 15 * u**4 + 6 * u**5), i["A"] / i["T"] * (30 * u**2 - 60 * u**3 + 30 * u**4)


def minjerk(i):
    angle, speed = minimum_jerk(i, 2000)
    peak = peak_velocity(angle, 2000).value
    by_velocity = smoothness(speed, 2000, "log-dimensionless-jerk").value
    by_amplitude = smoothness(speed, 2000, "log-dimensionless-jerk", by="amplitude").value
    return {
        "peak_velocity": peak,
        "time_to_peak": np.argmax(derivative(angle, 2000)) / 2000,
        "mean_velocity": np.ptp(angle) / i["T"],
        "peak_over_mean": peak / (np.ptp(angle) / i["T"]),
        "peak_acceleration": derivative(derivative(angle, 2000), 2000).max(),
        "dlj_v": -np.exp(-by_velocity),
        "ldlj_v": by_velocity,
        "ldlj_amplitude": by_amplitude,
    }


def time_of_minjerk(i):
    angle, _ = minimum_jerk(i, 2000, around=0.5)
    return {"movement_time": movement_time(angle, 2000, fraction=i["threshold_fraction"]).value, "onset": None}


def windowed_peak(i):
    t = np.arange(0, 40, 1 / 1000)
    wave = i["A"] * np.sin(2 * np.pi * i["f"] * t)
    exact = mean_about(wave[None], np.array([0]), np.array([500]), i["w"] * 1000)[0]
    assert motion_range(wave, 1000, kind="repetitions", window_s=i["w"]).value == pytest.approx(2 * exact, rel=1e-6)
    return {"peak_mean": exact}


def percentile_range(i):
    # Whole cycles, and no phase twice.
    wave = i["A"] * np.sin(2 * np.pi * 247 * np.arange(200_000) / 200_000)
    found = [motion_range(wave, 1000, share=pair[0]).value for pair in i["pairs"]]
    return {"rom_true": 2 * i["A"], "rom_2_5": found[0], "rom_5": found[1]}


def arc_length(i):
    t = i["t0"] + i["dt"] * np.arange(i["n"])
    profile = np.exp(-5 * t**2)
    if i["formula"] != "exp(-5 t^2)":
        assert i["formula"] == "exp(-5 t^2)+exp(-5 (t-2)^2)"
        profile = profile + np.exp(-5 * (t - 2) ** 2)
    found = smoothness(profile, i["fs"], padding=i["padlevel"], highest_hz=i["fc"], threshold=i["amp_th"])
    return {"sparc": found.value}


def count(i):
    wave = i["A"] * np.sin(2 * np.pi * i["f"] * seconds(i))
    return {"count": count_repetitions(wave, i["fs"], smallest=i["min_prominence_deg"])}


def residual(i):
    return {f"fc{cutoff}": white_residual(i["noise_sd"], cutoff, i["fs"]) for cutoff in i["fc"]}


def dropped(i):
    found = dropped_samples(np.array(i["time_ms"]) / 1000)
    return {
        "missing": found.missing,
        "expected": found.expected,
        "fraction": found.share,
        "longest_gap_ms": 1000 * found.longest_gap_s,
    }


def velocity_noise(i):
    noise = np.random.default_rng(1).normal(0, i["noise_sd_deg"], 400_000)
    speed = derivative(noise, i["fs"])[1:-1]
    return {"velocity_sd": speed.std(), "acceleration_sd": np.diff(noise, 2).std() * i["fs"] ** 2}


def above(i):
    found = force_above(i["A"] * np.sin(2 * np.pi * i["f"] * seconds(i)), i["fs"], i["c"])
    return {"excursions": found.excursions, "seconds_above": found.seconds}


def first_order(i):
    t = np.arange(0, 10, 1 / 1000)
    found = force_hold(i["F0"] * (1 - np.exp(-t / i["tau"])), 1000)
    return {"t90": found.time_to_90, "rfd_window": found.rate_of_rise}


def ramp(i):
    t = np.arange(0, i["tr"] + i["th"] + 1e-9, 1 / 1000)
    found = force_hold(i["F0"] * np.minimum(t / i["tr"], 1), 1000)
    assert found.reason == ""
    return {
        "peak": found.peak,
        "rfd_mean": found.rate_of_rise,
        "t90": found.time_to_90,
        "impulse": found.impulse,
        "plateau_mean": found.plateau,
        "cv": found.steadiness,
    }


def steadiness(i):
    t = (np.arange(round(i["T"] * i["fs"])) + 0.5) / i["fs"]
    force = i["F"] + i["slope"] * (t - i["T"] / 2) + i["a"] * np.cos(2 * np.pi * i["f"] * t)
    found = force_hold(force, i["fs"])
    return {
        "mean": found.plateau,
        "sd_raw": found.spread,
        "cv_raw": found.steadiness,
        "sd_detrended": found.spread_detrended,
        "cv_detrended": found.steadiness_detrended,
    }


def settling(i):
    found = first_and_later(i["r_inf"] + (i["r1"] - i["r_inf"]) * i["q"] ** np.arange(i["n"]))
    return {
        "later_mean": found.later_mean,
        "first_minus_later": found.first_minus_later,
        "later_over_first": found.later_over_first,
    }


def loop(i):
    t, w = np.arange(0, 1 / i["f"], 1e-4), 2 * np.pi * i["f"]
    angle = i["A_deg"] * np.sin(w * t)
    torque = i["k_Nm_per_deg"] * angle + i["b_Nm_s_per_deg"] * i["A_deg"] * w * np.cos(w * t)
    found = passive_resistance(angle, torque, 1e4)
    return {
        "loop_area_Nm_deg": found.loop_area,
        "dissipated_J": found.dissipated,
        "stiffness": found.stiffness,
        "damping": found.damping,
    }


# Row -> how it is computed, and a relative tolerance with its reason where it is not that of the row.
DRIVERS = {
    "l_gain_attenuation": (attenuation, 2e-3),  # one record of finite length
    "l_lag_ambiguity": (ambiguous, None),
    "l_lag_se_1": (lag_se, 0.02),  # the SD of noise of one record
    "l_sines_1": (sines, None),
    "l_sines_3": (sines, 1e-5),  # the ends of the low-pass; the row asks for 1e-3 from estimates by interpolation
    "m_count_repetitions": (count, None),
    "m_minjerk_1": (minjerk, 2e-3),  # differences; the row allows 1e-3 of the logarithm, 2e-3 of its exponential
    "m_movement_time_1": (time_of_minjerk, 1e-4),  # a threshold between samples
    "m_peak_window_mean": (windowed_peak, 1e-6),  # trapezium between samples
    "m_rom_percentile": (percentile_range, None),
    "m_sparc_gauss_exact": (
        lambda i: {"sparc": smoothness(np.exp(-5 * np.arange(-1.5, 1.5, 0.01) ** 2), 100, padding=8).value},
        1e-3,  # the padded grid, as the row says
    ),
    "m_sparc_gauss_sampled": (arc_length, None),
    "m_sparc_two_submovements": (arc_length, None),
    "n_alias": (
        lambda i: {f"c{k}": apparent_frequency(*case) for k, case in enumerate(i["cases"], 1)},
        None,
    ),
    "n_butter_correction": (lambda i: {"c_order2": pass_correction(2)}, None),
    "n_butter_design_cutoff": (
        lambda i: {
            "design_hz": design_cutoff(i["fc"], i["fs"]),
            "gain_at_fc": two_pass_gain(i["fc"], design_cutoff(i["fc"], i["fs"]), i["fs"]),
        },
        None,
    ),
    "n_butter_dual_gain": (
        lambda i: {f"f{f}": two_pass_gain(f, i["fc"], i["fs"]) for f in i["f"]},
        None,
    ),
    "n_dropped": (dropped, None),
    "n_quantisation": (lambda i: {"sd": rounding_sd(i["step_deg"])}, None),
    "n_residual_white": (residual, None),
    "n_velocity_noise": (velocity_noise, 5e-3),  # noise of finite length
    "o_above_threshold": (above, None),
    "o_first_order_1": (first_order, 2e-3),  # 90 % of the mean of a plateau that is still rising at its start
    "o_ramp_hold": (ramp, 1e-3),  # samples at 1,000 Hz, as the row says
    "o_steadiness_1": (steadiness, None),
    "p_first_later": (settling, None),
    "p_loop_1": (loop, 1e-5),  # differences at 10,000 Hz
}


def test_every_row_has_a_driver():
    assert set(ROWS["id"]) == set(DRIVERS)


@pytest.mark.parametrize("row", ROWS.to_dict("records"), ids=ROWS["id"])
def test_row(row):
    compute, relative = DRIVERS[row["id"]]
    expected, found = json.loads(row["expected_json"]), compute(json.loads(row["inputs_json"]))
    for name, value in found.items():
        if value is not None:
            tolerance = float(row["tolerance"]) if relative is None else relative * max(abs(expected[name]), 1e-3)
            assert value == pytest.approx(expected[name], abs=tolerance), name
