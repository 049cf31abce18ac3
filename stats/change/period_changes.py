"""Changes inside the periods of a crossover: what a count or an effect size of a treatment is made of."""

from typing import Unpack

import pandas as pd

from outcomes import columns as c
from outcomes.protocol.trial import Protocol
from stats.change.person_changes import CHANGE_COLUMNS, better_sign, enrolled_arms
from stats.errors import FitError
from stats.selection import Narrowed, Selected, rows, selection_of

START, END = "start of a period", "end of a period"


def period_changes(
    scores: pd.DataFrame,
    outcome: Selected,
    *,
    design: Protocol,
    participants: pd.DataFrame | None = None,
    **named: Unpack[Narrowed],
) -> pd.DataFrame:
    """One row per participant and treatment: the change from the start to the end of the period it was given in.

    The frame of `change_table` with the treatment as `arm`, so that whatever counts or standardises changes by arm does
    so by treatment. scores: frame of `outcomes.score`. design: the protocol, with its periods. Somebody with the same
    treatment in several periods has the means of those with both values. participants: a row for everyone enrolled, for
    people without any score.
    Raises FitError where the protocol has no periods or nobody has a score of the outcome.
    Source: as `change_table`.
    """
    if not design.periods:
        raise FitError("The protocol declares no [[periods]]: there is no change inside a period to count.")
    selection = selection_of(outcome, **named)
    chosen = rows(scores, selection)
    sequences = enrolled_arms(scores, participants)
    values = chosen.pivot(index=c.PARTICIPANT, columns=c.VISIT, values=c.VALUE).reindex(sequences.index)
    parts = []
    for period in design.periods:
        start, end = (
            values.get(visit, pd.Series(float("nan"), index=values.index)) for visit in (period.start, period.end)
        )
        treatment = sequences.map(lambda sequence, given=period.treatments: given.get(str(sequence), ""))
        parts.append(
            pd.DataFrame({c.ARM: treatment, "before": start, "after": end}, dtype=object).reset_index(
                names=c.PARTICIPANT
            )
        )
    frame = pd.concat(parts, ignore_index=True)
    frame = frame[frame[c.ARM] != ""]
    frame[["before", "after"]] = frame[["before", "after"]].astype(float)
    table = _one_a_treatment(frame)
    change = table["after"] - table["before"]
    better = str(chosen["better"].iloc[0]) if "better" in chosen else "higher"
    unit = str(chosen["unit"].iloc[0]) if "unit" in chosen else ""
    return table.assign(
        **{c.OUTCOME: selection.named()}, from_visit=START, to_visit=END, change=change,
        improvement=change * better_sign(better), unit=unit, better=better, missing=_missing(table),
    )[list(CHANGE_COLUMNS)]  # fmt: skip


def _one_a_treatment(frame: pd.DataFrame) -> pd.DataFrame:
    """Periods of one person with the same treatment as one: the means of those with both values, else of what is."""
    keys = [c.PARTICIPANT, c.ARM]
    whole = frame["before"].notna() & frame["after"].notna()
    has_whole = whole.groupby([frame[name] for name in keys]).transform("any")
    kept = frame[whole | ~has_whole]
    return kept.groupby(keys, sort=True)[["before", "after"]].mean().reset_index()


def _missing(table: pd.DataFrame) -> pd.Series:
    missing = pd.Series("", index=table.index, dtype=object)
    missing[table["before"].isna()] = "baseline"
    missing[table["after"].isna()] = "later visit"
    missing[table["before"].isna() & table["after"].isna()] = "both"
    return missing
