"""Effect sizes of change: published values, identities, refusals."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.stats import chi2, norm

from stats.effects.effects_of_scores import effect_sizes
from stats.effects.noncentral import noncentrality_limits
from stats.effects.one_effect import effect_size
from stats.errors import FitError

# PMC4268358: Fugl-Meyer before and after of five people; Box and Block likewise.
FMA = ([61, 57, 32, 47, 23], [64, 59, 41, 54, 40], [64, 59, 27, 54, 50])
BBT = ([38, 23, 7, 30, 7], [59, 21, 8, 28, 7], [50, 25, 5, 32, 7])


def cohort_scores(better="higher", sign=1):
    rows = []
    for outcome, (pre, post, later) in {"fma_ue.motor": FMA, "bbt.blocks": BBT}.items():
        for visit, day, values in (("pre", 0, pre), ("post", 28, post), ("follow-up", 56, later)):
            rows += [
                {"participant": f"P{i}", "arm": "", "visit": visit, "day": day, "outcome": outcome, "hand": "affected",
                 "condition": "unassisted", "value": float(sign * value), "unit": "points", "better": better}
                for i, value in enumerate(values)
            ]  # fmt: skip
    return pd.DataFrame(rows)


@pytest.mark.parametrize(
    ("outcome", "visit", "printed"),
    [("fma_ue.motor", "post", 0.47), ("fma_ue.motor", "follow-up", 0.42), ("bbt.blocks", "post", 0.26)],
)
def test_published_cohort_baseline_sd_index(outcome, visit, printed):
    sizes = effect_sizes(cohort_scores(), outcome, kinds="baseline-sd", visit=visit)
    assert sizes["estimate"] == pytest.approx(printed, abs=0.005)  # printed to two decimals
    assert sizes["standardiser"] == "SD at baseline"


def test_all_outcomes_and_kinds_in_one_frame():
    frame = effect_sizes(cohort_scores(), visit="post").frame()
    assert len(frame) == 2 * 5
    assert set(frame["kind"]) == {"d_av", "g_av", "d_z", "srm", "baseline-sd"}
    assert (frame["conf_low"] < frame["estimate"]).all()
    assert (frame["estimate"] < frame["conf_high"]).all()
    narrow = effect_sizes(cohort_scores(), visit="post").frame(level=0.8)
    assert (narrow["conf_low"] > frame["conf_low"]).all()


def test_reversed_scale_gives_the_same_improvement():
    higher = effect_sizes(cohort_scores(), visit="post").frame()
    lower = effect_sizes(cohort_scores("lower", -1), visit="post").frame()
    pd.testing.assert_frame_equal(higher, lower)


def test_arm_of_one_keeps_its_row_with_the_reason():
    scores = cohort_scores()
    scores["arm"] = np.where(scores["participant"] == "P0", "alone", "rest")
    frame = effect_sizes(scores, "fma_ue.motor", kinds="d_z", visit="post").frame().set_index("arm")
    assert np.isnan(frame.loc["alone", "estimate"])
    assert "allowed 2 or more" in frame.loc["alone", "reason"]
    assert frame.loc["rest", "n"] == 4


def test_same_change_for_everyone_has_no_spread():
    with pytest.raises(FitError, match="Nothing to standardise by"):
        effect_size("d_z", [2, 3, 4], [1, 2, 3])
    shifted = effect_size("d_av", [2, 3, 4], [1, 2, 3])
    assert shifted.estimate == 1
    assert np.isnan(shifted.conf_low)
    assert any("SD of change is 0" in note for note in shifted.notes)


@pytest.mark.parametrize(
    "given", [{"mean1": 5, "sd1": 2, "mean2": 4}, {"mean1": 5, "sd1": 2, "n1": 1, "mean2": 4, "sd2": 2}]
)
def test_incomplete_published_numbers_are_refused(given):
    with pytest.raises(FitError, match=r"lacks|2 or more"):
        effect_size("d_av", **given)


def test_unknown_kind_lists_the_allowed():
    with pytest.raises(FitError, match="baseline-sd"):
        effect_size("cohen", [1, 2], [3, 4])
    with pytest.raises(FitError, match="d_av"):
        effect_sizes(cohort_scores(), kinds="cohen")


def test_unequal_pairs_are_refused():
    with pytest.raises(FitError, match="equally many"):
        effect_size("d_z", [1, 2, 3], [1, 2])


def test_published_numbers_and_raw_values_agree():
    pre, post, _ = (np.array(values, float) for values in FMA)
    r = np.corrcoef(post, pre)[0, 1]
    given = {"mean1": post.mean(), "sd1": post.std(ddof=1), "mean2": pre.mean(), "sd2": pre.std(ddof=1), "n1": 5}
    for kind in ("d_av", "g_av", "d_z", "srm", "d_rm", "baseline-sd"):
        raw = effect_size(kind, post, pre).frame().drop(columns=["term"])
        pd.testing.assert_frame_equal(raw, effect_size(kind, **given, r=r).frame().drop(columns=["term"]))


values = st.lists(st.integers(0, 66), min_size=4, max_size=20)


@settings(deadline=None, max_examples=30)
@given(values, st.data())
def test_identities(first, data):
    second = data.draw(st.lists(st.integers(0, 66), min_size=len(first), max_size=len(first)))
    x, y = np.array(first, float), np.array(second, float)
    assume(min(x.std(), y.std(), (x - y).std()) > 1e-9)
    t = (x - y).mean() / ((x - y).std(ddof=1) / np.sqrt(len(x)))
    assert effect_size("d_z", x, y).estimate == pytest.approx(t / np.sqrt(len(x)), abs=1e-12)
    for kind in ("d", "g", "d_av", "g_av", "d_z", "srm"):
        one, other = effect_size(kind, x, y), effect_size(kind, y, x)
        assert one.estimate == pytest.approx(-other.estimate, abs=1e-12)
        assert one.conf_low == pytest.approx(-other.conf_high, abs=1e-8)
        assert one.conf_low <= one.estimate + 1e-9


@pytest.mark.parametrize(("statistic", "df"), [(2.0, 1), (50.0, 1), (-90.0, 1.2), (900.0, 2), (1e6, 2), (1.65e16, 5)])
def test_limits_of_the_noncentrality_hold_for_statistics_of_any_size(statistic, df):
    """Second way: P(T <= t) as the mean of the normal distribution function over the chi distribution, by quadrature.

    T = (Z + ncp) / S with S^2 = chi2 / df, so P(T <= t) = E[Phi(t S - ncp)]. People who all change by the same amount
    give statistics without bound.
    """
    scale = np.linspace(5e-7, 1 - 5e-7, 1_000_000)  # quantiles of S: the middle of each of a million equal parts
    spread = np.sqrt(chi2.ppf(scale, df) / df)
    low, high = noncentrality_limits(statistic, df, 0.95)
    assert np.mean(norm.cdf(statistic * spread - low)) == pytest.approx(0.975, abs=2e-4)
    assert np.mean(norm.cdf(statistic * spread - high)) == pytest.approx(0.025, abs=2e-4)


def test_limits_of_an_unknown_statistic_are_unknown():
    assert np.isnan(noncentrality_limits(float("nan"), 3)).all()
    assert np.isnan(noncentrality_limits(2.0, float("nan"))).all()
