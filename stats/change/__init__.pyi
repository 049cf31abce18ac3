"""The public names of `stats.change`, each with the module that holds it."""

from .change_fit import ChangeFit as ChangeFit
from .change_fit import fit_change as fit_change
from .conditions import ConditionFit as ConditionFit
from .conditions import fit_conditions as fit_conditions
from .crossover import CrossoverFit as CrossoverFit
from .crossover import fit_crossover as fit_crossover
from .period_changes import period_changes as period_changes
from .person_changes import better_sign as better_sign
from .person_changes import change_table as change_table
from .person_changes import enrolled_arms as enrolled_arms
from .re_randomisation import PermutationTest as PermutationTest
from .shape import Shape as Shape
from .shape import shape_of as shape_of
from .within_visit import WithinVisit as WithinVisit
from .within_visit import compare_within_visit as compare_within_visit
