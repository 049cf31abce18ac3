"""Draws of means and covariance against the laws they should have, where nothing is missing."""

import numpy as np
import pytest
from scipy.stats import chi2, invwishart

from stats.errors import FitError
from stats.missing.imputation import impute
from stats.missing.normal_draws import CENTRED, FLAT, posterior_draws
from tests.stats.missing.test_missing_references import long

PEOPLE, VISITS, DRAWS = 24, 4, 20_000


@pytest.fixture(scope="module")
def complete() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Values, arms, and sums of squares and products within arms."""
    rng = np.random.default_rng(3)
    lag = np.abs(np.subtract.outer(np.arange(VISITS), np.arange(VISITS)))
    Y, group = rng.multivariate_normal(np.zeros(VISITS), 0.75**lag, PEOPLE), np.repeat([0, 1], PEOPLE // 2)
    rest = Y - np.stack([Y[group == g].mean(axis=0) for g in (0, 1)])[group]
    return Y, group, rest.T @ rest


def test_the_centred_prior_gives_an_inverse_wishart_law_with_half_the_variances_above_the_unbiased_ones(complete):
    """Checked against scipy's inverse Wishart law, mean and spread of every entry, and its chi-squared law."""
    Y, group, products = complete
    drawn = posterior_draws(Y, group, DRAWS, np.random.default_rng(1), True, CENTRED).covariances[:, 0]
    df = PEOPLE - 2
    law = invwishart(df + VISITS, products)
    spread = np.sqrt(law.var())
    assert np.abs(drawn.mean(axis=0) - law.mean()).max() < (5 * spread / np.sqrt(DRAWS)).max()
    assert drawn.std(axis=0) == pytest.approx(spread, rel=0.04)
    above = (np.diagonal(drawn, axis1=1, axis2=2) > np.diagonal(products) / df).mean(axis=0)
    assert above == pytest.approx(np.full(VISITS, chi2(df + 1).cdf(df)), abs=0.015)
    assert above == pytest.approx(np.full(VISITS, 0.5), abs=0.04)


def test_the_flat_prior_draws_covariances_that_are_too_large(complete):
    Y, group, products = complete
    flat = posterior_draws(Y, group, DRAWS, np.random.default_rng(1), True, FLAT).covariances[:, 0]
    assert (np.diagonal(flat.mean(axis=0)) > 1.05 * np.diagonal(products) / (PEOPLE - 2)).all()


def test_the_prior_is_told_and_follows_the_covariance():
    by_rule = {name: impute(long(), m=2, seed=1, covariance=name).notes[-1] for name in ("common", "by-arm")}
    assert "half the draws" in by_rule["common"]
    assert "flat" in by_rule["by-arm"]
    assert "flat" in impute(long(), m=2, seed=1, covariance="common", prior="flat").notes[-1]
    with pytest.raises(FitError, match="allowed flat, centred"):
        impute(long(), m=2, seed=1, prior="jeffreys")
