"""Which published trials an application shows: of the primary outcome, with enough in print for the effect."""

import pandas as pd

from outcomes import Study
from outcomes.errors import StudyError
from outcomes.library.known import find_measure
from outcomes.library.registry import outcome_scale
from outcomes.protocol.trial import Protocol
from stats.change.person_changes import better_sign
from stats.effects.other_trials.published_trials import PublishedEffects, published_effects
from stats.effects.other_trials.trial_effect import RAW
from stats.errors import FitError


def shown_trials(
    study: Study, table: pd.DataFrame, kind: str | None, correlation: tuple[float, ...], left_out: list[str]
) -> PublishedEffects:
    """The published trials of the primary outcome; one that prints too little is left out, its reason in `left_out`.

    kind, correlation: as in `published_effects`; without a kind a difference in the outcome's unit (one arm: a change).
    Raises StudyError without a row, FitError where no trial can be shown.
    """
    primary = study.protocol.primary
    rows = table[table["outcome"].isin(["", primary])] if "outcome" in table else table
    if rows.empty:
        raise StudyError(f"No published row is of {primary}: found {', '.join(table['outcome'].unique())}.")
    rows = rows.assign(outcome=primary)
    kind = kind or (RAW if len(study.protocol.arms) > 1 else "change")
    sign = better_sign(_better(study.protocol))

    def made(frame: pd.DataFrame) -> PublishedEffects:
        return published_effects(
            frame, kind=kind, correlation=correlation or None, better="higher" if sign > 0 else "lower"
        )

    try:
        return made(rows)
    except FitError:
        kept = []
        for _, own in rows.groupby("source", sort=False):
            try:
                made(own)
                kept.append(own)
            except FitError as refused:
                left_out.append(f"A published trial: {refused}")
        if len(kept) == 0 or len(kept) == rows["source"].nunique():  # none can be shown, or not all of them together
            raise
        return made(pd.concat(kept))


def _better(protocol: Protocol) -> str:
    name, _, scale = protocol.primary.partition(".")
    own = find_measure(protocol, name, scale)
    return own.better if own is not None else outcome_scale(protocol.primary)[1].better
