"""Change per participant, from the scores frame. Two words, never mixed:

change = later - earlier, raw sign; improvement = the same with the sign turned so that positive is better.
"""

from typing import Unpack

import pandas as pd

from outcomes import columns as c
from stats.errors import FitError
from stats.selection import Narrowed, Selected, rows, selection_of, visits_in_order

CHANGE_COLUMNS = (
    c.PARTICIPANT,
    c.ARM,
    c.OUTCOME,
    "from_visit",
    "to_visit",
    "before",
    "after",
    "change",
    "improvement",
    "unit",
    "better",
    "missing",  # "", "baseline", "later visit" or "both": which value there is not
)


def enrolled_arms(scores: pd.DataFrame, participants: pd.DataFrame | None = None) -> pd.Series:
    """Arm by participant for everyone enrolled: everyone in `participants`, else everyone with a row in the scores.

    scores: frame of `outcomes.score`. participants: a row a person, columns participant and arm. Raises FitError where
    somebody is in two arms.
    No number is computed.
    """
    frames = [frame for frame in (participants, scores) if frame is not None]
    people = pd.concat(
        [frame.assign(**({} if c.ARM in frame else {c.ARM: ""}))[[c.PARTICIPANT, c.ARM]] for frame in frames]
    )
    people = people.fillna({c.ARM: ""}).drop_duplicates()
    # a participants table without arms must not add a second, empty arm to people whose arm the scores know
    people = people.sort_values(c.ARM, kind="stable", key=lambda arm: arm == "").drop_duplicates([c.PARTICIPANT, c.ARM])
    named = people[people[c.ARM] != ""]
    twice = named[named[c.PARTICIPANT].duplicated()]
    if not twice.empty:
        raise FitError(f"Participant {twice.iloc[0][c.PARTICIPANT]} is in more than one arm; allowed is one.")
    return people.drop_duplicates(c.PARTICIPANT).set_index(c.PARTICIPANT)[c.ARM].sort_index()


def better_sign(better: str) -> int:
    """+1 where higher is better, -1 where lower is better: the only place where direction becomes a sign.

    Raises FitError for anything but "higher" and "lower".
    Source: a definition.
    """
    signs = {"higher": 1, "lower": -1}
    if better not in signs:
        raise FitError(f"Direction {better!r}: allowed 'higher' or 'lower' (is better).")
    return signs[better]


def change_table(
    scores: pd.DataFrame,
    outcome: Selected,
    *,
    participants: pd.DataFrame | None = None,
    **named: Unpack[Narrowed],
) -> pd.DataFrame:
    """One row per enrolled participant: value before, value after, change and improvement.

    scores: frame of `outcomes.score`. outcome: "<instrument>.<scale>", or a `Selection`; visit, baseline, hand and
    condition narrow it. baseline, visit: visit ids; those with the smallest and the largest planned day where not
    named. participants: everyone enrolled, for people without any score. Returns columns participant, arm, outcome,
    from_visit, to_visit, before, after, change, improvement, unit, better, missing (which of the two values there is
    not).
    Raises FitError for an unknown outcome or visit, or several scores for one participant and visit.
    Values and changes are in the outcome's own unit. Source: subtraction; `change` is later less earlier.
    """
    selection = selection_of(outcome, **named)
    read = [c.PARTICIPANT, c.VISIT, c.DAY, c.OUTCOME, c.VALUE, c.HAND, c.CONDITION, "unit", "better"]
    # Other columns are not copied; where one is missing `rows` says so.
    chosen = rows(scores[[name for name in read if name in scores]], selection)
    order = visits_in_order(chosen)
    start, end = selection.baseline or order[0], selection.visit or order[-1]
    if start == end:
        raise FitError(f"{selection.outcome}: a change needs two visits, found {start!r} alone.")
    better = chosen["better"].iloc[0] if "better" in chosen else "higher"
    arms = enrolled_arms(scores, participants)
    if selection.participants is not None:
        arms = arms[arms.index.astype(str).isin(selection.participants)]
    values = chosen.pivot(index=c.PARTICIPANT, columns=c.VISIT, values=c.VALUE).reindex(arms.index)
    before, after = values[start].astype(float), values[end].astype(float)
    change = after - before
    missing = pd.Series("", index=arms.index, dtype=object)
    missing[before.isna()] = "baseline"
    missing[after.isna()] = "later visit"
    missing[before.isna() & after.isna()] = "both"
    table = pd.DataFrame(
        {
            c.ARM: arms,
            c.OUTCOME: selection.outcome,
            "from_visit": start,
            "to_visit": end,
            "before": before,
            "after": after,
            "change": change,
            "improvement": change * better_sign(better),
            "unit": chosen["unit"].iloc[0] if "unit" in chosen else "",
            "better": better,
            "missing": missing,
        }
    )
    return table.rename_axis(c.PARTICIPANT).reset_index()[list(CHANGE_COLUMNS)]
