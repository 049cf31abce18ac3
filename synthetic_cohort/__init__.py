"""Synthetic cohorts with a known truth: whole invented trials, item by item, on disk or thousands at once in memory."""

from synthetic_cohort.cohort import Cohort, make_cohort
from synthetic_cohort.design import CohortDesign
from synthetic_cohort.preset_files import preset, presets
from synthetic_cohort.score_batches import TrialScores, simulate_scores
from synthetic_cohort.target_effect import with_difference
from synthetic_cohort.truth import Truth, population_truth

__all__ = [
    "Cohort",
    "CohortDesign",
    "TrialScores",
    "Truth",
    "make_cohort",
    "population_truth",
    "preset",
    "presets",
    "simulate_scores",
    "with_difference",
]
