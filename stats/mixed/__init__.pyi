"""The public names of `stats.mixed`, each with the module that holds it."""

from .fit import MixedFit as MixedFit
from .fit import fit_mixed as fit_mixed
from .fit import fit_moments as fit_moments
from .inference.simultaneous import gatekeeping as gatekeeping
from .many import fit_many as fit_many
from .model.moments import Moments as Moments
from .model.pooling import pool_moments as pool_moments
