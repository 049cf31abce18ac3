"""Capped times against R's survival package and plain formulas (tests/reference/next)."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stats.bounded.capped_times import capped_time
from stats.bounded.time_to_finish import pseudo_values, restricted_mean, still_at_it
from stats.errors import FitError

ROOT = Path(__file__).parents[2] / "reference" / "next"
DATA = {"times_cap120": "sim_times", "times_early_stop": "sim_times_early"}


def table(name: str) -> pd.DataFrame:
    frame = pd.read_csv(ROOT / "data" / f"{DATA[name]}.csv")
    frame["arm"] = pd.Categorical(frame["arm"], ["ctl", "act"])
    return frame


def close(value: float):
    return pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize("name", DATA)
def test_against_survival(name):
    found, data = json.loads((ROOT / "cases" / f"{name}.json").read_text()), table(name)
    for expected in found["restricted_mean"]:
        result = capped_time(data, time="time", done="done", cap=120, arm="arm", until=expected["tau"])
        rows = result.frame().set_index(["quantity", "arm"])
        for arm, word in (("act", "active"), ("ctl", "control")):
            assert rows.loc[("restricted mean", arm), "estimate"] == close(expected[word]["rmst"])
            assert rows.loc[("restricted mean", arm), "std_error"] == close(expected[word]["std_error"])
        gap = rows.loc[("difference", "act")]
        assert gap["estimate"] == close(expected["difference"])
        assert gap["std_error"] == close(expected["std_error"])
        assert (gap["conf_low"], gap["conf_high"]) == (close(expected["lower"]), close(expected["upper"]))
    result = capped_time(data, time="time", done="done", cap=120, arm="arm", until=found["pseudo_values"]["tau"])
    assert result.log_rank[0] == close(found["log_rank"]["chi2"])
    rows = result.frame().set_index(["quantity", "arm"])
    cox = rows.loc[("log hazard ratio of finishing (Cox)", "act")]
    assert cox["estimate"] == pytest.approx(found["cox_efron"]["log_hazard_ratio"], abs=1e-6)
    assert cox["std_error"] == pytest.approx(found["cox_efron"]["std_error"], rel=1e-6)
    log = rows.loc[("log time ratio (lognormal)", "act")]
    there = {row["term"]: row for row in found["lognormal_censored"]["parameters"]}["armact"]
    assert log["estimate"] == pytest.approx(there["estimate"], abs=1e-6)
    assert log["std_error"] == pytest.approx(there["std_error"], rel=1e-5)
    pseudo = result.difference().frame().iloc[0]
    assert pseudo["estimate"] == close(found["pseudo_values"]["mean_difference"])
    assert pseudo["std_error"] == close(found["pseudo_values"]["std_error"])
    rates = result.rates().set_index("arm")["mean"]
    assert rates["act"] == close(found["rate"]["active"])
    for arm in ("ctl", "act"):
        curve, there = result.curve().query("arm == @arm"), found["kaplan_meier"][arm]
        assert curve["share"].to_numpy() == pytest.approx(there["survival"], rel=1e-9)
        middle = result.finished().set_index("arm").loc[arm]
        for ours, theirs in (("median", "median"), ("conf_low", "median_lower"), ("conf_high", "median_upper")):
            limit = np.inf if there[theirs] is None else there[theirs]
            assert middle[ours] == pytest.approx(limit)


def test_pseudo_values_without_early_stops_are_the_capped_times():
    time, done = np.array([10.0, 20, 120, 40, 120]), np.array([True, True, False, True, False])
    assert pseudo_values(time, done, 120) == pytest.approx(time)
    assert restricted_mean(time, done, 120)[0] == pytest.approx(time.mean())
    assert still_at_it(time, done)["share"].iloc[-1] == pytest.approx(0.4)


def test_nobody_finishes_in_one_arm_is_a_note_and_not_a_number():
    data = pd.DataFrame(
        {"t": [120] * 6 + [20, 30, 40, 50, 120, 60], "ok": [0] * 6 + [1, 1, 1, 1, 0, 1], "arm": ["a"] * 6 + ["b"] * 6}
    )
    result = capped_time(data, time="t", done="ok", cap=120, arm="arm")
    quantities = set(result.frame()["quantity"])
    assert not any(name.startswith("log hazard") for name in quantities)
    assert any("nobody finished in one arm" in note for note in result.notes)
    assert "0 of 6 in a" in result.sentence()


def test_cells_as_they_are_typed():
    data = pd.DataFrame({"t": [None, 150, 30, 40], "ok": [False, True, True, True]})
    result = capped_time(data, time="t", done="ok", cap=120)
    assert result.finished()["finished"].iloc[0] == 2
    assert len([n for n in result.notes if "cap of 120" in n]) == 2
    with pytest.raises(FitError, match="0 or less"):
        capped_time(data.assign(t=[0, 1, 2, 3]), time="t", done="ok", cap=120)
