"""Pooled moments: merging, leaving a site, fitting, and the quick way for columns of few values against the plain."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from stats.errors import FitError
from stats.mixed.fit import MixedFit, fit_mixed, fit_moments
from stats.mixed.model import pooling
from stats.mixed.model.moments import Moments
from stats.mixed.model.pooling import pool_moments, smallest_pattern
from stats.mixed.model.profiles import profiles_of
from tests.stats.mixed.cohorts import cohort

FORMULA = "score ~ arm * week"
KEYS = {"participant": "participant", "visit": "visit"}


def sites(count: int = 3) -> list[pd.DataFrame]:
    frame = cohort(11, people=45)
    who = frame["participant"].str[1:].astype(int)
    return [frame[who % count == k].reset_index(drop=True) for k in range(count)]


def plain(frame: pd.DataFrame, formula: str = FORMULA, **options) -> Moments:
    """The moments by way of the model matrix of every row."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pooling, "profiles_of", lambda *a, **k: None)
        return pool_moments(frame, formula, **options)


def same_sums(a: Moments, b: Moments, rtol: float = 1e-12) -> None:
    """The same moments whatever the order of patterns, once both subtract the same coefficients."""
    a, b = a.shifted_to(np.zeros_like(a.shift)), b.shifted_to(np.zeros_like(b.shift))
    assert (a.terms, a.slots, a.groups, a.random_terms, a.term_columns) == (
        b.terms, b.slots, b.groups, b.random_terms, b.term_columns,
    )  # fmt: skip
    assert (a.n_rows, a.n_participants, a.response) == (b.n_rows, b.n_participants, b.response)

    def order(m: Moments) -> np.ndarray:
        Z = np.zeros((len(m.n), 0)) if m.Z is None else (m.Z * m.observed[:, :, None]).reshape(len(m.n), -1)
        return np.lexsort(np.concatenate([m.observed, m.group[:, None], Z], axis=1).T)

    i, j = order(a), order(b)
    np.testing.assert_array_equal(a.n[i], b.n[j])
    np.testing.assert_array_equal(a.observed[i], b.observed[j])
    np.testing.assert_array_equal(a.group[i], b.group[j])
    for name in ("A", "B", "C"):
        ours, theirs = getattr(a, name), getattr(b, name)
        ours, theirs = (ours[i], theirs[j]) if name == "A" else (ours[:, i], theirs[:, j])
        np.testing.assert_allclose(ours, theirs, rtol=rtol, atol=rtol * np.abs(theirs).max())


def same_fit(a: MixedFit, b: MixedFit) -> None:
    assert a.loglik == pytest.approx(b.loglik, abs=1e-9)
    np.testing.assert_allclose(a.beta, b.beta, rtol=1e-10)
    np.testing.assert_allclose(a.variances()["value"], b.variances()["value"], rtol=1e-7)
    for df in ("kenward-roger", "kenward-roger-observed", "satterthwaite"):
        columns = ["std_error", "df"]
        np.testing.assert_allclose(a.fixed(df)[columns], b.fixed(df)[columns], rtol=1e-7)


@pytest.mark.parametrize("options", [{}, {"random": "1 + week"}, {"by": "arm"}], ids=str)
def test_merged_sites_equal_one_pool_of_all_rows(options: dict) -> None:
    parts = sites()
    merged = pool_moments(parts[0], FORMULA, **KEYS, **options)
    for part in parts[1:]:
        merged = merged + pool_moments(part, FORMULA, **KEYS, **options)
    same_sums(merged, pool_moments(pd.concat(parts, ignore_index=True), FORMULA, **KEYS, **options), rtol=1e-13)


@pytest.mark.parametrize(
    ("pooled", "fitted"),
    [
        ({"random": "1 + week"}, {}),
        ({"random": "1 + week"}, {"correlated": False}),
        ({"random": "1"}, {"covariance": "ar1"}),
        ({}, {"covariance": "unstructured"}),
        ({}, {"covariance": "unequal-toeplitz"}),
        ({"by": "arm"}, {"covariance": "compound-symmetry"}),
    ],
    ids=str,
)
@pytest.mark.parametrize("method", ["reml", "ml"])
def test_fit_of_merged_moments_is_the_fit_of_the_rows(pooled: dict, fitted: dict, method: str) -> None:
    parts = sites()
    total = pool_moments(parts[0], FORMULA, **KEYS, **pooled)
    total = total + (
        pool_moments(parts[1], FORMULA, **KEYS, **pooled) + pool_moments(parts[2], FORMULA, **KEYS, **pooled)
    )
    rows = fit_mixed(pd.concat(parts), FORMULA, **KEYS, **pooled, **fitted, method=method)
    moments = fit_moments(total, **fitted, method=method)
    if method == "reml":
        same_fit(moments, rows)
    else:
        assert moments.loglik == pytest.approx(rows.loglik, abs=1e-9)
        np.testing.assert_allclose(moments.beta, rows.beta, rtol=1e-10)


