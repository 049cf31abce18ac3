"""Plans for responder proportions (exact or normal) and for ordered categories."""

from collections.abc import Sequence
from dataclasses import replace
from math import log, sqrt
from typing import Unpack

import numpy as np
from scipy.stats import binom, norm

from stats.errors import PlanError
from stats.planning.closed_form.exact_tables import TESTS, rejected_tables
from stats.planning.closed_form.power import round_up
from stats.planning.closed_form.size import build_plan, finish_plan
from stats.planning.inputs import Given, PilotEffect, PilotProportion, read_difference, read_number
from stats.planning.plan import CommonTerms, Plan, Terms, planner

LARGEST_EXACT = 600  # per arm; beyond it the normal approximation is good and enumeration slow


@planner("law")
def plan_proportions(
    *,
    reference,
    treatment,
    test: str = "boschloo",
    **common: Unpack[CommonTerms],
) -> Plan:
    """Two independent proportions of responders; a higher proportion is the improvement.

    test="boschloo" or "fisher": every pair of counts is listed and the binomial probabilities of those the test rejects
    are summed, so the power is exact. "normal": the pooled z test,
    n = [z_tail sqrt((1 + 1/k) p q) + z_power sqrt(p1 q1 + p2 q2 / k)]² / (p2 - p1)², or with a margin the unpooled one.

    Exact power rises with n in a saw-tooth: the n reported is the smallest from which power stays at the target over
    the next tenth of sizes.

    reference, treatment: proportions from 0 to 1; the treatment proportion is the one that would matter, not the one
    the pilot happened to show (a `PilotProportion` there is refused unless use_pilot_effect=True).

    Sources: Fleiss, Levin, Paik (2003) section 4.2 for the normal formula; Boschloo RD (1970) Stat Neerl 24:1-35.
    Raises PlanError for an input outside its range or a pilot's own effect, InstrumentError for a threshold key that
    does not exist.

    >>> plan_proportions(reference=0.4, treatment=0.7, power=0.8).n_per_arm
    44
    """
    terms = replace(Terms(**common), law="normal")
    low, high = _share("reference", reference), _share("treatment", treatment)
    observed = isinstance(high, PilotEffect | PilotProportion)
    kind = PilotEffect if observed else Given
    target, notes = read_difference(kind(high.value - low.value, high.source or low.source), terms.use_pilot_effect)
    inputs = {"difference": target, "reference": low, "treatment": high}
    if test not in (*TESTS, "normal"):
        raise PlanError(f"test = {test!r}: allowed are {', '.join(TESTS)}, normal.")
    p1, p2 = low.value, high.value
    parts = [
        ("variance, reference arm", "p (1 - p)", p1 * (1 - p1)),
        ("variance, treatment arm", "p (1 - p)", p2 * (1 - p2)),
    ]
    if terms.margin is not None:
        if test != "normal":
            raise PlanError(
                'Non-inferiority of proportions is planned with test="normal"; the exact tests have no terms.margin.'
            )
        return build_plan(
            design="unpooled z test of two proportions",
            variances=(p1 * (1 - p1), p2 * (1 - p2)),
            terms=terms,
            inputs=inputs,
            working=parts,
            notes=notes,
            outcome=terms.outcome,
        )
    if terms.power is not None and p2 <= p1:
        raise PlanError(f"treatment {p2} is not above reference {p1}: give the improvement to be shown.")

    def pooled(n_ref: float, n_trt: float) -> float:
        both = (n_ref * p1 + n_trt * p2) / (n_ref + n_trt)
        null = sqrt(both * (1 - both) * (1 / n_ref + 1 / n_trt))
        alternative = sqrt(p1 * (1 - p1) / n_ref + p2 * (1 - p2) / n_trt)
        return float(norm.cdf(((p2 - p1) - norm.isf(terms.tail) * null) / alternative))

    start = float(terms.n_per_arm or 0)
    if terms.power is not None:
        both = (p1 + terms.ratio * p2) / (1 + terms.ratio)
        null = sqrt((1 + 1 / terms.ratio) * both * (1 - both))
        alternative = sqrt(p1 * (1 - p1) + p2 * (1 - p2) / terms.ratio)
        start = ((norm.isf(terms.tail) * null + norm.ppf(terms.power) * alternative) / (p2 - p1)) ** 2
        parts.append(
            ("n by the normal formula", "[z_tail sqrt((1 + 1/k) p q) + z_power sqrt(...)]² / difference²", start)
        )
    if test == "normal":
        return finish_plan(
            "pooled z test of two proportions", pooled, start, terms, inputs, parts, notes, terms.outcome
        )

    def exact(n_ref: int, n_trt: int) -> float:
        rejected = rejected_tables(n_ref, n_trt, terms.alpha, terms.sides, test)
        return float(binom.pmf(np.arange(n_ref + 1), n_ref, p1) @ rejected @ binom.pmf(np.arange(n_trt + 1), n_trt, p2))

    if start > LARGEST_EXACT:
        raise PlanError(
            f'About {round_up(start)} per arm: exact tests are listed up to {LARGEST_EXACT}. Use test="normal".'
        )
    if terms.power is not None:
        start = float(_stays_above(lambda n: exact(n, round_up(terms.ratio * n)), terms.power, round_up(start)))
    name = {"boschloo": "Boschloo's exact test", "fisher": "Fisher's exact test"}[test]
    return finish_plan(name, exact, start, terms, inputs, parts, notes, terms.outcome)


