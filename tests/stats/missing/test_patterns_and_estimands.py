"""Missing values counted against plain counts; what each strategy does to values, by hand.

Source of the rules: ICH E9(R1), 2019; the values are arithmetic.
"""

import numpy as np
import pandas as pd
import pytest

from stats.errors import FitError
from stats.missing.estimand import Estimand, IntercurrentEvent, apply_strategies
from stats.missing.imputation import impute
from stats.missing.patterns import describe_missing
from stats.missing.visit_table import visit_table


@pytest.fixture
def trial() -> pd.DataFrame:
    rng = np.random.default_rng(2)
    values = rng.normal(30, 5, (24, 3)) + np.arange(3)
    values[[1, 13], 1:] = np.nan
    values[5, 1] = np.nan
    people = [f"p{k:02d}" for k in range(24)]
    frame = pd.DataFrame({"participant": np.repeat(people, 3), "visit": np.tile(["v0", "v1", "v2"], 24)})
    return frame.assign(arm=np.repeat(["a", "b"], 36), value=values.ravel())


def dates(trial: pd.DataFrame) -> pd.DataFrame:
    days = trial["visit"].map({"v0": "2030-01-01", "v1": "2030-02-01", "v2": "2030-03-01"})
    return trial[["participant", "visit"]].assign(date=pd.to_datetime(days))


def test_every_missing_value_is_counted_with_its_reason(trial):
    attendance = pd.DataFrame(
        {"participant": ["p01", "p01", "p13", "p05"], "visit": ["v1", "v2", "v1", "v1"],
         "status": ["withdrawn", "withdrawn", "missed", "attended"], "reason": ["moved", "moved", "", ""]}
    )  # fmt: skip
    found = describe_missing(trial, attendance=attendance)
    table = found.frame()
    assert table["missing"].sum() == trial["value"].isna().sum() == 5
    reasons = [name for name in ("moved", "missed", "attended, no value", "no reason given") if name in table]
    assert table[reasons].sum().to_dict() == {"moved": 2, "missed": 1, "attended, no value": 1, "no reason given": 1}
    assert found.shapes.set_index(["arm", "pattern"])["people"].to_dict() == {
        ("a", "ooo"): 10, ("a", "o.."): 1, ("a", "o.o"): 1, ("b", "ooo"): 11, ("b", "o.."): 1,
    }  # fmt: skip
    stay = found.staying.set_index(["arm", "visit"])["staying"]
    assert stay["a", "v1"] == pytest.approx(11 / 12)
    assert "5 of 72" in found.sentence()
    assert found.leaving["n_left"].iloc[0] == 2


EVENTS = pd.DataFrame({"participant": ["p02", "p03"], "date": pd.to_datetime(["2030-01-20", "2030-02-10"]),
                       "term": ["Injection", "injection"]})  # fmt: skip


def applied(trial, strategy, **more):
    event = IntercurrentEvent("injection", strategy, "adverse_events", "term", ("injection",), **more)
    return apply_strategies(visit_table(trial), [event], {"adverse_events": EVENTS}, dates(trial))


def test_what_each_strategy_does(trial):
    plain = visit_table(trial).values
    assert np.array_equal(applied(trial, "treatment policy").table.values, plain, equal_nan=True)
    aside = applied(trial, "hypothetical").table.values
    assert np.isnan(aside[2, 1:]).all()
    assert np.isnan(aside[3, 2])
    assert aside[3, 1] == plain[3, 1]
    held = applied(trial, "while on treatment").table.values
    assert (held[2] == plain[2, 0]).all()
    assert held[3, 2] == plain[3, 1]
    composite = applied(trial, "composite", composite_value=0.0)
    assert (composite.table.values[2, 1:] == 0).all()
    assert composite.not_passed.sum() == 3
    assert composite.accounting["values_after"].tolist() == [3]
    untouched = np.ones(24, dtype=bool)
    untouched[[2, 3]] = False
    for values in (aside, held, composite.table.values):
        assert np.array_equal(values[untouched], plain[untouched], equal_nan=True)


def test_the_strategies_give_different_answers(trial):
    found = {
        strategy: impute(applied(trial, strategy, **more).table, m=20, seed=3).difference()["estimate"]
        for strategy, more in (("treatment policy", {}), ("hypothetical", {}), ("while on treatment", {}),
                               ("composite", {"composite_value": 0.0}))
    }  # fmt: skip
    assert len(set(found.values())) == 4


def test_the_principal_stratum_is_refused_with_its_reason():
    with pytest.raises(FitError, match="cannot be seen in anybody"):
        IntercurrentEvent("death", "principal stratum")
    with pytest.raises(FitError, match="allowed treatment policy"):
        IntercurrentEvent("death", "ignore")
    question = Estimand(
        "a against b", "adults", "score", "v2", "difference in means", (IntercurrentEvent("death", "composite"),)
    )
    assert "no mean" in question.unanswered("means")[0]
    assert not question.unanswered("responders")
    assert question.frame().shape[0] == 6
