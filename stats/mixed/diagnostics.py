"""What the fitted model says of visits and people."""

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from stats.mixed.geometry import geometry_of
from stats.mixed.structures import build_structure

if TYPE_CHECKING:
    from stats.mixed.fit import MixedFit


def natural_structure(fit: "MixedFit"):
    """The structure over the visits themselves (not the rotated slots), and its parameters in natural units (1, K)."""
    structure = build_structure(
        geometry_of(fit.moments, fit.times), fit.moments.slots, fit.moments.random_terms, fit.moments.groups,
        correlated=fit.correlated, covariance=fit.covariance,
    )  # fmt: skip
    return structure, fit.solution.theta[:1]


def visit_covariance(fit: "MixedFit") -> pd.DataFrame:
    """Fitted covariance over visits; where covariates of random effects differ between people, at the first seen."""
    structure, theta = natural_structure(fit)
    S = structure.matrix(theta)[0]
    moments = fit.moments
    T = len(moments.slots)
    out = np.full((T, T), np.nan)
    for p in np.flatnonzero(moments.group == 0):
        pair = np.outer(moments.observed[p], moments.observed[p]) & np.isnan(out)
        out[pair] = S[p if len(S) > 1 else 0][pair]
    return pd.DataFrame(out, index=list(moments.slots), columns=list(moments.slots))
