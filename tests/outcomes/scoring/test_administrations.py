"""Rows put together to administrations: rows of nobody, trials without a number, answers that are no answers."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from outcomes import score, score_items
from outcomes.scoring.administrations import Keys
from outcomes.scoring.answers import UNREADABLE, read_answer
from synthetic_cohort import make_cohort


@pytest.fixture(scope="module")
def study():
    return make_cohort("demo", seed=1, flaws={}).study


def test_rows_of_nobody_and_of_no_visit_have_no_key(study):
    person, visit = study.participants["participant"].iloc[1], study.protocol.visits[0].id
    frame = pd.DataFrame({"participant": [person, "nobody", person], "visit": [visit, visit, "never"], "side": "left"})
    assert (Keys(study).of(frame) >= 0).tolist() == [True, False, False]


def test_a_trial_without_a_number_takes_its_place_in_the_order_of_the_rows(study):
    """Without the number of its first trial an administration has the same trials, and the same mean (arithmetic)."""
    trials = study.trials
    first = trials["trial"] == 1
    assert first.any()
    blank = trials.assign(trial=trials["trial"].mask(first))
    one, other = (score(replace(study, trials=frame)) for frame in (trials, blank))
    pd.testing.assert_frame_equal(one, other)


@pytest.mark.parametrize("answer", [[1], {}, object()])
def test_what_is_neither_text_nor_number_is_unreadable(answer):
    value, code = read_answer(answer, {})
    assert np.isnan(value)
    assert code == UNREADABLE


def test_a_first_item_at_its_highest_is_no_corner():
    """Skip rule of the ARAT: the hardest item passed credits the others, whatever is said of the corner."""
    record = score_items("arat", {"grip_pour": 3}, first_in_part_second_failed="zero")["grip"]
    assert record.value == 12
    assert "in part" not in record.reason
