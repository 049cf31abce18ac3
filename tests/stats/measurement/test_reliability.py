"""Reliability and error: pingouin where it is right, identities, two-rater and retest designs, refusals."""

import numpy as np
import pandas as pd
import pingouin
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2

from stats.errors import FitError
from stats.measurement.agreement import limits_of_agreement, repeatability, replicate_agreement
from stats.measurement.error_of_measurement import measurement_error
from stats.measurement.internal_consistency import cronbach_alpha
from stats.measurement.reliability import concordance, intraclass_correlation, kappa
from stats.responders.count import count_responders

# Shrout & Fleiss 1979, Table 2: six people, four judges.
RATINGS = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
FRAME = pd.DataFrame(
    [(person, judge, float(value)) for person, row in enumerate(RATINGS) for judge, value in enumerate(row)],
    columns=["participant", "rater", "value"],
)
NAMES = {"target": "participant", "rater": "rater", "value": "value"}


def test_pingouin_agrees_on_intraclass_correlation():
    theirs = pingouin.intraclass_corr(FRAME, targets="participant", raters="rater", ratings="value")
    ours = intraclass_correlation(FRAME, **NAMES).frame()
    np.testing.assert_allclose(ours["estimate"], theirs["ICC"], atol=1e-6)
    # pingouin rounds its intervals to two decimals; ours does not
    np.testing.assert_allclose(ours[["conf_low", "conf_high"]], np.stack(theirs["CI95"]), atol=0.0051)
    np.testing.assert_allclose(ours["p_value"], theirs["pval"], atol=1e-9)


def test_both_notations_are_named():
    frame = intraclass_correlation(FRAME, **NAMES).frame()
    assert frame["form"].tolist()[:3] == ["ICC(1,1)", "ICC(2,1)", "ICC(3,1)"]
    assert frame["mcgraw_wong"].tolist() == ["ICC(1)", "ICC(A,1)", "ICC(C,1)", "ICC(k)", "ICC(A,k)", "ICC(C,k)"]
    assert "ICC(2,1) = ICC(A,1)" in intraclass_correlation(FRAME, **NAMES).sentence()


def test_gaps_are_refused_or_dropped_and_said():
    gap = FRAME.drop(index=0)
    with pytest.raises(FitError, match="Not rated by everyone: participant 0"):
        intraclass_correlation(gap, **NAMES)
    found = intraclass_correlation(gap, **NAMES, incomplete="drop")
    assert found.n_participants == 5
    assert "Left out" in found.notes[0]
    with pytest.raises(FitError, match="Two values"):
        intraclass_correlation(pd.concat([FRAME, FRAME.head(1)]), **NAMES)
    with pytest.raises(FitError, match="2 or more of each"):
        intraclass_correlation(FRAME[FRAME["rater"] == 0], **NAMES)


@settings(deadline=None, max_examples=40)
@given(st.lists(st.lists(st.integers(0, 20), min_size=3, max_size=3), min_size=3, max_size=10), st.floats(0.1, 10))
def test_scale_and_shift_do_not_change_reliability(table, factor):
    ratings = np.array(table, float)
    rows = [(i, j, ratings[i, j]) for i in range(len(ratings)) for j in range(3)]
    frame = pd.DataFrame(rows, columns=["participant", "rater", "value"])
    one = intraclass_correlation(frame, **NAMES).frame()
    other = intraclass_correlation(frame.assign(value=5 - factor * frame["value"]), **NAMES).frame()
    np.testing.assert_allclose(one["estimate"], other["estimate"], atol=1e-7, equal_nan=True)


def test_error_is_the_residual_or_the_residual_with_raters():
    consistency = measurement_error(FRAME, kind="consistency")
    agreement = measurement_error(FRAME, kind="agreement")
    squares = intraclass_correlation(FRAME, **NAMES).squares
    assert consistency.error == pytest.approx(np.sqrt(squares.error))
    assert agreement.error == pytest.approx(np.sqrt(squares.error + (squares.raters - squares.error) / 6))
    low = consistency.error * np.sqrt(15 / chi2.ppf(0.975, 15))
    assert consistency.frame()["conf_low"].iloc[0] == pytest.approx(low)


def test_published_detectable_change_from_its_error():
    # Neurorehabil Neural Repair 2023;37(8):545-553: SEM 2.46, MDC 6.82 points (Fugl-Meyer upper extremity).
    frame = measurement_error(sd=2.46, reliability=0).frame().set_index("term")
    assert frame.loc["MDC95", "estimate"] == pytest.approx(6.82, abs=0.005)
    assert frame.loc["MDC90", "estimate"] == pytest.approx(5.72, abs=0.005)


def test_error_from_sd_and_reliability_needs_both():
    assert measurement_error(sd=7.5, reliability=0.8).error == pytest.approx(3.354, abs=5e-4)  # Jacobson & Truax 1991
    with pytest.raises(FitError, match="sd= and reliability="):
        measurement_error(sd=7.5)
    with pytest.raises(FitError, match="0 to 1"):
        measurement_error(sd=7.5, reliability=1.2)


def test_own_detectable_change_stands_beside_the_published_one():
    own = measurement_error(FRAME, kind="consistency", unit="points").threshold("fma_ue.motor", "this sample")
    assert own.strict
    counted = count_responders([3, 2, 9, 7, 17], [own, 9.0], select="fma_ue.motor", unit="points", source="anchor")
    assert counted.frame()["source"].tolist() == ["this study", "anchor"]
    assert counted.frame()["value"].iloc[0] == pytest.approx(1.96 * np.sqrt(2 * 1.0194), abs=0.01)


