"""Published trials -> effects: worked examples from outside, identities, and what is refused."""

import json
from math import sqrt
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2, norm, t, ttest_ind, ttest_ind_from_stats, ttest_rel

from stats import effect_size, pool_effects, published_effects
from stats.effects.pooling_caveats import COVERED, coverage_caveat
from stats.errors import FitError
from tests.simulation.pooled_coverage import drawn, paule_mandel, restricted

TWO = {"source": ["A", "A"], "arm": ["device", "control"], "n": [20, 22]}

# Normand 1999 (Stat Med 18:321-359), length of stay after stroke, specialist against routine care, as printed on the
# web page "The metafor Package"; read there too: standardised, REML, tau2 0.7908.
STROKE_UNITS = pd.DataFrame(
    {
        "source": ["Edinburgh", "Orpington mild", "Orpington moderate", "Orpington severe", "Montreal home",
                   "Montreal transfer", "Newcastle", "Umea", "Uppsala"],
        "n1": [155, 31, 75, 18, 8, 57, 34, 110, 60],
        "mean1": [55, 27, 64, 66, 14, 19, 52, 21, 30],
        "sd1": [47, 7, 17, 20, 8, 7, 45, 16, 27],
        "n2": [156, 32, 71, 18, 13, 52, 33, 183, 52],
        "mean2": [75, 29, 119, 137, 18, 18, 41, 31, 23],
        "sd2": [64, 4, 29, 48, 11, 4, 34, 27, 20],
    }
)  # fmt: skip


def published(columns: dict, **named):
    return published_effects(pd.DataFrame(TWO | columns), **named)


def test_nine_stroke_trials_are_those_of_effect_size_and_pool_as_published():
    made = published_effects(STROKE_UNITS, kind="g").frame()
    for row, own in zip(made.itertuples(), STROKE_UNITS.itertuples(), strict=True):
        one = effect_size("g", mean1=own.mean1, sd1=own.sd1, n1=own.n1, mean2=own.mean2, sd2=own.sd2, n2=own.n2)
        assert (row.estimate, row.std_error) == (one.estimate, one.std_error)
        assert (row.conf_low, row.conf_high) == one.limits(0.95)
    # the page's variances are 1/n1 + 1/n2 + g^2 / (2 (n1 + n2)); with these its tau2 comes out
    theirs = made.assign(
        std_error=np.sqrt(1 / made["n_treated"] + 1 / made["n_control"] + made["estimate"] ** 2 / (2 * made["n"]))
    )
    assert pool_effects(theirs, method="reml").tau2 == pytest.approx(0.7908, abs=5e-5)


@pytest.mark.parametrize("row", list(STROKE_UNITS.itertuples()), ids=lambda row: row.source)
def test_mean_differences_are_welchs(row):
    made = published_effects(STROKE_UNITS[STROKE_UNITS["source"] == row.source], kind="mean-difference").frame().iloc[0]
    test = ttest_ind_from_stats(row.mean1, row.sd1, row.n1, row.mean2, row.sd2, row.n2, equal_var=False)
    assert made["estimate"] / made["std_error"] == pytest.approx(test.statistic)
    assert 2 * t.sf(abs(made["estimate"] / made["std_error"]), made["df"]) == pytest.approx(test.pvalue)


def test_standard_error_of_a_difference_from_its_p():
    """Cochrane Handbook 5.1, 7.7.3.3: MD 3.8, p 0.008, 25 and 22 people: t 2.78, SE 1.37 (read in a quoting page)."""
    rows = pd.DataFrame(
        {"source": "A", "arm": ["device", "control"], "n": [25, 22], "difference": [3.8, None], "p": [0.008, None]}
    )
    made = published_effects(rows, kind="mean-difference")
    assert made["std_error"] == pytest.approx(1.37, abs=0.005)
    assert made["estimate"] / made["std_error"] == pytest.approx(2.78, abs=0.005)
    assert "t from the two-sided p, 45 df" in made["converted"]


