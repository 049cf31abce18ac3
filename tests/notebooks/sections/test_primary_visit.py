"""Headline, effect sizes, responders, what-if and plan all speak of the visit of the estimand, and move with it."""

from dataclasses import replace

import pytest

from notebooks.analysis import Analysis
from notebooks.sections import arms_compared, change, effects, next_trial, passing
from stats.choices import what_if
from synthetic_cohort import make_cohort

LABELS = {"week8": "Week 8", "week16": "Follow-up, week 16"}


@pytest.fixture(scope="module")
def study():
    return make_cohort("demo", seed=1).study


@pytest.mark.parametrize("visit", LABELS)
def test_all_headlines_move_together(study, visit):
    estimand = {**study.protocol.estimand, "visit": visit}
    analysis = Analysis(replace(study, protocol=replace(study.protocol, estimand=estimand)))
    scores, protocol = analysis.scores, analysis.study.protocol
    other = next(label for name, label in LABELS.items() if name != visit)

    said = change.sentences(change.fit_outcomes(analysis)).paragraphs
    counted = passing.responder_sentences(passing.count_passing(analysis)).paragraphs[:-1]  # the last is a caution
    indices = effects.effects_sentences(
        effects.effects_by_visit(analysis.scores, analysis.study), analysis.study
    ).paragraphs
    for text in (*said, *counted, *indices):
        assert LABELS[visit] in text
        assert other not in text

    sizes = arms_compared.compare_effects(analysis)
    assert {row.to_visit for row in sizes.rows} == {visit}
    asked = what_if(scores, design=protocol, participants=study.participants, each_person=False)
    assert asked.visit == visit
    main = analysis.main_fit(protocol.primary).between().frame().set_index("visit").loc[visit]
    own = asked.frame().query("is_protocol and quantity == 'difference in change'")["estimate"]
    assert own.to_numpy() == pytest.approx(main["estimate"], rel=1e-12)
    plan = next_trial.plan_next(analysis).plan
    assert LABELS[visit] in str(plan.inputs)
