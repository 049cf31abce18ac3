"""A small rerun of the error rates of two conditions agrees with the committed table within Monte-Carlo error."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.simulation.conditions import CELLS, TRUTHS, study

KEYS = ["people", "covariance", "truth", "question"]
TABLE = pd.read_csv(Path(__file__).with_name("conditions.csv")).set_index(KEYS)


@pytest.mark.parametrize(
    ("people", "covariance", "truth"),
    [(9, "paired", "own effect and trend"), (12, "paired-lines", "own effect and trend")],
)
def test_small_rerun(people: int, covariance: str, truth: str) -> None:
    again = study(people, covariance, truth, trials=300, seed=99).set_index(KEYS)
    for key, row in again.iterrows():
        rate = TABLE.loc[key, "rejection"]
        error = np.hypot(np.sqrt(rate * (1 - rate) / 300), TABLE.loc[key, "rejection_mc_error"])
        # Four standard errors, doubled variance for trials that share a missing pattern: one false alarm in thousands.
        assert abs(row["rejection"] - rate) < 4 * np.sqrt(2) * error


def test_the_table_says_what_the_docstring_says() -> None:
    assert len(TABLE) == 3 * len(CELLS) * len(TRUTHS)
    assert (TABLE["trials"] == 2000).all()
    lines = TABLE.loc[[key for key in TABLE.index if key[0] >= 9 and key[1] == "paired-lines"]]
    assert lines["rejection"].between(0.04, 0.07).all()
    assert TABLE.loc[(9, "paired", "own effect and trend", "change"), "rejection"] > 0.08
