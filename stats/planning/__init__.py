"""Planning the next trial: closed forms, the pilot's uncertainty, the pilot's own size, progression, simulation."""

from stats.planning.closed_form.cluster import plan_cluster
from stats.planning.closed_form.means import plan_ancova, plan_change, plan_crossover, plan_means
from stats.planning.closed_form.mixed_model import plan_mixed
from stats.planning.closed_form.repeated import plan_repeated, plan_slopes
from stats.planning.closed_form.responder_shares import plan_ordinal, plan_proportions
from stats.planning.curves import plan_grid, smallest_detectable, visits_buy
from stats.planning.inputs import PilotEffect, elicited, known_value, pilot_correlation, pilot_proportion, pilot_sd
from stats.planning.pilot.pilot_size import (
    PilotSize,
    pilot_for_exclusion,
    pilot_for_problem,
    pilot_for_progression,
    pilot_for_proportion,
    pilot_for_sd,
    pilot_share,
    progression_cutoff,
    rules_of_thumb,
)
from stats.planning.pilot.pilot_uncertainty import (
    Assurance,
    assurance,
    assurance_normal,
    expected_power,
    expected_power_n,
    power_curve,
    sd_upper_limit,
    size_over_pilot_sd,
)
from stats.planning.pilot.progression_criteria import Progression, progression
from stats.planning.plan import Plan, plan_inputs, plan_working
from stats.planning.simulation.mixed_analysis import MixedAnalysis
from stats.planning.simulation.plan_check import simulate_plan
from stats.planning.simulation.search import SizeSearch, simulate_grid, size_by_simulation
from stats.planning.simulation.simulate import simulate_trials
from stats.planning.simulation.simulated import Simulation
from stats.planning.simulation.trials import (
    NormalTruth,
    Trials,
    fitted_truth,
    scores_maker,
    slopes_truth,
    visits_truth,
)
from stats.planning.simulation.verdicts import FinalValueAnalysis, ResponderAnalysis, Verdicts

__all__ = [
    "Assurance",
    "FinalValueAnalysis",
    "MixedAnalysis",
    "NormalTruth",
    "PilotEffect",
    "PilotSize",
    "Plan",
    "Progression",
    "ResponderAnalysis",
    "Simulation",
    "SizeSearch",
    "Trials",
    "Verdicts",
    "assurance",
    "assurance_normal",
    "elicited",
    "expected_power",
    "expected_power_n",
    "fitted_truth",
    "known_value",
    "pilot_correlation",
    "pilot_for_exclusion",
    "pilot_for_problem",
    "pilot_for_progression",
    "pilot_for_proportion",
    "pilot_for_sd",
    "pilot_proportion",
    "pilot_sd",
    "pilot_share",
    "plan_ancova",
    "plan_change",
    "plan_cluster",
    "plan_crossover",
    "plan_grid",
    "plan_inputs",
    "plan_means",
    "plan_mixed",
    "plan_ordinal",
    "plan_proportions",
    "plan_repeated",
    "plan_slopes",
    "plan_working",
    "power_curve",
    "progression",
    "progression_cutoff",
    "rules_of_thumb",
    "scores_maker",
    "sd_upper_limit",
    "simulate_grid",
    "simulate_plan",
    "simulate_trials",
    "size_by_simulation",
    "size_over_pilot_sd",
    "slopes_truth",
    "smallest_detectable",
    "visits_buy",
    "visits_truth",
]
