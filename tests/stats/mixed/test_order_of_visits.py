"""The order of visits: known, or asked for by every covariance that depends on it (identities, no outside source)."""

import numpy as np
import pandas as pd
import pytest

from stats import fit_mixed, fit_moments
from stats.errors import FitError
from stats.mixed.many import fit_many
from stats.mixed.model.pooling import pool_moments

ORDERED = ("ar1", "unequal-ar1", "toeplitz", "unequal-toeplitz", "ante-dependence", "unequal-ante-dependence")
FREE = ("unstructured", "compound-symmetry", "unequal-compound-symmetry")
KEYS = {"participant": "participant", "visit": "visit"}


def study(seed: int = 1) -> pd.DataFrame:
    """Three visits whose names sort by letters as week16, week2, week4."""
    rng = np.random.default_rng(seed)
    person, week = np.repeat(np.arange(24), 3), np.tile([2, 4, 16], 24)
    walk = rng.normal(size=(24, 3)).cumsum(axis=1)
    frame = pd.DataFrame({"participant": person, "week": week, "arm": person % 2})
    frame["score"] = 30 + walk.ravel() * 3 + rng.normal(size=72)
    frame["visit"] = "week" + frame["week"].astype(str)
    return frame[rng.random(72) > 0.1]


@pytest.mark.parametrize("covariance", ORDERED)
def test_a_covariance_that_needs_an_order_asks_for_it(covariance: str) -> None:
    frame = study()
    numbers = fit_mixed(frame, "score ~ arm + C(week)", participant="participant", visit="week", covariance=covariance)
    for text in (frame["visit"], frame["visit"].astype("category")):
        unordered = frame.assign(visit=text)
        with pytest.raises(FitError, match=r"week16, week2, week4 is only the order of the letters.*ordered=True"):
            fit_mixed(unordered, "score ~ arm + C(week)", covariance=covariance, **KEYS)
        with pytest.raises(FitError, match="order of the letters"):
            fit_many(unordered, "score ~ arm + C(week)", frame[["score"]].T, covariance=covariance, **KEYS)
        with pytest.raises(FitError, match="order of the letters"):
            fit_moments(pool_moments(unordered, "score ~ arm + week", **KEYS), covariance=covariance)
    names = ["week2", "week4", "week16"]
    for ordered in (True, False):  # categories that were put in an order are one, whatever pandas calls them
        told = frame.assign(visit=pd.Categorical(frame["visit"], names, ordered=ordered))
        fit = fit_mixed(told, "score ~ arm + C(week)", covariance=covariance, **KEYS)
        assert fit.loglik == pytest.approx(numbers.loglik, abs=1e-9)
    counted = frame.drop(columns="visit").rename(columns={"week": "visit"})
    pooled = fit_moments(pool_moments(counted, "score ~ arm", **KEYS), covariance=covariance)
    assert np.isfinite(pooled.loglik)


@pytest.mark.parametrize("covariance", FREE)
def test_others_do_not_need_it(covariance: str) -> None:
    frame = study()
    text = fit_mixed(frame, "score ~ arm + C(week)", covariance=covariance, **KEYS)
    number = fit_mixed(frame, "score ~ arm + C(week)", participant="participant", visit="week", covariance=covariance)
    assert text.loglik == pytest.approx(number.loglik, abs=1e-9)


def test_two_visits_have_no_order_to_get_wrong() -> None:
    frame = study()
    frame = frame[frame["week"] > 2]
    text = fit_mixed(frame, "score ~ arm + C(week)", covariance="unequal-ar1", **KEYS)
    number = fit_mixed(
        frame, "score ~ arm + C(week)", participant="participant", visit="week", covariance="unequal-ar1"
    )
    assert text.loglik == pytest.approx(number.loglik, abs=1e-9)


def test_visits_that_are_no_counts_are_not_for_ar1() -> None:
    frame = study().assign(visit=lambda d: d["week"] / 5)
    with pytest.raises(FitError, match=r"visits such as 0\.4 are no counts. Use covariance='exponential'"):
        fit_mixed(frame, "score ~ arm", covariance="ar1", **KEYS)
    fit_mixed(frame, "score ~ arm", covariance="exponential", **KEYS)
    fit_mixed(frame, "score ~ arm", covariance="ante-dependence", **KEYS)  # order is all it needs
    whole = frame.assign(visit=frame["week"].astype(float))
    fit_mixed(whole, "score ~ arm", covariance="ar1", **KEYS)


@pytest.mark.parametrize("covariance", [*ORDERED, *FREE, "exponential"])
def test_answers_do_not_depend_on_the_order_of_rows_people_or_names(covariance: str) -> None:
    frame = study(3)
    rng = np.random.default_rng(2)
    other = frame.sample(frac=1, random_state=5)
    new = dict(zip(range(24), rng.permutation(24) + 100, strict=True))
    other = other.assign(participant=other["participant"].map(new), week=other["week"] * 7)
    one, two = (
        fit_mixed(d, "score ~ arm * C(week)", participant="participant", visit="week", covariance=covariance)
        for d in (frame, other)
    )
    for df in ("kenward-roger", "kenward-roger-observed"):
        a, b = one.fixed(df), two.fixed(df)
        for column in ("estimate", "std_error", "df", "p_value"):
            np.testing.assert_allclose(b[column], a[column], rtol=1e-6)
