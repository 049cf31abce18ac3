"""From scores to findings: models of change, responders, effect sizes, planning."""

from stats.errors import FitError, PlanError
from stats.mixed.fit import MixedFit, fit_mixed, fit_moments
from stats.mixed.moments import Moments, pool

__all__ = ["FitError", "MixedFit", "Moments", "PlanError", "fit_mixed", "fit_moments", "pool"]
