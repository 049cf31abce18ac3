"""The three ways of going missing do what they say."""

from dataclasses import replace

import numpy as np
import pytest

from outcomes.errors import StudyError
from synthetic_cohort import preset, simulate_scores
from synthetic_cohort.design import Missing
from synthetic_cohort.people.attendance import ATTENDED, MISSED, WITHDRAWN, draw_attendance


def _status(missing: Missing, score: np.ndarray) -> np.ndarray:
    return draw_attendance(replace(preset("demo"), missing=missing), score, np.random.default_rng(1))


@pytest.fixture
def score() -> np.ndarray:
    """Scores of 40,000 people at five visits, correlated 0.8 between neighbours."""
    rng = np.random.default_rng(2)
    person = rng.standard_normal((400, 100, 1))
    return np.sqrt(0.8) * person + np.sqrt(0.2) * rng.standard_normal((400, 100, 5))


def test_completely_at_random_has_the_asked_rate_and_no_relation_to_the_score(score):
    missed = _status(Missing(missed=0.2), score) == MISSED
    assert not missed[..., 0].any()
    # 160,000 draws: standard error 0.001.
    assert missed[..., 1:].mean() == pytest.approx(0.2, abs=0.004)
    assert abs(np.corrcoef(missed[..., 2].ravel(), score[..., 2].ravel())[0, 1]) < 0.02


def test_dropout_never_comes_back_and_has_the_asked_hazard(score):
    gone = _status(Missing(dropout=0.1), score) == WITHDRAWN
    assert (np.diff(gone.astype(int), axis=2) >= 0).all()
    assert gone.mean(axis=(0, 1)) == pytest.approx(1 - 0.9 ** np.arange(5), abs=0.01)


def test_at_random_depends_on_the_last_seen_score_alone(score):
    """Given the score at the visit before, the score of the missed visit itself says nothing more."""
    status = _status(Missing(missed=0.2, missed_on_observed=-1.0), score)
    before, now, missed = score[..., 1], score[..., 2], status[..., 2] == MISSED
    seen_before = status[..., 1] == ATTENDED
    assert np.corrcoef(missed[seen_before], before[seen_before])[0, 1] < -0.25
    # Inside a narrow band of the score before, missing is unrelated to the score now.
    band = seen_before & (np.abs(before) < 0.15)
    assert abs(np.corrcoef(missed[band], now[band])[0, 1]) < 0.05


def test_not_at_random_depends_on_the_unseen_score(score):
    status = _status(Missing(missed=0.2, missed_on_unseen=-1.0), score)
    before, now, missed = score[..., 1], score[..., 2], status[..., 2] == MISSED
    band = (status[..., 1] == ATTENDED) & (np.abs(before) < 0.15)
    assert np.corrcoef(missed[band], now[band])[0, 1] < -0.1


def test_not_at_random_by_change_keeps_away_who_did_not_improve(score):
    status = _status(Missing(missed=0.2, missed_on_unseen_change=-1.0), score)
    change, missed = score[..., 1] - score[..., 0], status[..., 1] == MISSED
    assert np.corrcoef(missed.ravel(), change.ravel())[0, 1] < -0.15
    assert not Missing(missed=0.2, missed_on_unseen_change=-1.0).completely_at_random


def test_patterns_for_planning():
    design = preset("demo")
    rng = np.random.default_rng(3)
    own = simulate_scores(design, rng, 50).observed
    shared = simulate_scores(design, rng, 50, missing="shared").observed
    none = simulate_scores(design, rng, 50, missing="none").observed
    assert none.all()
    assert (shared == shared[:1]).all()
    assert not shared.all()
    assert not (own == own[:1]).all()
    assert own[..., 0].all()


def test_a_shared_pattern_is_refused_where_scores_decide():
    with pytest.raises(StudyError, match="go missing by score"):
        simulate_scores(preset("many_sites"), np.random.default_rng(1), 2, missing="shared")
    with pytest.raises(StudyError, match="allowed own, none, shared"):
        simulate_scores(preset("demo"), np.random.default_rng(1), 2, missing="some")
