"""Planning with sites: what is drawn has the variances asked for, and more sites, not more people, make it surer."""

import numpy as np
import pytest

from stats.errors import PlanError
from stats.planning import MixedAnalysis, SiteAnalysis, SiteTruth, simulate_trials, visits_truth


def truth(**more) -> SiteTruth:
    inside = visits_truth(times=(0, 4, 8), difference=3, sd=6, correlation=0.6, profile="first")
    return SiteTruth(inside, **({"sites": 6, "site_sd": 3.0, "by_arm_sd": 2.0} | more))


def test_drawn_trials_have_the_variances_asked_for() -> None:
    made = truth(sites=5).maker(20)(np.random.default_rng(1), 4000)
    assert made.values.shape == (4000, 40, 3)
    assert np.bincount(made.site).tolist() == [8] * 5
    usual, active = (made.values[:, (made.site == 0) & (made.arm == k)].mean(axis=1) for k in (0, 1))
    # Means of four people: Monte-Carlo error of a covariance 19 / sqrt(4000) = 0.3.
    assert np.cov(usual[:, 0], active[:, 0])[0, 1] == pytest.approx(9, abs=1)
    assert np.cov(usual[:, 2], active[:, 2])[0, 1] == pytest.approx(9 - 1, abs=1)
    assert np.var(usual[:, 2] - active[:, 2]) == pytest.approx(2 * 36 / 4 + 4, rel=0.08)
    weighted = truth(sites=3, shares=(3, 2, 1)).maker(12)(np.random.default_rng(1), 2)
    assert np.bincount(weighted.site).tolist() == [12, 8, 4]


def test_the_analysis_knows_sites() -> None:
    done = simulate_trials(truth().maker(18), SiteAnalysis(), replicates=12, seed=2)
    assert done.truth == pytest.approx(3)
    assert np.isfinite(done.verdicts.estimate).all()
    spread = np.nanmean(done.verdicts.conf_high - done.verdicts.conf_low)
    without = simulate_trials(truth().maker(18), MixedAnalysis(baseline="covariate"), replicates=12, seed=2)
    assert spread > np.nanmean(without.verdicts.conf_high - without.verdicts.conf_low)


def test_impossible_sites_are_refused() -> None:
    with pytest.raises(PlanError, match="two sites"):
        truth(sites=1)
    with pytest.raises(PlanError, match="one positive number"):
        truth(shares=(1.0, 2.0))
    with pytest.raises(PlanError, match="at least one person"):
        truth(sites=12).maker(8)
    with pytest.raises(PlanError, match="no sites"):
        SiteAnalysis()(truth().truth.maker(10)(np.random.default_rng(1), 1))
    with pytest.raises(PlanError, match="allowed are"):
        SiteAnalysis(effect="some")
