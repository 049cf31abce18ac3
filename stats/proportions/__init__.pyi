"""The public names of `stats.proportions`, each with the module that holds it."""

from .exact_tests import ExactTest as ExactTest
from .exact_tests import exact_test as exact_test
from .exact_tests import mcnemar_test as mcnemar_test
from .number_needed import NumberNeeded as NumberNeeded
from .number_needed import number_needed_to_treat as number_needed_to_treat
from .one_proportion import proportion_interval as proportion_interval
from .one_rate import rate_interval as rate_interval
from .paired_proportions import paired_risk_difference as paired_risk_difference
from .stratified import stratified_ratio as stratified_ratio
from .stratified import stratified_risk_difference as stratified_risk_difference
from .two_proportions import odds_ratio as odds_ratio
from .two_proportions import risk_difference as risk_difference
from .two_proportions import risk_ratio as risk_ratio
