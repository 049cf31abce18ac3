"""Change per participant, from the scores frame. Two words, never mixed:

change = later - earlier, raw sign; improvement = the same with the sign turned so that positive is better.
"""

from collections.abc import Collection

import pandas as pd

from outcomes import columns as c
from stats.errors import FitError

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

DEFAULT_HANDS = ("affected", "")


def select_scores(
    scores: pd.DataFrame,
    outcome: str,
    hand: str | Collection[str] = DEFAULT_HANDS,
    condition: str = "unassisted",
) -> pd.DataFrame:
    """Rows of one outcome, one hand and one condition; refuses two scores for one participant and visit.

    Rows without a condition count as unassisted.
    """
    absent = [name for name in (c.PARTICIPANT, c.VISIT, c.DAY, c.OUTCOME, c.VALUE) if name not in scores.columns]
    if absent:
        raise FitError(f"The scores frame lacks the columns {', '.join(absent)}. Pass the frame that score() returns.")
    known = scores[c.OUTCOME].unique()
    if outcome not in known:
        raise FitError(f"Outcome {outcome!r} is not in the scores; there are {', '.join(map(str, known))}.")
    rows = scores[scores[c.OUTCOME] == outcome]
    if c.HAND in rows:
        hands = {hand} if isinstance(hand, str) else set(hand)
        rows = rows[rows[c.HAND].isin(hands)]
    if c.CONDITION in rows:
        allowed = {condition, ""} if condition == "unassisted" else {condition}
        rows = rows[rows[c.CONDITION].isin(allowed)]
    if rows.empty:
        raise FitError(
            f"No score of {outcome} for hand {hand!r} and condition {condition!r}. "
            "Name the hand and the condition that were measured."
        )
    twice = rows[rows.duplicated([c.PARTICIPANT, c.VISIT], keep=False)]
    if not twice.empty:
        person, visit = twice.iloc[0][[c.PARTICIPANT, c.VISIT]]
        found = len(twice[(twice[c.PARTICIPANT] == person) & (twice[c.VISIT] == visit)])
        raise FitError(
            f"{outcome}: participant {person}, visit {visit} has {found} scores where one is allowed. "
            "Choose one hand and one condition (arguments hand= and condition=; for people with two affected hands "
            "[both_hands] in study.toml)."
        )
    return rows


def visits_in_order(rows: pd.DataFrame) -> list[str]:
    """Visit ids by planned day."""
    return rows.drop_duplicates(c.VISIT).sort_values(c.DAY, kind="stable")[c.VISIT].tolist()


def enrolled_arms(scores: pd.DataFrame, participants: pd.DataFrame | None = None) -> pd.Series:
    """Arm by participant for everyone enrolled: everyone in `participants`, else everyone with a row in the scores."""
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
    """+1 where higher is better, -1 where lower is better: the only place where direction becomes a sign."""
    signs = {"higher": 1, "lower": -1}
    if better not in signs:
        raise FitError(f"Direction {better!r}: allowed 'higher' or 'lower' (is better).")
    return signs[better]


def change_table(
    scores: pd.DataFrame,
    outcome: str,
    *,
    visit: str | None = None,
    baseline: str | None = None,
    hand: str | Collection[str] = DEFAULT_HANDS,
    condition: str = "unassisted",
    participants: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """One row per enrolled participant: value before, value after, change and improvement.

    scores: frame of `outcomes.score`. outcome: "<instrument>.<scale>". baseline, visit: visit ids; the visits with the
    smallest and the largest planned day where not named. participants: everyone enrolled, for people without any
    score. Returns the columns CHANGE_COLUMNS; `missing` says which of the two values there is not.
    Raises FitError for an unknown outcome or visit, or several scores for one participant and visit.
    """
    rows = select_scores(scores, outcome, hand, condition)
    order = visits_in_order(rows)
    start, end = baseline or order[0], visit or order[-1]
    for name in (start, end):
        if name not in order:
            raise FitError(f"Visit {name!r} has no score of {outcome}; there are {', '.join(order)}.")
    if start == end:
        raise FitError(f"{outcome}: a change needs two visits, found {start!r} alone.")
    better = rows["better"].iloc[0] if "better" in rows else "higher"
    arms = enrolled_arms(scores, participants)
    values = rows.pivot(index=c.PARTICIPANT, columns=c.VISIT, values=c.VALUE).reindex(arms.index)
    before, after = values[start].astype(float), values[end].astype(float)
    change = after - before
    missing = pd.Series("", index=arms.index, dtype=object)
    missing[before.isna()] = "baseline"
    missing[after.isna()] = "later visit"
    missing[before.isna() & after.isna()] = "both"
    table = pd.DataFrame(
        {
            c.ARM: arms,
            c.OUTCOME: outcome,
            "from_visit": start,
            "to_visit": end,
            "before": before,
            "after": after,
            "change": change,
            "improvement": change * better_sign(better),
            "unit": rows["unit"].iloc[0] if "unit" in rows else "",
            "better": better,
            "missing": missing,
        }
    )
    return table.rename_axis(c.PARTICIPANT).reset_index()[list(CHANGE_COLUMNS)]
