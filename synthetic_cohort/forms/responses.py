"""From ability to what is written on the form: answers item by item, forces trial by trial.

Arrays run over (R, N, V, H, C, I): replicates, people, visits, hands, conditions, items or trials.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from outcomes.dynamometry.force import convert_force
from synthetic_cohort.design import CONSTRUCTS, CohortDesign, Measure
from synthetic_cohort.forms.form_rules import apply_rules
from synthetic_cohort.forms.item_curves import Bank, ItemCurve, bank
from synthetic_cohort.people.ability import Ability, Array
from synthetic_cohort.people.strength import healthy_force

DIAL = {"kgf": 0.5, "lbf": 1.0, "N": 5.0}  # a needle is read to this (invented)
REPEAT_ABOVE = 0.14  # spread of a set of trials, SD over mean, above which it is repeated (invented)
MOST_REPEATS = 8  # sets of trials before the examiner takes what there is


@dataclass(frozen=True)
class Answers:
    """Answers of one instrument. value: NaN where the person was unable; asked: False where a rule skipped the item."""

    measure: Measure
    bank: Bank
    items: tuple[str, ...]
    value: Array
    asked: NDArray[np.bool_]


@dataclass(frozen=True)
class PersonNoise:
    """What stays with a person over visits: the item-specific part (R, N, 1, H, 1, I), in SD units."""

    items: NDArray[np.float32]


def person_noise(measure: Measure, rng: Generator, replicates: int, people: int) -> PersonNoise:
    """Draw the part of the answer noise that belongs to person and item."""
    count = len(bank_of(measure).curves)
    shape = (replicates, people, 1, len(measure.hands), 1, count)
    return PersonNoise(rng.standard_normal(shape, dtype=np.float32))


def draw_answers(
    design: CohortDesign,
    measure: Measure,
    ability: Ability,
    rng: Generator,
    person: PersonNoise | None = None,
    *,
    day_sd: float,
    observed: bool = True,
) -> Answers:
    """Draw the answers of one instrument at every visit.

    person: noise that stays with the person (drawn here when None).
    day_sd: latent noise of the day (`calibration.occasion_sd` gives the design's).
    observed: False leaves out rater and learning effects (used for the truth). Returns `Answers`.
    """
    person_rng, day_rng, item_rng, rater_rng = rng.spawn(4)
    curves = bank_of(measure)
    replicates, people, visits, _ = ability.affected.shape
    if person is None:
        person = person_noise(measure, person_rng, replicates, people)
    level: Array = _levels(design, measure, ability)
    shift: Array = np.zeros(1)
    day = day_rng.standard_normal((replicates, people, visits, len(measure.hands), 1))
    shift = shift + day_sd * day
    if observed:
        shift = shift + _observer(design, measure, ability, rater_rng)
    if curves.curves[0].form == "force":
        return _forces(design, measure, ability, curves, level, shift, item_rng)
    new = item_rng.standard_normal((*level.shape[:-1], len(curves.curves)), dtype=np.float32)
    value = np.empty(new.shape)
    for place, curve in enumerate(curves.curves):
        noise = curve.noise * (
            np.sqrt(curve.specific) * person.items[..., place] + np.sqrt(1 - curve.specific) * new[..., place]
        )
        latent = _of_side(curve, level, ability, design, measure)[..., curve.construct]
        if curve.form == "change":
            latent = curve.slope * (latent - latent[:, :, :1])
        value[..., place] = _answer(curve, curve.direction * (latent + shift) + noise)
    asked = np.ones(value.shape, dtype=bool)
    options = design.protocol.get("instruments", {}).get(measure.instrument, {})
    value, asked = apply_rules(curves, value, asked, options, skip=not measure.options.get("full", False))
    return Answers(measure, curves, curves.ids, value, asked)


def bank_of(measure: Measure) -> Bank:
    """The curves of the items a measure asks."""
    return bank(measure.instrument, measure.options.get("scales", ()), measure.options.get("items", ()))


def _levels(design: CohortDesign, measure: Measure, ability: Ability) -> Array:
    """Ability behind each hand and condition (R, N, V, H, C, K)."""
    hands = np.stack([ability.affected if hand != "other" else ability.other for hand in measure.hands], axis=3)
    help_of = np.array([design.assist.get(construct, 0.0) for construct in CONSTRUCTS])
    # How much a device helps differs between people, not between the visits of one person.
    personal = design.assist_sd * ability.people["assist_noise"][:, :, None, None, None] * (help_of != 0.0)
    conditions = [hands + (help_of + personal) * (condition == "assisted") for condition in measure.conditions]
    return np.stack(conditions, axis=4)


def _of_side(curve: ItemCurve, level: Array, ability: Ability, design: CohortDesign, measure: Measure) -> Array:
    """Ability behind an item: of the tested hand, or of the side the item itself names."""
    if not curve.hand:
        return level
    affected = ability.people["affected_left"] == (curve.hand == "left")
    other = _levels(design, replace(measure, hands=("other",)), ability)
    return np.where(affected[:, :, None, None, None, None], level, other)


def _observer(design: CohortDesign, measure: Measure, ability: Ability, rng: Generator) -> Array:
    """Shift of the score that is not ability: practice with the test, severity of the rater (R, N, V, 1, 1)."""
    replicates, _, visits, _ = ability.affected.shape
    practice = measure.learning * (1.0 - 0.5 ** np.arange(visits))
    severity = rng.standard_normal((replicates, len(design.people.raters))) * measure.rater_sd
    own = np.take_along_axis(severity, ability.people["rater"], axis=1)
    return (practice + own[..., None])[..., None, None]


def _answer(curve: ItemCurve, level: Array) -> Array:
    """Answer of one item at a noisy level of ability."""
    if curve.form in ("graded", "change"):
        passed = np.zeros(level.shape, dtype=np.int8)
        for step in curve.steps:
            passed += level > step
        return curve.levels[passed]
    if curve.form == "time":
        seconds = curve.middle * np.exp(-curve.slope * level)
        return np.round(np.maximum(seconds, curve.grain) / curve.grain) * curve.grain
    grained = np.round((curve.middle + curve.slope * level) / curve.grain) * curve.grain
    return np.clip(grained, curve.item.low, curve.item.high)


def _forces(
    design: CohortDesign, measure: Measure, ability: Ability, curves: Bank, level: Array, shift: Array, rng: Generator
) -> Answers:
    """Trials in kgf as read from the dial: a share of a healthy hand's force, never below zero.

    Like an examiner, repeats a set of trials whose spread is above `repeat_above`.
    """
    curve = curves.curves[0]
    options = measure.options
    trials = int(options.get("trials", 3))
    unit = str(options.get("unit", "kgf"))
    grain = float(convert_force(float(options.get("dial", DIAL[unit])), unit, "kgf"))
    share = np.maximum(curve.middle + curve.slope * (level[..., curve.construct] + shift), 0.0)
    force = (healthy_force(measure.instrument, ability.people, measure.hands)[:, :, None, :, None] * share)[..., None]
    spread = float(options.get("trial_spread", 0.06))
    value = np.empty((*share.shape, trials))
    again = np.ones(share.shape, dtype=bool)
    for _ in range(MOST_REPEATS):
        drawn = force[again] * (1.0 + spread * rng.standard_normal((int(again.sum()), trials)))
        value[again] = np.round(np.maximum(drawn, 0.0) / grain) * grain
        middle = value.mean(axis=-1)
        again = (
            value.std(axis=-1, ddof=1) > float(options.get("repeat_above", REPEAT_ABOVE)) * middle
            if trials > 1
            else again
        )
        again &= middle > 0.0
        if trials == 1 or not again.any():
            break
    names = tuple(str(trial + 1) for trial in range(trials))
    return Answers(measure, curves, names, value, np.ones(value.shape, dtype=bool))
