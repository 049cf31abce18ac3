"""The public names of `stats.missing`, each with the module that holds it."""

from .chained import Chained as Chained
from .chained import ScoredImputations as ScoredImputations
from .chained import chained_equations as chained_equations
from .chained import impute_items as impute_items
from .estimand import Applied as Applied
from .estimand import Estimand as Estimand
from .estimand import IntercurrentEvent as IntercurrentEvent
from .estimand import apply_strategies as apply_strategies
from .imputation import Imputations as Imputations
from .imputation import given_imputations as given_imputations
from .imputation import impute as impute
from .long_run import LongRun as LongRun
from .long_run import long_run_difference as long_run_difference
from .patterns import MissingVisits as MissingVisits
from .patterns import describe_missing as describe_missing
from .rubin import Combined as Combined
from .rubin import combine_imputations as combine_imputations
from .tipping import TippingPoint as TippingPoint
from .tipping import tipping_point as tipping_point
from .visit_table import VisitTable as VisitTable
from .visit_table import visit_table as visit_table
