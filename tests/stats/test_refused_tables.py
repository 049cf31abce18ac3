"""Tables and options that `stats` cannot use are refused in words that name the column, the option or the group.

A row is a call on one small invented trial (12 people, two arms, three visits) or one changed from it, and the words
its message has to hold. That a table lacks what a method needs is shown by taking it away, so no source is needed.
"""

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from stats import FitError, fit_mixed
from stats.bounded.capped_times import capped_time
from stats.bounded.censoring import fit_censored
from stats.bounded.counts import fit_bounded
from stats.bounded.estimating_equations import gee
from stats.bounded.grades import fit_ordinal
from stats.bounded.rank_tests import rank_test
from stats.change.person_changes import better_sign, enrolled_arms
from stats.effects.other_trials.published_trials import published_effects
from stats.measurement.agreement import replicate_agreement
from stats.measurement.two_way import rating_table
from stats.missing.imputation import given_imputations, impute
from stats.missing.long_run import long_run_difference
from stats.missing.tipping import tipping_point
from stats.missing.visit_table import visit_table

PEOPLE, VISITS = 12, 3
RNG = np.random.default_rng(4)
PERSON = np.repeat(np.arange(PEOPLE), VISITS)
OWN = RNG.normal(0, 3, PEOPLE)[PERSON]
LONG = pd.DataFrame(
    {
        "participant": [f"p{k:02d}" for k in PERSON],
        "visit": np.tile(["v0", "v1", "v2"], PEOPLE),
        "arm": np.where(PERSON < PEOPLE // 2, "new", "usual"),
        "value": 30 + OWN + RNG.normal(0, 2, PEOPLE * VISITS),
        "grade": RNG.integers(0, 4, PEOPLE * VISITS),
        "count": RNG.integers(1, 9, PEOPLE * VISITS),
        "week": np.tile([0.0, 4.0, 8.0], PEOPLE),
    }
)
GAPS = LONG.assign(value=LONG["value"].where((LONG["visit"] != "v2") | (PERSON % 4 > 0)))
ONE_ARM = GAPS.assign(arm="new")
TIMES = pd.DataFrame({"time": [5.0, 8.0, 20.0, 9.0], "done": [1, 1, 0, 1], "arm": ["a", "a", "b", "b"]})
PAPER = pd.DataFrame(
    {"source": ["A 2020"] * 2, "arm": ["new", "control"], "n": [20, 20], "mean": [10.0, 8.0], "sd": [2.0, 2.0]}
)


def mixed(formula: str = "value ~ visit * arm", frame: pd.DataFrame = LONG, **more):
    return fit_mixed(frame, formula, **({"participant": "participant", "visit": "visit"} | more))


def timed(frame: pd.DataFrame = TIMES, **more):
    return capped_time(frame, **({"time": "time", "done": "done", "cap": 20.0, "arm": "arm"} | more))


def equations(formula: str = "value ~ visit * arm", frame: pd.DataFrame = LONG, **more):
    return gee(frame, formula, **({"participant": "participant", "visit": "visit"} | more))


def counted(frame: pd.DataFrame = LONG, **more):
    return fit_bounded(frame, "count ~ arm", **({"participant": "participant", "maximum": 10} | more))


def censored(frame: pd.DataFrame = LONG, **more):
    return fit_censored(frame, "value ~ arm", participant="participant", **more)


def ordinal(response: str = "grade", frame: pd.DataFrame = LONG, **more):
    return fit_ordinal(frame, f"{response} ~ arm", **({"participant": "participant"} | more))


def imputed(**more):
    return impute(GAPS, **({"m": 3, "seed": 1} | more))


def given(frame: pd.DataFrame):
    return given_imputations(
        frame, COPIES[:1], imputation="copy", participant="participant", arm="arm", visits=["v0", "v1"]
    )


COPIES = pd.DataFrame(
    {"copy": [1, 2], "participant": ["p00", "p00"], "arm": "new", "v0": [1.0, 1.0], "v1": [2.0, np.nan]}
)
REFUSED: dict[str, tuple[Callable[[], object], str]] = {
    "a limit beyond the cap": (lambda: timed(until=30.0), "until=30.0"),
    "a reference nobody is in": (lambda: timed(reference="c"), "'c'"),
    "times without their column": (lambda: timed(TIMES.drop(columns="done")), "done"),
    "half done": (lambda: timed(TIMES.assign(done=0.5)), "'done'"),
    "nobody with a time": (lambda: timed(TIMES.assign(done=np.nan)), "Nobody"),
    "a difference of times nobody knows": (lambda: timed().difference(method="x"), "'x'"),
    "a censoring without an end": (lambda: censored(), "end of the scale"),
    "ends upside down": (lambda: censored(low=50.0, high=10.0), "low=50.0"),
    "everybody at an end": (lambda: censored(low=100.0), "every score"),
    "a family of counts nobody knows": (lambda: counted(family="x"), "'x'"),
    "a maximum in no column": (lambda: counted(maximum="most"), "'most'"),
    "an empty maximum": (lambda: counted(LONG.assign(most=np.nan), maximum="most"), "most"),
    "a maximum below the minimum": (lambda: counted(minimum=20), "20"),
    "a count above its maximum": (lambda: counted(maximum=3), "3"),
    "everybody at the minimum": (lambda: counted(LONG.assign(count=0)), "same"),
    "a family of equations nobody knows": (lambda: equations(family="x"), "'x'"),
    "a correction nobody knows": (lambda: equations(small_sample="x"), "'x'"),
    "two columns of the same": (lambda: equations("value ~ week + I(2 * week)"), "week"),
    "a correlation of other visits": (lambda: equations(working=np.eye(2)), "2"),
    "a correlation that is no square": (lambda: equations(working=np.ones((2, 3))), r"\(2, 3\)"),
    "a df of equations nobody knows": (lambda: equations().estimates(np.eye(6), list("abcdef"), df="x"), "'x'"),
    "grades in no column": (lambda: ordinal("absent"), "absent"),
    "grades in words": (lambda: ordinal("visit"), "visit"),
    "grades without an order": (lambda: ordinal(frame=LONG.assign(grade=pd.Categorical(LONG["grade"]))), "order"),
    "one grade": (lambda: ordinal(frame=LONG.assign(grade=1)), "same grade"),
    "a grade for everybody": (lambda: ordinal("value", LONG.assign(value=range(36)), participant=None), "36|values"),
    "half a point of quadrature": (lambda: ordinal(points=2.5), "points=2.5"),
    "a model without its intercept": (
        lambda: fit_ordinal(LONG, "grade ~ 0 + week"),
        "intercept",
    ),
    "weights of another model": (lambda: ordinal().estimates(np.eye(9), list("abcdefghi")), "9 columns"),
    "a df of grades nobody knows": (lambda: ordinal().estimates(np.eye(4), list("abcd"), df="x"), "'x'"),
    "a profile of no term": (lambda: ordinal().profile("age"), "'age'"),
    "ranks nobody knows": (lambda: rank_test([1, 2], [3, 4], zeros="x"), "'x'"),
    "strata of pairs": (lambda: rank_test([1, 2], [3, 4], paired=True, strata=[1, 1]), "paired"),
    "ranks of one group": (lambda: rank_test([1, 2]), "One group"),
    "people without a stratum": (lambda: rank_test([1, 2], [3, 4], strata=(["a", None], ["a", "a"])), "stratum"),
    "a person in two arms": (
        lambda: enrolled_arms(LONG, pd.DataFrame({"participant": ["p00", "p00"], "arm": ["new", "usual"]})),
        "p00",
    ),
    "a direction nobody knows": (lambda: better_sign("up"), "'up'"),
    "papers that are none": (lambda: published_effects(PAPER.iloc[:0]), "0 rows"),
    "a paper of its control alone": (lambda: published_effects(PAPER.iloc[1:]), "only the control"),
    "two sources in one paper": (lambda: published_effects(pd.concat([PAPER, PAPER[["source"]]], axis=1)), "source"),
    "three methods": (
        lambda: replicate_agreement(
            pd.DataFrame({"p": [1, 1, 1], "m": list("abc"), "v": [1.0, 2.0, 3.0]}), target="p", method="m", value="v"
        ),
        "3|two",
    ),
    "ratings without a rater": (lambda: rating_table(LONG, "participant", "rater", "value"), "rater"),
    "what to do with gaps, nobody knows": (lambda: rating_table(LONG, "participant", "visit", "value", "x"), "'x'"),
    "half an imputation": (lambda: imputed(m=2.5), "m=2.5|2.5"),
    "a covariance of imputing nobody knows": (lambda: imputed(covariance="x"), "'x'"),
    "a visit nobody planned": (lambda: visit_table(LONG).at("v9"), "v9"),
    "visits without their column": (lambda: visit_table(LONG.drop(columns="visit")), "visit"),
    "a person twice at a visit": (lambda: visit_table(pd.concat([LONG, LONG.iloc[:1]])), "two values at one visit"),
    "one visit": (lambda: visit_table(LONG[LONG["visit"] == "v0"]), "visit"),
    "an auxiliary nobody has": (lambda: visit_table(LONG, auxiliaries=["age"]), "age"),
    "an auxiliary in words": (lambda: visit_table(LONG.assign(age="old"), auxiliaries=["age"]), "age"),
    "imputations with a gap": (lambda: given(COPIES), "still has gaps"),
    "imputations without a person": (lambda: given(COPIES.assign(participant=["p00", "p01"])), "lacks people"),
    "a long run of one arm": (lambda: long_run_difference(ONE_ARM), "arm"),
    "an alpha of 1": (lambda: tipping_point(GAPS, alpha=1.0, m=3, seed=1), "alpha"),
    "a tipping point of one arm": (lambda: tipping_point(ONE_ARM, m=3, seed=1), "arm"),
    "a tipping point without gaps": (lambda: tipping_point(LONG, m=3, seed=1), "imputed|missing"),
    "a formula without a response": (lambda: mixed("~ visit"), "no response"),
    "a response of two columns": (lambda: mixed("visit ~ arm"), "columns"),
    "a random part without a column": (lambda: mixed("value ~ week", visit=None, random="0"), "no column"),
    "a covariance without visits": (lambda: mixed(visit=None, covariance="ar1"), "visit"),
    "a covariance by two things": (lambda: mixed(covariance="ar1", by="arm", variance_by="arm"), "by"),
    "a random part beside everything": (lambda: mixed(random="1", covariance="unstructured"), "unstructured"),
    "a df of a model nobody knows": (
        lambda: mixed(covariance="compound-symmetry").estimates(np.eye(6), list("abcdef"), df="x"),
        "'x'",
    ),
    "weights of another mixed model": (
        lambda: mixed(covariance="compound-symmetry").estimates(np.eye(2), ["a", "b"]),
        "2",
    ),
    "times in words": (lambda: mixed(time="arm", covariance="exponential"), "arm"),
    "endless times": (lambda: mixed(frame=LONG.assign(week=np.inf), time="week", covariance="exponential"), "infinite"),
    "nobody complete": (lambda: mixed(frame=LONG.assign(value=np.nan)), "value|row"),
    "one site": (lambda: mixed(frame=LONG.assign(site="north"), covariance="ar1", site="site"), "site"),
}


@pytest.mark.parametrize("what", REFUSED)
def test_what_a_table_cannot_answer_is_refused_by_name(what):
    call, words = REFUSED[what]
    with pytest.raises(FitError, match=words):
        call()
