"""Planned scores are counted where somebody was to take them."""

import pandas as pd

import outcomes
from notebooks.sections.checking import score_grid
from synthetic_cohort import make_cohort


def test_an_outcome_is_missing_only_where_it_was_planned():
    cohort = make_cohort("demo", seed=1)
    study, scores = cohort.study, outcomes.score(cohort.study)
    grid = score_grid(scores, study)
    visits = grid.groupby("outcome")["visit"].unique().map(set)
    assert visits["sis.hand"] == {"baseline", "week8", "week16"}
    assert visits["arat.total"] == {visit.id for visit in study.protocol.visits}
    # By hand: 24 people, five visits of six outcomes and three of the seventh.
    assert len(grid) == 24 * (5 * 6 + 3)


def test_a_score_at_a_visit_outside_the_plan_still_counts():
    cohort = make_cohort("demo", seed=1)
    study, scores = cohort.study, outcomes.score(cohort.study)
    extra = scores[(scores["outcome"] == "sis.hand") & scores["value"].notna()].head(1).assign(visit="week2")
    grid = score_grid(pd.concat([scores, extra]), study)
    outside = grid[(grid["outcome"] == "sis.hand") & (grid["visit"] == "week2")]
    assert outside["state"].tolist() == ["scored"]