def test_exponential_decay_takes_its_days_from_the_pooled_visits() -> None:
    frame = cohort(4, people=30)
    options = {"participant": "participant", "visit": "day"}
    rows = fit_mixed(frame, FORMULA, **options, covariance="exponential")
    same_fit(fit_moments(pool_moments(frame, FORMULA, **options), covariance="exponential"), rows)
    with pytest.raises(FitError, match="Exponential decay needs the days of the visits; found day 0, day 7"):
        fit_moments(pool_moments(frame, FORMULA, **KEYS), covariance="exponential")


def test_a_site_without_a_visit_or_an_arm_merges_with_the_others() -> None:
    first, second, third = sites()
    first = first[first["visit"] != "day 56"]
    second = second[second["arm"] == "usual"]
    merged = (
        pool_moments(first, FORMULA, **KEYS)
        + pool_moments(second, FORMULA, **KEYS)
        + pool_moments(third, FORMULA, **KEYS)
    )
    together = pd.concat([first, second, third], ignore_index=True)
    same_sums(merged, pool_moments(together, FORMULA, **KEYS))
    same_fit(
        fit_moments(merged, covariance="unstructured"), fit_mixed(together, FORMULA, **KEYS, covariance="unstructured")
    )


def test_a_visit_nobody_attended_is_left_out_of_the_fit_and_noted() -> None:
    frame = cohort(4, people=30)
    frame = frame[frame["visit"] != "day 21"]
    fit = fit_moments(pool_moments(frame, FORMULA, **KEYS), covariance="unequal-ar1")
    assert "No row at day 21: left out of the model." in fit.notes
    assert fit.loglik == pytest.approx(fit_mixed(frame, FORMULA, **KEYS, covariance="unequal-ar1").loglik, abs=1e-9)


def test_moments_of_different_models_do_not_merge() -> None:
    first, second, _ = sites()
    with pytest.raises(FitError, match="Moments cannot be merged: terms differ"):
        pool_moments(first, FORMULA, **KEYS) + pool_moments(second, "score ~ week", **KEYS)
    bare = second.assign(visit=second["visit"].astype(str))
    bare = bare[bare["visit"] != "day 7"]
    with pytest.raises(FitError, match="slots differ"):
        pool_moments(first, FORMULA, **KEYS) + pool_moments(bare, FORMULA, **KEYS)
    spline = "score ~ arm + bs(week, df=4)"
    with pytest.raises(FitError, match="Give knots, bounds and centres as numbers"):
        pool_moments(first, spline, **KEYS) + pool_moments(second[second["week"] < 8], spline, **KEYS)
    fixed = "score ~ arm + bs(week, knots=(2,), lower_bound=0, upper_bound=8)"
    merged = pool_moments(first, fixed, **KEYS) + pool_moments(second, fixed, **KEYS)
    same_sums(merged, pool_moments(pd.concat([first, second], ignore_index=True), fixed, **KEYS))


def test_small_patterns_do_not_leave_a_site() -> None:
    moments = pool_moments(cohort(2, people=30), FORMULA, **KEYS)
    rarest = int(moments.n.min())
    assert rarest < 5
    smallest_pattern(moments, rarest)
    with pytest.raises(FitError, match=r"patterns have fewer than 5 participants: \d with visits day 0"):
        smallest_pattern(moments, 5)


def test_pooling_keeps_the_digits_of_a_large_outcome() -> None:
    frame = cohort(6, people=30)
    moments = pool_moments(frame.assign(score=frame["score"] + 1e7), FORMULA, **KEYS, random="1 + week")
    fit, usual = fit_moments(moments), fit_mixed(frame, FORMULA, **KEYS, random="1 + week")
    assert fit.loglik == pytest.approx(usual.loglik, abs=1e-7)
    np.testing.assert_allclose(fit.beta - [1e7, 0, 0, 0], usual.beta, rtol=0, atol=1e-7)


