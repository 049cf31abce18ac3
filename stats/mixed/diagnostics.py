"""What the fitted model says of visits and people."""

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from stats.mixed.people import natural_structure

if TYPE_CHECKING:
    from stats.mixed.fit import MixedFit


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
