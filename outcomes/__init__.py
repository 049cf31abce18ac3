"""Outcome measures: read a study folder, check it, score it; the library of instruments and thresholds."""

from outcomes.angles import total_active_motion
from outcomes.blinding import unblind
from outcomes.checks import check
from outcomes.errors import InstrumentError, StudyError
from outcomes.findings import Findings
from outcomes.force import convert_force
from outcomes.lock import lock_plan
from outcomes.norms import grip_norm
from outcomes.registry import catalogue, instrument, threshold, thresholds
from outcomes.scoring import score, score_items
from outcomes.study import Study, read_study

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
