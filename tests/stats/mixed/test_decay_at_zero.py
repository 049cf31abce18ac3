"""Exponential decay where visits are hardly or not at all alike: the edge of the structure, and close to it.

Reference: the restricted likelihood written out person by person, over a grid of correlations; and R 4.2.2, nlme
3.1-162, gls(y ~ time + arm, correlation = corExp(form = ~ time | person)), which stops short of the edge by rounding.
"""

import numpy as np
import pandas as pd
import pytest

from stats import fit_mixed

COLUMNS = {"participant": "person", "visit": "visit", "time": "time"}


def cohort(seed: int, people: int, days: tuple[float, ...], alike: float, seen: float = 1.0) -> pd.DataFrame:
    """Errors of one person with correlation `alike` between neighbouring visits, some visits missed; one decimal."""
    rng = np.random.default_rng(seed)
    rows = []
    for person in range(people):
        error = rng.normal()
        for k, day in enumerate(days):
            if k:
                error = alike * error + np.sqrt(1 - alike**2) * rng.normal()
            there = rng.random() < seen
            if there or k == 0:
                rows.append((f"p{person:02d}", f"v{k}", day, "ab"[person % 2], round(20 + 0.1 * day + 4 * error, 1)))
    return pd.DataFrame(rows, columns=["person", "visit", "time", "arm", "y"])


def restricted(frame: pd.DataFrame, correlation: float, unit: float) -> float:
    """The restricted log-likelihood at a correlation over `unit` days, maximal in the variance (closed form)."""
    X = np.column_stack([np.ones(len(frame)), frame["time"], frame["arm"] == "b"]).astype(float)
    y, time = frame["y"].to_numpy(), frame["time"].to_numpy()
    same = frame["person"].to_numpy()[:, None] == frame["person"].to_numpy()
    R = np.where(same, np.power(correlation, np.abs(time[:, None] - time) / unit), 0.0)
    W = np.linalg.inv(R)
    XWX = X.T @ W @ X
    residual = y - X @ np.linalg.solve(XWX, X.T @ W @ y)
    df = len(y) - X.shape[1]
    variance = residual @ W @ residual / df
    return float(-0.5 * (np.linalg.slogdet(R)[1] + np.linalg.slogdet(XWX)[1] + df * (np.log(2 * np.pi * variance) + 1)))


def fitted(frame: pd.DataFrame, covariance: str = "exponential", **more):
    return fit_mixed(frame, "y ~ time + arm", covariance=covariance, **(COLUMNS | more))


def best(frame: pd.DataFrame, unit: float) -> float:
    return max(restricted(frame, correlation, unit) for correlation in np.linspace(0, 0.9, 901))


APART = cohort(3, 24, (0, 3, 7, 12.5), -0.35)
GAPPED = cohort(4, 30, (0, 10, 11, 24), -0.2, seen=0.75)


@pytest.mark.parametrize(("name", "unit", "nlme"), [("whole", 3, -274.652373960), ("gapped", 10, -277.120660128)])
def test_visits_less_alike_than_chance_have_a_correlation_of_zero(name, unit, nlme):
    """The least an exponential decay allows: the fit is that of independent visits, with their exact t."""
    frame = APART if name == "whole" else GAPPED
    fit = fitted(frame)
    assert fit.variances()["value"].iloc[-1] == 0
    assert fit.loglik == pytest.approx(restricted(frame, 0, 1), abs=1e-9)
    assert fit.loglik == pytest.approx(best(frame, unit), abs=1e-9)
    assert fit.loglik == pytest.approx(nlme, abs=1e-6)
    assert "estimated as zero, the least that a decay over time allows" in fit.notes[-1]
    X = np.column_stack([np.ones(len(frame)), frame["time"], frame["arm"] == "b"]).astype(float)
    table = fit.fixed(df="kenward-roger")
    assert table["df"].to_numpy() == pytest.approx(len(frame) - 3)
    residual = frame["y"].to_numpy() - X @ table["estimate"].to_numpy()
    variance = residual @ residual / (len(frame) - 3)
    assert table["std_error"].to_numpy() == pytest.approx(np.sqrt(variance * np.diag(np.linalg.inv(X.T @ X))))


def test_visits_alike_over_the_shortest_gap_alone_have_a_correlation_close_to_zero():
    """One day apart they are alike, ten days apart hardly: the correlation at the usual ten days is 0.00002."""
    fit = fitted(cohort(0, 30, (0, 10, 11, 24), 0.05, seen=0.6))
    assert fit.loglik == pytest.approx(-231.080323756, abs=1e-8)  # nlme, whose range is 0.9385832 days
    one_day = np.exp(-1 / 0.9385832)
    assert fit.variances()["name"].iloc[-1] == "correlation at 10.0 days"
    assert fit.variances()["value"].iloc[-1] == pytest.approx(one_day**10, rel=1e-5)
    covariance = fit.visit_covariance
    assert covariance.loc["v1", "v2"] / covariance.loc["v1", "v1"] == pytest.approx(one_day, rel=1e-6)
    table = fit.fixed(df="normal")
    assert table["estimate"].to_numpy() == pytest.approx(
        [19.9760850500939, 0.0739942785168, -0.0548331159618], rel=1e-6
    )
    assert table["std_error"].to_numpy() == pytest.approx([0.7777091519519, 0.0490274496225, 0.8951245043480], rel=1e-6)


@pytest.mark.parametrize("more", [{"random": "1"}, {"by": "arm"}, {"variance_by": "arm"}], ids=str)
@pytest.mark.parametrize("covariance", ["exponential", "unequal-exponential"])
def test_at_zero_nothing_but_the_variances_is_left(covariance, more):
    """The likelihood is that of independent visits with as many variances, from a model without any correlation."""
    frame = APART.assign(one="all")
    fit = fitted(frame, covariance, **more)
    assert fit.boundary
    assert fit.variances()["value"][fit.variances()["name"].str.startswith("correlation")].eq(0).all()
    rows = frame.assign(person=[f"r{k:03d}" for k in range(len(frame))], cell=frame["arm"] + frame["visit"])
    group = {
        ("exponential", "random"): "one", ("exponential", "by"): "arm", ("exponential", "variance_by"): "arm",
        ("unequal-exponential", "random"): "visit", ("unequal-exponential", "by"): "cell",
    }.get((covariance, *more))  # fmt: skip
    if group is not None:  # the ratio of arms the same at every visit has no such model
        alone = fit_mixed(rows, "y ~ time + arm", participant="person", visit="visit", covariance="compound-symmetry",
                          by=group)  # fmt: skip
        assert fit.loglik == pytest.approx(alone.loglik, abs=1e-7)


def test_of_two_maxima_the_higher_is_taken():
    """The likelihood falls from a correlation of zero and rises again to a maximum, which is lower than the edge."""
    frame = cohort(285, 14, (0, 10, 11, 24), 0.3, seen=0.7)
    along = np.array([restricted(frame, correlation, 1) for correlation in np.linspace(0, 0.98, 981)])
    inside = along[1:-1][(along[1:-1] > along[:-2]) & (along[1:-1] > along[2:])]
    assert along[0] > along[1]
    assert len(inside) == 1
    assert along[0] > inside[0] + 0.01
    assert fitted(frame).loglik == pytest.approx(along[0], abs=1e-9)
