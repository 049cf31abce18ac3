"""Outcome measures: read a study folder, check it, score it; the library of instruments and thresholds."""

from outcomes.checks import check
from outcomes.dynamometry.force import convert_force
from outcomes.dynamometry.norms import grip_norm
from outcomes.errors import InstrumentError, StudyError
from outcomes.findings import Findings
from outcomes.library.registry import catalogue, instrument, threshold, thresholds
from outcomes.locking import lock_plan, unblind
from outcomes.reading.study_folder import read_study
from outcomes.scoring.angles import total_active_motion
from outcomes.scoring.score import score, score_items
from outcomes.study import Study

__all__ = [
    "Findings",
    "InstrumentError",
    "Study",
    "StudyError",
    "catalogue",
    "check",
    "convert_force",
    "grip_norm",
    "instrument",
    "lock_plan",
    "read_study",
    "score",
    "score_items",
    "threshold",
    "thresholds",
    "total_active_motion",
    "unblind",
]
