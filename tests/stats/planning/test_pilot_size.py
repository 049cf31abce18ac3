"""How big a pilot should be: defining properties, and the rules of thumb as their abstracts state them."""

from math import sqrt

import numpy as np
import pytest
from scipy.stats import binom, chi2, norm

from stats.errors import PlanError
from stats.planning.pilot import pilot_size as size
from stats.proportions.one_proportion import proportion_limits


@pytest.mark.parametrize("prevalence", [0.01, 0.05, 0.2])
def test_problem_is_met_with_the_wanted_probability(prevalence):
    n = size.pilot_for_problem(prevalence, 0.95).n
    assert binom.sf(0, n, prevalence) >= 0.95 > binom.sf(0, n - 1, prevalence)


@pytest.mark.parametrize("method", ["wilson", "clopper-pearson"])
def test_proportion_interval_is_as_narrow_as_asked(method):
    n = size.pilot_for_proportion(0.8, 0.1, method=method).n
    widths = [np.subtract(*proportion_limits(0.8 * k, k, method, 0.95)[::-1]) / 2 for k in (n, n - 1)]
    assert widths[0] <= 0.1 < widths[1]


def test_wald_form():
    # n = z² p q / w², methods compendium section h
    found = size.pilot_for_proportion(0.8, 0.1, method="wald")
    assert found.n_exact == pytest.approx(norm.isf(0.025) ** 2 * 0.16 / 0.01, rel=1e-12)


def test_sd_limit_is_as_near_as_asked():
    n = size.pilot_for_sd(0.2).n
    excess = [sqrt(2 * (k - 1) / chi2.isf(0.8, 2 * (k - 1))) - 1 for k in (n, n - 1)]
    assert excess[0] <= 0.2 < excess[1]


def test_exclusion_size_is_the_stated_share_of_the_main_trial():
    main = 2 * ((norm.isf(0.025) + norm.ppf(0.9)) * 9 / 5) ** 2
    assert size.pilot_for_exclusion(5, 9).n_exact / main == pytest.approx(size.pilot_share(0.9), rel=1e-12)


def test_progression_size_by_exact_binomial():
    # Lewis et al. (2021): reject "at most 60 %" with 90 % power where the truth is 80 %. At the size with continuity
    # correction the exact binomial test must reach 90 % power within a saw-tooth (allowance 2.5 points).
    n = size.pilot_for_progression(0.6, 0.8).n
    cut = binom.isf(0.05, n, 0.6)  # smallest count with Pr(X > count) <= 0.05
    assert binom.sf(cut, n, 0.6) <= 0.05
    assert binom.sf(cut, n, 0.8) > 0.875
    assert size.pilot_for_progression(0.6, 0.8, continuity=False).n < n


def test_rules_of_thumb_as_their_abstracts_state_them():
    # Teare et al. 2014 abstract: 35 per group for the SD, 60 per group for a binary outcome (read).
    # Whitehead et al. 2016 abstract: 75, 25, 15, 10 per arm for at most 0.1, 0.2, 0.5, 0.8 (read).
    rules = size.rules_of_thumb().set_index("rule")["n"]
    assert rules.to_dict() == {"Julious": 12, "Teare, continuous": 35, "Teare, binary": 60}
    stepped = {d: size.rules_of_thumb(d).set_index("rule").loc["Whitehead, stepped", "n"] for d in (0.1, 0.2, 0.5, 0.8)}
    assert stepped == {0.1: 75, 0.2: 25, 0.5: 15, 0.8: 10}
    assert size.rules_of_thumb(0.3).set_index("rule").loc["Whitehead, stepped", "n"] == 25  # the larger neighbour


def test_sentence_names_question_and_source():
    assert size.pilot_for_problem(0.05).sentence().startswith("59 participants are needed to see a problem")


@pytest.mark.parametrize("call", [lambda: size.pilot_for_problem(0), lambda: size.pilot_for_progression(0.8, 0.6)])
def test_impossible_inputs_are_refused(call):
    with pytest.raises(PlanError):
        call()
