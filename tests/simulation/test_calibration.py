"""A small rerun of the error-rate study agrees with the committed table within Monte-Carlo error."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.simulation.calibration import study

TABLE = pd.read_csv(Path(__file__).with_name("calibration.csv"))
CELLS = [
    (6, "slopes", "slope", "random intercept and slope"),
    (6, "slopes", "slope", "random intercept"),
    (15, "memory", "joint", "random intercept and slope"),
]


@pytest.mark.parametrize(("n", "truth", "question", "model"), CELLS)
def test_small_rerun(n: int, truth: str, question: str, model: str) -> None:
    again = study(n, truth, question, model, trials=600, inner=0, seed=99).set_index("method")
    chosen = TABLE.set_index(["n_per_arm", "truth", "question", "model"]).loc[(n, truth, question, model)]
    committed = chosen.set_index("method")
    for method in ("kenward-roger", "satterthwaite", "normal"):
        rate = committed.loc[method, "rejection"]
        error = np.hypot(np.sqrt(rate * (1 - rate) / 600), committed.loc[method, "rejection_mc_error"])
        # Four standard errors, doubled variance for trials that share a missing pattern: one false alarm in thousands.
        assert abs(again.loc[method, "rejection"] - rate) < 4 * np.sqrt(2) * error


def test_the_table_says_what_the_ladder_rests_on() -> None:
    """A random intercept alone rejects a true null far too often; the ladder's own model stays near 5 %."""
    kenward = TABLE[
        (TABLE["method"] == "kenward-roger") & (TABLE["truth"] == "slopes") & (TABLE["question"] == "slope")
    ]
    alone = kenward[kenward["model"] == "random intercept"]["rejection"]
    ladder = kenward[kenward["model"] == "random intercept and slope"]["rejection"]
    assert (alone > 0.10).all()
    assert ((ladder > 0.04) & (ladder < 0.06)).all()