def test_sd_of_a_mean_from_its_interval():
    """Handbook 5.1, 7.7.3.2: n 25, divisor 4.128 = 2 x 2.0639 (read); 30.0 to 34.2 gives SD 5.09 (from memory)."""
    made = published({"n": [25, 25], "mean": [32.1, 30.0], "low": [30.0, 27.9], "high": [34.2, 32.1]}, kind="d")
    spread = sqrt(25) * (34.2 - 30.0) / 4.128
    assert made["standardiser_value"] == pytest.approx(spread, rel=1e-4)
    assert spread == pytest.approx(5.09, abs=0.005)


def test_sd_from_quartiles():
    """Wan 2014: q1 0.02, q3 0.04, n 100: SD 0.0150441, printed in an answer that quotes the paper's formula."""
    made = published(
        {"n": [100, 100], "median": [0.03, 0.02], "q1": [0.02, 0.01], "q3": [0.04, 0.03]}, kind="d"
    ).frame().iloc[0]  # fmt: skip
    assert made["standardiser_value"] == pytest.approx(0.0150441, abs=5e-8)
    assert made["estimate"] == pytest.approx(0.01 / 0.0150441, abs=1e-5)
    assert "as if the values were normal" in made["flags"]


def test_correlation_gives_the_sd_of_change():
    """Handbook 5.1, 16.4.6.4 (read): SDs 2.38 and 2.21, r 0.68, n 10, means 7.0 and 6.5: SE of the change 0.583."""
    rows = pd.DataFrame(
        {"source": ["A"], "arm": ["device"], "n": [10], "mean_baseline": [6.5], "sd_baseline": [2.21], "mean": [7.0],
         "sd": [2.38]}
    )  # fmt: skip
    for given_r in (rows.assign(r=0.68), rows):
        made = published_effects(given_r, kind="change", correlation=0.68)
        assert (made["estimate"], made["std_error"]) == pytest.approx((0.5, 0.583), abs=5e-4)
    assert published_effects(rows.assign(sd_change=2.0), kind="change")["std_error"] == pytest.approx(0.632, abs=5e-4)


@given(
    st.integers(3, 60),
    st.integers(3, 60),
    st.floats(0.5, 20),
    st.floats(0.5, 20),
    st.floats(-30, 30),
    st.integers(1, 3),
)
@settings(max_examples=15, deadline=None)
def test_every_printed_form_of_an_arm_gives_the_same_effect(n1, n2, s1, s2, mean, form):
    plain = {"n": [n1, n2], "mean": [mean + 1, mean], "sd": [s1, s2]}
    other = {"n": [n1, n2], "mean": [mean + 1, mean]}
    spread = np.array([s1, s2]) / np.sqrt([n1, n2])
    if form == 1:
        other |= {"se": spread}
    else:
        reach = t.ppf(0.95 if form == 3 else 0.975, np.array([n1, n2]) - 1) * spread
        other |= {
            "low": other["mean"] - reach,
            "high": other["mean"] + reach,
            "level": [0.9 if form == 3 else 0.95] * 2,
        }
    one, two = (published(columns, kind="g").frame().iloc[0] for columns in (plain, other))
    assert (two["estimate"], two["std_error"]) == pytest.approx((one["estimate"], one["std_error"]), rel=1e-9)


def test_t_f_and_p_of_a_plain_test_give_its_d():
    rng = np.random.default_rng(3)
    x, y = rng.normal(1, 2, 20), rng.normal(0, 2, 22)
    test = ttest_ind(x, y)
    expected = effect_size("g", x, y)
    for name, value in (("t", test.statistic), ("f", test.statistic**2), ("p", test.pvalue)):
        made = published({name: [value, None], "difference": [x.mean() - y.mean(), None]}, kind="g").frame().iloc[0]
        assert made["estimate"] == pytest.approx(expected.estimate, rel=1e-9)
        assert made["std_error"] == pytest.approx(expected.std_error, rel=1e-9)
        assert (made["conf_low"], made["conf_high"]) == pytest.approx(expected.limits(0.95), rel=1e-6)
        raw = published({name: [value, None], "difference": [x.mean() - y.mean(), None]}, kind="mean-difference")
        assert raw["std_error"] == pytest.approx((x.mean() - y.mean()) / test.statistic, rel=1e-9)


