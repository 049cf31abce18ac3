"""A small rerun of the error-rate study agrees with the committed table within Monte-Carlo error; what rests on it."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.simulation.calibration import cells, study

KEYS = ["n_per_arm", "truth", "question", "model"]
TABLE = pd.read_csv(Path(__file__).with_name("calibration.csv")).set_index([*KEYS, "method"])["rejection"]
TRIALS = pd.read_csv(Path(__file__).with_name("calibration.csv")).set_index([*KEYS, "method"])["trials"]
ERRORS = pd.read_csv(Path(__file__).with_name("calibration.csv")).set_index([*KEYS, "method"])["rejection_mc_error"]
LADDER = ("random intercept and slope", "baseline covariate", "constrained baseline")  # what `fit_change` chooses
RERUN = [
    (6, "slopes", "slope", "random intercept and slope"),
    (6, "slopes", "slope", "random intercept"),
    (10, "memory", "joint", "baseline covariate"),
    (15, "memory", "joint", "random intercept and slope"),
]


@pytest.mark.parametrize(("n", "truth", "question", "model"), RERUN)
def test_small_rerun(n: int, truth: str, question: str, model: str) -> None:
    again = study(n, truth, question, model, trials=600, inner=0, seed=99).set_index("method")["rejection"]
    assert len(again) == 7
    for method, rate in again.items():
        key = (n, truth, question, model, method)
        error = np.hypot(np.sqrt(TABLE[key] * (1 - TABLE[key]) / 600), ERRORS[key])
        # Four standard errors, doubled variance for trials that share a missing pattern (and one pooled critical value
        # in the bootstrap): one false alarm in thousands.
        assert abs(rate - TABLE[key]) < 4 * np.sqrt(2) * error


def _rates(method: str, question: str, models: tuple[str, ...] = LADDER, sizes: tuple[int, ...] = (6, 10, 15)):
    return TABLE[
        [rate[0] in sizes and rate[2] == question and rate[3] in models and rate[4] == method for rate in TABLE.index]
    ]


def test_every_cell_is_there_with_its_trials() -> None:
    assert set(cells()) == {key[:4] for key in TABLE.index}
    for cell in cells():
        assert (TRIALS.loc[[(*cell, "kenward-roger"), (*cell, "cr2"), (*cell, "re-randomisation")]] == 10_000).all()


def test_the_table_says_what_the_ladder_rests_on() -> None:
    """A random intercept alone rejects a true null far too often; the ladder's own model stays near 5 %."""
    assert (_rates("kenward-roger", "slope", ("random intercept",)) > 0.12).all()
    assert _rates("kenward-roger", "slope").between(0.048, 0.056).all()


def test_the_table_says_what_the_docstring_of_fit_change_says() -> None:
    joint = _rates("kenward-roger", "joint").xs("slopes", level="truth")
    assert joint.drop(6, level="n_per_arm").between(0.049, 0.055).all()
    assert joint.xs(6, level="n_per_arm").between(0.052, 0.062).all()
    assert _rates("kenward-roger", "joint").xs("memory", level="truth").between(0.056, 0.067).all()
    everywhere = ("random intercept", "ar1", *LADDER)
    for question in ("slope", "joint"):
        assert _rates("re-randomisation", question, everywhere).between(0.045, 0.055).all()
    assert _rates("cr2", "slope").between(0.048, 0.057).all()
    assert _rates("cr2", "joint", sizes=(10, 15)).between(0.045, 0.057).all()
    assert _rates("cr2", "joint", sizes=(6,)).between(0.032, 0.043).all()
    full = ("unstructured",)
    assert _rates("kenward-roger", "joint", full, (15,)).between(0.073, 0.076).all()
    assert _rates("kenward-roger", "joint", full, (10,)).between(0.112, 0.115).all()
    assert _rates("kenward-roger-observed", "joint", full, (10, 15)).between(0.054, 0.058).all()
    assert _rates("cr2", "joint", full, (10, 15)).between(0.10, 0.17).all()
