"""Checks of a study, each a small function that returns the findings of one or a few kinds.

Importing the modules registers their functions; `check` runs them all, so that every finding is there at once.
"""

from outcomes.checks import measurements, people
from outcomes.checks.register import CHECKS, check

__all__ = ["CHECKS", "check", "measurements", "people"]