PRE_POST = {"mean_baseline": [30.5, 23.5], "sd_baseline": [6.9, 8.9], "mean": [13.5, 12.1], "sd": [5.7, 9.3]}


def test_difference_of_changes_over_baseline_sd():
    """Pooled baseline SD, d_ppc2 of Morris 2008, by hand; the band runs over the correlations."""
    grid = [0.4, 0.6, 0.8]
    made = published(PRE_POST, kind="pre-post-control", correlation=grid, better="lower")
    row, bands = made.frame().iloc[0], made.bands()
    spread = sqrt((19 * 6.9**2 + 21 * 8.9**2) / 40)
    factor = 1 - 3 / (4 * 40 - 1)  # the usual approximation of the exact factor, Morris 2008
    assert row["estimate"] == pytest.approx(-factor * ((13.5 - 30.5) - (12.1 - 23.5)) / spread, rel=1e-4)
    assert bands["estimate"].nunique() == 1
    assert bands["std_error"].is_monotonic_decreasing
    assert (row["band_low"], row["band_high"]) == (bands["conf_low"].min(), bands["conf_high"].max())
    assert (row["correlation"], row["correlation_from"]) == (0.6, "assumed")
    single = published(PRE_POST, kind="pre-post-control", correlation=0.4, better="lower").frame().iloc[0]
    assert single["conf_low"] == bands.loc[bands["correlation"] == 0.4, "conf_low"].item()


def test_without_a_correlation_there_is_no_interval_and_it_is_said():
    made = published(PRE_POST, kind="pre-post-control")
    assert np.isnan(made["std_error"])
    assert "no interval" in made["flags"]
    assert "neither r nor the SD of change" in made.sentence()
    ends = published(PRE_POST, kind="mean-difference").frame().iloc[0]
    assert ends["estimate"] == pytest.approx(1.4)  # of the values at the end
    assert "baselines not used" in ends["flags"]


def test_an_sd_of_change_implies_the_correlation_a_plan_needs():
    spread = [sqrt(6.9**2 + 5.7**2 - 2 * 0.7 * 6.9 * 5.7), sqrt(8.9**2 + 9.3**2 - 2 * 0.7 * 8.9 * 9.3)]
    made = published(PRE_POST | {"sd_change": spread}, kind="pre-post-control", correlation=[0.1, 0.2])
    assert (made["correlation"], made["correlation_from"]) == (pytest.approx(0.7), "published")
    assert made["band_low"] == made["conf_low"]  # nothing was assumed
    spreads = made.spreads().iloc[0]
    assert spreads["sd"] == pytest.approx(sqrt((19 * 5.7**2 + 21 * 9.3**2) / 40))
    assert (spreads["r"], spreads["df"], spreads["n"]) == (pytest.approx(0.7), 40, 42)


def test_lower_is_better_turns_the_sign_and_the_limits():
    up = published({"mean": [9.0, 6.0], "sd": [4.0, 4.0]}).frame().iloc[0]
    down = published({"mean": [9.0, 6.0], "sd": [4.0, 4.0], "better": ["lower", "lower"]}).frame().iloc[0]
    assert (down["estimate"], down["conf_low"]) == (-up["estimate"], -up["conf_high"])


GOOD = {"mean": [9.0, 6.0], "sd": [4.0, 4.0]}


