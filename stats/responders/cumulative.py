"""The cumulative distribution of change: the share of people at or above every possible threshold at once."""

from dataclasses import dataclass, field
from typing import Unpack

import numpy as np
import pandas as pd

from outcomes import columns as c
from stats.change.person_changes import change_table
from stats.errors import FitError
from stats.estimates import check_level
from stats.proportions.one_proportion import METHODS, proportion_limits
from stats.result import Result
from stats.selection import Narrowed, Selected


@dataclass(frozen=True)
class CumulativeChange(Result):
    """How many improved by each amount that occurred, in each arm. table: the change table behind it."""

    table: pd.DataFrame = field(repr=False, compare=False)
    method: str
    outcome: str
    unit: str
    n_participants: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """Columns arm, improvement, count (people at or above it), observed, enrolled, estimate (of the observed) with
        pointwise conf_low and conf_high, estimate_enrolled (missing people as not improved).

        An arm without observed changes has no row.
        """
        check_level(level)
        rows = []
        for arm, own in self.table.groupby(c.ARM, sort=True):
            present = np.sort(own["improvement"].dropna().to_numpy())
            n, enrolled = len(present), len(own)
            for value in np.unique(present):
                count = int((present >= value).sum())
                low, high = proportion_limits(count, n, self.method, level)
                rows.append((arm, value, count, n, enrolled, count / n, low, high, count / enrolled))
        names = ["arm", "improvement", "count", "observed", "enrolled", "estimate", "conf_low", "conf_high"]
        return pd.DataFrame(rows, columns=[*names, "estimate_enrolled"])

    def sentence(self, level: float = 0.95) -> str:
        """The median improvement of the observed in each arm, with n."""
        parts = []
        for arm, own in self.table.groupby(c.ARM, sort=True):
            observed = own["improvement"].dropna()
            seen = f"half improved by {observed.median():.3g} {self.unit} or more" if len(observed) else "nobody seen"
            parts.append(f"{f'{arm}: ' if arm else ''}{seen} (n = {len(observed)} of {len(own)})")
        return f"{self.outcome}: {'; '.join(parts)}."


def cumulative_change(
    scores: pd.DataFrame,
    outcome: Selected,
    *,
    participants: pd.DataFrame | None = None,
    method: str = "wilson",
    **named: Unpack[Narrowed],
) -> CumulativeChange:
    """For each arm and each improvement that occurred: how many reached it.

    No threshold is chosen: a reader can look up any. scores: frame of `outcomes.score`; participants: a row for
    everyone enrolled; both and the rest as `change_table`. method: interval of the share, as in
    `proportion_interval`. Returns `CumulativeChange`.
    Raises FitError for an unknown method, outcome or visit. Source: a count, no model; the interval's is in
    `proportion_interval`.
    """
    if method not in METHODS:
        raise FitError(f"Interval method {method!r} for a proportion: allowed {', '.join(METHODS)}.")
    table = change_table(scores, outcome, participants=participants, **named)
    return CumulativeChange(
        table=table,
        method=method,
        outcome=str(table[c.OUTCOME].iloc[0]),
        unit=str(table["unit"].iloc[0]),
        n_participants=len(table),
        notes=("Pointwise intervals: they hold for one amount chosen beforehand, not for the whole line.",),
    )
