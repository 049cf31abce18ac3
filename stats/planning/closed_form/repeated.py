"""Plans for several visits: mean of the follow-ups with or without baselines, and slopes over time."""

from collections.abc import Sequence
from typing import Unpack

import numpy as np

from stats.errors import PlanError
from stats.planning.closed_form.means import correlation_between, positive
from stats.planning.closed_form.size import build_plan
from stats.planning.closed_form.visits import information, read_retention, visit_correlation
from stats.planning.inputs import read_difference, read_number
from stats.planning.plan import CommonTerms, Plan, Terms, planner

ANALYSES = ("ancova", "change", "post")


@planner()
def plan_repeated(
    *,
    difference,
    sd,
    correlation,
    baselines: int = 1,
    followups: int = 1,
    analysis: str = "ancova",
    structure: str = "compound-symmetry",
    trials: int = 1,
    reliability=None,
    **common: Unpack[CommonTerms],
) -> Plan:
    """Mean of the follow-ups compared between arms, with nothing, change or covariance adjustment for the baselines.

    Factors of sd² with p baselines, r follow-ups and equal correlation rho:
    post (1 + (r-1) rho) / r; change post + (1 + (p-1) rho) / p - 2 rho; ancova post - p rho² / (1 + (p-1) rho).
    p is `baselines`, r is `followups`; analysis: "post", "change" or "ancova". `structure="ar1"` takes `correlation` as
    that of neighbouring visits. The t law is exact for these summary measures.

    trials, reliability: mean of `trials` trials per visit where `sd` and `correlation` are of a single trial and
    `reliability` is the correlation of two trials of one visit.

    Sources: Frison L, Pocock SJ (1992) Stat Med 11:1685-1704; Diggle, Liang, Zeger (1994) p. 30 (post, law="normal").
    difference, sd: in the outcome's unit. Raises PlanError for an input outside its range or a pilot's own effect,
    InstrumentError for a threshold key that does not exist.

    >>> plan_repeated(difference=4.25, sd=11, correlation=0.8, followups=2, power=0.9).n_per_arm
    39
    """
    terms = Terms(**common)
    target, notes = read_difference(difference, terms.use_pilot_effect)
    spread, r = positive("sd", sd), correlation_between("correlation", correlation)
    if analysis not in ANALYSES:
        raise PlanError(f"analysis = {analysis!r}: allowed are {', '.join(ANALYSES)}.")
    if followups < 1 or baselines < (0 if analysis == "post" else 1):
        raise PlanError(f"{baselines} baselines and {followups} follow-ups: {analysis} needs at least one of each.")
    inputs = {"difference": target, "sd": spread, "correlation": r}
    before = baselines if analysis != "post" else 0
    matrix = visit_correlation(r.value, before + followups, structure)
    if trials > 1:
        if reliability is None:
            raise PlanError(
                f"{trials} trials per visit: give `reliability`, the correlation of two trials of one visit."
            )
        inputs["reliability"] = correlation_between("reliability", reliability)
        single = inputs["reliability"].value
        if single < r.value:
            raise PlanError(f"reliability {single} is below the correlation between visits {r.value}: check both.")
        # averaging shrinks the error of a trial only: the diagonal, not what visits share
        matrix = matrix + np.diag(np.full(len(matrix), (1 - single) * (1 / trials - 1)))
    pre, post = matrix[:before, :before], matrix[before:, before:]
    cross = matrix[:before, before:].mean() if before else 0.0
    factor = post.mean()
    if analysis == "change":
        factor += pre.mean() - 2 * cross
    elif analysis == "ancova":
        factor -= cross**2 / pre.mean()
    names = {
        "post": "mean of follow-ups",
        "change": "change from the baseline mean",
        "ancova": "analysis of covariance",
    }
    return build_plan(
        design=f"t test of the {names[analysis]}" if analysis != "ancova" else names[analysis],
        variances=(spread.value**2 * factor,) * 2,
        terms=terms,
        inputs=inputs,
        working=[
            ("baselines", "p", baselines if before else 0),
            ("follow-ups", "r", followups),
            ("variance factor", f"{analysis}, see the method's formula", float(factor)),
            ("variance of one participant's summary", "sd² x factor", float(spread.value**2 * factor)),
        ],
        notes=(*notes, f"Visits correlate as {structure}; {followups} follow-ups are averaged with equal weights."),
        covariates=1 if analysis == "ancova" else 0,
        outcome=terms.outcome,
    )


@planner()
def plan_slopes(
    *,
    difference,
    times: Sequence[float],
    sd_residual,
    sd_slope=0.0,
    sd_intercept=0.0,
    correlation=0.0,
    retention: Sequence[float] | None = None,
    **common: Unpack[CommonTerms],
) -> Plan:
    """Mean rates of change compared between arms under random intercepts and slopes.

    Variance [(X'V⁻¹X)⁻¹]_slope with V = Z D Z' + sd_residual² I; with complete data sd_slope² + sd_residual² / sum (t -
    mean)². Diggle's formula for equal correlation is sd_slope = 0, sd_residual = sd sqrt(1 - rho).

    times: of the visits, one number each. difference: in outcome units per unit of `times`. sd_intercept, sd_slope: of
    people's own lines. correlation: of a person's intercept with the slope.
    retention: share of the randomised still observed at each time; then attrition stays 0, it would count twice.

    Sources: Diggle et al. (2002) section 2.4; Ard MC, Edland SD (2011) J Alzheimers Dis 26(s3):369-377.
    Raises PlanError for an input outside its range or a pilot's own effect, InstrumentError for a threshold key that
    does not exist.
    """
    terms = Terms(**common)
    target, notes = read_difference(difference, terms.use_pilot_effect)
    residual = positive("sd_residual", sd_residual)
    slope, intercept = read_number("sd_slope", sd_slope), read_number("sd_intercept", sd_intercept)
    r = correlation_between("correlation", correlation)
    visits = np.asarray(times, float)
    if len(visits) < 2 or np.ptp(visits) == 0:
        raise PlanError(f"times = {list(times)}: a slope needs at least two different times.")
    stay = read_retention(retention, len(visits), terms.attrition)
    design = np.column_stack([np.ones_like(visits), visits])
    shared = r.value * slope.value * intercept.value
    spread = np.array([[intercept.value**2, shared], [shared, slope.value**2]])
    covariance = design @ spread @ design.T + residual.value**2 * np.eye(len(visits))
    variance = float(np.linalg.inv(information(design, covariance, stay))[1, 1])
    inputs = {"difference": target, "sd_residual": residual, "sd_slope": slope}
    inputs |= {"sd_intercept": intercept, "correlation": r} if intercept.value else {}
    return build_plan(
        design="comparison of slopes",
        variances=(variance, variance),
        terms=terms,
        inputs=inputs,
        working=[
            ("visits", "number of times", len(visits)),
            ("spread of the times", "sum (t - mean)²", float(np.sum((visits - visits.mean()) ** 2))),
            ("variance of one slope", "[(sum of X'V⁻¹X over dropout patterns)⁻¹]_slope", variance),
        ],
        notes=notes + dropout_note(stay),
        df=lambda n1, n2: stay[-1] * (n1 + n2) - 2,
        outcome=terms.outcome,
    )


def dropout_note(stay: np.ndarray) -> tuple[str, ...]:
    """What the sizes of a plan with dropout inside the formula mean."""
    if stay[-1] == 1:
        return ()
    return (
        "Dropout is inside the formula: n is the number randomised, and no further attrition is added. The t law "
        "counts the expected completers only, which is cautious.",
    )
