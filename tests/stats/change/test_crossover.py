"""Crossover: a complete two-period trial is the two-sample t test of period differences (Hills & Armitage 1979)."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import ttest_ind

from outcomes.protocol.trial import Arm, Period, PlannedVisit, Protocol
from stats import FitError
from stats.change.crossover import fit_crossover

VISITS = ("s1", "e1", "s2", "e2")
DESIGN = Protocol(
    title="Crossover",
    design="crossover",
    arms=(Arm("AB", ""), Arm("BA", "")),
    visits=tuple(PlannedVisit(v, v, 7.0 * k) for k, v in enumerate(VISITS)),
    outcomes=("score.total",),
    primary="score.total",
    periods=(Period("one", "s1", "e1", {"AB": "a", "BA": "b"}), Period("two", "s2", "e2", {"AB": "b", "BA": "a"})),
)


@pytest.fixture
def scores() -> pd.DataFrame:
    rng = np.random.default_rng(11)
    people = [f"p{k}" for k in range(14)]
    arm = ["AB" if k % 2 else "BA" for k in range(14)]
    values = 30 + rng.normal(0, 6, (14, 1)) + rng.normal(0, 2, (14, 4))
    frame = pd.DataFrame(values, columns=list(VISITS)).assign(participant=people, arm=arm)
    long = frame.melt(id_vars=["participant", "arm"], var_name="visit", value_name="value")
    return long.assign(
        day=long["visit"].map({v: 7.0 * k for k, v in enumerate(VISITS)}), outcome="score.total", hand="",
        condition="unassisted", unit="points", better="higher",
    )  # fmt: skip


def test_complete_trial_is_the_t_test_of_period_differences(scores: pd.DataFrame) -> None:
    wide = scores.pivot(index=["participant", "arm"], columns="visit", values="value").reset_index()
    difference = (wide["e1"] - wide["s1"]) - (wide["e2"] - wide["s2"])
    plain = ttest_ind(difference[wide["arm"] == "AB"], difference[wide["arm"] == "BA"])
    ours = fit_crossover(scores, "score.total", design=DESIGN, reference="b")
    row = ours.effect().frame().iloc[0]
    expected = (difference[wide["arm"] == "AB"].mean() - difference[wide["arm"] == "BA"].mean()) / 2
    assert row["estimate"] == pytest.approx(expected, rel=1e-8)
    if not ours.fit.boundary:
        assert row["p_value"] == pytest.approx(plain.pvalue, rel=1e-6)
        assert row["df"] == pytest.approx(plain.df, rel=1e-6)


def test_refusals(scores: pd.DataFrame) -> None:
    from dataclasses import replace

    with pytest.raises(FitError, match=r"no \[\[periods\]\]"):
        fit_crossover(scores, "score.total", design=replace(DESIGN, periods=()))
    with pytest.raises(FitError, match="two are needed"):
        fit_crossover(
            scores[scores["visit"].isin(["s1", "e1"]) & (scores["arm"] == "AB")], "score.total", design=DESIGN
        )
    with pytest.raises(FitError, match="not among"):
        fit_crossover(scores, "score.total", design=DESIGN, reference="c")
