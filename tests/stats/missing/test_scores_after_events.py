"""What models and counts see after an intercurrent event, by strategy: small frames with values worked out by hand.

The meaning of the strategies: ICH E9(R1), 2019.
"""

import numpy as np
import pandas as pd
import pytest

from outcomes.protocol.trial import PlannedEvent, PlannedVisit, Protocol
from stats.change.person_changes import change_table
from stats.missing.scores_after_events import scores_after_events

VISITS = (PlannedVisit("w0", "Baseline", 0.0), PlannedVisit("w4", "Week 4", 28.0), PlannedVisit("w8", "Week 8", 56.0))
DATES = pd.DataFrame(
    {"participant": ["A", "A", "A", "B", "B", "B"], "visit": ["w0", "w4", "w8"] * 2,
     "date": pd.to_datetime(["2025-01-01", "2025-01-29", "2025-02-26"] * 2)}
)  # fmt: skip
TABLES = {"adverse_events": pd.DataFrame({"participant": ["A"], "term": ["Second stroke"], "date": ["2025-01-20"]})}


def scores(without=()) -> pd.DataFrame:
    rows = [
        {"participant": person, "arm": "a", "visit": visit, "day": day, "outcome": "made.total", "side": "left",
         "hand": "affected", "condition": "unassisted", "value": value, "unit": "points", "better": "higher",
         "reason": ""}
        for person, values in (("A", (10.0, 20.0, 30.0)), ("B", (11.0, 12.0, 13.0)))
        for visit, day, value in zip(("w0", "w4", "w8"), (0.0, 28.0, 56.0), values, strict=True)
        if (person, visit) not in without
    ]  # fmt: skip
    return pd.DataFrame(rows)


def asked(strategy: str, score: float | None = None, without=()):
    event = PlannedEvent("second", "a second stroke", strategy, "adverse_events", "term", ("second stroke",), score)
    protocol = Protocol(title="x", design="single-arm", visits=VISITS, primary="made.total", outcomes=("made.total",),
                        arms=(), events=(event,))  # fmt: skip
    return scores_after_events(scores(without), protocol, TABLES, DATES)


def of_a(frame: pd.DataFrame) -> list[float]:
    return frame[frame["participant"] == "A"].sort_values("day")["value"].tolist()


@pytest.mark.parametrize(
    ("strategy", "score", "means", "counts"),
    [
        ("treatment policy", None, [10, 20, 30], [10, 20, 30]),
        ("hypothetical", None, [10, np.nan, np.nan], [10, np.nan, np.nan]),
        ("while on treatment", None, [10, 10, 10], [10, 10, 10]),
        ("composite", 0.0, [10, 0, 0], [10, 10, 10]),
        ("composite", None, [10, np.nan, np.nan], [10, 10, 10]),
    ],
)
def test_each_strategy(strategy, score, means, counts):
    found = asked(strategy, score)
    np.testing.assert_array_equal(of_a(found.means), means)
    np.testing.assert_array_equal(of_a(found.counts), counts)
    # Nobody else is touched, and what happened to whom is accounted for.
    for frame in (found.means, found.counts):
        assert frame.loc[frame["participant"] == "B", "value"].tolist() == [11, 12, 13]
    assert found.accounting[["people", "values_after"]].to_numpy().tolist() == [[1, 2]]


def test_somebody_who_was_not_seen_any_more_is_counted_as_not_passed():
    found = asked("composite", 0.0, without={("A", "w8")})
    assert of_a(found.means) == [10, 0, 0]
    changes = change_table(found.counts, "made.total", baseline="w0", visit="w8")
    assert changes.set_index("participant").loc["A", "change"] == 0
    assert changes["missing"].eq("").all()


def test_a_composite_without_a_score_says_that_no_mean_answers_it():
    assert any("No mean answers this question" in note for note in asked("composite").notes)
    assert not asked("composite", 0.0).notes


def test_without_events_the_scores_are_the_scores():
    protocol = Protocol(
        title="x", design="single-arm", visits=VISITS, primary="made.total", outcomes=("made.total",), arms=()
    )
    given = scores()
    found = scores_after_events(given, protocol, TABLES, DATES)
    assert found.means is given
    assert found.counts is given
