"""Rank correlation against scipy.stats.spearmanr and its interval by the printed formula."""

import math

import numpy as np
import pytest
from scipy.stats import norm, spearmanr

from stats.errors import FitError
from stats.measurement.rank_correlation import rank_correlation


def test_estimate_is_scipys_and_the_interval_the_formula_of_bonett_and_wright():
    """Bonett & Wright (2000): variance of Fisher's z of Spearman's rho is (1 + rho²/2) / (n - 3); from memory."""
    rng = np.random.default_rng(8)
    x = rng.normal(size=17)
    y = x + rng.normal(size=17)
    found = rank_correlation(x, y)
    rho = spearmanr(x, y).statistic
    assert found.estimate == pytest.approx(rho)
    half = norm.ppf(0.95) * math.sqrt((1 + rho**2 / 2) / 14)
    assert found.limits(0.9) == pytest.approx((math.tanh(math.atanh(rho) - half), math.tanh(math.atanh(rho) + half)))


def test_missing_values_leave_pairs_out_and_too_few_or_no_spread_are_refused():
    x = np.array([1.0, 2.0, np.nan, 4.0, 5.0, 6.0])
    found = rank_correlation(x, np.array([2.0, 1.0, 3.0, 5.0, 4.0, np.nan]))
    assert found.n_participants == 4
    assert "2 incomplete" in found.notes[0]
    with pytest.raises(FitError, match="needs 4 or more"):
        rank_correlation(x[:3], x[:3])
    with pytest.raises(FitError, match="same value for everybody"):
        rank_correlation(np.ones(5), np.arange(5.0))


def test_a_perfect_order_has_no_width():
    assert rank_correlation(np.arange(6.0), np.arange(6.0) ** 3).limits(0.95) == (1.0, 1.0)
