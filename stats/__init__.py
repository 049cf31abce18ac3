"""From scores to findings: models of change, responders, effect sizes, planning."""

from stats.change.change_fit import ChangeFit, fit_change
from stats.change.change_table import change_table
from stats.change.conditions import ConditionFit, fit_conditions
from stats.change.crossover import CrossoverFit, fit_crossover
from stats.change.within_visit import compare_within_visit
from stats.choices.what_if import what_if
from stats.effects.effects_of_a_fit import effect_from_fit, true_change_from_fit
from stats.effects.effects_of_a_study import model_effects
from stats.effects.effects_of_scores import EffectSizes, effect_sizes
from stats.effects.grant_summary import grant_summary
from stats.effects.meta_analysis import pool_effects
from stats.effects.one_effect import effect_size, pre_post_control_size
from stats.errors import FitError, PlanError
from stats.measurement.agreement import limits_of_agreement, repeatability, replicate_agreement
from stats.measurement.anchor_mcid import estimate_mcid
from stats.measurement.internal_consistency import alpha
from stats.measurement.measurement_error import measurement_error
from stats.measurement.reliability import concordance, intraclass_correlation, kappa
from stats.mixed.fit import MixedFit, fit_mixed, fit_moments
from stats.mixed.model.moments import Moments
from stats.mixed.model.pooling import pool
from stats.planning import (
    assurance,
    elicited,
    given,
    n_band,
    pilot_correlation,
    pilot_proportion,
    pilot_sd,
    plan_ancova,
    plan_change,
    plan_cluster,
    plan_crossover,
    plan_means,
    plan_mixed,
    plan_ordinal,
    plan_proportions,
    plan_repeated,
    plan_slopes,
    power_curve,
    search_n,
    simulate_grid,
    simulate_trials,
)
from stats.planning.pilot.progression_criteria import progression
from stats.proportions.exact_tests import exact_test, mcnemar_test, rank_test
from stats.proportions.number_needed import number_needed_to_treat
from stats.proportions.one_proportion import proportion_interval
from stats.proportions.paired_proportions import paired_risk_difference
from stats.proportions.stratified import stratified_ratio, stratified_risk_difference
from stats.proportions.two_proportions import odds_ratio, risk_difference, risk_ratio
from stats.responders.between_arms import compare_responders
from stats.responders.count import count_responders
from stats.responders.cumulative_change import cumulative_change
from stats.responders.imputed_counts import pooled_share
from stats.responders.reliable_change import clinical_cutoffs, reliable_change
from stats.responders.responder_counts import ResponderCounts
from stats.responders.true_change import regression_to_mean, true_change_share

__all__ = [
    "ChangeFit",
    "ConditionFit",
    "CrossoverFit",
    "EffectSizes",
    "FitError",
    "MixedFit",
    "Moments",
    "PlanError",
    "ResponderCounts",
    "alpha",
    "assurance",
    "change_table",
    "clinical_cutoffs",
    "compare_responders",
    "compare_within_visit",
    "concordance",
    "count_responders",
    "cumulative_change",
    "effect_from_fit",
    "effect_size",
    "effect_sizes",
    "elicited",
    "estimate_mcid",
    "exact_test",
    "fit_change",
    "fit_conditions",
    "fit_crossover",
    "fit_mixed",
    "fit_moments",
    "given",
    "grant_summary",
    "intraclass_correlation",
    "kappa",
    "limits_of_agreement",
    "mcnemar_test",
    "measurement_error",
    "model_effects",
    "n_band",
    "number_needed_to_treat",
    "odds_ratio",
    "paired_risk_difference",
    "pilot_correlation",
    "pilot_proportion",
    "pilot_sd",
    "plan_ancova",
    "plan_change",
    "plan_cluster",
    "plan_crossover",
    "plan_means",
    "plan_mixed",
    "plan_ordinal",
    "plan_proportions",
    "plan_repeated",
    "plan_slopes",
    "pool",
    "pool_effects",
    "pooled_share",
    "power_curve",
    "pre_post_control_size",
    "progression",
    "proportion_interval",
    "rank_test",
    "regression_to_mean",
    "reliable_change",
    "repeatability",
    "replicate_agreement",
    "risk_difference",
    "risk_ratio",
    "search_n",
    "simulate_grid",
    "simulate_trials",
    "stratified_ratio",
    "stratified_risk_difference",
    "true_change_from_fit",
    "true_change_share",
    "what_if",
]
