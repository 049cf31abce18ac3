"""The public names of `stats.responders`, each with the module that holds it."""

from .between_arms import ArmComparison as ArmComparison
from .between_arms import compare_responders as compare_responders
from .beyond_error import ClinicalCutoffs as ClinicalCutoffs
from .beyond_error import ReliableChange as ReliableChange
from .beyond_error import clinical_cutoffs as clinical_cutoffs
from .beyond_error import reliable_change as reliable_change
from .count import count_responders as count_responders
from .count import with_imputations as with_imputations
from .criteria import OwnThreshold as OwnThreshold
from .crossover_counts import CrossoverCounts as CrossoverCounts
from .crossover_counts import count_in_periods as count_in_periods
from .cumulative import CumulativeChange as CumulativeChange
from .cumulative import cumulative_change as cumulative_change
from .imputed_counts import share_over_imputations as share_over_imputations
from .published_criteria import Beyond as Beyond
from .reaching import LevelReached as LevelReached
from .reaching import count_reaching as count_reaching
from .responder_counts import ResponderCounts as ResponderCounts
from .true_change import regression_to_mean as regression_to_mean
from .true_change import true_change_share as true_change_share
