"""Chained equations: the library's own run, what is kept, which items may be filled in at all."""

import numpy as np
import pandas as pd
import pytest
from statsmodels.imputation.mice import MICEData

from outcomes.scoring.score import score_items
from stats.errors import FitError
from stats.missing import chained_equations, impute_items
from stats.missing.chained import BETWEEN, BURN_IN

ITEMS = [f"q{k}" for k in range(1, 12)]


@pytest.fixture(scope="module")
def people():
    """Age, hours of practice and a score that both bear on; names no formula could take; a third without hours."""
    rng = np.random.default_rng(4)
    age, arm = rng.normal(60, 10, 60), np.repeat([0, 1], 30)
    hours = 40 - 0.3 * age + rng.normal(0, 3, 60)
    table = pd.DataFrame({"age (years)": age, "arm": arm, "hours of practice": hours})
    table["score"] = 10 + 0.5 * hours + 2 * arm + rng.normal(0, 2, 60)
    table.loc[rng.random(60) < 0.35, "hours of practice"] = np.nan
    table.loc[rng.random(60) < 0.1, "score"] = np.nan
    return table


@pytest.fixture(scope="module")
def found(people):
    return chained_equations(people, m=8, seed=3)


def test_the_copies_are_those_of_the_library_with_the_same_seed(people, found):
    """statsmodels.imputation.mice.MICEData driven by hand, with the names of the columns in order."""
    own = MICEData(people.set_axis(["v0", "v1", "v2", "v3"], axis=1), k_pmm=5, rng=np.random.default_rng(3))
    for k, copy in enumerate(found.completed):
        own.update_all(BETWEEN if k else BURN_IN)
        np.testing.assert_array_equal(copy.to_numpy(), own.data[["v0", "v1", "v2", "v3"]].to_numpy())


def test_what_was_seen_stays_and_what_was_not_is_somebodys_value(people, found):
    lost = people.isna().to_numpy()
    for copy in found.completed:
        values = copy.to_numpy()
        assert (values[~lost] == people.to_numpy()[~lost]).all()
        for name, filled, gone in zip(people, values.T, lost.T, strict=True):
            assert set(filled[gone]) <= set(people[name].dropna())
    assert found.filled == {name: int(count) for name, count in people.isna().sum().items() if count}
    assert list(found.completed[0].columns) == list(people)


def test_an_analysis_of_the_copies_is_put_together_by_rubins_rules(people, found):
    def slope(copy):
        X = np.column_stack([np.ones(60), copy["hours of practice"], copy["arm"]])
        b, rest, *_ = np.linalg.lstsq(X, copy["score"], rcond=None)
        return float(b[1]), float(rest[0] / 57 * np.linalg.inv(X.T @ X)[1, 1])

    made = found.combined(slope, complete_df=57)
    each = np.array([slope(copy) for copy in found.completed])
    row = made.frame().iloc[0]
    assert row["estimate"] == pytest.approx(each[:, 0].mean())
    assert row["std_error"] == pytest.approx(np.sqrt(each[:, 1].mean() + (1 + 1 / 8) * each[:, 0].var(ddof=1)))
    assert abs(row["estimate"] - 0.5) < 3 * row["std_error"]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda t: t.assign(word="a"), "text"),
        (lambda t: t.dropna(), "Nothing is missing"),
        (lambda t: t.head(6), "Give fewer columns"),
        (lambda t: t.mask(t.index.to_series() == 3), "no value at all"),
    ],
)
def test_tables_that_cannot_be_filled_in_are_refused(people, change, words):
    with pytest.raises(FitError, match=words):
        chained_equations(change(people))


@pytest.fixture(scope="module")
def answers():
    """Forty forms of 11 items; three lack one answer, two lack two."""
    rng = np.random.default_rng(6)
    level = rng.normal(3, 0.8, 40)
    table = pd.DataFrame(
        np.clip(np.rint(level[:, None] + rng.normal(0, 0.6, (40, 11))), 1, 5),
        columns=ITEMS, index=[f"P{k:02d}" for k in range(40)],
    )  # fmt: skip
    for person, items in {0: ["q3"], 1: ["q5"], 2: ["q11"], 3: ["q1", "q2"], 4: ["q7", "q8"]}.items():
        table.loc[table.index[person], items] = np.nan
    return table


def test_items_are_filled_in_only_as_far_as_the_published_rule_goes(answers):
    """At least 10 of 11 answered (`quickdash.toml`, scoring page); the range is what 1 and 5 in the gap would give."""
    found = impute_items(answers, "quickdash.total", m=6, seed=2)
    rows = found.frame().set_index("participant")
    assert rows.loc[["P03", "P04"], "mean"].isna().all()
    assert "9 of 11 items answered; the published rule asks for 10" in rows.loc["P03", "reason"]
    assert rows["items_filled"].tolist() == [1, 1, 1, 0, 0] + [0] * 35
    for person in ("P00", "P01", "P02"):
        given = answers.loc[person].dropna().sum()
        low, high = (((given + end) / 11 - 1) * 25 for end in (1, 5))
        own = found.scores[:, answers.index.get_loc(person)]
        assert ((own >= low) & (own <= high)).all()
        assert np.allclose((own / 25 + 1) * 11 - given, np.rint((own / 25 + 1) * 11 - given))
    whole = score_items("quickdash", answers.loc["P20"].to_dict())["total"].value
    assert (found.scores[:, 20] == whole).all()


def test_a_scale_without_a_rule_for_missing_items_is_refused(answers):
    with pytest.raises(FitError, match="no published rule lets single items be missing"):
        impute_items(answers, "fma_ue.motor")
    with pytest.raises(FitError, match="no column for q11"):
        impute_items(answers.drop(columns="q11"), "quickdash.total")
    with pytest.raises(FitError, match="no such scale"):
        impute_items(answers, "quickdash.all")
