"""Recordings of a study folder: layouts, units, pairing, repetitions, plan. Truth is that of the formulas here."""

import numpy as np
import pandas as pd
import pytest

from outcomes import StudyError, check, read_study, score
from outcomes.blinding.letters import draw_letters
from outcomes.checks.scores.series_checks import _apart
from outcomes.lock.analysis_plan import plan_of
from outcomes.movement.series_files import read_recordings
from outcomes.movement.signal import noise_sd
from outcomes.movement.time_stamps import EvenSeries, dropped_samples, even_series, shared_grid
from outcomes.protocol.series_tables import SeriesOutcome
from outcomes.protocol.study_toml import read_protocol
from outcomes.scoring.series_scores import one_score
from stats import fit_change

PROTOCOL = """
title = "Invented: two hands"
design = "single-arm"
primary = "wheel.lag"
outcomes = ["wheel.lag", "wheel.range"]

[[visits]]
id = "v0"
label = "Start"
day = 0
[[visits]]
id = "v1"
label = "Week 4"
day = 28

[series]
{series}

[[series_outcomes]]
id = "wheel.lag"
label = "Delay of the affected hand"
measure = "lag"
better = "lower"
joint = "wheel"
leader = "{leader}"

[[series_outcomes]]
id = "wheel.range"
measure = "range"
better = "higher"
joint = "wheel"
{more}
"""
LAG = {"v0": 0.15, "v1": 0.1}
PEOPLE = {f"P{number}": ("left", "right")[number % 2] for number in range(1, 6)}


def recordings(repetitions=2):
    """Long rows; the affected hand is late by `LAG` and turns 0.8 as far, a little more at each repetition."""
    rng, time = np.random.default_rng(1), np.arange(0, 8, 0.02)
    parts = []
    for person, affected in PEOPLE.items():
        for visit, lag in LAG.items():
            for repetition in range(1, repetitions + 1):
                for hand in ("left", "right"):
                    late, size = (lag, 0.8 + 0.05 * repetition) if hand == affected else (0, 1.0)
                    angle = 30 * size * np.sin(np.pi * (time - late)) + rng.normal(0, 0.2, len(time))
                    parts.append(
                        pd.DataFrame({
                            "participant": person, "visit": visit, "hand": hand, "joint": "wheel",
                            "repetition": repetition, "time": time, "degrees": angle,
                        })
                    )  # fmt: skip
    return pd.concat(parts, ignore_index=True)


def folder(place, write, series="", leader="other", more="", frame=None):
    """A study folder whose recordings `write` puts into its folder `series`."""
    (place / "series").mkdir(parents=True)
    (place / "study.toml").write_text(PROTOCOL.format(series=series, leader=leader, more=more), encoding="utf-8")
    people = pd.DataFrame({"participant": list(PEOPLE), "affected_side": list(PEOPLE.values())})
    people.to_csv(place / "participants.csv", index=False)
    write(recordings() if frame is None else frame, place / "series")
    return place


def as_parquet(frame, place):
    frame.to_parquet(place / "all.parquet")


def one_file_each(frame, place):
    keys = ["participant", "visit", "hand", "repetition"]
    for names, part in frame.groupby(keys):
        part.drop(columns=[*keys]).to_csv(place / ("_".join(map(str, names)) + ".csv"), index=False)


def side_by_side(frame, place):
    """A column a hand, semicolons, decimal commas, milliseconds, radians, headers of its own."""
    wide = frame.pivot(
        index=["participant", "visit", "repetition", "time"], columns="hand", values="degrees"
    ).reset_index()
    wide = wide.rename(columns={"participant": "Code", "time": "t_ms", "left": "wheel L", "right": "wheel R"})
    wide["t_ms"] *= 1000
    wide[["wheel L", "wheel R"]] = np.radians(wide[["wheel L", "wheel R"]])
    wide.to_csv(place / "export.csv", index=False, sep=";", decimal=",")


LAYOUTS = {
    "long": (as_parquet, ""),
    "a file each": (one_file_each, 'file_names = "{participant}_{visit}_{hand}_{repetition}"'),
    "side by side": (
        side_by_side,
        'time_unit = "ms"\nangle_unit = "radians"\ncolumns = { participant = "Code", time = "t_ms" }\n'
        '[series.channels."wheel L"]\nhand = "left"\njoint = "wheel"\n'
        '[series.channels."wheel R"]\nhand = "right"\njoint = "wheel"',
    ),
}