@pytest.mark.parametrize(
    ("columns", "named", "said"),
    [
        (GOOD | {"n": [1, 20]}, {}, "n = 1"),
        (GOOD | {"n": [20.5, 20]}, {}, "whole number"),
        (GOOD | {"sd": [-4.0, 4.0]}, {}, "SD -4.0"),
        (GOOD | {"se": [4.0, 4.0]}, {}, "Is the SD a standard error"),
        (GOOD | {"low": [10.0, 5.0], "high": [8.0, 7.0]}, {}, "lower limit below"),
        (GOOD | {"low": [10.0, 5.0], "high": [12.0, 7.0]}, {}, "outside its interval"),
        (GOOD | {"r": [1.2, 0.5]}, {}, "r = 1.2"),
        (GOOD | {"r": [1.0, 0.5]}, {}, "below 1"),
        (GOOD | {"sd": [np.inf, 4.0]}, {}, "infinite"),
        ({"p": ["<0.001", None], "difference": [1.0, None]}, {}, "Of a bound"),
        ({"p": [0.5, None], "difference": [0.0, None]}, {}, "neither a direction nor a size"),
        ({"p": [0.5, None], "difference": [0.0, None]}, {"kind": "mean-difference"}, "more decimals"),
        ({"p": [1.0, None], "difference": [0.1, None]}, {"kind": "mean-difference"}, "more decimals"),
        ({"t": [4.1, 1.2], "change": [5.0, 1.0]}, {}, "of a change inside an arm"),
        (PRE_POST | {"sd_change": [40.0, 5.0]}, {}, "imply a correlation"),
        (PRE_POST, {"correlation": 1.0}, "between -1 and 1"),
        (PRE_POST, {"correlation": []}, "grid without a value"),
        ({"median": [5, 5], "q1": [6, 4], "q3": [7, 6]}, {}, "rising order"),
        ({"p": [0.0, None], "difference": [1.0, None]}, {}, "above 0 and at most 1"),
        ({"p": [0.03, None]}, {}, "no direction"),
        ({"t": [-2.0, None], "difference": [3.0, None]}, {}, "opposite signs"),
        ({"f": [-1.0, None], "difference": [3.0, None]}, {}, "F of 0 or more"),
        ({"low_difference": [3.0, None], "high_difference": [1.0, None]}, {}, "inside it"),
        (GOOD | {"level": [95, 95]}, {}, "0.95 for 95 %"),
        (GOOD | {"arm": ["glove", "splint"]}, {}, "which one is the control"),
        (GOOD | {"arm": ["control", "sham"]}, {}, "which one is the control"),
        (GOOD | {"unit": ["kgf", "lbf"]}, {}, "units kgf, lbf"),
        (GOOD | {"better": ["higher", "lower"]}, {}, "the same per trial"),
        (GOOD, {"kind": "cohens"}, "Kind 'cohens'"),
        (GOOD, {"better": "up"}, "better='up'"),
        (GOOD, {"kind": "pre-post-control"}, "needs the change"),
        ({"mean": [9.0, 6.0]}, {}, "needs mean and SD"),
        (GOOD | {"source": ["", ""]}, {}, "without a source"),
        (GOOD | {"mean": ["nine", 6.0]}, {}, "'nine'"),
    ],
)
def test_what_cannot_be_is_refused_with_its_place(columns, named, said):
    with pytest.raises(FitError, match=said):
        published(columns, **named)


def test_a_printed_mean_or_sd_is_not_taken_from_quartiles():
    """Wan 2014 fills only what is missing."""
    quartiles = {"median": [10.0, 8.0], "q1": [7.0, 5.0], "q3": [14.0, 12.0]}
    spread = 7 / (2 * norm.ppf((0.75 * 20 - 0.125) / 20.25))
    with_mean = published({"mean": [11.0, 9.0], "n": [20, 20]} | quartiles, kind="d").frame().iloc[0]
    assert with_mean["estimate"] == pytest.approx(2.0 / spread)
    assert "SD at the end from median and quartiles" in with_mean["converted"]
    with_sd = published({"sd": [4.0, 4.0], "n": [20, 20]} | quartiles, kind="d").frame().iloc[0]
    assert with_sd["estimate"] == pytest.approx(((7 + 10 + 14) - (5 + 8 + 12)) / 3 / 4)
    assert "SD at the end from" not in with_sd["converted"]


