"""The public names of `stats.effects`, each with the module that holds it."""

from .effects_of_a_fit import effect_from_fit as effect_from_fit
from .effects_of_a_fit import true_change_from_fit as true_change_from_fit
from .effects_of_a_study import model_effects as model_effects
from .effects_of_scores import EffectSizes as EffectSizes
from .effects_of_scores import effect_sizes as effect_sizes
from .for_an_application import GrantSummary as GrantSummary
from .for_an_application import grant_summary as grant_summary
from .meta_analysis import PooledEffect as PooledEffect
from .meta_analysis import pool_effects as pool_effects
from .one_effect import effect_size as effect_size
from .one_effect import pre_post_control_size as pre_post_control_size
from .other_trials.published_trials import PublishedEffects as PublishedEffects
from .other_trials.published_trials import published_effects as published_effects