@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_layout_gives_the_same_scores(layout, tmp_path):
    write, series = LAYOUTS[layout]
    plain = score(read_study(folder(tmp_path / "plain", as_parquet)))
    study = read_study(folder(tmp_path / "other", write, series.replace("{", "{").replace("}", "}")))
    assert not check(study).blocking
    scores = score(study)
    pd.testing.assert_frame_equal(scores, plain, rtol=1e-6)


def test_scores_are_rows_like_any_other(tmp_path):
    study = read_study(folder(tmp_path / "study", as_parquet))
    findings = check(study)
    assert not findings.blocking
    assert len(findings) == 0
    scores = score(study)
    lag = scores[scores["outcome"] == "wheel.lag"]
    assert len(lag) == 10
    assert set(lag["side"]) == {"both"}
    assert lag["value"].to_numpy() == pytest.approx([LAG[visit] for visit in lag["visit"]], abs=0.004)
    assert (lag[["answered", "items"]] == 2).all(axis=None)
    assert lag["complete"].all()
    spread = scores[scores["outcome"] == "wheel.range"]
    assert len(spread) == 20
    affected = spread[spread["hand"] == "affected"]["value"]
    # The mean of two repetitions of 2 x 30 x 0.85 and 2 x 30 x 0.9, less 0.3 % of the percentiles.
    assert affected.to_numpy() == pytest.approx(52.5 * np.cos(0.025 * np.pi), rel=0.01)
    fit = fit_change(scores, "wheel.lag", design=study.protocol)
    assert fit.changes().frame()["estimate"].iloc[-1] == pytest.approx(-0.05, abs=0.005)
    assert "series/all.parquet" in study.hashes


def test_a_lost_hand_a_gap_and_two_clocks_are_said(tmp_path):
    frame = recordings()
    lost = (frame["participant"] == "P1") & (frame["visit"] == "v0") & (frame["hand"] == "right")
    hole = (frame["participant"] == "P2") & (frame["visit"] == "v0") & (frame["repetition"] == 1)
    hole &= frame["time"].between(3, 4)
    study = read_study(folder(tmp_path / "study", as_parquet, frame=frame[~lost & ~hole]))
    scores = score(study).set_index(["participant", "visit", "outcome", "side"])
    first = scores.loc[("P1", "v0", "wheel.lag", "both")]
    assert np.isnan(first["value"])
    assert "no recording of the affected hand" in first["reason"]
    second = scores.loc[("P2", "v0", "wheel.lag", "both")]
    assert second["value"] == pytest.approx(0.15, abs=0.004)
    assert (second["answered"], second["items"], second["complete"]) == (1, 2, False)
    assert "1 of 2 repetitions refused: a gap of" in second["reason"]
    study = read_study(folder(tmp_path / "clocks", as_parquet, series="one_clock = false"))
    assert "two clocks" in score(study).loc[0, "reason"]
    assert check(study).frame()["rule"].eq("outcome without data").any()


def test_roles_windows_and_first_against_later(tmp_path):
    frame = recordings(repetitions=3)
    leads = frame["hand"] != frame["participant"].map(PEOPLE)
    frame = frame.assign(role=np.where(leads, "leader", "follower"))
    more = 'repeated = "first-minus-later"\nhand = "affected"\nwindow_s = [1, 7]'
    scores = score(read_study(folder(tmp_path / "study", as_parquet, leader="leader", more=more, frame=frame)))
    lag = scores[scores["outcome"] == "wheel.lag"]
    assert lag["value"].to_numpy() == pytest.approx([LAG[visit] for visit in lag["visit"]], abs=0.004)
    spread = scores[scores["outcome"] == "wheel.range"]
    # 0.85 minus the mean of 0.9 and 0.95, of 60 degrees.
    assert spread["value"].to_numpy() == pytest.approx(60 * (0.85 - 0.925), abs=0.6)
    assert set(spread["hand"]) == {"affected"}


RESISTANCE = """hand = "affected"

[[series_outcomes]]
id = "wrist_passive.slope"
label = "Passive resistance of the wrist"
measure = "resistance-slope"
better = "lower"
joint = "wrist"
hand = "affected"
motion = ["passive"]
cutoff_hz = 10

[[series_outcomes]]
id = "wrist_passive.damping"
measure = "resistance-damping"
better = "lower"
joint = "wrist"
hand = "affected"
motion = ["passive"]
cutoff_hz = 10
"""


