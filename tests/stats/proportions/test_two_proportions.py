"""Two proportions: published tables, statsmodels where it is right, the odd tables, symmetry."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from stats.errors import FitError
from stats.estimates import Estimate
from stats.proportions.exact_tests import exact_test, mcnemar_test
from stats.proportions.number_needed import from_difference, number_needed_to_treat
from stats.proportions.one_proportion import METHODS, proportion_interval
from stats.proportions.paired_proportions import paired_risk_difference
from stats.proportions.score_difference import DIFFERENCE_METHODS, restricted_shares
from stats.proportions.stratified import stratified_ratio, stratified_risk_difference
from stats.proportions.two_proportions import odds_ratio, risk_difference, risk_ratio

# Newcombe 1998 (Stat Med 17:873-890), Table II, method 10, from memory; agreed by two recomputations.
TABLE_II = [
    ((56, 70, 48, 80), (0.0524, 0.3339)),
    ((9, 10, 3, 10), (0.1705, 0.8090)),
    ((5, 56, 0, 29), (-0.0381, 0.1926)),
    ((0, 10, 0, 20), (-0.1611, 0.2775)),
    ((0, 10, 0, 10), (-0.2775, 0.2775)),
    ((10, 10, 0, 20), (0.6791, 1.0)),
    ((10, 10, 0, 10), (0.6075, 1.0)),
]


@pytest.mark.parametrize(("counts", "printed"), TABLE_II)
def test_newcombe_table(counts, printed):
    found = risk_difference(*counts)
    assert (found.conf_low, found.conf_high) == pytest.approx(printed, abs=5.1e-5)


@pytest.mark.parametrize(
    ("method", "counts", "printed"),
    [
        ("miettinen-nurminen", (9, 10, 3, 10), (0.1700, 0.8406)),
        ("miettinen-nurminen", (56, 70, 48, 80), (0.0528, 0.3382)),
        ("mee", (56, 70, 48, 80), (0.0533, 0.3377)),
    ],
)
def test_score_intervals(method, counts, printed):
    # Newcombe 1998, Table II, methods 5 and 6, from memory; recomputed.
    found = risk_difference(*counts, method=method)
    assert (found.conf_low, found.conf_high) == pytest.approx(printed, abs=5.1e-5)


def test_where_statsmodels_differs_for_the_score_difference():
    """statsmodels 0.15 has x2 for n2 in one coefficient of the cubic; ours maximises the restricted likelihood."""
    theirs = confint_proportions_2indep(56, 70, 48, 80, method="score", compare="diff")
    ours = risk_difference(56, 70, 48, 80, "miettinen-nurminen")
    assert abs(theirs[1] - ours.conf_high) > 0.004  # 0.3440 against the published 0.3382
    grid = np.linspace(0.001, 0.999, 4000)
    for difference in (-0.3, 0.05, 0.2, 0.5):
        inside = grid[(grid + difference > 0) & (grid + difference < 1)]
        loglik = binom.logpmf(56, 70, inside + difference) + binom.logpmf(48, 80, inside)
        assert restricted_shares(56, 70, 48, 80, difference)[1] == pytest.approx(inside[loglik.argmax()], abs=5e-4)


@pytest.mark.parametrize("theirs", ["wilson", "beta", "jeffreys", "agresti_coull"])
def test_statsmodels_agrees_on_one_proportion(theirs):
    ours = {"beta": "clopper-pearson", "agresti_coull": "agresti-coull"}.get(theirs, theirs)
    for n in (8, 12, 24):
        for count in range(n + 1):
            if theirs == "jeffreys" and count in (0, n):
                continue  # statsmodels leaves 0/n out of its own interval for 0/n; ours sets that limit to the end
            low, high = proportion_confint(count, n, method=theirs)
            found = proportion_interval(count, n, ours)
            assert (found.conf_low, found.conf_high) == pytest.approx((max(low, 0), min(high, 1)), abs=1e-10)


def test_score_ratio_against_a_published_example():
    # Koopman 1984 (Biometrics 40:513-517), 36/40 against 16/80: 4.5 (2.94, 7.15), from memory. Koopman has no N/(N-1).
    plain = confint_proportions_2indep(36, 40, 16, 80, method="score", compare="ratio", correction=False)
    assert plain == pytest.approx((2.94, 7.15), abs=0.005)
    found = risk_ratio(36, 40, 16, 80, method="score")
    assert found.estimate == pytest.approx(4.5)
    assert found.conf_low < plain[0] < plain[1] < found.conf_high


def test_zero_cell_is_said():
    found = risk_ratio(0, 10, 3, 10)
    assert found.estimate == pytest.approx((0.5 / 11) / (3.5 / 11))
    assert "1/2 was added" in found.notes[0]
    assert "1/2 was added" in odds_ratio(10, 10, 3, 10).notes[0]
    assert risk_ratio(2, 10, 3, 10).notes == ("std_error is that of the logarithm.",)


def fixed(estimate, low, high):
    return Estimate("risk difference", estimate, lambda level: (low, high), "given", n_participants=1)


def test_number_needed_through_infinity():
    # Altman 1998 (BMJ 317:1309): difference 10 % (-5 to 25) is NNTB 10, NNTB 4 to infinity to NNTH 20.
    sentence = from_difference(fixed(0.10, -0.05, 0.25)).sentence()
    assert sentence.startswith("NNTB 10.0 (95% interval NNTB 4.0 to ∞ to NNTH 20.0)")


def test_number_needed_with_a_finite_interval():
    # CMAJ 166:1676: difference 16.6 % (0.9 to 32.2) is 6 (3.1 to 111.1).
    row = from_difference(fixed(0.166, 0.009, 0.322)).frame().iloc[0]
    assert (row["estimate"], row["conf_low"], row["conf_high"]) == pytest.approx((6, 3.1, 111.1), abs=0.05)
    assert not row["through_infinity"]


def test_number_needed_of_no_difference_and_of_a_bad_event():
    assert number_needed_to_treat(5, 10, 5, 10).estimate == np.inf
    assert "NNTB ∞" in number_needed_to_treat(5, 10, 5, 10).sentence()
    good, bad = number_needed_to_treat(9, 10, 3, 10), number_needed_to_treat(3, 10, 9, 10, event="bad")
    assert good.estimate == bad.estimate


@pytest.mark.parametrize("counts", [(1, 0, 1, 5), (6, 5, 1, 5), (-1, 5, 1, 5)])
def test_empty_group_and_impossible_counts_are_refused(counts):
    with pytest.raises(FitError, match="group"):
        risk_difference(*counts)
    with pytest.raises(FitError, match="group"):
        exact_test(*counts)


def test_unknown_methods_list_the_allowed():
    with pytest.raises(FitError, match="newcombe"):
        risk_difference(1, 5, 2, 5, "score")
    with pytest.raises(FitError, match="wilson"):
        proportion_interval(1, 5, "wald")
    with pytest.raises(FitError, match=r"Write 0\.95"):
        proportion_interval(1, 5, level=95)
    with pytest.raises(FitError, match="n must be 1 or more"):
        proportion_interval(0, 0)
    with pytest.raises(FitError, match="boschloo"):
        exact_test(1, 5, 2, 5, "z")


tables = st.tuples(st.integers(1, 20), st.integers(1, 20)).flatmap(
    lambda n: st.tuples(st.integers(0, n[0]), st.just(n[0]), st.integers(0, n[1]), st.just(n[1]))
)


@settings(deadline=None, max_examples=60)
@given(tables, st.sampled_from(sorted(DIFFERENCE_METHODS)))
def test_swapping_arms_flips_the_sign(counts, method):
    x1, n1, x2, n2 = counts
    one, other = risk_difference(x1, n1, x2, n2, method), risk_difference(x2, n2, x1, n1, method)
    assert one.estimate == pytest.approx(-other.estimate, abs=1e-12)
    assert (one.conf_low, one.conf_high) == pytest.approx((-other.conf_high, -other.conf_low), abs=1e-9)
    assert one.conf_low <= one.estimate + 1e-12
    assert one.estimate - 1e-12 <= one.conf_high
    if method != "wald":  # Wald's limits leave [-1, 1]: one of the reasons not to use it
        assert one.conf_low >= -1 - 1e-12
        assert one.conf_high <= 1 + 1e-12


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 40), st.data(), st.sampled_from(sorted(METHODS)))
def test_failures_mirror_successes(n, data, method):
    count = data.draw(st.integers(0, n))
    one, other = proportion_interval(count, n, method), proportion_interval(n - count, n, method)
    assert (one.conf_low, one.conf_high) == pytest.approx((1 - other.conf_high, 1 - other.conf_low), abs=1e-8)
    assert one.conf_low <= count / n <= one.conf_high
    wider = proportion_interval(count, n, method, level=0.99)
    assert wider.conf_low <= one.conf_low + 1e-12
    assert wider.conf_high >= one.conf_high - 1e-12


def test_boschloo_is_never_above_fisher():
    # the test's defining property; scipy maximises numerically, hence the slack
    for x1 in range(9):
        for x2 in range(9):
            boschloo = exact_test(x1, 8, x2, 8, "boschloo", "greater").p_value
            assert boschloo <= exact_test(x1, 8, x2, 8, "fisher", "greater").p_value + 1e-6


def test_fisher_mid_p_is_half_a_point_below_fisher():
    fisher, mid = (exact_test(1, 34, 7, 34, test, "less").p_value for test in ("fisher", "fisher-mid-p"))
    from scipy.stats import hypergeom

    assert fisher - mid == pytest.approx(hypergeom(68, 8, 34).pmf(1) / 2)


def test_paired_difference_published_and_extreme():
    # Altman, Practical Statistics, Table 6.2 (14, 5, 0, 22), from memory: 0.122 (0.011, 0.226).
    found = paired_risk_difference(14, 5, 0, 22)
    assert (found.estimate, found.conf_low, found.conf_high) == pytest.approx((0.122, 0.011, 0.226), abs=6e-4)
    assert paired_risk_difference(0, 0, 0, 9).estimate == 0
    everyone = paired_risk_difference(0, 9, 0, 0)
    assert everyone.estimate == 1
    assert everyone.conf_high == pytest.approx(1)
    with pytest.raises(FitError, match="at least one pair"):
        paired_risk_difference(0, 0, 0, 0)


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 9), st.integers(0, 9), st.integers(0, 9), st.integers(1, 9))
def test_swapping_occasions_flips_the_sign(a, b, c, d):
    one, other = paired_risk_difference(a, b, c, d), paired_risk_difference(a, c, b, d)
    assert (one.conf_low, one.conf_high) == pytest.approx((-other.conf_high, -other.conf_low), abs=1e-12)


def test_mcnemar_mid_p_is_exact_less_the_point():
    # Fagerland 2013 (BMC Med Res Methodol 13:91), definition of the mid-P test
    exact, mid = mcnemar_test(1, 7, "exact").p_value, mcnemar_test(1, 7, "mid-p").p_value
    assert exact - mid == pytest.approx(binom.pmf(1, 8, 0.5))
    assert mcnemar_test(0, 0).p_value == 1


def test_one_stratum_is_the_plain_difference():
    one = stratified_risk_difference(pd.DataFrame({"x1": [9], "n1": [20], "x2": [4], "n2": [18]}))
    assert one.estimate == pytest.approx(9 / 20 - 4 / 18)


def test_stratified_standard_error_is_unbiased():
    """Sato's estimator, enumerated: its expectation at the true difference is the variance of the weighted sum."""
    n1, n2, p1, p2 = 4, 6, 0.5, 0.2
    weight, total, expected = n1 * n2 / (n1 + n2), n1 + n2, 0.0
    for x1 in range(n1 + 1):
        for x2 in range(n2 + 1):
            chance = binom.pmf(x1, n1, p1) * binom.pmf(x2, n2, p2)
            p = (n1**2 * x2 - n2**2 * x1 + n1 * n2 * (n2 - n1) / 2) / total**2
            q = (x1 * (n2 - x2) + x2 * (n1 - x1)) / (2 * total)
            expected += chance * ((p1 - p2) * p + q)
    assert expected == pytest.approx(weight**2 * (p1 * (1 - p1) / n1 + p2 * (1 - p2) / n2))
    found = stratified_risk_difference(pd.DataFrame({"x1": [2], "n1": [n1], "x2": [1], "n2": [n2]}))
    d = 2 / 4 - 1 / 6
    p = (n1**2 * 1 - n2**2 * 2 + n1 * n2 * (n2 - n1) / 2) / total**2
    q = (2 * 5 + 1 * 2) / (2 * total)
    assert found.std_error == pytest.approx(np.sqrt(d * p + q) / weight)


def test_stratum_with_an_empty_arm_is_left_out_and_said():
    strata = pd.DataFrame({"x1": [3, 1, 0], "n1": [10, 5, 0], "x2": [1, 1, 2], "n2": [9, 6, 4]})
    found = stratified_risk_difference(strata)
    assert found.n_participants == 30
    assert "1 strata with an empty group left out." in found.notes
    assert stratified_ratio(strata).estimate == pytest.approx((3 * 8 / 19 + 1 * 5 / 11) / (7 * 1 / 19 + 4 * 1 / 11))
    with pytest.raises(FitError, match="No stratum"):
        stratified_risk_difference(strata.iloc[[2]])
