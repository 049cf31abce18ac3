"""Sentences for a paper: the words of the protocol, the numbers of the result."""

import re

import pytest

from notebooks.report import record as records
from notebooks.show.names import Names
from notebooks.show.spoken import spoken
from outcomes import score
from stats import count_responders, effect_sizes, fit_change
from stats.choices import what_if
from synthetic_cohort import make_cohort

OUTCOME, THRESHOLD = "fma_ue.motor", "fma_ue-motor-page-2012-lowest"


@pytest.fixture(scope="module")
def results():
    study = make_cohort("demo", seed=1).study
    scores = score(study)
    fit = fit_change(scores, OUTCOME, design=study.protocol)
    made = [
        fit.changes(),
        fit.between(),
        count_responders(scores, THRESHOLD, participants=study.participants),
        effect_sizes(scores, OUTCOME, kinds=["g_av", "pre-post-control"], reference="usual"),
        what_if(study, scores=scores),
    ]
    return made, Names(study.protocol)


def test_words_change_and_numbers_do_not(results):
    made, names = results
    for result in made:
        before, after = result.sentence(), spoken(result, names).sentence()
        for arm in names.protocol.arms:
            assert arm.label in after
        assert not re.search(r"fma_ue\.motor|\bweek16\b|\bpractice -|practice, week|usual, week", after)
        # Numbers of labels ("week 16") come and go with the words; every number with a decimal point is a result.
        assert re.findall(r"\d+\.\d+", before) == re.findall(r"\d+\.\d+", after)


def test_what_has_no_words_is_refused(results):
    with pytest.raises(TypeError, match="No words for"):
        spoken(3, results[1])


def test_sentences_of_the_demo_report_name_no_outcome_by_its_id(demo_report):
    sentences = records.read(demo_report / "record.json")["sentences"]
    shown = ("change", "what if", "responders", "effect sizes", "effect sizes from the model")
    told = [line for name, lines in sentences.items() if name.split("/")[1] in shown for line in lines]
    assert len(told) >= 10
    assert not [line for line in told if re.search(r"\b(fma_ue\.motor|arat\.total|bbt\.blocks|grip\.force)\b", line)]
