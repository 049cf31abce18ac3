"""A few trials whose values are missing by a known shift: the committed table, and what must hold of any of them."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stats.missing.imputation import impute
from tests.simulation.missing_visits import TRUTH, trial
from tests.simulation.shifted_visits import LAST, answer, share_gone, tipped_before

TABLE = pd.read_csv(Path(__file__).parent / "shifted_visits.csv")


def test_the_interval_at_the_true_shift_covers() -> None:
    """Too short an interval is what matters; the table has 150 trials a row."""
    short = TABLE[TABLE["covered"] < 0.95 - 3 * TABLE["mc"]]
    assert short.empty, short
    # Four standard errors of a mean of trials; an estimate at 12 per arm scatters by about 4.6 points (from its power).
    assert (TABLE["bias"].abs() < 4 * 4.6 * np.sqrt(12 / TABLE["per_arm"]) / np.sqrt(TABLE["trials"])).all()


def test_ignoring_the_shift_does_not_cover() -> None:
    """The check can fail: where the shift is large and people are many, an analysis without it misses the truth."""
    nil = TABLE[(TABLE["true_difference"].abs() < 1e-9) & (TABLE["per_arm"] == 50)].iloc[0]
    assert nil["covered_unshifted"] < nil["covered"] - 0.2


def test_tipping_points_lie_between_no_shift_and_the_shift_at_which_nothing_is_left() -> None:
    nil = TABLE[TABLE["true_difference"].abs() < 1e-9]
    assert (nil["survives"] <= 0.025 + 3 * np.sqrt(0.025 * 0.975 / nil["trials"])).all()
    # Of 12 significant trials at most 2 may tip later: 3 or more of 12 have a chance of 0.3 % where 97.5 % tip before.
    assert (nil["tips_looked_at"] == 12).all()
    assert (nil["tips_before"] * nil["tips_looked_at"] > 9.5).all()
    real = TABLE[(TABLE["true_difference"] > 0) & (TABLE["shift"] < 0) & (TABLE["per_arm"] == 50)].iloc[0]
    assert real["survives"] > 0.1  # the difference is real there, and often outlives the shift


def test_the_curve_and_the_tipping_point_agree() -> None:
    """In one trial with a clear difference: at a shift short of the point p < 0.05, beyond it not."""
    rng = np.random.default_rng(3)
    gone = share_gone(rng, 20_000)
    assert gone == pytest.approx(TABLE["true_difference"].sub(TRUTH).div(TABLE["shift"]).iloc[1], abs=0.02)
    for _ in range(20):
        copies = impute(trial(rng, 40), m=20, rng=rng, covariance="common")
        first = answer(copies, 0.0)
        if first["p_value"] < 0.01 and first["estimate"] > 0:
            break
    true = -TRUTH / gone
    at_truth = answer(copies, true)
    assert tipped_before(copies, true) == (at_truth["p_value"] > 0.05 or at_truth["estimate"] < 0)
    assert LAST == 3
