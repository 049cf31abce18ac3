"""The page of missing visits: its numbers are those of plain counts and of the tipping point it draws."""

import numpy as np
import pytest

from notebooks.figures.tipping_shift import tipping_figure
from notebooks.sections.missing import missing_visits
from notebooks.show.names import Names
from outcomes import score
from stats.missing.patterns import describe_missing
from stats.missing.tipping import tipping_point
from stats.missing.visit_table import visit_table
from synthetic_cohort import make_cohort


@pytest.fixture(scope="module")
def study():
    return make_cohort("demo", seed=1).study


@pytest.fixture(scope="module")
def table(study):
    visits = [one.id for one in study.protocol.visits]
    return visit_table(score(study), study.protocol.primary, visits=visits, participants=study.participants)


def test_the_table_counts_what_is_missing(study, table):
    found = describe_missing(table, attendance=study.visits, covariates=study.participants)
    made = missing_visits.by_visit(found, Names(study.protocol))
    assert made.frame["missing"].sum() == np.isnan(table.values).sum()
    assert (made.frame["seen"] + made.frame["missing"] == made.frame["enrolled"]).all()
    told = made.frame["why"].str.findall(r": (\d+)").map(lambda counts: sum(map(int, counts)))
    assert (told == made.frame["missing"]).all()


def test_the_figure_draws_the_tipping_point(study, table):
    found = tipping_point(table, reference=study.protocol.reference_arm, seed=1)
    figure = tipping_figure(found, table.outcome, Names(study.protocol))
    line = figure.data[2]
    grid = found.grid.set_index("shift")
    assert np.allclose(grid.loc[list(line.x), "estimate"], line.y)
    marks = [one for one in (found.down, found.up) if not np.isnan(one)]
    drawn = [shape.x0 for shape in figure.layout.shapes if shape.x0 == shape.x1]
    assert all(mark in drawn for mark in marks)
    assert found.grid["p_value"].between(0, 1).all()
    assert "24 participants" in figure.layout.meta["caption"]
