"""The public names of `stats.bounded`, each with the module that holds it."""

from .capped_times import CappedTimes as CappedTimes
from .capped_times import capped_time as capped_time
from .censoring import CensoredFit as CensoredFit
from .censoring import fit_censored as fit_censored
from .counts import BoundedFit as BoundedFit
from .counts import fit_bounded as fit_bounded
from .ends import ScaleEnds as ScaleEnds
from .ends import ends_of_scale as ends_of_scale
from .estimating_equations import EstimatingFit as EstimatingFit
from .estimating_equations import gee as gee
from .grades import OrdinalFit as OrdinalFit
from .grades import fit_ordinal as fit_ordinal
from .proportional_odds import ProportionalOdds as ProportionalOdds
from .proportional_odds import check_proportional_odds as check_proportional_odds
from .rank_tests import RankTest as RankTest
from .rank_tests import rank_test as rank_test
