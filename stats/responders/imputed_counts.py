"""Responder shares over multiply imputed data: Rubin's rules with a Wilson interval."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, nan, sqrt

import numpy as np
from scipy.stats import norm, t

from stats.errors import FitError
from stats.proportions.one_proportion import proportion_limits


@dataclass(frozen=True)
class ImputedShare:
    """Mean share over imputations; `inflation` = (1 + 1/m) between / within variance; `df` of Barnard & Rubin."""

    share: float
    n: int
    imputations: int
    inflation: float
    df: float

    def limits(self, level: float) -> tuple[float, float]:
        """Wilson's interval with the variance inflated and the normal quantile replaced by t.

        Solves (share - p)² = t² p (1 - p) (1 + inflation) / n for p, which is Wilson's equation at an effective n.
        Source: Lott & Reiter 2020 (Am Stat 74:109-115), derived here; degrees of freedom Barnard & Rubin 1999.
        """
        if self.n == 0:
            return nan, nan
        ratio = float(norm.ppf((1 + level) / 2) / t.ppf((1 + level) / 2, self.df)) if self.df < inf else 1.0
        effective = self.n / (1 + self.inflation) * ratio**2
        # below one effective person the interval is everything between 0 and 1
        if effective < 1:
            return 0.0, 1.0
        return proportion_limits(self.share * effective, effective, "wilson", level)


def share_over_imputations(counts: Sequence[int], n: int) -> ImputedShare:
    """Counts of responders among the same n people in each completed data set.

    counts: a number for each completed data set. Raises FitError for fewer than two of them. Source: Rubin 1987, as
    `combine_imputations`.
    """
    m = len(counts)
    if m < 2:
        raise FitError(f"{m} imputation(s), allowed 2 or more (20 and more are usual).")
    if n == 0:
        return ImputedShare(nan, 0, m, 0.0, inf)
    shares = np.array(counts, float) / n
    mean, between = float(shares.mean()), float(shares.var(ddof=1))
    within = float((shares * (1 - shares)).mean()) / n
    if between == 0:
        return ImputedShare(mean, n, m, 0.0, inf)
    if within == 0:  # every imputation all or none: only the variance between imputations is left
        within = 1 / (4 * n**2)
    inflation = (1 + 1 / m) * between / within
    fraction = inflation / (1 + inflation)
    old, complete = (m - 1) / fraction**2, n - 1
    observed = (complete + 1) / (complete + 3) * complete * (1 - fraction)
    df = 1 / (1 / old + 1 / observed) if observed > 0 else 1.0
    return ImputedShare(mean, n, m, inflation, max(1.0, df))


def standard_error(share: ImputedShare) -> float:
    """Total standard error by Rubin's rules."""
    return sqrt(share.share * (1 - share.share) / share.n * (1 + share.inflation))