def test_medians_of_changes_give_a_difference_of_changes():
    rows = published(
        {"n": [20, 20], "median_change": [6.0, 2.0], "q1_change": [3.0, 0.0], "q3_change": [9.0, 4.0]},
        kind="mean-difference",
    )  # fmt: skip
    spreads = np.array([6.0, 4.0]) / (2 * norm.ppf((0.75 * 20 - 0.125) / 20.25))
    assert (rows["estimate"], rows["std_error"]) == pytest.approx((4.0, sqrt((spreads**2).sum() / 20)))
    assert "as if the values were normal" in rows["flags"]


def test_a_lone_arms_t_or_p_is_that_of_its_change():
    """The paired t test of scipy on drawn values gives back the SD of their changes."""
    rng = np.random.default_rng(8)
    first, last = rng.normal(20, 6, 14), rng.normal(24, 6, 14)
    test = ttest_rel(last, first)
    gap = last - first
    base = {"source": ["A"], "arm": ["device"], "n": [14], "change": [gap.mean()]}
    for printed in ({"t": [test.statistic]}, {"p": [test.pvalue]}, {"f": [test.statistic**2]}):
        made = published_effects(pd.DataFrame(base | printed), kind="change").frame().iloc[0]
        assert made["std_error"] == pytest.approx(gap.std(ddof=1) / sqrt(14), rel=1e-9)
        assert "SD of change from" in made["converted"]


@pytest.mark.parametrize("column", ["mean", "change"])
def test_a_statistic_and_the_arms_means_give_the_difference_its_error(column):
    """scipy's t test of drawn values: t, F or p beside the two means (or changes) alone gives the difference's SE."""
    rng = np.random.default_rng(4)
    x, y = rng.normal(5, 3, TWO["n"][0]), rng.normal(2, 3, TWO["n"][1])
    test = ttest_ind(x, y)
    root = sqrt(1 / len(x) + 1 / len(y))
    spread = sqrt(((len(x) - 1) * x.var(ddof=1) + (len(y) - 1) * y.var(ddof=1)) / (len(x) + len(y) - 2))
    for printed in ({"t": [test.statistic, None]}, {"f": [test.statistic**2, None]}, {"p": [None, test.pvalue]}):
        columns = {column: [x.mean(), y.mean()]} | printed
        made = published(columns, kind="mean-difference").frame().iloc[0]
        assert made["estimate"] == pytest.approx(x.mean() - y.mean())
        assert made["std_error"] == pytest.approx(spread * root, rel=1e-9)
        size = published(columns, kind="d").frame().iloc[0]
        assert size["estimate"] == pytest.approx((x.mean() - y.mean()) / spread, rel=1e-9)
        assert size["standardiser"] == {"mean": "pooled SD", "change": "pooled SD of change"}[column]


def test_a_standardised_response_mean_needs_no_sd_of_values():
    one = pd.DataFrame({"source": ["A"], "arm": ["device"], "n": [14], "change": [3.0], "t": [2.5]})
    made = published_effects(one, kind="srm").frame().iloc[0]
    assert made["estimate"] == pytest.approx(2.5 / sqrt(14))  # t / sqrt(n)


def test_quartiles_beside_a_mean_give_the_sd_without_a_median():
    made = published({"n": [20, 20], "mean": [11.0, 9.0], "q1": [7.0, 5.0], "q3": [14.0, 12.0]}, kind="d").frame()
    assert made["estimate"][0] == pytest.approx(2.0 / (7 / (2 * norm.ppf((0.75 * 20 - 0.125) / 20.25))))
    assert "SD at the end from quartiles" in made["converted"][0]


def test_equal_means_with_a_p_are_taken_from_the_arms():
    """A rounded difference of 0 has no sign: its p is not used where the arms' own numbers do."""
    made = published({"mean": [9.0, 9.0], "sd": [4.0, 4.0], "p": [0.9, None]}, kind="mean-difference")
    assert (made["estimate"], made["std_error"]) == (0.0, pytest.approx(4 * sqrt(1 / TWO["n"][0] + 1 / TWO["n"][1])))


