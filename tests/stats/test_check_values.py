"""Every a_*, b_*, c_* and d_* row of check_values.csv through one driver; the source stands in the row."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stats.effects import effect_size
from stats.noncentral import hedges_correction, noncentrality_limits
from stats.proportions import proportion_interval

REFERENCE = Path(__file__).parents[1] / "reference"
ROWS = pd.read_csv(REFERENCE / "check_values.csv", keep_default_na=False)


def limits(estimate):
    return {"lower": estimate.conf_low, "upper": estimate.conf_high, "est": estimate.estimate}


def proportion(method):
    return lambda i: limits(proportion_interval(i["x"], i["n"], method, level=i["conf"]))


def score_lr_exact(i):
    names = {"score": "wilson", "lr": "likelihood-ratio", "exact": "clopper-pearson"}
    return {f"{name}_upper": proportion_interval(i["x"], i["n"], method).conf_high for name, method in names.items()}


def borenstein_smd(i):
    given = {"mean1": i["m1"], "mean2": i["m2"], "sd1": i["s1"], "sd2": i["s2"], "n1": i["n1"], "n2": i["n2"]}
    d, g = effect_size("d", **given), effect_size("g", **given)
    return {
        "spooled": d["standardiser_value"],
        "d": d.estimate,
        "vd": d.std_error**2,
        "sed": d.std_error,
        "J": g.estimate / d.estimate,
        "g": g.estimate,
        "vg": g.std_error**2,
        "seg": g.std_error,
    }


def d_limits(i):
    d = effect_size("d", mean1=i["d"], mean2=0, sd1=1, sd2=1, n1=i["n1"], n2=i["n2"])
    return limits(d)


# Motor Trend 1974 road tests (Henderson & Velleman 1981, Biometrics 37:391), miles per gallon by gearbox.
MPG_AUTOMATIC = [21.4, 18.7, 18.1, 14.3, 24.4, 22.8, 19.2, 17.8, 16.4, 17.3, 15.2, 10.4, 10.4, 14.7, 21.5, 15.5, 15.2,
                 13.3, 19.2]  # fmt: skip
MPG_MANUAL = [21.0, 21.0, 22.8, 32.4, 30.4, 33.9, 27.3, 26.0, 30.4, 15.8, 19.7, 15.0, 21.4]


def mtcars(_):
    made = {}
    for kind in ("d", "g"):
        size = effect_size(kind, MPG_AUTOMATIC, MPG_MANUAL)
        made |= {kind: size.estimate, f"{kind}_lo": size.conf_low, f"{kind}_hi": size.conf_high}
    return made


# Student 1908, Biometrika 6:1, extra hours of sleep under two drugs.
SLEEP_1 = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SLEEP_2 = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]


def sleep(_):
    size = effect_size("d_z", SLEEP_1, SLEEP_2)
    return {"dz": size.estimate, "lo": size.conf_low, "hi": size.conf_high}


CALLS = {
    "a_agresticoull": proportion("agresti-coull"),
    "a_clopper": proportion("clopper-pearson"),
    "a_jeffreys": proportion("jeffreys"),
    "a_midp": proportion("mid-p"),
    "a_score_0_25": score_lr_exact,
    "a_wilson_": proportion("wilson"),
    "a_wilsoncc": proportion("wilson-continuity"),
    "b_borenstein_smd": borenstein_smd,
    "b_d_ci_borenstein": d_limits,
    "b_effectsize_d_mtcars": mtcars,
    "b_effectsize_paired_sleep": sleep,
    "b_hedges_J_table": lambda i: {f"m{m}": hedges_correction(m) for m in i["m"]},
    "b_nct_limits": lambda i: dict(
        zip(("lower", "upper"), noncentrality_limits(i["t"], i["df"], i["conf"]), strict=True)
    ),
}

OURS = [row for row in ROWS.to_dict("records") if row["id"].startswith(tuple(CALLS))]


@pytest.mark.parametrize("row", OURS, ids=[row["id"] for row in OURS])
def test_published_value(row):
    assert row["citation"], "a check without a source is no check"
    expected = json.loads(row["expected_json"])
    call = next(call for prefix, call in CALLS.items() if row["id"].startswith(prefix))
    found = call(json.loads(row["inputs_json"]))
    for name, value in expected.items():
        assert found[name] == pytest.approx(value, abs=row["tolerance"], rel=0), name
    assert np.isfinite(list(expected.values())).all()