def _share(name: str, value) -> Given:
    number = read_number(name, value)
    if not 0 <= number.value <= 1:
        raise PlanError(f"{name} = {number.value}: a proportion from 0 to 1.")
    return number


def _stays_above(power_at, target: float, start: int) -> int:
    """Smallest n from which power stays at or above the target over the next tenth of sizes."""
    n = max(2, int(0.8 * start))
    while n > 2 and power_at(n) >= target:
        n = max(2, n - max(1, n // 10))
    held, candidate = 0, n
    while held <= max(3, candidate // 10):
        if power_at(n) >= target:
            candidate = n if held == 0 else candidate
            held += 1
        else:
            held = 0
        n += 1
        if n > 2 * LARGEST_EXACT:
            raise PlanError('The exact search passed its largest size. Use test="normal" or a larger difference.')
    return candidate


@planner("margin", "law")
def plan_ordinal(
    *,
    reference: Sequence[float],
    odds_ratio,
    **common: Unpack[CommonTerms],
) -> Plan:
    """Ordered categories under proportional odds (in effect the Wilcoxon test with ties).

    Variance of the log odds ratio 3 (1/n1 + 1/n2) / (1 - sum p³), p the category shares averaged over both arms. Normal
    approximation, for moderate n; few people in a category make it poor.

    reference: a probability for each category in the reference arm, best first, summing to 1. odds_ratio: above 1, of a
    better category under treatment.
    Source: Whitehead J (1993) Stat Med 12:2257-2271.
    Raises PlanError for an input outside its range or a pilot's own effect, InstrumentError for a threshold key that
    does not exist.
    """
    terms = replace(Terms(**common), law="normal")
    ratio_wanted = read_number("odds_ratio", odds_ratio)
    if ratio_wanted.value <= 0 or (terms.power is not None and ratio_wanted.value <= 1):
        raise PlanError(f"odds_ratio = {ratio_wanted.value}: above 1 favours the treatment.")
    target, notes = read_difference(
        type(ratio_wanted)(log(ratio_wanted.value), ratio_wanted.source, "log odds ratio"), terms.use_pilot_effect
    )
    shares = np.asarray(reference, float)
    if np.any(shares < 0) or abs(shares.sum() - 1) > 1e-6 or len(shares) < 2:
        raise PlanError(f"reference = {list(reference)}: two or more probabilities that sum to 1.")
    upto = shares.cumsum()[:-1]
    shifted = ratio_wanted.value * upto / (1 - upto + ratio_wanted.value * upto)
    treated = np.diff(np.concatenate([[0.0], shifted, [1.0]]))
    average = (shares + terms.ratio * treated) / (1 + terms.ratio)
    unit_variance = 3 / (1 - np.sum(average**3))
    return build_plan(
        design="proportional-odds comparison",
        variances=(float(unit_variance),) * 2,
        terms=terms,
        inputs={"difference": target, "odds_ratio": ratio_wanted},
        working=[
            ("log odds ratio", "ln(odds ratio)", target.value),
            *((f"share of category {i}", "mean of both arms", float(p)) for i, p in enumerate(average, start=1)),
            ("variance per participant", "3 / (1 - sum p³)", float(unit_variance)),
        ],
        notes=notes,
        outcome=terms.outcome,
    )
