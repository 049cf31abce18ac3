"""The latent truth: correlations, courses, effects, doses, raters, practice, devices."""

from dataclasses import replace

import numpy as np
import pytest

from synthetic_cohort import preset, simulate_scores
from synthetic_cohort.design import CONSTRUCTS, CohortDesign, Course, Measure, Severity
from synthetic_cohort.forms.responses import draw_answers
from synthetic_cohort.people.ability import draw_ability

PEOPLE = 20_000


def _many(design: CohortDesign, **changes) -> CohortDesign:
    return replace(design, arms=tuple(replace(arm, n=PEOPLE) for arm in design.arms), **changes)


@pytest.fixture(scope="module")
def demo() -> CohortDesign:
    return preset("demo").clean()


def test_constructs_correlate_as_the_design_says(demo):
    design = _many(demo, severity=(Severity("one", 1.0, 0.3, 1.0),))
    entry = draw_ability(design, np.random.default_rng(1)).affected[0, :, 0]
    # 40,000 people: standard error of a correlation at most 0.005.
    assert np.corrcoef(entry.T) == pytest.approx(np.array(design.correlation), abs=0.02)
    assert entry[:, 0].mean() == pytest.approx(0.3, abs=0.02)
    assert entry.std(axis=0) == pytest.approx(np.ones(len(CONSTRUCTS)), abs=0.02)


def test_the_severity_mix_has_its_mean_and_spread(demo):
    impairment = draw_ability(_many(demo), np.random.default_rng(2)).affected[0, :, 0, 0]
    mean = 0.65 * -0.1 + 0.35 * 0.8
    variance = 0.65 * (0.6**2 + (-0.1 - mean) ** 2) + 0.35 * (0.4**2 + (0.8 - mean) ** 2)
    assert impairment.mean() == pytest.approx(mean, abs=0.02)
    assert impairment.var() == pytest.approx(variance, rel=0.03)


def test_the_effect_grows_over_the_window_and_fades_by_its_half_life(demo):
    course = Course(drift_sd=0.0, effect_half_life_days=56.0)
    ability = draw_ability(_many(demo, course=course), np.random.default_rng(3))
    change = (ability.affected - ability.affected[:, :, :1])[0, :, :, 0]
    treated, reference = change[ability.arm == 0], change[ability.arm == 1]
    # Days 0, 14, 28, 56 and 112 of a window of 56 days: a quarter, half, all of it, then one half-life later.
    assert treated.mean(axis=0) == pytest.approx(0.28 * np.array([0, 0.25, 0.5, 1.0, 0.5]), abs=1e-9)
    assert np.abs(reference).max() == 0


def test_a_crossover_treats_each_sequence_in_its_own_period():
    design = preset("crossover")
    quiet = Course(drift_sd=0.0, effect_half_life_days=7.0)
    ability = draw_ability(_many(design, course=quiet), np.random.default_rng(4))
    change = (ability.affected - ability.affected[:, :, :1])[0, :, :, CONSTRUCTS.index("dexterity")]
    first, second = change[ability.arm == 0].mean(axis=0), change[ability.arm == 1].mean(axis=0)
    assert first == pytest.approx([0, 0.3, 0.3 / 16, 0.3 / 256], abs=1e-9)
    assert second == pytest.approx([0, 0, 0, 0.3], abs=1e-9)


def test_dose_decides_how_much_of_the_effect_arrives(demo):
    course = Course(drift_sd=0.0, dose_response=1.0)
    ability = draw_ability(_many(demo, course=course), np.random.default_rng(5))
    treated = ability.arm == 0
    gain = (ability.affected[0, :, 3, 0] - ability.affected[0, :, 0, 0])[treated]
    adherence = ability.people["adherence"][0, treated]
    assert gain == pytest.approx(0.28 * adherence / demo.sessions.adherence_mean, abs=1e-9)


def test_people_respond_differently_and_share_their_therapist(demo):
    course = Course(drift_sd=0.0, response_sd=0.2, therapist_sd=0.3)
    people = replace(demo.people, therapists=8)
    ability = draw_ability(_many(demo, course=course, people=people), np.random.default_rng(6), 30)
    treated = ability.arm == 0
    gain = (ability.affected[:, :, 3, 0] - ability.affected[:, :, 0, 0])[:, treated]
    # Each cohort has therapists of its own: over cohorts the spread of one person's gain is both variances.
    assert gain.std() == pytest.approx((0.2**2 + 0.3**2) ** 0.5, rel=0.12)
    within = [gain[0, ability.people["therapist"][0, treated] == number].std() for number in range(people.therapists)]
    assert np.mean(within) == pytest.approx(0.2, rel=0.03)


