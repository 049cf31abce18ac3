"""Exact rank and re-randomisation tests against R (tests/reference/next) and small cases by hand."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import mannwhitneyu, wilcoxon

from stats.bounded.rank_tests import rank_test
from stats.errors import FitError

CASES = Path(__file__).parents[2] / "reference" / "next" / "cases"


def case(name: str) -> dict:
    return json.loads((CASES / f"{name}.json").read_text())


def close(value: float):
    return pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize("name", ["signed_ties_zeros", "signed_all_one_sign"])
@pytest.mark.parametrize("zeros", ["wilcoxon", "pratt"])
def test_signed_ranks_with_ties_and_zeros(name, zeros):
    found = case(name)
    expected = found[zeros]
    test = rank_test(found["differences"], paired=True, zeros=zeros)
    assert test.exact
    assert test.statistic == close(expected["W_plus"])
    assert test.p_value == close(expected["p_two_by_distance"])
    assert test.z == close(expected["z_no_continuity"])
    for way in ("greater", "less"):
        other = rank_test(found["differences"], paired=True, zeros=zeros, alternative=way)
        assert other.p_value == close(expected[f"p_{way}"])
    flips = rank_test(found["differences"], paired=True, scores="values")
    assert flips.p_value == close(found["sign_flip_of_sum"]["p_two"])


def test_two_samples_with_ties():
    found = case("two_sample_ties")
    test = rank_test(found["active"], found["control"])
    assert test.statistic == close(found["rank_sum"]["U"])
    assert test.p_value == close(found["coin_exact_p"])
    assert test.variance == close(found["rank_sum"]["variance_tie_corrected"])
    assert test.z == close(found["rank_sum"]["z_no_continuity"])
    means = rank_test(found["active"], found["control"], scores="values")
    assert means.p_value == close(found["raw_difference"]["p_two_by_distance"])
    swapped = rank_test(found["control"], found["active"])
    assert swapped.p_value == close(test.p_value)
    assert swapped.statistic + test.statistic == len(found["active"]) * len(found["control"])


def test_van_elteren_in_three_strata():
    found = case("van_elteren_3strata")
    active = [v for one in found["strata"].values() for v in one["active"]]
    control = [v for one in found["strata"].values() for v in one["control"]]
    names = {arm: [name for name, one in found["strata"].items() for _ in one[arm]] for arm in ("active", "control")}
    strata = (names["active"], names["control"])
    exact = rank_test(active, control, strata=strata)
    assert exact.statistic == close(found["van_elteren"]["statistic"])
    assert exact.variance == close(found["van_elteren"]["variance"])
    assert exact.p_value == close(found["van_elteren_exact"]["p_two_by_distance"])
    normal = rank_test(active, control, strata=[*strata[0], *strata[1]], exact=False)
    assert normal.z == close(found["coin_z"])
    assert normal.p_value == close(found["coin_p"])
    means = rank_test(active, control, strata=strata, scores="values")
    assert means.p_value == close(found["stratified_permutation_of_sums"]["p_two_by_distance"])


def test_without_ties_it_is_the_textbook_test():
    rng = np.random.default_rng(3)
    x, y = rng.normal(size=17), rng.normal(0.8, size=21)
    assert rank_test(x, y).p_value == close(mannwhitneyu(x, y, method="exact").pvalue)
    assert rank_test(x[:15], y[:15], paired=True).p_value == close(wilcoxon(x[:15] - y[:15], method="exact").pvalue)
    assert not rank_test(x, y).notes


def test_large_groups_stay_exact_and_near_the_normal_law():
    rng = np.random.default_rng(4)
    x, y = rng.integers(0, 6, 60), rng.integers(0, 6, 60) + (rng.random(60) < 0.4)
    exact, normal = rank_test(x, y), rank_test(x, y, exact=False)
    assert exact.exact
    assert exact.p_value == pytest.approx(normal.p_value, abs=0.01)
    assert "no continuity" in normal.notes[-1]


def test_what_cannot_be_tested_says_why():
    with pytest.raises(FitError, match="nobody changed"):
        rank_test([1, 2, 3], [1, 2, 3], paired=True)
    with pytest.raises(FitError, match="empty"):
        rank_test([], [1, 2])
    with pytest.raises(FitError, match="strata for"):
        rank_test([1, 2], [3, 4], strata=["a", "b"])
    same = rank_test([2, 2], [2, 2, 2])
    assert same.p_value == 1
    assert "cannot say anything" in same.notes[-1]