def test_printed_numbers_that_disagree_are_flagged():
    apart = {"difference": [3.0, None], "t": [2.0, None], "p": [0.5, None]}
    assert "two printed numbers disagree" in published(apart)["flags"]
    assert "disagree" not in published(apart | {"p": [0.05, None]})["flags"]
    lean = {"difference": [1.0, None], "low_difference": [0.5, None], "high_difference": [5.5, None]}
    assert "not symmetric" in published(lean, kind="mean-difference")["flags"]
    assert "SD of 0" in published(GOOD | {"sd": [0.0, 4.0]})["flags"]


def test_what_looks_wrong_is_flagged():
    turned = published(GOOD | {"difference": [-3.0, None], "se_difference": [1.2, None]}, kind="mean-difference")
    assert "control less treated" in turned["flags"]
    assert "SD a standard error" in published(GOOD | {"sd": [0.8, 0.9]})["flags"]
    assert "SD a standard error" not in published(GOOD)["flags"]


def test_more_refusals_and_ways_out():
    three = pd.DataFrame(
        {"source": "A", "arm": ["x", "y", "control"], "n": 20, **{k: [1.0] * 3 for k in ("mean", "sd")}}
    )
    with pytest.raises(FitError, match="3 arms"):
        published_effects(three)
    with pytest.raises(FitError, match="no control arm"):
        published_effects(three[:1])
    with pytest.raises(FitError, match="in kgf, N"):
        published_effects(
            pd.concat(
                [pd.DataFrame(TWO | GOOD | {"unit": "kgf"}), pd.DataFrame(TWO | GOOD | {"unit": "N", "source": "B"})]
            ),
            kind="mean-difference",
        )
    named = published(GOOD | {"arm": ["glove", "splint"]}, control="splint")
    assert named["estimate"] > 0
    with pytest.raises(FitError, match="no column source"):
        published_effects(pd.DataFrame({"n": [1]}))


def test_pooling_takes_published_effects_and_knows_one_standardiser_by_many_names():
    made = published_effects(STROKE_UNITS, kind="d")
    assert pool_effects(made).n_participants == STROKE_UNITS[["n1", "n2"]].sum().sum()
    frame = pd.DataFrame({"estimate": [0.3, 0.4], "std_error": [0.1, 0.1]})
    assert pool_effects(frame.assign(standardiser=["SD at baseline", "pooled SD at baseline"])).unit == "SD"
    with pytest.raises(FitError, match="different standardisers"):
        pool_effects(frame.assign(standardiser=["pooled SD", "pooled SD at baseline"]))


POOLING = sorted((Path(__file__).parents[2] / "reference" / "pooling").glob("*.json"))
ERRORS = {"normal": "normal", "hk": "hartung-knapp", "safeguard": "hartung-knapp-safe"}


@pytest.mark.parametrize("path", POOLING, ids=lambda path: path.stem)
@pytest.mark.parametrize("method", ["paule-mandel", "dersimonian-laird", "reml"])
def test_every_prediction_interval_and_t_is_that_of_the_reference(path, method):
    """R and metafor 3.8-1 (tests/reference/SOURCES.md); intervals and tau2: test_order_and_pooling."""
    case = json.loads(path.read_text())
    block, errors = case[method.replace("-", "_")], np.sqrt(case["variances"])
    names = [name for name in block if name.startswith("prediction_t_k_minus_")]
    assert len(names) == 5
    for name in names:
        lost, error = name.removeprefix("prediction_t_k_minus_").removesuffix("_se").split("_")
        made = pool_effects(
            case["effects"], errors, method=method, interval=ERRORS[error], prediction=f"k-{lost}"
        )  # fmt: skip
        found = (made.prediction_low, made.prediction_high)
        assert found == pytest.approx((block[name]["lower"], block[name]["upper"]), rel=1e-9, abs=1e-12)
    for name in ("hartung_knapp", "hartung_knapp_safeguard"):
        interval = name.replace("_", "-").replace("safeguard", "safe")
        made = pool_effects(case["effects"], errors, method=method, interval=interval)
        ratio = made.estimate / made.std_error
        assert (ratio, 2 * t.sf(abs(ratio), made.df)) == pytest.approx((block[name]["t"], block[name]["p"]), rel=1e-8)


