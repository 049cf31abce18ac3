"""Mixed models few data ask for: identities, and what is refused in words.

The sample is the small invented trial of `test_refused_tables`; identities are named beside their check.
"""

import numpy as np
import pandas as pd
import pytest

from stats import FitError, fit_mixed, fit_moments, pool_moments
from stats.mixed.inference.diagnostics import diagnose, influence, random_effects, residuals
from stats.mixed.inference.resampling import bootstrap, simulate_responses
from stats.mixed.model.contrasts import combination
from stats.mixed.model.pooling import smallest_pattern
from tests.stats.test_refused_tables import GAPS, LONG, PERSON

KEYS = {"participant": "participant", "visit": "visit"}
SITES = LONG.assign(site=[f"s{k % 4}" for k in PERSON], zero=0.0)


def mixed(formula: str = "value ~ visit * arm", frame: pd.DataFrame = LONG, **more):
    if not {"random", "covariance"} & more.keys():
        more["random"] = "1"
    return fit_mixed(frame, formula, **(KEYS | more))


def pooled(formula: str = "value ~ visit * arm", frame: pd.DataFrame = LONG, **more):
    return pool_moments(frame, formula, **(KEYS | more))


def rng() -> np.random.Generator:
    return np.random.default_rng(5)


def test_uncorrelated_effects_are_predicted_apart():
    """Predictions of correlated effects whose correlation is near 0 are near those without one; both sum to near 0."""
    found = random_effects(mixed("value ~ week * arm", random="1 + week", correlated=False))
    assert set(found.columns) >= {"participant"}
    numbers = found.select_dtypes("number").to_numpy()
    assert np.isfinite(numbers).all()
    assert np.abs(numbers.mean(axis=0)).max() < 1.0


def test_the_mean_of_all_is_the_mean_of_a_balanced_sample():
    """Whole data, as many people an arm: the mean over visits and arms is the sample's (identity)."""
    found = mixed().means([])
    assert found.estimate[0] == pytest.approx(LONG["value"].mean(), abs=1e-8)


def test_a_text_is_a_combination_of_names_or_none():
    names = ["v0", "v1", "two words - and"]
    assert combination("2 * v1 - 0.5 * v0", names).tolist() == [-0.5, 2.0, 0.0]
    assert combination("two words - and + v0", names).tolist() == [1.0, 0.0, 1.0]
    for wrong in ("v9", "v1 -", "v1 v0", "v1 * 2"):
        assert combination(wrong, names) is None


def test_people_without_whom_nothing_can_be_estimated_are_told():
    """Person p11 alone is seen at the extra visit."""
    extra = LONG[PERSON == 11].iloc[:1].assign(visit="v9", value=20.0)
    table, notes = influence(mixed("value ~ visit", pd.concat([LONG, extra])))
    assert len(table) == 12
    assert table.set_index("participant").loc["p11"].isna().any()
    assert any("p11" in note for note in notes)


def test_a_covariance_that_turns_people_into_slots_keeps_its_likelihood():
    """Independent residuals: the same model as compound symmetry where the variance between people is above 0."""
    by_people, by_slots = mixed(random="1"), mixed(covariance="compound-symmetry")
    assert by_people.loglik == pytest.approx(by_slots.loglik, abs=1e-7)


REFUSED = {
    "an effect of nothing": (lambda: mixed("value ~ week", SITES, random="1 + zero"), "zero"),
    "only an effect of nothing": (lambda: mixed("value ~ week", SITES, random="0 + zero"), "zero"),
    "sums of sites with few people": (
        lambda: smallest_pattern(pooled("value ~ arm", SITES, site="site", random="1"), 5), "3 at s0"),
    "a covariance nobody knows": (lambda: mixed(covariance="moon"), "'moon'"),
    "pairs in arms of their own": (lambda: mixed(covariance="paired", by="arm"), "paired|condition"),
    "means of what is no column": (lambda: mixed().means("moon"), "moon"),
    "pooled sums of other sites": (
        lambda: pooled("value ~ arm", SITES, site="site", random="1")
        + pooled("value ~ arm", SITES, site="site", random="1", site_random="1 + arm"),
        "effects of sites differ",
    ),
    "a site's effect of one value": (
        lambda: mixed("value ~ week", SITES.assign(one="same"), site="site", site_random="1 + one"), "one value"),
    "diagnostics of sums": (lambda: diagnose(fit_moments(pooled(random="1"))), "pooled"),
    "residuals of sums": (lambda: residuals(fit_moments(pooled(random="1"))), "pooled"),
    "responses of sums": (lambda: simulate_responses(fit_moments(pooled(random="1")), rng(), 2), "pooled"),
    "cases of sums": (lambda: bootstrap(fit_moments(pooled(random="1")), np.eye(6)[:1], rng(), kind="case",
                                        replicates=9), "pooled"),
    "pooled columns of zero": (lambda: fit_moments(pooled("value ~ zero", SITES, random="1")), "zero"),
    "pooled columns of the same": (
        lambda: fit_moments(pooled("value ~ week + two", LONG.assign(two=2 * LONG["week"]), random="1")), "two|week"),
}  # fmt: skip


@pytest.mark.parametrize("what", REFUSED)
def test_what_a_mixed_model_cannot_do_is_refused(what):
    call, words = REFUSED[what]
    with pytest.raises(FitError, match=words):
        call()


def test_few_cases_that_cannot_be_fitted_are_counted():
    """Three people an arm: some draws of people hold one arm only, whose difference cannot be estimated."""
    few = GAPS[(PERSON < 3) | (PERSON > 8)]
    found = bootstrap(mixed("value ~ arm", few), np.array([[0.0, 1.0]]), rng(), kind="case", replicates=99)
    assert len(found.pivots) < 99
    assert any("left out" in note for note in found.notes)
