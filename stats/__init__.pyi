"""The public names of `stats`: each stands with the module that holds it, and is loaded when it is first used.

What is not here is reached through its subject: `stats.responders`, `stats.planning`, `stats.effects`, ...
"""

from .bounded.capped_times import capped_time as capped_time
from .bounded.censoring import fit_censored as fit_censored
from .bounded.counts import fit_bounded as fit_bounded
from .bounded.ends import ends_of_scale as ends_of_scale
from .bounded.estimating_equations import gee as gee
from .bounded.grades import fit_ordinal as fit_ordinal
from .bounded.proportional_odds import check_proportional_odds as check_proportional_odds
from .bounded.rank_tests import rank_test as rank_test
from .change.change_fit import ChangeFit as ChangeFit
from .change.change_fit import fit_change as fit_change
from .change.person_changes import change_table as change_table
from .effects.effects_of_scores import effect_sizes as effect_sizes
from .effects.meta_analysis import pool_effects as pool_effects
from .effects.one_effect import effect_size as effect_size
from .errors import FitError as FitError
from .errors import PlanError as PlanError
from .measurement.agreement import limits_of_agreement as limits_of_agreement
from .measurement.error_of_measurement import measurement_error as measurement_error
from .measurement.internal_consistency import cronbach_alpha as cronbach_alpha
from .measurement.reliability import intraclass_correlation as intraclass_correlation
from .measurement.reliability import kappa as kappa
from .missing.estimand import Estimand as Estimand
from .missing.estimand import IntercurrentEvent as IntercurrentEvent
from .missing.estimand import apply_strategies as apply_strategies
from .missing.imputation import impute as impute
from .missing.long_run import long_run_difference as long_run_difference
from .missing.patterns import describe_missing as describe_missing
from .missing.rubin import combine_imputations as combine_imputations
from .missing.tipping import tipping_point as tipping_point
from .missing.visit_table import visit_table as visit_table
from .mixed.fit import MixedFit as MixedFit
from .mixed.fit import fit_mixed as fit_mixed
from .mixed.fit import fit_moments as fit_moments
from .mixed.model.moments import Moments as Moments
from .mixed.model.pooling import pool_moments as pool_moments
from .planning.closed_form.means import plan_ancova as plan_ancova
from .planning.closed_form.means import plan_means as plan_means
from .planning.closed_form.mixed_model import plan_mixed as plan_mixed
from .planning.closed_form.repeated import plan_repeated as plan_repeated
from .planning.closed_form.responder_shares import plan_proportions as plan_proportions
from .planning.pilot.progression_criteria import progression as progression
from .planning.simulation.simulate import simulate_trials as simulate_trials
from .proportions.number_needed import number_needed_to_treat as number_needed_to_treat
from .proportions.one_proportion import proportion_interval as proportion_interval
from .proportions.paired_proportions import paired_risk_difference as paired_risk_difference
from .proportions.two_proportions import odds_ratio as odds_ratio
from .proportions.two_proportions import risk_difference as risk_difference
from .proportions.two_proportions import risk_ratio as risk_ratio
from .responders.count import count_responders as count_responders
from .selection import Selection as Selection