@pytest.mark.parametrize("path", POOLING, ids=lambda path: path.stem)
def test_tau2_its_interval_and_leaving_one_out_are_those_of_the_reference(path):
    case = json.loads(path.read_text())
    effects, errors = np.array(case["effects"]), np.sqrt(case["variances"])
    pooled = pool_effects(effects, errors, interval="hartung-knapp")
    block = case["tau2_q_profile_interval"]
    assert pooled.tau2_limits() == pytest.approx((block["lower"], block["upper"]), rel=1e-9, abs=1e-12)
    assert chi2.sf(pooled.q, pooled.df) == pytest.approx(case["Q_p"], rel=1e-9)
    left = pooled.leave_one_out()
    assert ("leave_one_out_paule_mandel" in case) == (case["k"] > 3)  # of three the reference leaves none out
    listed = case.get("leave_one_out_paule_mandel", [])
    for row, theirs in zip(left.itertuples() if listed else (), listed, strict=True):
        found = (row.estimate, row.tau2, row.std_error)
        assert found == pytest.approx((theirs["estimate"], theirs["tau2"], theirs["hk_se"]), rel=1e-8, abs=1e-12)
    theirs = case["metafor"]  # stops its iteration at about 1e-5 of tau2, so it is met to that only
    assert pooled.tau2 == pytest.approx(theirs["PM_knha"]["tau2"], rel=1e-5, abs=1e-8)
    assert pool_effects(effects, errors, method="reml").tau2 == pytest.approx(theirs["REML_tau2"], rel=1e-4, abs=1e-8)
    limits = (theirs["PM_knha"]["lower"], theirs["PM_knha"]["upper"])
    assert (pooled.conf_low, pooled.conf_high) == pytest.approx(limits, rel=1e-5, abs=1e-6)


def test_coverage_table_is_what_the_sentence_says():
    table = pd.read_csv(Path(__file__).parents[2] / "simulation" / "pooled_coverage.csv")
    groups = table.groupby(["method", "interval", "studies"])["coverage"]
    for (method, interval, k), values in groups:
        assert COVERED[method, interval][k] == pytest.approx((values.min(), values.max()), abs=5e-5)
    assert "79%" in coverage_caveat(3, "paule-mandel", "normal")
    assert "held the truth" in pool_effects([0.1, 0.5, 0.4], [0.2, 0.25, 0.3], interval="normal").sentence()
    assert coverage_caveat(9, "reml", "hartung-knapp") == ""


def test_the_simulations_estimators_are_ours():
    y, v = drawn(np.random.default_rng(1), (10, 60, 20, 12, 30), 0.5, 12)
    for method, found in (("paule-mandel", paule_mandel(y, v)), ("reml", restricted(y, v))):
        ours = [pool_effects(one, np.sqrt(two), method=method).tau2 for one, two in zip(y, v, strict=True)]
        assert found == pytest.approx(ours, abs=1e-6)


def test_ten_studies_are_looked_at_for_small_ones_missing():
    errors = np.linspace(0.05, 0.5, 12)
    leaning = pool_effects(0.1 + 1.5 * errors + 0.02 * norm.ppf(np.linspace(0.1, 0.9, 12)[::-1]), errors)
    slope, p_value = leaning.small_studies()
    # Egger's regression: effect / se on 1 / se, its intercept
    design = np.column_stack([np.ones(12), 1 / errors])
    intercept = np.linalg.lstsq(design, leaning.studies["estimate"] / errors, rcond=None)[0][0]
    assert slope == pytest.approx(intercept)
    assert p_value < 0.01
    assert "smaller studies show other effects" in leaning.sentence()
    assert "too few studies to see" in pool_effects([0.1, 0.2, 0.3], [0.1, 0.1, 0.1]).sentence()
