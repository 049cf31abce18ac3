"""Every analysis uses the rows of one `Selection`: the same arguments mean the same everywhere."""

import numpy as np
import pandas as pd
import pytest

from outcomes.columns import SCORE_COLUMNS
from stats.change.change_fit import fit_change
from stats.change.person_changes import change_table
from stats.change.within_visit import compare_within_visit
from stats.effects.effects_of_scores import effect_sizes
from stats.errors import FitError
from stats.responders.count import count_responders
from stats.responders.cumulative import cumulative_change
from stats.selection import Selection, rows

OUTCOME = "sis.hand"
MEASURED = [("affected", "unassisted"), ("affected", "assisted"), ("other", "unassisted"), ("", "unassisted"), ("", "")]


def scores_of(hand: str, condition: str, people: int = 9) -> pd.DataFrame:
    """Three visits of some people, measured with that hand and condition."""
    draw = np.random.default_rng(4)
    made = []
    for person in range(people):
        for k, visit in enumerate(("w0", "w4", "w8")):
            row = dict.fromkeys(SCORE_COLUMNS, "") | {"participant": f"P{person}", "visit": visit, "day": 28.0 * k}
            row |= {"outcome": OUTCOME, "hand": hand, "condition": condition, "unit": "points", "better": "higher"}
            made.append(row | {"value": 40 + 2 * k + draw.normal(0, 5)})
    return pd.DataFrame(made)


def people_of(scores: pd.DataFrame, chosen: Selection) -> dict[str, int | None]:
    """Number of people with a first and last value each analysis finds; None where it refuses."""
    asked = {
        "rows": lambda: rows(scores, chosen)["participant"].nunique(),
        "change table": lambda: (change_table(scores, chosen)["missing"] == "").sum(),
        "model": lambda: fit_change(scores, chosen).n_participants,
        "responders": lambda: count_responders(scores, 3, select=chosen, source="drawn")["observed"],
        "effect sizes": lambda: effect_sizes(scores, kinds="d_z", select=chosen)["n"],
        "cumulative": lambda: cumulative_change(scores, chosen).frame()["observed"].iloc[0],
    }
    found: dict[str, int | None] = {}
    for name, ask in asked.items():
        try:
            found[name] = int(ask())
        except FitError as refused:
            found[name] = None if "No score of sis.hand" in str(refused) else -1
    return found


@pytest.mark.parametrize(("hand", "condition"), MEASURED)
@pytest.mark.parametrize("asked_hand", ["affected", "other", ""])
@pytest.mark.parametrize("asked_condition", ["unassisted", "assisted", ""])
def test_the_same_arguments_find_the_same_people(hand, condition, asked_hand, asked_condition):
    found = people_of(scores_of(hand, condition), Selection(OUTCOME, hand=asked_hand, condition=asked_condition))
    takes_hand = hand == asked_hand or (asked_hand == "affected" and hand == "")
    takes_condition = condition == asked_condition or (asked_condition == "unassisted" and condition == "")
    assert set(found.values()) == {9 if takes_hand and takes_condition else None}


def test_keywords_beside_an_outcome_are_a_selection():
    scores = scores_of("", "unassisted")
    table = change_table(scores, OUTCOME, hand="affected", condition="unassisted", visit="w4")
    assert table.equals(change_table(scores, Selection(OUTCOME, "w4")))
    assert fit_change(scores, OUTCOME, hand="affected").n_participants == len(table) == 9


def test_a_selection_of_people_leaves_out_the_others_everywhere():
    scores = scores_of("affected", "unassisted")
    some = Selection(OUTCOME, participants=("P1", "P2", "P3", "P4", "P5", "P6"))
    assert set(people_of(scores, some).values()) == {6}
    assert change_table(scores, some, participants=pd.DataFrame({"participant": ["P1", "P99"]}))[
        "participant"
    ].tolist() == list(some.participants)
    with pytest.raises(FitError, match="of the 1 participants named"):
        rows(scores, Selection(OUTCOME, participants=("P99",)))


def test_visits_before_a_named_baseline_take_no_part():
    scores = scores_of("affected", "unassisted")
    late = Selection(OUTCOME, baseline="w4")
    assert set(rows(scores, late)["visit"]) == {"w4", "w8"}
    assert fit_change(scores, late).baseline_visit == change_table(scores, late)["from_visit"].iloc[0] == "w4"
    with pytest.raises(FitError, match=r"'w0' has no score of sis\.hand; there are w4, w8"):
        change_table(scores, late, visit="w0")
    with pytest.raises(FitError, match="needs two visits"):
        change_table(scores, late, visit="w4")


def test_two_scores_of_one_visit_are_refused_everywhere():
    both = pd.concat([scores_of("", "unassisted"), scores_of("affected", "unassisted")])
    for ask in (rows, change_table, fit_change):
        with pytest.raises(FitError, match="participant P0, visit w0 has 2 scores"):
            ask(both, Selection(OUTCOME))
    assert len(rows(both, Selection(OUTCOME), once=False)) == len(both)


def test_pairs_of_hands_never_take_a_score_without_a_hand_for_one():
    with pytest.raises(FitError, match=r"No score of sis\.hand for hand"):
        compare_within_visit(scores_of("", "unassisted"), OUTCOME, between="hand")


def test_columns_that_are_not_there_are_named():
    with pytest.raises(FitError, match="lacks the columns day"):
        rows(scores_of("", "").drop(columns="day"), Selection(OUTCOME))
    with pytest.raises(FitError, match="Which outcome"):
        rows(scores_of("", ""), Selection())