def test_no_error_seen_is_said():
    same = FRAME.assign(value=FRAME["participant"].astype(float))
    found = measurement_error(same)
    assert found.error == 0
    assert any("no error was seen" in note for note in found.notes)
    assert np.isnan(intraclass_correlation(same, **NAMES).frame()["conf_low"].iloc[0])


def test_exact_limits_hold_their_coverage():
    """95 % interval of the upper limit, 12 people, 100,000 normal samples: Monte-Carlo standard error 0.0007."""
    rng = np.random.default_rng(11)
    shape = np.linspace(-1, 1, 12)
    unit = limits_of_agreement(shape / shape.std(ddof=1), np.zeros(12)).frame().iloc[2]  # mean 0, SD 1
    samples = rng.standard_normal((100_000, 12))
    mean, sd = samples.mean(axis=1), samples.std(axis=1, ddof=1)
    held = (mean + sd * unit["conf_low"] <= 1.959964) & (mean + sd * unit["conf_high"] >= 1.959964)
    assert held.mean() == pytest.approx(0.95, abs=0.003)


def test_swapping_methods_flips_the_limits():
    a, b = [3.0, 5, 8, 2, 9], [2.0, 6, 6, 3, 7]
    one, other = limits_of_agreement(a, b).frame(), limits_of_agreement(b, a).frame()
    mirrored = [-other["estimate"][0], -other["estimate"][2], -other["estimate"][1]]
    assert one["estimate"].tolist() == pytest.approx(mirrored)
    assert one["conf_low"][1] == pytest.approx(-other["conf_high"][2])
    with pytest.raises(FitError, match="3 or more"):
        limits_of_agreement([1, 2], [2, 1])


def test_single_pairs_are_no_replicates():
    frame = pd.DataFrame({"p": [1, 2, 3] * 2, "m": ["a"] * 3 + ["b"] * 3, "v": [1.0, 2, 3, 2, 2, 4]})
    with pytest.raises(FitError, match="repeats by each method"):
        replicate_agreement(frame, target="p", method="m", value="v")


def test_paired_replicates_split_the_variance():
    # balanced: variance between people from the means, less the part due to the repeats
    rng = np.random.default_rng(2)
    people, times = 30, 4
    gap = rng.normal(0, 2, people)[:, None] + rng.normal(0, 1, (people, times))
    rows = [(i, j, m, gap[i, j] if m == "a" else 0.0) for i in range(people) for j in range(times) for m in "ab"]
    frame = pd.DataFrame(rows, columns=["p", "t", "m", "v"])
    found = replicate_agreement(frame, target="p", method="m", value="v", replicate="t")
    within = gap.var(axis=1, ddof=1).mean()
    between = gap.mean(axis=1).var(ddof=1) - within / times
    assert found.variance == pytest.approx(between + within)


def test_repeatability_is_root_two_within_sd():
    row = repeatability([1.0, 2, 4], [2.0, 2, 3]).iloc[0]
    assert row["coefficient"] == pytest.approx(1.96 * np.sqrt(2) * row["within_sd"])


def test_kappa_from_ratings_and_its_odd_cases():
    a, b = ["x", "y", "x", "z", None], ["x", "y", "y", "z", "x"]
    found = kappa(a, b, categories=["x", "y", "z"])
    assert found["observed"] == 0.75
    assert "1 pair(s)" in found.notes[0]
    one = kappa(["x"] * 5, ["x"] * 5)
    assert np.isnan(one.estimate)
    assert "undefined" in one.notes[0]
    with pytest.raises(FitError, match="not among the categories"):
        kappa(["x"], ["q"], categories=["x"])
    with pytest.raises(FitError, match="square"):
        kappa(table=np.ones((2, 3)))
    with pytest.raises(FitError, match="quadratic"):
        kappa(a, b, weights="squared")


def test_quadratic_kappa_is_close_to_agreement_icc():
    """Fleiss & Cohen 1973: equal up to terms of order 1/n."""
    rng = np.random.default_rng(4)
    truth = rng.integers(0, 4, 400)
    a, b = (np.clip(truth + rng.integers(-1, 2, 400), 0, 3) for _ in range(2))
    frame = pd.DataFrame(
        {"participant": np.tile(np.arange(400), 2), "rater": np.repeat([0, 1], 400), "value": np.r_[a, b]}
    )
    icc = intraclass_correlation(frame, **NAMES).frame()["estimate"][1]
    assert kappa(a, b, weights="quadratic", categories=[0, 1, 2, 3]).estimate == pytest.approx(icc, abs=1 / 400)


def test_pingouin_agrees_on_alpha():
    items = pd.DataFrame(RATINGS, columns=list("abcd")).astype(float)
    value, interval = pingouin.cronbach_alpha(items)
    found = cronbach_alpha(items)
    assert found.estimate == pytest.approx(value, abs=1e-9)
    assert (found.conf_low, found.conf_high) == pytest.approx(tuple(interval), abs=0.0006)  # pingouin rounds to three
    with pytest.raises(FitError, match="2 or more of each"):
        cronbach_alpha(items[["a"]])


def test_concordance_is_at_most_the_correlation():
    x = np.array([1.0, 2, 3, 4, 6])
    assert concordance(x, x + 1).estimate < concordance(x, x + 1)["pearson_r"]
    assert concordance(x, x + 1)["bias_correction"] < 1
    with pytest.raises(FitError, match="same value for everyone"):
        concordance(x, np.ones(5))
