"""A few of the studies of `odd_studies`, whose command runs hundreds: every notebook comes to its end."""

import pytest

from tests.damage.odd_studies import cut, drawn, faults


@pytest.mark.parametrize("seed", range(4))
def test_a_small_trial_drawn_at_random_has_answers_or_reasons(seed, tmp_path):
    assert not faults(drawn(seed, tmp_path / "study"))


@pytest.mark.parametrize("seed", [17, 58])  # a crossover without an answer; one person with two findings
def test_a_cohort_cut_down_has_answers_or_reasons(seed, tmp_path):
    assert not faults(cut(seed, tmp_path / "study"))
