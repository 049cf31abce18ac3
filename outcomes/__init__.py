"""Outcome measures: read a study folder, check it, score it; the library of instruments and thresholds."""

from outcomes.checks import check
from outcomes.errors import InstrumentError, StudyError
from outcomes.findings import Findings
from outcomes.study import Study, read_study

__all__ = ["Findings", "InstrumentError", "Study", "StudyError", "check", "read_study"]
