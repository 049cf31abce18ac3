"""Order-based effect sizes, the bootstrap, the change against a control, and pooling of published effects."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import bootstrap, norm

from stats.effects.bootstrap_limits import BootstrapLimits
from stats.effects.meta_analysis import pool_effects
from stats.effects.one_effect import effect_size, pre_post_control_size
from stats.errors import FitError
from stats.summaries import paired_from_summary

scores = st.lists(st.integers(0, 66), min_size=2, max_size=15)


@settings(deadline=None, max_examples=60)
@given(scores, scores)
def test_superiority_and_rank_biserial_are_one_number(x, y):
    delta, superior = effect_size("rank-biserial", x, y), effect_size("superiority", x, y)
    wins = np.sign(np.subtract.outer(x, y))
    assert delta.estimate == pytest.approx(wins.mean())
    assert superior.estimate == pytest.approx((delta.estimate + 1) / 2)
    assert superior.conf_low == pytest.approx((delta.conf_low + 1) / 2)
    assert superior.conf_high == pytest.approx((delta.conf_high + 1) / 2)
    swapped = effect_size("rank-biserial", y, x)
    assert (delta.conf_low, delta.conf_high) == pytest.approx((-swapped.conf_high, -swapped.conf_low), abs=1e-9)
    assert -1 <= delta.conf_low <= delta.estimate <= delta.conf_high <= 1


def test_complete_separation_still_has_an_interval():
    apart = effect_size("superiority", [5, 6, 7, 8, 9], [1, 2, 3, 4])
    assert apart.estimate == 1
    assert 0 < apart.conf_low < 1 == apart.conf_high
    one_way = effect_size("rank-biserial-paired", [5, 6, 8, 9], [1, 3, 4, 2])
    assert one_way.estimate == 1
    assert one_way.conf_low < 1 == one_way.conf_high


def test_normal_superiority_follows_from_d():
    # McGraw & Wong 1992: with equal SDs the probability is Phi(d / sqrt 2)
    given = {"mean1": 12.0, "sd1": 3.0, "n1": 20, "mean2": 10.0, "sd2": 3.0, "n2": 20}
    d, superior = effect_size("d", **given), effect_size("superiority", **given)
    assert superior.estimate == pytest.approx(norm.cdf(d.estimate / np.sqrt(2)))
    assert superior.conf_low == pytest.approx(norm.cdf(d.conf_low / np.sqrt(2)), abs=1e-6)


def test_bootstrap_is_that_of_scipy():
    rng = np.random.default_rng(7)
    x, y = rng.normal(1, 1, 25), rng.normal(0, 1, 22)

    def gap(a, b):
        return float(a.mean() - b.mean())

    ours = BootstrapLimits([(x,), (y,)], gap, np.random.default_rng(1), 6000)(0.95)
    theirs = bootstrap(
        (x, y), gap, vectorized=False, n_resamples=6000, rng=np.random.default_rng(2)
    ).confidence_interval
    assert ours == pytest.approx(tuple(theirs), abs=0.04)  # Monte-Carlo error of two sets of 6,000


def test_bootstrap_keeps_pairs_and_needs_a_generator():
    pre = np.array([61, 57, 32, 47, 23, 40, 35, 50.0])
    post = pre + np.array([3, 2, 9, 7, 17, 4, 6, 5])
    found = effect_size("baseline-sd", post, pre, interval="bootstrap", rng=np.random.default_rng(3), resamples=500)
    assert found.conf_low < found.estimate < found.conf_high
    again = effect_size("baseline-sd", post, pre, interval="bootstrap", rng=np.random.default_rng(3), resamples=500)
    assert (again.conf_low, again.conf_high) == (found.conf_low, found.conf_high)
    narrow = found.limits(0.8)
    assert found.conf_low < narrow[0] < narrow[1] < found.conf_high
    with pytest.raises(FitError, match="rng="):
        effect_size("d_z", post, pre, interval="bootstrap")
    with pytest.raises(FitError, match="raw values"):
        effect_size("d", mean1=1, sd1=1, n1=9, mean2=0, sd2=1, n2=9, interval="bootstrap")
    with pytest.raises(FitError, match="no spread"):
        effect_size("d_z", [1, 1, 2], [0, 0, 0], interval="bootstrap", rng=np.random.default_rng(3), resamples=500)


def test_change_against_control_from_values_and_from_numbers():
    rng = np.random.default_rng(5)
    before1, before2 = rng.normal(30, 8, 12), rng.normal(31, 8, 11)
    after1, after2 = before1 + rng.normal(6, 4, 12), before2 + rng.normal(2, 4, 11)
    raw = effect_size("pre-post-control", after1, before1, control=(after2, before2))
    numbers = [
        paired_from_summary(a.mean(), a.std(ddof=1), b.mean(), b.std(ddof=1), len(a), None, (a - b).std(ddof=1))
        for a, b in ((after1, before1), (after2, before2))
    ]
    published = pre_post_control_size(*numbers)
    pd.testing.assert_frame_equal(raw.frame(), published.frame())
    # Morris 2008 by hand: factor x difference of changes over the pooled SD at baseline
    pooled = np.sqrt((11 * before1.var(ddof=1) + 10 * before2.var(ddof=1)) / 21)
    by_hand = ((after1 - before1).mean() - (after2 - before2).mean()) / pooled * (1 - 3 / (4 * 21 - 1))
    assert raw.estimate == pytest.approx(by_hand, rel=1e-3)  # 1 - 3/(4 df - 1) approximates the exact factor
    swapped = effect_size("pre-post-control", after2, before2, control=(after1, before1))
    assert swapped.estimate == pytest.approx(-raw.estimate)
    assert swapped.conf_low == pytest.approx(-raw.conf_high, abs=1e-8)
    with pytest.raises(FitError, match="control="):
        effect_size("pre-post-control", after1, before1)


# Thirteen trials of BCG vaccine (Colditz 1994, JAMA 271:698): cases and non-cases, vaccinated then control.
BCG = [
    (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619), (33, 5036, 47, 5761),
    (180, 1361, 372, 1079), (8, 2537, 10, 619), (505, 87886, 499, 87892), (29, 7470, 45, 7232), (17, 1699, 65, 1600),
    (186, 50448, 141, 27197), (5, 2493, 3, 2338), (27, 16886, 29, 17825),
]  # fmt: skip


def bcg():
    a, b, c, d = np.array(BCG, float).T
    effect = np.log(a / (a + b)) - np.log(c / (c + d))
    return pd.DataFrame({"estimate": effect, "std_error": np.sqrt(1 / a - 1 / (a + b) + 1 / c - 1 / (c + d))})


def test_pooled_vaccine_trials():
    # DerSimonian-Laird log risk ratio -0.7141 (SE 0.1787), tau2 0.3088, Q 152.23, I2 92.12 %: printed in several
    # manuals of meta-analysis software, from memory.
    pooled = pool_effects(bcg(), method="dersimonian-laird", interval="normal")
    row = pooled.frame().set_index("term").loc["pooled"]
    assert (row["estimate"], row["std_error"]) == pytest.approx((-0.7141, 0.1787), abs=5e-5)
    assert (row["tau2"], row["q"], row["i2"]) == pytest.approx((0.3088, 152.233, 0.9212), abs=5e-4)
    assert (row["conf_low"], row["conf_high"]) == pytest.approx((-1.0644, -0.3638), abs=5e-4)


def test_paule_mandel_solves_its_equation():
    # the estimator's definition: weighted sum of squares equals its degrees of freedom
    data = bcg()
    pooled = pool_effects(data)
    weight = 1 / (data["std_error"] ** 2 + pooled.tau2)
    assert (weight * (data["estimate"] - pooled.estimate) ** 2).sum() == pytest.approx(12, abs=1e-3)
    # then the Knapp-Hartung factor is 1
    assert pooled.std_error == pytest.approx(np.sqrt(1 / weight.sum()), rel=1e-3)


def test_pooling_refuses_what_it_should():
    one = effect_size("d_z", [2, 4, 5, 7], [1, 2, 2, 3])
    other = effect_size("d_av", [2, 4, 5, 7], [1, 2, 2, 3])
    with pytest.raises(FitError, match="different standardisers"):
        pool_effects([one, other])
    with pytest.raises(FitError, match="2 or more"):
        pool_effects([one])
    with pytest.raises(FitError, match="both are needed"):
        pool_effects(pd.DataFrame({"estimate": [1.0, 2.0], "std_error": [0.1, np.nan]}))
    assert "2 studies" in pool_effects([one, one], labels=["a", "b"]).notes[1]
    assert pool_effects([one, one], labels=["a", "b"]).frame()["term"].tolist() == ["a", "b", "pooled"]


POOLING = sorted((Path(__file__).parents[2] / "reference" / "pooling").glob("*.json"))
INTERVAL_BLOCKS = {
    "normal": "normal", "hartung-knapp": "hartung_knapp", "hartung-knapp-safe": "hartung_knapp_safeguard"
}  # fmt: skip


@pytest.mark.parametrize("path", POOLING, ids=lambda path: path.stem)
@pytest.mark.parametrize("method", ["paule-mandel", "reml", "dersimonian-laird"])
def test_pooling_is_that_of_the_reference(path, method):
    """R's own formulas and metafor 3.8-1 (tests/reference/SOURCES.md), to 1e-9."""
    case = json.loads(path.read_text())
    effects, errors = case["effects"], np.sqrt(case["variances"])
    block = case[method.replace("-", "_")]
    for interval, name in INTERVAL_BLOCKS.items():
        pooled = pool_effects(effects, errors, method=method, interval=interval)
        row, expected = pooled.frame().set_index("term").loc["pooled"], block[name]
        assert pooled.tau2 == pytest.approx(block["tau2"], rel=1e-9, abs=1e-12)
        centre = (block["estimate"], expected["std_error"])
        assert (row["estimate"], row["std_error"]) == pytest.approx(centre, rel=1e-9)
        limits = (expected["lower"], expected["upper"])
        assert (row["conf_low"], row["conf_high"]) == pytest.approx(limits, rel=1e-9, abs=1e-12)
        assert (row["q"], row["i2"]) == pytest.approx((case["Q"], case["I2_from_Q"]), rel=1e-9, abs=1e-12)
        assert pooled.factor == pytest.approx(block["q"], rel=1e-8)
        if interval == "normal":  # Higgins, Thompson & Spiegelhalter: t on k - 2 df with the plain standard error
            new = block["prediction_t_k_minus_2_normal_se"]
            found = (row["prediction_low"], row["prediction_high"])
            assert found == pytest.approx((new["lower"], new["upper"]), rel=1e-9)


