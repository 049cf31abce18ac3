"""Which hand stands for a participant whose hands are both affected: one rule of the protocol, for every outcome.

A model of change, a responder and an effect size take one hand per participant. The rule is [both_hands] in study.toml;
the hand it names keeps the word "affected" in the scores and the other one gets the word "other".
"""

import numpy as np
import pandas as pd

from outcomes.columns import HAND, OUTCOME, PARTICIPANT, SIDE, VALUE, VISIT
from outcomes.protocol.keys import HAND_BY_SIDE
from outcomes.study import Study

OTHER_SIDE = {"left": "right", "right": "left"}


def analysed_sides(scores: pd.DataFrame, study: Study) -> pd.Series:
    """The side analysed, "left" or "right", of every participant with both hands affected; "" where the rule has none.

    Weaker, stronger: by the protocol's outcome at baseline, unassisted, both hands measured; equal hands: the dominant
    one. Index participant. Empty where the protocol has no [both_hands].
    """
    people = study.participants.drop_duplicates(PARTICIPANT).set_index(PARTICIPANT)
    people = people[people["affected_side"] == "both"]
    rule = study.protocol.both_hands
    if rule is None or people.empty:
        return pd.Series([], index=pd.Index([], name=PARTICIPANT), dtype="str")
    dominant = people["dominant_side"].where(people["dominant_side"].isin(OTHER_SIDE), "").astype(object)
    if rule.analysed in OTHER_SIDE:
        return pd.Series(rule.analysed, index=people.index)
    if rule.analysed in HAND_BY_SIDE:
        return dominant if rule.analysed == "dominant" else dominant.map(OTHER_SIDE).fillna("")
    entry = scores[
        (scores[OUTCOME] == rule.by)
        & (scores[VISIT] == study.protocol.baseline.id)
        & scores[SIDE].isin(OTHER_SIDE)
        & (scores["condition"] == "unassisted")
    ]
    both = entry.pivot_table(index=PARTICIPANT, columns=SIDE, values=VALUE, aggfunc="first")
    both = both.reindex(index=people.index, columns=["left", "right"])
    lead = both["right"] - both["left"]
    if len(entry) and entry["better"].iloc[0] == "lower":
        lead = -lead
    if rule.analysed == "weaker":
        lead = -lead
    chosen = np.where(lead > 0, "right", np.where(lead < 0, "left", np.where(lead == 0, dominant, "")))
    return pd.Series(chosen, index=people.index)


def with_analysed_hand(scores: pd.DataFrame, study: Study) -> pd.DataFrame:
    """The scores with the hands of participants with two affected hands named by the protocol's rule.

    A participant for whom the rule has no answer has two "other" hands and is in no analysis; the checks name them.
    """
    sides = analysed_sides(scores, study)
    if sides.empty:
        return scores
    chosen = scores[PARTICIPANT].map(sides)
    sided = chosen.notna() & scores[SIDE].isin(OTHER_SIDE)
    hand = scores[HAND].astype(object).where(~sided, np.where(chosen == scores[SIDE], "affected", "other"))
    return scores.assign(**{HAND: hand.astype(scores[HAND].dtype)})
