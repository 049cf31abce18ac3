"""The committed coverage tables are what the code gives, and what is known of the methods holds in them."""

import importlib.util
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stats.proportions.one_proportion import METHODS
from stats.proportions.score_difference import DIFFERENCE_METHODS

REFERENCE = Path(__file__).parents[1] / "reference"
TABLE = pd.read_csv(REFERENCE / "coverage_proportions.csv")
DIFFERENCES = pd.read_csv(REFERENCE / "coverage_differences.csv")


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("coverage_script", REFERENCE / "coverage.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_table_of_proportions_is_what_the_code_gives(script):
    pd.testing.assert_frame_equal(script.proportions(), TABLE, atol=1e-6, rtol=0)


def test_rows_of_differences_are_what_the_code_gives(script):
    # n = 8 alone: the whole table takes most of a minute
    for name, (limits_of, _) in DIFFERENCE_METHODS.items():
        counts = range(9)
        table = np.array([[limits_of(x1, 8, x2, 8, 0.95) for x2 in counts] for x1 in counts])
        rows = DIFFERENCES[
            DIFFERENCES["method"].eq(name) & DIFFERENCES["n_per_arm"].eq(8) & DIFFERENCES["what"].eq("at")
        ]
        for row in rows.itertuples():
            assert script.pair_coverage(table, row.share1, row.share2) == pytest.approx(row.coverage, abs=1e-6)


def test_every_method_size_and_share_is_in_the_table():
    asked = {(method, n, share) for method in METHODS for n in (8, 12, 24) for share in (0.0, 0.1, 0.5, 0.9)}
    at = TABLE[TABLE["what"] == "at"]
    assert asked == set(at[["method", "n", "share"]].itertuples(index=False, name=None))


def test_clopper_pearson_never_covers_less_than_it_says():
    # the defining property of the exact interval (Clopper & Pearson 1934)
    rows = TABLE[(TABLE["method"] == "clopper-pearson") & TABLE["what"].str.startswith(("at", "minimum"))]
    assert (rows["coverage"] >= 0.95).all()


def test_minimum_of_the_default_is_the_one_its_docstring_states():
    lowest = TABLE.query("method == 'wilson' and what == 'minimum'").set_index("n")["coverage"]
    assert lowest.to_dict() == {8: 0.834118, 12: 0.835504, 24: 0.836857}
    middle = TABLE.query("method == 'wilson' and what == 'minimum from 0.1 to 0.9'")["coverage"]
    assert middle.min() == pytest.approx(0.912, abs=0.0005)


def test_wilson_minimum_tends_to_the_published_limit():
    # Agresti & Coull 1998 (Am Stat 52:119-126), from memory: the score interval's coverage has a minimum near 0.838
    # for shares close to 0 as n grows.
    lowest = TABLE.query("method == 'wilson' and what == 'minimum'")["coverage"]
    assert lowest.is_monotonic_increasing
    assert lowest.max() < 0.838


def test_wald_covers_far_less_than_it_says_in_small_arms():
    lowest = DIFFERENCES.query("what == 'minimum' and n_per_arm == 8").set_index("method")["coverage"]
    assert lowest["wald"] < 0.2
    assert lowest["newcombe"] > 0.85
