"""A study's own threshold, per cent of the baseline and lower is better: responders, what-if and plan know it."""

import numpy as np
import pytest

from notebooks.analysis import Analysis
from notebooks.sections import next_trial, other_choices, passing
from outcomes import read_study
from synthetic_cohort import make_cohort

OWN = '{ value = 15, unit = "% of baseline", direction = "lower", source = "agreed by the team" }'


@pytest.fixture(scope="module")
def analysis(tmp_path_factory):
    folder = tmp_path_factory.mktemp("own") / "study"
    make_cohort("demo", seed=1, folder=folder)
    path = folder / "study.toml"
    text = path.read_text(encoding="utf-8").replace('primary = "fma_ue.motor"', 'primary = "nhpt.time"')
    text = text.replace('"nhpt.pegs_per_s"', '"nhpt.time"')
    path.write_text(text.replace("[thresholds]\n", f'[thresholds]\n"nhpt.time" = [{OWN}]\n'), encoding="utf-8")
    return Analysis(read_study(folder))


def test_people_are_counted_against_it(analysis):
    counts = passing.count_passing(analysis)
    said = " ".join(passing.responder_sentences(counts).paragraphs)
    changes = analysis.changes("nhpt.time")
    known = changes[changes["missing"] == ""]
    passed = known[(known["before"] - known["after"]) >= 0.15 * known["before"]]
    for arm, label in (("practice", "Home task practice"), ("usual", "Usual care")):
        own, of = (passed["arm"] == arm).sum(), (known["arm"] == arm).sum()
        assert f"{label}: {own} of {of} observed improved by at least 15 % of baseline (the study's own" in said


def test_the_what_if_page_draws_it_beside_published_ones_by_hand(analysis):
    made = other_choices.what_if_exhibits(analysis)
    table = next(one for one in made if getattr(one, "name", "") == "what_if_shares")
    assert {"nhpt.time-own-15-percent"} <= set(table.frame["option"])
    assert any(" / " in option for option in table.frame["option"])


def test_the_next_trial_is_planned_on_its_size_in_the_unit_of_the_outcome(analysis):
    found = next_trial.plan_next(analysis)
    changes = analysis.changes("nhpt.time")
    baseline = changes.loc[changes["missing"] == "", "before"].mean()
    assert found.plan is not None, found.reason
    assert found.plan.inputs["difference"].value == pytest.approx(0.15 * baseline, rel=1e-12)
    assert np.isfinite(found.plan.n_per_arm)
    assert "agreed by the team" in found.plan.sentence()
