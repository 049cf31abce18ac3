"""Effect sizes of change for every outcome of a study, in one frame."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Unpack

import numpy as np
import pandas as pd

from outcomes import columns as c
from outcomes.protocol.trial import Protocol
from stats.change.period_changes import period_changes
from stats.change.person_changes import better_sign, change_table
from stats.effects.one_effect import PAIRED_KINDS, effect_size
from stats.errors import FitError
from stats.estimates import NAN, Estimate, check_level
from stats.result import Result
from stats.selection import Narrowed, Selection, at_headline, selection_of

BETWEEN = "pre-post-control"
POSITIVE = "Improvement: the sign is turned where lower is better, so positive is better everywhere."
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
    unit: str
    n_participants: int
    n_rows: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """One row per outcome, arm and kind with `estimate std_error conf_low conf_high standardiser`.

        Beside them from_visit, to_visit, n of enrolled, mean_improvement and standardiser_value in the outcome's unit;
        reason where there is no estimate.
        """
        level = check_level(level)
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

    def sentence(self, level: float = 0.95) -> str:
        """Each effect size with interval, standardiser and n."""
        level = check_level(level)
        parts = []
        for row in self.rows:
            where = f"{row.outcome}{', ' + row.arm if row.arm else ''}, {row.from_visit} to {row.to_visit}"
            if row.size is None:
                parts.append(f"{where}: {row.kind} not computed ({row.reason})")
                continue
            low, high = row.size.limits(level)
            interval = (
                f"{level:.0%} interval {low:.2f} to {high:.2f}"
                if low == low
                else f"too few for an interval, n = {row.n}"
            )
            parts.append(
                f"{where}: {row.kind} {row.size.estimate:.2f} ({interval}; {row.size.method}; n = {row.n} of "
                f"{row.enrolled})"
            )
        return ". ".join(parts) + "."


def effect_sizes(
    scores: pd.DataFrame,
    outcomes: str | Sequence[str] | None = None,
    *,
    kinds: str | Sequence[str] = CHANGE_KINDS,
    reference: str | None = None,
    design: Protocol | None = None,
    select: Selection | None = None,
    participants: pd.DataFrame | None = None,
    interval: str = "default",
    rng: np.random.Generator | None = None,
    **named: Unpack[Narrowed],
) -> EffectSizes:
    """Effect sizes of the change between two visits, per outcome and arm, from complete pairs.

    scores: frame of `outcomes.score`. participants: a row for everyone enrolled. outcomes: one or more outcome ids; all
    in the frame where not named. kinds: as in `effect_size` for two occasions, one row per arm; and `pre-post-control`,
    one row per arm against the reference arm (reference=), the comparison a randomised pilot is for. select: the rows,
    of every outcome alike; visit, baseline, hand and condition narrow it (where not named: the first visit, and the
    primary one of design=, else the last of each outcome). interval, rng: as in
    `effect_size`. Positive is better. With periods in design= (crossover) and no visit named, changes are those inside
    periods and the rows are by treatment.
    Returns `EffectSizes`; an outcome that cannot be computed keeps its row, with the reason.
    Raises FitError for an unknown outcome, visit, kind or reference.
    Sizes are in standard deviations, named in the column standardiser. Source: as `effect_size`.
    """
    selection = selection_of(select, **named)
    wanted = outcomes_wanted(scores, outcomes or selection.outcome)
    chosen = [kinds] if isinstance(kinds, str) else list(kinds)
    allowed = (*PAIRED_KINDS, BETWEEN)
    unknown = [kind for kind in chosen if kind not in allowed]
    if unknown:
        raise FitError(f"Effect size of change {', '.join(unknown)}: allowed {', '.join(allowed)}.")
    make = partial(effect_size, interval=interval, rng=rng)
    in_periods = design is not None and bool(design.periods) and selection.visit is None and selection.baseline is None
    rows: list[EffectRow] = []
    if in_periods and BETWEEN in chosen:
        raise FitError(
            f"{BETWEEN} compares arms of different people; in a crossover the same people had both treatments. Use "
            "stats.effects.model_effects, which compares them inside people."
        )
    for outcome in wanted:
        own = at_headline(replace(selection, outcome=outcome), scores, design)
        if in_periods and design is not None:
            table = period_changes(scores, replace(own, visit=None), design=design, participants=participants)
        else:
            table = change_table(scores, own, participants=participants)
        by_arm = {str(arm): own for arm, own in table.groupby(c.ARM, sort=True)}
        for arm, own in by_arm.items():
            rows += [_row(arm, own, kind, None, make) for kind in chosen if kind != BETWEEN]
        if BETWEEN in chosen:
            if reference not in by_arm or len(by_arm) < 2:
                raise FitError(f"{BETWEEN} needs two arms and reference=; found arms {', '.join(map(repr, by_arm))}.")
            others = {arm: own for arm, own in by_arm.items() if arm != reference}
            rows += [_row(f"{arm} - {reference}", own, BETWEEN, by_arm[reference], make) for arm, own in others.items()]
    notes = [
        POSITIVE,
        "Complete pairs only. Indices with different standardisers are not comparable with each other.",
    ]
    if in_periods:
        notes.append("Crossover: changes inside periods, by treatment; the arms of the rows are the treatments.")
    elif set(chosen) - {BETWEEN}:
        notes.append(
            "The change inside an arm has no comparison: natural recovery and regression to the mean are in it."
        )
    return EffectSizes(
        rows=tuple(rows),
        unit="SD",
        n_participants=int(scores[c.PARTICIPANT].nunique()),
        n_rows=sum(row.n for row in rows),
        notes=tuple(notes),
    )


def outcomes_wanted(scores: pd.DataFrame, outcomes: str | Sequence[str] | None) -> list[str]:
    """The outcomes named, as a list; all in the frame where none is."""
    return [outcomes] if isinstance(outcomes, str) else list(outcomes or scores[c.OUTCOME].unique())


def _row(
    arm: str, table: pd.DataFrame, kind: str, control: pd.DataFrame | None, make: Callable[..., Estimate]
) -> EffectRow:
    sign = better_sign(table["better"].iloc[0])
    complete, size, reason = table[table["missing"] == ""], None, ""
    mean = float(complete["improvement"].mean()) if len(complete) else NAN
    n, enrolled, given = len(complete), len(table), {}
    if control is not None:
        both = control[control["missing"] == ""]
        given = {"control": (sign * both["after"], sign * both["before"])}
        mean -= float(both["improvement"].mean()) if len(both) else NAN
        n, enrolled = n + len(both), enrolled + len(control)
    try:
        size = make(kind, sign * complete["after"], sign * complete["before"], **given)
    except FitError as refused:
        reason = str(refused)
    return EffectRow(
        outcome=table[c.OUTCOME].iloc[0],
        arm=arm,
        kind=kind,
        from_visit=table["from_visit"].iloc[0],
        to_visit=table["to_visit"].iloc[0],
        n=n,
        enrolled=enrolled,
        mean_improvement=mean,
        unit=table["unit"].iloc[0],
        size=size,
        reason=reason,
    )