def test_passive_resistance_is_an_outcome(tmp_path):
    """Torque made by the definition: 0.2 + slope x angle + 0.002 x velocity; mean slope 0.02, then 0.01."""
    time, parts = np.arange(0, 8, 0.01), []
    slope = {
        (person, visit): value * (1 + 0.1 * (number - 2))
        for number, person in enumerate(PEOPLE)
        for visit, value in (("v0", 0.02), ("v1", 0.01))
    }
    for person, affected in PEOPLE.items():
        for visit in LAG:
            for repetition in (1, 2):
                angle = 30 * np.sin(np.pi * time)
                torque = 0.2 + slope[person, visit] * angle + 0.002 * 30 * np.pi * np.cos(np.pi * time)
                if (person, visit, repetition) == ("P2", "v1", 2):
                    torque = np.full(len(time), np.nan)
                parts.append(pd.DataFrame({
                    "participant": person, "visit": visit, "hand": affected, "joint": "wrist", "motion": "passive",
                    "repetition": repetition, "time": time, "degrees": angle, "torque": torque,
                }))  # fmt: skip
    frame = pd.concat([recordings().assign(motion="active"), *parts], ignore_index=True)
    study = read_study(folder(tmp_path / "study", as_parquet, more=RESISTANCE, frame=frame))
    assert not check(study).blocking
    scores = score(study)
    found = scores[scores["outcome"] == "wrist_passive.slope"]
    assert set(found["unit"]) == {"N m/degree"}
    expected = [slope[key] for key in zip(found["participant"], found["visit"], strict=True)]
    assert found["value"].to_numpy() == pytest.approx(expected, rel=0.01)
    damping = scores.loc[scores["outcome"] == "wrist_passive.damping", "value"]
    assert damping.to_numpy() == pytest.approx(np.full(10, 0.002), rel=0.02)
    alone = found.set_index(["participant", "visit"]).loc[("P2", "v1")]
    assert (alone["answered"], alone["items"]) == (1, 2)
    assert "no torque beside the angle" in alone["reason"]
    fit = fit_change(scores, "wrist_passive.slope", design=study.protocol)
    assert fit.changes().frame()["estimate"].iloc[-1] == pytest.approx(-0.01, abs=1e-4)


def test_repetitions_become_one_number():
    def outcome(measure, repeated="mean"):
        return SeriesOutcome("a.b", "", measure, "higher", "", repeated=repeated)

    values = np.array([0.5, np.nan, 0.8])
    assert one_score(outcome("range"), values) == pytest.approx(0.65)
    assert one_score(outcome("gain"), values) == pytest.approx(np.sqrt(0.4))
    assert one_score(outcome("concordance"), values) == pytest.approx(np.tanh((np.arctanh(0.5) + np.arctanh(0.8)) / 2))
    assert one_score(outcome("range", "first"), values) == 0.5
    assert one_score(outcome("range", "first-minus-later"), values) == pytest.approx(-0.3)
    assert np.isnan(one_score(outcome("range", "first-minus-later"), values[:2]))
    assert np.isnan(one_score(outcome("range"), values[1:2]))


@pytest.mark.parametrize(
    ("series", "leader", "more", "words"),
    [
        ("speed = 3", "other", "", "unknown key speed"),
        ("rate = 0", "other", "", "rate"),
        ("longest_gap_s = 5", "other", "", "longest_gap_s"),
        ('time_unit = "hours"', "other", "", "time_unit"),
        ("angle_limits = [3, 1]", "other", "", "angle_limits"),
        ("", "", "", "leader"),
        ("", "other", 'leader = "left"', "leader"),
        ("", "other", "level = 3", "level"),
        ("", "other", 'motion = ["passive", "active"]', "motion"),
        ("", "other", "cutoff_hz = -1", "cutoff_hz"),
        ("", "other", '[[series_outcomes]]\nid = "a.b"\nmeasure = "peak-velocity"\nbetter = "higher"', "cutoff_hz"),
        ("", "other", '[[series_outcomes]]\nid = "a.b"\nmeasure = "resistance-slope"\nbetter = "lower"', "motion"),
        ("", "other", '[[series_outcomes]]\nid = "a.b"\nmeasure = "time-above"\nbetter = "higher"', "level"),
        ("", "other", '[[series_outcomes]]\nid = "ab"\nmeasure = "range"\nbetter = "higher"', "id"),
        ("", "other", '[[series_outcomes]]\nid = "a.b"\nmeasure = "swing"\nbetter = "higher"', "measure"),
        ("", "other", '[[series_outcomes]]\nid = "a.b"\nmeasure = "range"', "better"),
    ],
)
def test_problems_of_the_protocol_are_named(series, leader, more, words, tmp_path):
    place = folder(tmp_path / "study", lambda frame, place: None, series, leader, more)
    with pytest.raises(StudyError, match=words):
        read_study(place)


