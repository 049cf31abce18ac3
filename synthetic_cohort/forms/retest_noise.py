"""How much of a score is the day: the latent noise of one visit that gives the retest agreement a design asks for."""

from dataclasses import replace
from functools import lru_cache

import numpy as np

from outcomes.library.registry import instrument as load_instrument
from synthetic_cohort.design import CohortDesign, Measure
from synthetic_cohort.forms.drawn_scores import score_answers
from synthetic_cohort.forms.responses import bank_of, draw_answers
from synthetic_cohort.people.ability import draw_ability

PEOPLE = 4000
TRIES = 12


def occasion_sd(design: CohortDesign, measure: Measure) -> float:
    """The measure's own `occasion_sd`, or the one found from its `retest` by calibration."""
    if measure.occasion_sd is not None:
        return measure.occasion_sd
    return _calibrated(design.text, measure.instrument)


@lru_cache(maxsize=256)
def _calibrated(text: str, instrument: str) -> float:
    return calibrate(CohortDesign.from_toml(text), instrument)


def main_outcome(design: CohortDesign, instrument: str) -> str:
    """The outcome that speaks for an instrument: the first the protocol names, else its first scale with all items."""
    named = [str(outcome) for outcome in design.outcomes if str(outcome).split(".")[0] == instrument]
    if named:
        return named[0]
    asked = set(bank_of(design.measure(instrument)).ids)
    scales = load_instrument(instrument).scales
    whole = [scale.id for scale in scales if set(scale.items) <= asked]
    return f"{instrument}.{(whole or [scales[0].id])[0]}"


def retest_agreement(
    design: CohortDesign, instrument: str, day_sd: float, *, people: int = PEOPLE, seed: int = 7
) -> float:
    """Intraclass correlation, ICC(1,1), of the main scale at two visits between which nobody truly changes.

    Two entry visits of the design's own people are measured, without practice and rater effects.
    """
    first = design.visits[0]
    still = replace(
        design,
        arms=(replace(design.arms[0], n=people, effect={}),),
        visits=(first, replace(first, id=f"{first.id} again")),
    )
    measure = replace(design.measure(instrument), hands=("affected",), conditions=("unassisted",))
    rng, answer_rng = np.random.default_rng(seed).spawn(2)
    ability = draw_ability(still, rng)
    answers = draw_answers(still, measure, ability, answer_rng, day_sd=day_sd, observed=False)
    score = score_answers(answers, main_outcome(design, instrument), design)[0, :, :, 0, 0]
    score = score[~np.isnan(score).any(axis=1)]
    between = 2 * score.mean(axis=1).var(ddof=1)
    within = ((score[:, 0] - score[:, 1]) ** 2).mean() / 2
    return float((between - within) / (between + within))


def calibrate(design: CohortDesign, instrument: str) -> float:
    """Latent noise of the day, between 0 and 1.5, that brings the retest agreement to the design's `retest`."""
    target = design.measure(instrument).retest
    low, high = 0.0, 1.5
    for _ in range(TRIES):
        middle = (low + high) / 2
        if retest_agreement(design, instrument, middle) > target:
            low = middle
        else:
            high = middle
    return 0.0 if low == 0.0 else round((low + high) / 2, 3)
