"""The public names of `stats.choices`, each with the module that holds it."""

from .choice_answers import WhatIf as WhatIf
from .choice_answers import what_if as what_if
from .choice_grid import Scenario as Scenario
