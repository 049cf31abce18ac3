"""Errors of the analysis. A message says what is wrong, where, found against allowed, and what to do."""


class FitError(ValueError):
    """A model, test or count cannot be computed from these data."""


class PlanError(ValueError):
    """A plan for a trial cannot be computed from these inputs."""