def test_the_plan_holds_what_decides_a_number_and_nothing_where_there_are_no_recordings(tmp_path):
    one = plan_of(read_study(folder(tmp_path / "one", as_parquet)).protocol)
    other = plan_of(read_study(folder(tmp_path / "other", as_parquet, more="cutoff_hz = 6")).protocol)
    assert one["series_outcomes"]["wheel.range"]["cutoff_hz"] is None
    assert one != other


def test_only_some_are_read_again(tmp_path):
    study = read_study(folder(tmp_path / "study", as_parquet))
    seen = []
    found = read_recordings(
        study.folder, study.protocol, [], only={"participant": "P3"}, progress=lambda *step: seen.append(step)
    )
    assert set(found.about["participant"]) == {"P3"}
    assert len(found.values) == len(found.about) == 8
    assert seen == [(1, 1)]


MEASURES = """hand = "left"

[[series_outcomes]]
id = "wheel.size"
measure = "lag-size"
better = "lower"
joint = "wheel"
leader = "other"
lag_window_s = 0.5

[[series_outcomes]]
id = "wheel.fine"
measure = "range"
better = "higher"
joint = "wheel"
cutoff_hz = 30
"""


def test_a_side_a_size_and_a_cut_off_too_high(tmp_path):
    """The right hand of odd numbers is affected: its lag is the size of the negative one seen from the left."""
    study = read_study(folder(tmp_path / "study", as_parquet, more=MEASURES))
    scores = score(study)
    assert set(scores.loc[scores["outcome"] == "wheel.range", "side"]) == {"left"}
    size, lag = (scores[scores["outcome"] == name].set_index(["participant", "visit"])["value"] for name in
                 ("wheel.size", "wheel.lag"))  # fmt: skip
    assert (size >= 0).all()
    assert size.to_numpy() == pytest.approx(lag.abs().reindex(size.index).to_numpy(), abs=0.004)
    fine = scores[scores["outcome"] == "wheel.fine"]
    assert fine["value"].isna().all()
    assert fine["reason"].str.contains("30 Hz at 50 samples a second: above half of it").all()


def test_words_among_numbers_and_no_numbers_at_all_are_findings(tmp_path):
    frame = recordings(repetitions=1)
    typed = frame.assign(degrees=frame["degrees"].round(2).astype(str)).astype({"degrees": object})
    typed.loc[typed.index[5], "degrees"] = "slipped"
    as_text = folder(tmp_path / "text", lambda frame, place: frame.to_csv(place / "all.csv", index=False), frame=typed)
    found = check(read_study(as_text)).frame()
    assert "1 of" in found.loc[found["rule"] == "series text in a number", "found"].iloc[0]
    numbers = frame.assign(degrees=frame["degrees"].round(2).astype(str))  # numbers kept as texts are numbers
    kept = check(read_study(folder(tmp_path / "kept", as_parquet, frame=numbers))).frame()
    assert "series text in a number" not in set(kept["rule"])
    without = folder(tmp_path / "none", as_parquet, frame=frame.drop(columns="degrees"))
    assert "degrees" in check(read_study(without)).frame().set_index("rule").loc["series column missing", "allowed"]


def test_a_file_name_does_not_overrule_a_column(tmp_path):
    """The name says P9; the rows say whose they are."""
    made = folder(tmp_path / "study", lambda frame, place: frame.to_parquet(place / "P9.parquet"),
                  series='file_names = "{participant}"')  # fmt: skip
    study = read_study(made)
    assert set(score(study)["participant"]) == set(PEOPLE)
    again = read_recordings(made, study.protocol, [], only={"participant": "P1", "moon": "full"})
    assert set(again.about["participant"]) == {"P1"}


def test_records_of_almost_nothing():
    """Two samples have no spread to judge noise by, one stamp no step: arithmetic."""
    assert noise_sd(np.ones((3, 4))).tolist() == [0.0, 0.0, 0.0]
    found = dropped_samples([3.0])
    assert (found.missing, found.expected, found.share) == (0, 1, 0.0)
    assert np.isnan(found.step_s)


