"""Effect sizes of change for every outcome of a study, in one frame."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import pandas as pd

from outcomes import columns as c
from stats.change_table import DEFAULT_HANDS, better_sign, change_table
from stats.effect_kinds import PAIRED
from stats.effects import effect_size
from stats.errors import FitError
from stats.estimates import NAN, Estimate, check_level
from stats.result import Result

CHANGE_KINDS = ("d_av", "g_av", "d_z", "srm", "baseline-sd")


@dataclass(frozen=True)
class EffectRow:
    """One effect size of one outcome in one arm; `size` is None where it cannot be computed and `reason` says why."""

    outcome: str
    arm: str
    kind: str
    from_visit: str
    to_visit: str
    n: int
    enrolled: int
    mean_improvement: float
    unit: str
    size: Estimate | None
    reason: str = ""


@dataclass(frozen=True)
class EffectSizes(Result):
    """Effect sizes of all outcomes. Positive is better, whatever the direction of the scale."""

    rows: tuple[EffectRow, ...]
    level: float
    unit: str
    n_subjects: int
    n_rows: int
    notes: tuple[str, ...]

    def frame(self, level: float | None = None) -> pd.DataFrame:
        """One row per outcome, arm and kind with `estimate std_error conf_low conf_high standardiser`."""
        level = check_level(self.level if level is None else level)
        made = []
        for row in self.rows:
            low, high = row.size.limits(level) if row.size else (NAN, NAN)
            extra = dict(row.size.extra) if row.size else {"standardiser": "", "standardiser_value": NAN}
            made.append(
                {
                    "outcome": row.outcome,
                    "arm": row.arm,
                    "kind": row.kind,
                    "from_visit": row.from_visit,
                    "to_visit": row.to_visit,
                    "n": row.n,
                    "enrolled": row.enrolled,
                    "mean_improvement": row.mean_improvement,
                    "unit": row.unit,
                    "estimate": row.size.estimate if row.size else NAN,
                    "std_error": row.size.std_error if row.size else NAN,
                    "df": row.size.df if row.size else NAN,
                    "conf_low": low,
                    "conf_high": high,
                    **extra,
                    "reason": row.reason,
                }
            )
        return pd.DataFrame(made)

    def sentence(self, level: float | None = None) -> str:
        """Each effect size with interval, standardiser and n."""
        level = check_level(self.level if level is None else level)
        parts = []
        for row in self.rows:
            where = f"{row.outcome}{', ' + row.arm if row.arm else ''}, {row.from_visit} to {row.to_visit}"
            if row.size is None:
                parts.append(f"{where}: {row.kind} not computed ({row.reason})")
                continue
            low, high = row.size.limits(level)
            parts.append(
                f"{where}: {row.kind} {row.size.estimate:.2f} ({level:.0%} interval {low:.2f} to {high:.2f}; "
                f"{row.size.method}; n = {row.n} of {row.enrolled})"
            )
        return ". ".join(parts) + "."


def effect_sizes(
    scores: pd.DataFrame,
    outcomes: str | Sequence[str] | None = None,
    *,
    kinds: str | Sequence[str] = CHANGE_KINDS,
    visit: str | None = None,
    baseline: str | None = None,
    hand: str | Collection[str] = DEFAULT_HANDS,
    condition: str = "unassisted",
    participants: pd.DataFrame | None = None,
    level: float = 0.95,
) -> EffectSizes:
    """Effect sizes of the change between two visits, per outcome and arm, from complete pairs.

    scores: the scores frame. outcomes: one or more outcome ids; all in the frame where not named. kinds: as in
    `effect_size` for two occasions. baseline, visit: visit ids; first and last visit of each outcome where not named.
    Positive is better. Returns `EffectSizes`; an outcome that cannot be computed keeps its row, with the reason.
    Raises FitError for an unknown outcome, visit or kind.

    A change inside one arm has no comparison: natural recovery, practice and regression to the mean are in it.
    """
    wanted = [outcomes] if isinstance(outcomes, str) else list(outcomes or scores[c.OUTCOME].unique())
    chosen = [kinds] if isinstance(kinds, str) else list(kinds)
    unknown = [kind for kind in chosen if kind not in PAIRED]
    if unknown:
        raise FitError(f"Effect size of change {', '.join(unknown)}: allowed {', '.join(PAIRED)}.")
    rows: list[EffectRow] = []
    for outcome in wanted:
        table = change_table(scores, outcome, visit=visit, baseline=baseline, hand=hand, condition=condition,
                             participants=participants)  # fmt: skip
        for arm, own in table.groupby(c.ARM, sort=True):
            rows += [_row(str(arm), own, kind) for kind in chosen]
    return EffectSizes(
        rows=tuple(rows),
        level=check_level(level),
        unit="SD",
        n_subjects=int(scores[c.PARTICIPANT].nunique()),
        n_rows=sum(row.n for row in rows),
        notes=(
            "Improvement: the sign is turned where lower is better, so positive is better everywhere.",
            "Complete pairs only; the change inside an arm holds natural recovery and regression to the mean.",
            "Indices with different standardisers are not comparable with each other.",
        ),
    )


def _row(arm: str, table: pd.DataFrame, kind: str) -> EffectRow:
    sign = better_sign(table["better"].iloc[0])
    complete = table[table["missing"] == ""]
    size, reason = None, ""
    try:
        size = effect_size(kind, sign * complete["after"], sign * complete["before"])
    except FitError as refused:
        reason = str(refused)
    return EffectRow(
        outcome=table[c.OUTCOME].iloc[0],
        arm=arm,
        kind=kind,
        from_visit=table["from_visit"].iloc[0],
        to_visit=table["to_visit"].iloc[0],
        n=len(complete),
        enrolled=len(table),
        mean_improvement=float(complete["improvement"].mean()) if len(complete) else NAN,
        unit=table["unit"].iloc[0],
        size=size,
        reason=reason,
    )