def test_the_safeguard_is_the_default_and_says_so():
    safe = pool_effects([0.30, 0.31, 0.29], [0.25, 0.24, 0.26])
    plain = pool_effects([0.30, 0.31, 0.29], [0.25, 0.24, 0.26], interval="normal")
    bare = pool_effects([0.30, 0.31, 0.29], [0.25, 0.24, 0.26], interval="hartung-knapp")
    assert safe.std_error == plain.std_error > 10 * bare.std_error
    assert safe.frame().set_index("term").loc["pooled", "conf_high"] > 0.9
    assert "95% interval -0.32 to 0.92" in safe.sentence()
    assert "with 3 studies the variance between them is hardly known" in safe.sentence()
    assert "no narrower" in safe.sentence()
    assert "too narrow" in bare.sentence()
    apart = pool_effects([0.1, 0.9, 0.4, 0.7, 0.2], [0.1] * 5)
    assert "hardly known" not in apart.sentence()
    assert "no narrower" not in apart.sentence()
    same = pool_effects([0.3, 0.3], [0.1, 0.1])
    assert same.std_error == pytest.approx(0.1 / np.sqrt(2))
    assert "prediction" not in set(same.frame()["term"])
    assert any("Two studies" in note for note in same.notes)


def test_pooling_of_numbers_needs_one_error_each():
    with pytest.raises(FitError, match="2 standard errors for 3 effects"):
        pool_effects([1.0, 2.0, 3.0], [0.1, 0.2])
    with pytest.raises(FitError, match="need their standard errors"):
        pool_effects([1.0, 2.0, 3.0])
    with pytest.raises(FitError, match="Interval 'wide': allowed hartung-knapp-safe"):
        pool_effects([1.0, 2.0], [0.1, 0.2], interval="wide")
