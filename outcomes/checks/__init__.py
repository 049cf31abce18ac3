"""Checks of a study, each a small function that returns the findings of one or a few kinds.

Importing the modules registers their functions; `check` runs them all, so that every finding is there at once.
A new check is a rule in `rules.toml`, a function in the module of its subject, and a damaged folder in the tests.
"""

from outcomes.checks.device import harm, repeated_sets, wear
from outcomes.checks.people import enrolment, identifiers

# isort: split
# Findings of one severity stand in the order in which their checks come here: missing items before copied forms.
from outcomes.checks.scores import completeness

# isort: split
from outcomes.checks.people import plausible, tested_hand
from outcomes.checks.plan import application_rows, levels_to_reach, locks, study_file
from outcomes.checks.register import CHECKS, check
from outcomes.checks.scores import dynamometer, jumps, measurements, motion, ratings, series_checks, turned_answers
from outcomes.checks.visits import calendar, log_entries, logs

__all__ = [
    "CHECKS",
    "application_rows",
    "calendar",
    "check",
    "completeness",
    "dynamometer",
    "enrolment",
    "harm",
    "identifiers",
    "jumps",
    "levels_to_reach",
    "locks",
    "log_entries",
    "logs",
    "measurements",
    "motion",
    "plausible",
    "ratings",
    "repeated_sets",
    "series_checks",
    "study_file",
    "tested_hand",
    "turned_answers",
    "wear",
]
