"""The envelope of scaled residuals: it holds the stated share of new draws at all places, and pools all residuals."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from stats.errors import FitError
from stats.mixed.fit import fit_mixed
from stats.mixed.inference.quantile_envelope import _rank_envelope, quantile_envelope


def test_the_rank_envelope_holds_the_stated_share_of_new_draws_at_all_places_at_once():
    """3,000 new draws: standard error of the share 0.4 points; both error sources together within 2 points."""
    rng = np.random.default_rng(3)
    drawn, new = (np.sort(rng.standard_normal((3000, 40)), axis=1) for _ in range(2))
    for level in (0.9, 0.95):
        low, high = _rank_envelope(drawn, level)
        inside = ((new >= low) & (new <= high)).all(axis=1).mean()
        assert inside == pytest.approx(level, abs=0.02)
        assert (low < high).all()


@pytest.fixture(scope="module")
def fit():
    rng = np.random.default_rng(5)
    people = np.repeat(np.arange(12), 3)
    frame = pd.DataFrame({"who": people, "visit": np.tile(["a", "b", "c"], 12)})
    frame["y"] = rng.normal(size=36) + rng.normal(size=12)[people]
    return fit_mixed(frame, "y ~ visit", participant="who", visit="visit", random="1")


def test_all_residuals_of_all_visits_stand_in_one_order(fit):
    found = quantile_envelope(fit, np.random.default_rng(1), draws=400)
    own = np.sort(fit.diagnostics().residuals["scaled"])
    assert found["scaled"].to_numpy() == pytest.approx(own)
    ranks = np.arange(1, 37)
    assert found["normal_quantile"].to_numpy() == pytest.approx(norm.ppf((ranks - 0.375) / 36.25))
    assert found["low"].is_monotonic_increasing
    assert found["high"].is_monotonic_increasing
    again = quantile_envelope(fit, np.random.default_rng(1), draws=400)
    pd.testing.assert_frame_equal(found, again)


def test_too_few_residuals_are_refused():
    frame = pd.DataFrame({"who": [1, 2, 3, 4], "visit": "a", "y": [1.0, 2.0, 4.0, 3.0]})
    small = fit_mixed(frame, "y ~ 1", participant="who", visit="visit", covariance="unstructured")
    with pytest.raises(FitError, match="too few for a quantile plot"):
        quantile_envelope(small, np.random.default_rng(1))
