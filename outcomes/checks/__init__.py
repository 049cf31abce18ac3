"""Checks of a study, each a small function that returns the findings of one or a few kinds.

Importing the modules registers their functions; `check` runs them all, so that every finding is there at once.
A new check is a rule in `rules.toml`, a function in the module of its subject, and a damaged folder in the tests.
"""

from outcomes.checks import (
    administrations,
    calendar,
    changes,
    force,
    hands,
    identifiers,
    locks,
    logs,
    measurements,
    motion,
    people,
    plan,
    ratings,
)
from outcomes.checks.register import CHECKS, check

__all__ = [
    "CHECKS",
    "administrations",
    "calendar",
    "changes",
    "check",
    "force",
    "hands",
    "identifiers",
    "locks",
    "logs",
    "measurements",
    "motion",
    "people",
    "plan",
    "ratings",
]