def test_recovery_is_what_is_left_of_it_since_onset(demo):
    course = Course(drift_sd=0.0, recovery_gain=2.0, recovery_half_time_days=30.0)
    people = replace(demo.people, onset_months=1.0, onset_spread=0.0, onset_low=0.5)
    ability = draw_ability(_many(demo, course=course, people=people), np.random.default_rng(7))
    change = (ability.affected - ability.affected[:, :, :1])[0, ability.arm == 1, :, 0].mean(axis=0)
    days = np.array([0, 14, 28, 56, 112])
    assert change == pytest.approx(2.0 * 2 ** (-30.4375 / 30) * (1 - 2 ** (-days / 30)), abs=1e-9)


def test_practice_with_the_test_raises_scores_and_not_abilities(demo):
    def blocks(learning: float) -> np.ndarray:
        measure = replace(demo.measure("bbt"), learning=learning)
        design = _many(replace(demo, measures=(measure,)), course=Course(drift_sd=0.0))
        design = replace(design, arms=tuple(replace(arm, n=2000, effect={}) for arm in design.arms))
        return simulate_scores(design, np.random.default_rng(8), 1, ["bbt.blocks"], missing="none").y["bbt.blocks"][0]

    gain = (blocks(0.1) - blocks(0.0)).mean(axis=0)
    # 14 blocks per latent unit; half of the practice comes at the second test, a quarter at the third.
    assert gain == pytest.approx(14 * 0.1 * np.array([0, 0.5, 0.75, 0.875, 0.9375]), abs=0.05)


def test_raters_differ_in_severity_and_a_person_keeps_one(demo):
    measure = replace(demo.measure("arat"), rater_sd=0.5)
    ability = draw_ability(_many(demo), np.random.default_rng(9), 1)
    still = replace(ability, affected=np.zeros_like(ability.affected))
    design = replace(demo, measures=(measure,))
    total = draw_answers(design, measure, still, np.random.default_rng(10), day_sd=0.0).value.sum(axis=-1)[
        0, :, :, 0, 0
    ]
    by_rater = [total[ability.people["rater"][0] == number].mean(axis=0) for number in range(2)]
    assert np.abs(by_rater[0] - by_rater[1]).min() > 1.0
    assert np.ptp(by_rater[0] - by_rater[1]) < 1.0


def test_raters_belong_to_their_site():
    design = preset("many_sites")
    people = draw_ability(design, np.random.default_rng(11)).people
    assert (people["rater"] // 2 == people["site"]).all()


def test_a_device_helps_while_it_is_worn_and_not_otherwise():
    design = replace(preset("device_pilot"), assist_sd=0.0)
    measure = design.measure("bbt")
    ability = draw_ability(_many(design), np.random.default_rng(12))
    value = draw_answers(design, measure, ability, np.random.default_rng(13), day_sd=0.0).value[0, :, 0, 0, :, 0]
    both = value[(value > 10).all(axis=1)]
    assert (both[:, 1] - both[:, 0]).mean() == pytest.approx(14 * design.assist["dexterity"], abs=0.3)


@pytest.mark.parametrize(("mean", "end"), [(-6.0, 0), (6.0, -1)])
def test_floors_and_ceilings_hold_whatever_the_ability(demo, mean, end):
    """Far below and far above the curves every item gives its lowest or its highest answer, gates included."""
    design = replace(demo, severity=(Severity("extreme", 1.0, mean, 0.1),))
    design = replace(design, correlation=tuple(tuple(1.0 - 1e-9 * (a != b) for b in range(6)) for a in range(6)))
    rng = np.random.default_rng(14)
    ability = draw_ability(design, rng)
    for name in ("fma_ue", "arat", "sis"):
        measure = Measure(name, options=demo.measure(name).options)
        answers = draw_answers(design, measure, ability, rng, day_sd=0.0)
        limits = np.array([curve.levels[end] for curve in answers.bank.curves])
        assert (answers.value == limits).all(), name
