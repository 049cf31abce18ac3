"""The cumulative distribution of change: the share of people at or above every possible threshold at once."""

from typing import Unpack

import numpy as np
import pandas as pd

from outcomes import columns as c
from stats.change.change_table import change_table
from stats.estimates import check_level
from stats.proportions.one_proportion import proportion_limits
from stats.selection import Narrowed, Selected


def cumulative_change(
    scores: pd.DataFrame,
    outcome: Selected,
    *,
    participants: pd.DataFrame | None = None,
    method: str = "wilson",
    level: float = 0.95,
    **named: Unpack[Narrowed],
) -> pd.DataFrame:
    """For each arm and each improvement that occurred: how many reached it.

    Columns arm, improvement, count (people at or above it), observed, enrolled, estimate (of the observed) with
    pointwise conf_low and conf_high, estimate_enrolled (missing people as not improved). No threshold is chosen: a
    reader can look up any. Arguments as `change_table`. An arm without observed changes has no row.
    """
    check_level(level)
    table = change_table(scores, outcome, participants=participants, **named)
    rows = []
    for arm, own in table.groupby(c.ARM, sort=True):
        present = np.sort(own["improvement"].dropna().to_numpy())
        for value in np.unique(present):
            count = int((present >= value).sum())
            low, high = proportion_limits(count, len(present), method, level)
            rows.append((arm, value, count, len(present), len(own), count / len(present), low, high, count / len(own)))
    names = ["arm", "improvement", "count", "observed", "enrolled", "estimate", "conf_low", "conf_high"]
    return pd.DataFrame(rows, columns=[*names, "estimate_enrolled"])
