"""Plans that few people ask for, against identities, and plans that cannot be made.

Identities: a plan at the size it gives has at least its power; a share of equal margins is the normal formula
(Julious 2004, from memory of the formula; the arithmetic is written out beside the check).
"""

import numpy as np
import pytest
from scipy.stats import norm

from outcomes.library import registry
from stats import planning as p
from stats.errors import FitError, PlanError
from stats.planning.closed_form.responder_shares import plan_proportions
from stats.planning.inputs import elicited, pilot_correlation, pilot_proportion, pilot_sd, read_difference
from stats.planning.other_evidence import Evidence, correlation_from
from stats.planning.pilot.progression_counts import count_criteria
from stats.planning.pilot.progression_criteria import progression
from tests.stats.planning.test_progression import KEPT, small_scores, small_study

TWO = {"difference": 4.0, "sd": 8.0}


def test_shares_within_a_margin_follow_the_normal_formula():
    """n = (z_alpha + z_power)^2 (p1 q1 + p2 q2) / (margin + p2 - p1)^2 per arm."""
    made = plan_proportions(reference=0.7, treatment=0.7, margin=0.2, power=0.8, sides=1, alpha=0.025, test="normal")
    n = (norm.isf(0.025) + norm.ppf(0.8)) ** 2 * 2 * 0.7 * 0.3 / 0.2**2
    assert made.n_per_arm == int(np.ceil(n))
    assert "margin" in made.sentence()


def test_an_exact_plan_keeps_its_power_at_its_size():
    made = plan_proportions(reference=0.2, treatment=0.9, power=0.8)
    assert plan_proportions(reference=0.2, treatment=0.9, n_per_arm=made.n_per_arm).power >= 0.8
    assert plan_proportions(reference=0.2, treatment=0.9, n_per_arm=max(2, made.n_per_arm - 2)).power < 0.8


def test_a_huge_effect_needs_the_smallest_trial():
    assert p.plan_means(difference=1000.0, sd=1.0, power=0.8).n_per_arm == 2


def test_a_threshold_by_its_key_is_the_threshold():
    one = registry.threshold("fma_ue-motor-hiragami-2019")
    by_key, notes = read_difference("fma_ue-motor-hiragami-2019", False)
    assert (by_key.value, by_key.unit) == (abs(one.value), one.unit)
    caveats = [entry for made in registry.instruments().values() for entry in made.thresholds if entry.caveat]
    given, told = read_difference(caveats[0], False)
    assert given.value == abs(caveats[0].value)
    assert any(caveats[0].caveat in note for note in told)
    assert notes


def test_a_difference_without_a_spread_is_certain():
    assert not elicited(4.0, "two therapists, a meeting").uncertain
    assert elicited(4.0, "two therapists, a meeting", spread=1.0).uncertain


def test_one_source_stays_what_it_is_and_two_hardly_know_their_spread():
    alone, notes = correlation_from([Evidence("A", 0.6, 20)])
    assert (alone.value, notes) == (pilot_correlation(0.6, 20, "A").value, ())
    two, told = correlation_from([Evidence("A", 0.6, 20), Evidence("B", 0.6, 30)])
    assert two.value == pytest.approx(0.6, abs=1e-6)
    assert any("hardly known" in note for note in told)


def test_power_over_sizes_without_a_pilot_has_no_band():
    curve = p.power_curve(p.plan_means(**TWO, power=0.8), [20, 40]).frame()
    assert curve["power"].is_monotonic_increasing
    assert curve["power_low"].isna().all()


def test_no_degree_of_freedom_has_no_power():
    assert p.plan_means(**TWO, n_per_arm=2).power < 0.2


def test_the_worth_of_a_source_that_is_not_named_is_told():
    found = progression([KEPT | {"source": ""}], {"kept": (85, 100)})
    assert any("No source for" in note for note in found.notes)