def test_fits_of_moments_refuse_what_needs_rows_or_is_unknown() -> None:
    moments = pool_moments(cohort(2, people=30), FORMULA, **KEYS, random="1")
    fit = fit_moments(moments, unit="points")
    assert fit.estimates(np.eye(4)[1], ["arm"]).unit == "points"
    for ask, purpose in ((lambda: fit.means("arm"), "estimated means"), (fit.robust, "CR2")):
        with pytest.raises(FitError, match=f"pooled moments, which carry no rows: {purpose}"):
            ask()
    with pytest.raises(FitError, match="method='REML' is not known"):
        fit_moments(moments, method="REML")
    with pytest.raises(FitError, match="The moments carry no random effect"):
        fit_moments(replace(moments, random_terms=(), Z=None))


QUICK = [
    (FORMULA, {"random": "1 + week"}),
    ("score ~ visit * arm", {}),
    ("score ~ visit * arm + site", {"by": "arm"}),
    ("score ~ 0 + arm + arm:week", {"random": "1"}),
    ("score ~ week + rated", {"random": "1 + week", "by": "arm"}),
    ("score ~ dose * week", {}),
]


@pytest.mark.parametrize("gaps", ["absent rows", "empty cells"])
@pytest.mark.parametrize(("formula", "options"), QUICK, ids=[formula for formula, _ in QUICK])
def test_quick_pooling_gives_the_same_sums(formula: str, options: dict, gaps: str) -> None:
    frame = cohort(8, people=60, missing=0.3)
    who = frame["participant"].str[1:].astype(int)
    rng = np.random.default_rng(3)
    frame = frame.assign(
        site=np.array(["north", "south", "west"])[who % 3],
        rated=rng.random(len(frame)) < 0.5,
        dose=(who % 4) * 2.5,
    )
    if gaps == "empty cells":
        blank = rng.random(len(frame)) < 0.2
        frame = frame.assign(score=frame["score"].mask(blank))
        if "dose" in formula:
            frame = frame.assign(dose=frame["dose"].mask(rng.random(len(frame)) < 0.1))
    quick = profiles_of(frame, formula, **KEYS, random=options.get("random"), by=options.get("by"))
    # Truth values with empty cells elsewhere go the plain way; everything else is quick.
    assert (quick is None) == ("rated" in formula and gaps == "empty cells")
    moments = pool_moments(frame, formula, **KEYS, **options)
    same_sums(moments, plain(frame, formula, **KEYS, **options))
    assert moments.notes == plain(frame, formula, **KEYS, **options).notes


@pytest.mark.parametrize("visit", ["day", "word"])
def test_quick_pooling_with_visits_that_are_numbers_or_words(visit: str) -> None:
    frame = cohort(8, people=40).assign(word=lambda d: d["visit"].astype(str))
    frame = frame.sort_values(["participant", visit]).reset_index(drop=True)
    options = {"participant": "participant", "visit": visit, "random": "1 + week"}
    assert profiles_of(frame, FORMULA, **options, by=None) is not None
    same_sums(pool_moments(frame, FORMULA, **options), plain(frame, FORMULA, **options))


@pytest.mark.parametrize(
    "reason",
    [
        "unsorted",
        "a visit twice",
        "many values",
        "a transformation",
        "arm changes",
        "infinite",
        "people as a term",
    ],
)
def test_what_quick_pooling_leaves_to_the_plain_way(reason: str) -> None:
    frame, formula, by = cohort(8, people=400, missing=0.1), FORMULA, None
    if reason == "unsorted":
        frame = frame.sample(frac=1, random_state=1)
    elif reason == "a visit twice":
        frame = pd.concat([frame.iloc[:1], frame])
    elif reason == "many values":
        formula = "score ~ week + age"
    elif reason == "a transformation":
        formula = "score ~ np.log(week + 1) * arm"
    elif reason == "arm changes":
        by = "visit"
    elif reason == "infinite":
        frame = frame.assign(score=frame["score"].where(frame.index != 3, np.inf))
    elif reason == "people as a term":
        formula = "score ~ participant"
    assert profiles_of(frame, formula, **KEYS, random=None, by=by) is None
    if reason in ("unsorted", "many values", "a transformation"):
        same_sums(pool_moments(frame, formula, **KEYS), plain(frame, formula, **KEYS))
    elif reason in ("a visit twice", "arm changes", "infinite"):
        with pytest.raises(FitError):
            pool_moments(frame, formula, **KEYS, by=by)
