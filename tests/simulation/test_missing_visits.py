"""The committed trials with visits missing at random: coverage within Monte Carlo error of 95 %, no bias, agreement.

The truth of the trials is known; the limits are twice the Monte Carlo error. Made by `tests.simulation.missing_visits`.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.simulation import missing_visits

HERE = Path(__file__).parent
TABLE = pd.read_csv(HERE / "missing_visits.csv", index_col="method")


@pytest.mark.parametrize("method", ["mixed model", "imputation, common", "imputation, by rule"])
def test_unbiased_and_covering(method):
    row = TABLE.loc[method]
    assert row["trials"] >= 1000
    assert abs(row["coverage"] - 0.95) < 2 * np.sqrt(0.95 * 0.05 / row["trials"])
    assert abs(row["bias"]) < 2 * row["spread"] / np.sqrt(row["trials"])
    assert row["mean_se"] == pytest.approx(row["spread"], rel=0.05)


def test_imputation_and_mixed_model_agree():
    assert TABLE.loc["imputation, by rule", "bias"] == pytest.approx(TABLE.loc["mixed model", "bias"], abs=0.05)


def test_the_flat_prior_covers_too_much_with_a_dozen_people():
    flat = TABLE.loc["imputation, common, flat prior"]
    assert flat["coverage"] > 0.95 + 2 * np.sqrt(0.95 * 0.05 / flat["trials"])


def test_coverage_at_every_size():
    sizes = pd.read_csv(HERE / "imputation_by_size.csv")
    assert sizes["per_arm"].tolist() == [12, 20, 50, 150]
    assert ((sizes["coverage"] - 0.95).abs() < 2 * sizes["mc"]).all()


def test_a_few_trials_run():
    found = missing_visits.run(3)
    assert set(found.index) == set(TABLE.index)
    assert np.isfinite(found["spread"]).all()
