"""How many sums there would be, asked before they are made: they grow with the patterns of visits, not with people."""

from collections.abc import Sequence

import numpy as np

from stats.errors import FitError
from stats.mixed.model.moments import Moments
from stats.mixed.model.site_sums import FirstSums

MOST_NUMBERS = 300_000_000  # of an outcome's sums: 2.4 GB


def within_memory(outcome: str, patterns: int, visits: int, columns: int) -> None:
    """FitError where sums by pattern of visits would not fit: every pattern is visits^2 x columns^2 numbers."""
    numbers = patterns * (visits * columns) ** 2
    if numbers > MOST_NUMBERS:
        raise FitError(
            f"{outcome}: people came in {patterns} patterns of {visits} visits; their sums would be "
            f"{numbers * 8 / 1e9:.1f} GB, allowed are {MOST_NUMBERS * 8 / 1e9:.1f}. Plan fewer visits for this outcome "
            "(a table in outcomes with visits = [...])."
        )


def patterns_of_sums(parts: Sequence[Moments]) -> int:
    """How many there are among all sums together."""
    found = set()
    for moments in parts:
        sites = moments.sites.Z if isinstance(moments.sites, FirstSums) else np.zeros((len(moments.n), 1, 1))
        for seen, group, Z in zip(moments.observed, moments.group, sites, strict=True):
            found.add((seen.tobytes(), int(group), (Z + 0.0).tobytes()))
    return len(found)
