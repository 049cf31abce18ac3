"""Tests of the shape of the data behind a model of change, against scipy and Mauchly's formula by hand."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import shapiro

from outcomes.protocol.trial import ModelChoice
from stats.change.change_fit import fit_change
from stats.change.shape import shape_of


def scores(people: int, visits: int = 4) -> pd.DataFrame:
    draw = np.random.default_rng(3)
    level = draw.normal(0, 4, people)
    rows = [
        {"participant": f"P{i}", "arm": "ab"[i % 2], "visit": f"w{k}", "day": 7.0 * k, "outcome": "x.total", "hand": "",
         "condition": "", "value": 30 + level[i] + k + draw.normal(0, 2), "unit": "points", "better": "higher"}
        for i in range(people) for k in range(visits)
    ]  # fmt: skip
    return pd.DataFrame(rows)


def test_each_visit_by_shapiro_and_the_visits_by_mauchly():
    frame = scores(20)
    fit = fit_change(frame, "x.total", model=ModelChoice(baseline="outcome"))
    found = shape_of(fit).frame()
    # complete data, a mean per arm and visit: residuals are the values minus the mean of their arm and visit
    left = frame["value"] - frame.groupby(["arm", "visit"])["value"].transform("mean")
    for row in found[found["test"] == "Shapiro-Wilk"].itertuples():
        expected = shapiro(left[frame["visit"] == row.visit])
        assert (row.statistic, row.p_value) == pytest.approx((expected.statistic, expected.pvalue), rel=1e-6)
    wide = frame.assign(left=left).pivot(index="participant", columns="visit", values="left")
    contrasts = np.linalg.svd(np.ones((1, 4)))[2][1:]  # orthonormal contrasts of four visits
    S = contrasts @ np.cov(wide.T) @ contrasts.T
    W = np.linalg.det(S) / (np.trace(S) / 3) ** 3
    mauchly = found[found["test"] == "Mauchly"].iloc[0]
    assert mauchly["statistic"] == pytest.approx(W, rel=1e-6)
    assert (mauchly["df"], mauchly["n"]) == (5, 20)


def test_what_cannot_be_computed_says_why():
    few = shape_of(fit_change(scores(6, visits=2), "x.total"))
    assert "needs three visits" in few.frame()["reason"].iloc[-1]
    assert few.sentence().startswith("x.total. Shapiro-Wilk")
