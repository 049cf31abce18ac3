"""Tolerances of thresholds against unit conversion, and where the ends of a scale come from."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from outcomes.protocol.trial import Measure
from stats.responders.count import count_responders
from stats.responders.criteria import FORCE_TOLERANCE, OwnThreshold, from_number
from tests.stats.change.test_fit_change import PARALLEL, scores_of

KGF_IN_N = 9.80665  # by definition (CGPM 1901)
LBF_IN_N = 4.4482216152605  # 0.45359237 kg (international pound, 1959) times that


def test_tolerances_of_force_are_one_size_in_three_units():
    """Half a tenth of a kilogram-force, rounded as readings are (two decimals in lbf, one in N)."""
    assert FORCE_TOLERANCE["kgf"] * KGF_IN_N == pytest.approx(FORCE_TOLERANCE["N"], abs=0.05)
    assert FORCE_TOLERANCE["kgf"] * KGF_IN_N / LBF_IN_N == pytest.approx(FORCE_TOLERANCE["lbf"], abs=0.005)
    assert FORCE_TOLERANCE["kgf"] > 5 - 11.0 * LBF_IN_N / KGF_IN_N  # 5 kg written down as 11.0 lb are still 5 kg


@pytest.mark.parametrize("value", [0.25, 5.0, 2000.0])
def test_a_threshold_absorbs_the_last_digits_of_a_difference_and_no_more(value):
    rule = from_number(OwnThreshold(value, "own"), "points").suited("points", None)
    needed = pd.Series([value] * 3)
    near, far = value * (1 - 4 * np.finfo(float).eps), value - 3e-9 * max(1.0, value)
    assert rule.passed(pd.Series([value, near, far]), needed).tolist() == [True, True, False]
    exact = from_number(OwnThreshold(value, "own"), "points").suited("points", 0.0)
    assert exact.passed(pd.Series([value, near, far]), needed).tolist() == [True, False, False]  # reaching it is enough


def test_a_rule_is_refused_in_another_unit():
    with pytest.raises(ValueError, match="points"):
        from_number(OwnThreshold(5.0, "own"), "points").suited("seconds", None)


def test_ends_of_a_scale_of_the_study_s_own_are_those_of_its_protocol():
    """A person one point below the top has no room for a change of two (arithmetic)."""
    measure = Measure("score.total", "Own", "points", "higher", low=0, high=20)
    design = replace(PARALLEL, measures=(measure,))
    rows = [("p1", "w0", 19.0), ("p1", "w1", 20.0), ("p2", "w0", 5.0), ("p2", "w1", 9.0)]
    frame = pd.DataFrame(rows, columns=["participant", "visit", "value"])
    frame = scores_of(frame.assign(arm="exp", day=frame["visit"].map({"w0": 0.0, "w1": 7.0})))
    counted = count_responders(frame, 2, select="score.total", source="own", design=design)
    assert (counted.ends.low, counted.ends.high) == (0, 20)
    assert counted["cannot_reach"] == 1
    several = count_responders(frame, [2, 3], select="score.total", source="own", design=design)
    assert several.people.index.tolist() == list(range(4))  # two people at two thresholds
