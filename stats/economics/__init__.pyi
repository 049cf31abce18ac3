"""The public names of `stats.economics`, each with the module that holds it."""

from .bootstrap_of_means import bootstrap_difference as bootstrap_difference
from .incremental import NetBenefit as NetBenefit
from .incremental import acceptability as acceptability
from .incremental import net_benefit as net_benefit
from .people_costs import ArmCosts as ArmCosts
from .people_costs import arm_costs as arm_costs
from .people_costs import cost_and_effect as cost_and_effect
from .people_costs import cost_difference as cost_difference
from .quality_years import adjusted_quality_years as adjusted_quality_years
from .quality_years import quality_years as quality_years
from .quality_years import utility as utility
from .ratio_set import ratio_set as ratio_set
from .responder_price import CostPerResponder as CostPerResponder
from .responder_price import cost_per_responder as cost_per_responder
from .unit_prices import annuity as annuity
from .unit_prices import device_per_participant as device_per_participant
from .unit_prices import present_value as present_value
from .worth_of_trial import WorthOfTrial as WorthOfTrial
from .worth_of_trial import unit_normal_loss as unit_normal_loss
from .worth_of_trial import worth_of_trial as worth_of_trial
