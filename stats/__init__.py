"""From scores to findings: models of change, responders, effect sizes, planning."""

from stats.change import ChangeFit, fit_change
from stats.change_table import change_table
from stats.effect_table import EffectSizes, effect_sizes
from stats.effects import effect_size
from stats.errors import FitError, PlanError
from stats.mixed.fit import MixedFit, fit_mixed, fit_moments
from stats.mixed.moments import Moments, pool
from stats.proportions import proportion_interval
from stats.responder_counts import ResponderCounts
from stats.responders import count_responders

__all__ = [
    "ChangeFit",
    "EffectSizes",
    "FitError",
    "MixedFit",
    "Moments",
    "PlanError",
    "ResponderCounts",
    "change_table",
    "count_responders",
    "effect_size",
    "effect_sizes",
    "fit_change",
    "fit_mixed",
    "fit_moments",
    "pool",
    "proportion_interval",
]
