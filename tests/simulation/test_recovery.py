"""The default analysis gives back the truth of synthetic cohorts: a small rerun, and the committed study of 1,000."""

from pathlib import Path

import pandas as pd
import pytest

from tests.simulation.recovery import MECHANISMS, QUANTITIES, study, truth

TABLE = pd.read_csv(Path(__file__).with_name("recovery.csv")).set_index(["mechanism", "quantity"])
PROMISED = [
    *(("completely at random", quantity) for quantity in QUANTITIES),
    *(("at random", quantity) for quantity in ("effect", "share treated", "share reference", "effect size")),
]


@pytest.mark.parametrize(("mechanism", "quantity"), PROMISED)
def test_what_is_promised_is_unbiased_over_a_thousand_cohorts(mechanism, quantity):
    row = TABLE.loc[(mechanism, quantity)]
    assert row["cohorts"] >= 1000
    assert row["refused"] == 0
    # Nine comparisons: three standard errors are passed by chance once in forty studies.
    assert abs(row["z"]) < 3


@pytest.mark.parametrize("mechanism", ["completely at random", "at random"])
def test_intervals_of_the_effect_cover(mechanism):
    # Standard error of a coverage of 95 % over 1,000 cohorts: 0.7 points.
    assert abs(TABLE.loc[(mechanism, "effect"), "coverage"] - 0.95) < 0.021


def test_bias_is_shown_where_it_is():
    """Not at random: no analysis of what was seen can promise anything, and the study says how far off it is.

    At random: an effect size of complete pairs is off, because those who are seen again are more alike at entry.
    """
    assert (
        abs(TABLE.loc[("not at random", "effect"), "z"]) > 3
        or abs(TABLE.loc[("not at random", "share treated"), "z"]) > 3
    )
    assert TABLE.loc[("at random", "effect size, complete pairs"), "z"] > 3


def test_a_small_rerun_agrees_with_the_committed_study():
    true = truth(people=40_000, seed=2)
    again = study(40, "at random", seed=5, true=true).set_index("quantity")
    assert set(again.index) == set(QUANTITIES)
    assert list(MECHANISMS) == list(TABLE.index.get_level_values("mechanism").unique())
    for quantity in QUANTITIES:
        committed = TABLE.loc[("at random", quantity)]
        error = (again.loc[quantity, "mc_error"] ** 2 + committed["mc_error"] ** 2) ** 0.5
        assert abs(again.loc[quantity, "mean"] - committed["mean"]) < 4 * error, quantity