def test_safety_counts_what_the_criterion_names():
    """Typed table: P1 twice and P2 once `likely`, P4 `unlikely`; P1 and P4 serious. Counted by hand."""
    common = {"measure": "safety", "go": 0.1, "stop": 0.5, "source": "protocol"}
    criteria = [
        common | {"id": "all"},
        common | {"id": "serious", "serious": True},
        common | {"id": "related", "related": "likely"},
        common | {"id": "both", "serious": True, "related": ["likely"]},
        common | {"id": "other", "measure": "fidelity to the moon"},
    ]
    counts, _ = count_criteria(small_study(criteria), criteria, small_scores())
    assert {name: count for name, (count, _) in counts.items()} == {"all": 3, "serious": 2, "related": 2, "both": 1}


def counted(**changed):
    criterion = {"id": "one", "measure": "retention", "go": 0.8, "stop": 0.5, "source": "protocol"} | changed
    return count_criteria(small_study([criterion]), [criterion], small_scores())


def uncertain(count: int):
    """A plan with so many uncertain inputs."""
    given = {
        "difference": elicited(4.0, "meeting", spread=1.0), "sd": pilot_sd(8.0, 20, "pilot"),
        "correlation": pilot_correlation(0.5, 20, "pilot"), "attrition": pilot_proportion(2, 20, "pilot"),
    }  # fmt: skip
    plain = {"difference": 4.0, "sd": 8.0, "correlation": 0.5, "attrition": 0.1}
    return p.plan_repeated(**(plain | dict(list(given.items())[:count])), followups=2, n_per_arm=30)


REFUSED = {
    "a margin of an exact test": (
        lambda: plan_proportions(reference=0.7, treatment=0.7, margin=0.2, power=0.8, test="boschloo"), "normal"),
    "an exact test of thousands": (
        lambda: plan_proportions(reference=0.5, treatment=0.52, power=0.9), "exact tests are listed up to"),
    "a mixed plan without spread": (
        lambda: p.plan_mixed(difference=4.0, retention=(1.0, 0.9), power=0.8, sd=8.0), "covariance"),
    "an elicited spread of 0": (lambda: elicited(4.0, "meeting", spread=0.0), "spread = 0"),
    "only attrition is uncertain": (
        lambda: p.assurance(p.plan_means(**TWO, n_per_arm=30, attrition=pilot_proportion(2, 20, "pilot"))),
        "attrition|No input",
    ),
    "recruitment against nothing": (lambda: counted(measure="recruitment"), "target"),
    "an arm nobody is in": (lambda: counted(measure="safety", arm="c"), "no participant in arm 'c'"),
    "an outcome nobody measured": (lambda: counted(outcome="y.total"), "No score of y.total"),
    "more kept than there were": (lambda: progression([KEPT], {"kept": (101, 100)}), "not a share"),
}  # fmt: skip


@pytest.mark.parametrize("what", REFUSED)
def test_what_is_seldom_planned_and_cannot_be_is_refused(what):
    call, words = REFUSED[what]
    with pytest.raises((PlanError, FitError), match=words):
        call()


def test_an_input_that_plays_no_part_is_an_error_that_names_those_that_do():
    with pytest.raises(TypeError, match="plays no part"):
        p.plan_means(**TWO, power=0.8, moon=1.0)


def test_a_correlation_below_0_has_no_first_order_structure():
    with pytest.raises(PlanError, match="ar1"):
        p.simulate_plan(p.plan_repeated(**TWO, correlation=-0.2, followups=1, power=0.8), structure="ar1")


def test_uncertain_inputs_are_averaged_over_one_by_one():
    three = p.assurance(uncertain(3))
    assert set(three.averaged_over) == {"difference", "sd", "correlation"}
    assert 0 < three.probability < three.limit <= 1
    assert three.limit == pytest.approx(norm.cdf(4.0), abs=1e-6)  # the chance that a difference of 4 +- 1 is above 0