def test_an_even_grid_from_uneven_stamps():
    """A sinusoid comes back within the error of interpolation; stamps scatter by 15 % of the step, 3 % are dropped."""
    rng = np.random.default_rng(2)
    stamps = np.arange(0, 20, 0.02) + rng.uniform(-0.003, 0.003, 1000)
    kept = rng.random(1000) > 0.03
    found = even_series(stamps[kept], 40 * np.sin(np.pi * stamps[kept]))
    assert found.reason == ""
    assert found.rate == pytest.approx(50, rel=1e-3)
    assert found.filled == pytest.approx(30, abs=15)
    grid = found.start + np.arange(len(found.values)) / found.rate
    assert np.abs(found.values[:, 0] - 40 * np.sin(np.pi * grid)).max() < 0.1
    assert dropped_samples(stamps[kept]).missing == found.filled


@pytest.mark.parametrize(
    ("time", "words"),
    [
        (np.array([]), "0 samples"),
        (np.array([0.0]), "2 or more"),
        (np.arange(0, 5000, 10.0), "milliseconds"),
        (np.arange(0.0, 500), "milliseconds"),
        (np.concatenate([np.arange(0, 1, 0.01), np.arange(0.5, 1, 0.01)]), "runs back"),
        (np.concatenate([np.arange(0, 1, 0.01), np.arange(1.3, 2, 0.01)]), "a gap of"),
        (np.cumsum(np.tile([0.005, 0.02, 0.012, 0.018], 50)), "steps vary"),
    ],
)
def test_time_that_is_refused(time, words):
    found = even_series(time, np.zeros(len(time)))
    assert words in found.reason
    assert len(found.values) == 0


def test_a_recording_in_another_unit_stands_out_and_a_weak_hand_does_not():
    """kgf among newtons of one hand (a factor of 9.80665), a person in radians (180 / pi); a tenth less is no unit."""
    one = {"participant": "P1", "hand": "left", "digit": "", "joint": "", "motion": "active"}
    newtons = pd.Series([30.0, 32.0, 31.0, 29.0])
    mixed = pd.concat([newtons, pd.Series([30 / 9.80665, 27.0])], ignore_index=True)
    rows = pd.DataFrame([one] * 6)
    assert list(_apart(rows, mixed, 9.80665, 0.0, others=False)[0].index) == [4]
    assert _apart(rows[:4], newtons, 9.80665, 0.0, others=False)[0].empty
    people = pd.DataFrame([one | {"participant": f"P{number}"} for number in range(6)])
    ranges = pd.Series([55.0, 60.0, 48.0, np.radians(52.0), 12.0, 4.0])
    assert list(_apart(people, ranges, 180 / np.pi, 7.0)[0].index) == [3]


def test_two_hands_on_clocks_that_start_apart():
    time = np.arange(0, 5, 0.01)
    first = EvenSeries(np.sin(time)[:, None], 0.0, 100.0, 0, 0.0, "", ())
    late = EvenSeries(np.sin(time + 1.005)[:, None], 1.005, 100.0, 0, 0.0, "", ())
    x, y, why = shared_grid(first, late)
    assert why == ""
    assert np.abs(x - y).max() < 1e-4
    far = EvenSeries(np.sin(time)[:, None], 100.0, 100.0, 0, 0.0, "", ())
    assert "no common clock" in shared_grid(first, far)[2]
    other = EvenSeries(np.sin(time)[:, None], 0.0, 60.0, 0, 0.0, "", ())
    assert "sampled at" in shared_grid(first, other)[2]


def test_what_was_recorded_in_one_arm_only_is_hidden_while_blinded(tmp_path):
    frame = recordings().assign(motion="active")
    device = frame[frame["participant"].isin(("P1", "P3"))].assign(motion="assisted")
    place = folder(tmp_path / "study", as_parquet, frame=pd.concat([frame, device], ignore_index=True))
    text = (place / "study.toml").read_text(encoding="utf-8").replace('design = "single-arm"', 'design = "parallel"')
    arms = '[[arms]]\nid = "a"\nlabel = "A"\nreference = true\n[[arms]]\nid = "b"\nlabel = "B"\n'
    text = text.replace("[[visits]]", f"blinded = true\n{arms}[[visits]]", 1)
    (place / "study.toml").write_text(text, encoding="utf-8")
    people = pd.read_csv(place / "participants.csv").assign(arm=["b", "a", "b", "a", "a"])
    people.to_csv(place / "participants.csv", index=False)
    draw_letters(place, read_protocol(place / "study.toml"), seed="0" * 32)
    whole, masked = read_study(place, masked=False), read_study(place)
    assert set(whole.series_values["motion"]) == {"active", "assisted"}
    assert set(masked.series_values["motion"]) == {"active"}
    assert set(masked.series["motion"]) == {"active"}
    assert any("recorded in some arms only" in line for line in masked.hidden)
    assert set(masked.participants["arm"]) <= {"A", "B", "C", "D", "E"}
