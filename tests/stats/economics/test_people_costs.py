"""Cost of a participant from prices and the trial's own sheets, checked by plain arithmetic."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import pearsonr, ttest_ind

from outcomes.sheets import SHEETS, empty
from stats.economics import arm_costs, cost_and_effect
from stats.errors import FitError


def costs(*rows: dict) -> pd.DataFrame:
    frame = empty(SHEETS["costs"])
    given = [{"currency": "EUR", "price_year": 2024, "kind": "other"} | row for row in rows]
    words = {column.name: "" for column in SHEETS["costs"].columns if column.kind != "number"}
    return pd.DataFrame([words | row for row in given]).reindex(columns=frame.columns)


PEOPLE = pd.DataFrame({"participant": ["a", "b", "c", "d"], "arm": ["glove", "glove", "control", "control"]})
SESSIONS = pd.DataFrame(
    {"participant": ["a", "a", "b", "c", "d"], "minutes_performed": [30.0, 40.0, 20.0, 10.0, 10.0]}
)  # fmt: skip
VISITS = pd.DataFrame({"participant": list("aabbccd"), "status": ["", "", "attended", "missed", "", "", ""]})


def test_cost_of_a_person_is_use_times_price():
    made = arm_costs(
        costs(
            {"item": "glove", "kind": "device", "arm": "glove", "quantity": 12, "price": 1200, "life_years": 4},
            {"item": "therapist", "kind": "therapist time", "per": "minute", "price": 1},
            {"item": "travel", "kind": "travel", "per": "visit", "price": 12},
            {"item": "assessment", "kind": "research only", "price": 50},
            {"item": "insurance", "per": "trial", "price": 900},
        ),
        PEOPLE, sessions=SESSIONS, visits=VISITS,
    )  # fmt: skip
    device = 1200 / 4 / 12
    expected = {"a": device + 70 + 24, "b": device + 20 + 12, "c": 10 + 24, "d": 10 + 12}
    assert dict(zip(made.people["participant"], made.people["cost"], strict=True)) == pytest.approx(expected)
    assert (made.research, made.per_trial) == (50, 900)
    assert made.of_trial(10) == pytest.approx(10 * (device + 63) + 10 * 28 + 20 * 50 + 900)
    test = ttest_ind([expected["a"], expected["b"]], [expected["c"], expected["d"]], equal_var=False)
    low, high = test.confidence_interval(0.95)
    found = made.difference("glove", "control")
    assert (found.conf_low, found.conf_high) == pytest.approx((low, high))
    assert "EUR at prices of 2024" in made.sentence()


def test_an_empty_minute_is_unknown_and_no_session_is_none():
    unknown = SESSIONS.assign(minutes_performed=[30.0, np.nan, 20.0, 10.0, 10.0])[:4]
    made = arm_costs(costs({"item": "therapist", "per": "minute", "price": 1}), PEOPLE, sessions=unknown)
    assert made.people["cost"].isna().tolist() == [True, False, False, False]
    assert made.people["cost"].iloc[3] == 0
    with pytest.raises(FitError, match="known for 1 of 2"):
        made.difference("glove", "control")


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([{"item": "x", "price": 1}, {"item": "y", "price": 1, "currency": "GBP"}], "EUR, GBP"),
        ([{"item": "x", "price": 1}, {"item": "y", "price": 1, "price_year": 2020}], "2024.*2020"),
        ([{"item": "x", "price": -1}], "price -1"),
        ([{"item": "x", "price": 1, "per": "session"}], "no sheet that counts"),
        ([{"item": "x", "price": 1, "arm": "other"}], "fits nobody"),
    ],
)
def test_refusals(rows, said):
    with pytest.raises(FitError, match=said):
        arm_costs(costs(*rows), PEOPLE)


def test_costs_of_one_arm_are_no_comparison():
    made = arm_costs(costs({"item": "glove", "arm": "glove", "price": 10}), PEOPLE)
    with pytest.raises(FitError, match="one arm only"):
        made.difference("glove", "control")


def test_net_benefit_of_people_is_the_test_on_each_persons_net_benefit():
    """At any willingness the difference in w e - c over people, by hand; correlation from the same people."""
    rng = np.random.default_rng(2)
    c1, c0 = rng.gamma(4, 100, 14), rng.gamma(4, 80, 12)
    e1, e0 = 3 + 0.01 * c1 + rng.normal(size=14), 1 + 0.01 * c0 + rng.normal(size=12)
    made = cost_and_effect(c1, e1, c0, e0, willingness=[0, 50, 200])
    for row in made.frame().itertuples():
        one, two = row.willingness * e1 - c1, row.willingness * e0 - c0
        assert row.estimate == pytest.approx(one.mean() - two.mean())
        assert row.std_error == pytest.approx(np.sqrt(one.var(ddof=1) / 14 + two.var(ddof=1) / 12))
    assert np.sign(made.correlation) == np.sign(pearsonr(c1, e1).statistic)
    with pytest.raises(FitError, match="10 or more"):
        cost_and_effect(c1[:9], e1[:9], c0, e0, willingness=1)
