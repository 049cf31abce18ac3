"""Assisted against unassisted, or one hand against the other, in the same visit of the same people. Never pooled."""

from dataclasses import dataclass, replace
from math import nan, sqrt
from typing import Unpack

import pandas as pd

from outcomes import columns as c
from stats.change.person_changes import better_sign, enrolled_arms
from stats.errors import FitError
from stats.estimates import check_level
from stats.responders.true_change import t_limits
from stats.result import Result
from stats.selection import Narrowed, Selected, rows, selection_of, visits_in_order


@dataclass(frozen=True)
class PairedRow:
    """Mean paired advantage at one visit, or its change since the first visit."""

    arm: str
    visit: str
    what: str
    n: int
    enrolled: int
    mean_first: float
    mean_second: float
    difference: float
    sd: float


@dataclass(frozen=True)
class WithinVisit(Result):
    """Advantage of the first over the second inside each visit (positive: the first is better), and its change."""

    rows: tuple[PairedRow, ...]
    outcome: str
    first: str
    second: str
    unit: str
    n_participants: int
    n_rows: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """Columns arm, visit, what ("difference" or "change since ..."), n, enrolled, mean_first, mean_second,
        estimate, sd, conf_low, conf_high, d_z.
        """
        level = check_level(level)
        rows = []
        for row in self.rows:
            error = row.sd / sqrt(row.n) if row.n else nan
            low, high = t_limits(row.difference, error, row.n - 1, level)
            made = {"arm": row.arm, "visit": row.visit, "what": row.what, "n": row.n, "enrolled": row.enrolled}
            made |= {"mean_first": row.mean_first, "mean_second": row.mean_second, "estimate": row.difference}
            made |= {"std_error": error, "df": row.n - 1, "conf_low": low, "conf_high": high, "sd": row.sd}
            rows.append(made | {"d_z": row.difference / row.sd if row.sd > 0 else nan, "unit": self.unit})
        return pd.DataFrame(rows)

    def sentence(self, level: float = 0.95) -> str:
        """Advantage at each visit with interval and n."""
        level = check_level(level)
        parts = []
        for row in self.frame(level).to_dict("records"):
            arm = f"{row['arm']}, " if row["arm"] else ""
            what = "" if row["what"] == "difference" else f" {row['what']}"
            interval = f"{row['conf_low']:.2f} to {row['conf_high']:.2f}"
            parts.append(f"{arm}{row['visit']}{what} {row['estimate']:.2f} {self.unit} ({interval}; n = {row['n']})")
        return f"{self.outcome}, {self.first} better than {self.second} by: {'; '.join(parts)}; {level:.0%} intervals."


def compare_within_visit(
    scores: pd.DataFrame,
    outcome: Selected,
    *,
    between: str = "condition",
    first: str | None = None,
    second: str | None = None,
    participants: pd.DataFrame | None = None,
    **named: Unpack[Narrowed],
) -> WithinVisit:
    """Paired comparison inside each visit, and how the advantage changed since the first visit.

    scores: frame of `outcomes.score`. participants: a row for everyone enrolled. between: "condition" (assisted minus
    unassisted of the hand chosen by hand=) or "hand" (affected minus other in the condition chosen by condition=).
    first, second: the two, where not these. Only people with both values at a visit count there. Positive: the first is
    better.
    Returns `WithinVisit`. Raises FitError where one of the two was never measured.
    The two are never averaged: an assisted score is another outcome than an unassisted one.
    Differences are in the outcome's own unit. Source: the paired t test.
    """
    selection = selection_of(outcome, **named)
    if between == "condition":
        first, second = first or "assisted", second or "unassisted"
        frames = [rows(scores, replace(selection, condition=name)) for name in (first, second)]
    elif between == "hand":
        first, second = first or "affected", second or "other"
        frames = [rows(scores, replace(selection, hand=(name,))) for name in (first, second)]
    else:
        raise FitError(f"between {between!r}: allowed 'condition' or 'hand'.")
    arms = enrolled_arms(scores, participants)
    sign = better_sign(frames[0]["better"].iloc[0])
    one, two = (
        frame.pivot(index=c.PARTICIPANT, columns=c.VISIT, values=c.VALUE).reindex(arms.index) for frame in frames
    )
    visits = [visit for visit in visits_in_order(frames[0]) if visit in two.columns]
    if not visits:
        raise FitError(f"{selection.outcome}: no visit has both {first} and {second}.")
    advantage = (one[visits] - two[visits]) * sign
    made = []
    for arm in sorted(arms.unique()):
        people = arms.index[arms == arm]
        for visit in visits:
            own = advantage.loc[people, visit].dropna()
            made.append(_row(str(arm), visit, "difference", own, len(people), one[visit], two[visit]))
        for visit in visits[1:]:
            own = (advantage.loc[people, visit] - advantage.loc[people, visits[0]]).dropna()
            made.append(_row(str(arm), visit, f"change since {visits[0]}", own, len(people), None, None))
    return WithinVisit(
        rows=tuple(made),
        outcome=selection.named(),
        first=first,
        second=second,
        unit=str(frames[0]["unit"].iloc[0]),
        n_participants=len(arms),
        n_rows=int(advantage.notna().sum().sum()),
        notes=(f"Complete pairs of {first} and {second} at each visit; positive means {first} is better.",),
    )


def _row(
    arm: str, visit: str, what: str, own: pd.Series, enrolled: int, one: pd.Series | None, two: pd.Series | None
) -> PairedRow:
    return PairedRow(
        arm=arm,
        visit=visit,
        what=what,
        n=len(own),
        enrolled=enrolled,
        mean_first=float(one.loc[own.index].mean()) if one is not None and len(own) else nan,
        mean_second=float(two.loc[own.index].mean()) if two is not None and len(own) else nan,
        difference=float(own.mean()) if len(own) else nan,
        sd=float(own.std(ddof=1)) if len(own) > 1 else nan,
    )
