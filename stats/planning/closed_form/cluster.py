"""Plan for outcomes that cluster by therapist, group or site."""

from dataclasses import replace
from typing import Unpack

from stats.errors import PlanError
from stats.planning.closed_form.means import positive
from stats.planning.closed_form.power import round_up
from stats.planning.closed_form.size import build_plan
from stats.planning.inputs import read_difference, read_number
from stats.planning.plan import CommonTerms, Plan, Terms, planner

CLUSTERED = ("both", "treatment")


@planner()
def plan_cluster(
    *,
    difference,
    sd,
    intraclass,
    cluster_size: float,
    cluster_cv: float = 0.0,
    clustered: str = "both",
    **common: Unpack[CommonTerms],
) -> Plan:
    """Means compared where participants share a therapist, group or site.

    Variance of an arm sd² [1 + ((1 + cv²) m - 1) icc] / n with m = `cluster_size` participants a cluster and cv =
    `cluster_cv` the coefficient of variation of the sizes.
    clustered="both": whole clusters are randomised (or both arms have therapists). clustered="treatment": people are
    randomised and only the treatment is given by therapists or in groups. The t law counts clusters as units in a
    clustered arm and people in the other (Satterthwaite).

    intraclass: intraclass correlation; pilots are far too small to estimate it, so name a published value.
    Sources: Eldridge SM, Ashby D, Kerry S (2006) Int J Epidemiol 35:1292-1300 (unequal sizes); Roberts C, Roberts SA
    (2005) Clin Trials 2:152-162 (clustering in one arm).
    difference, sd: in the outcome's unit. Raises PlanError for an input outside its range or a pilot's own effect,
    InstrumentError for a threshold key that does not exist.

    >>> plan_cluster(difference=4.25, sd=11, intraclass=0.05, cluster_size=6, power=0.9).n_per_arm
    182
    """
    terms = Terms(**common)
    target, notes = read_difference(difference, terms.use_pilot_effect)
    spread, icc = positive("sd", sd), read_number("intraclass", intraclass)
    if not 0 <= icc.value < 1:
        raise PlanError(f"intraclass = {icc.value}: allowed are values from 0 to below 1.")
    if clustered not in CLUSTERED:
        raise PlanError(f"clustered = {clustered!r}: allowed are {', '.join(CLUSTERED)}.")
    if cluster_size < 1 or cluster_cv < 0:
        raise PlanError(f"cluster_size = {cluster_size}, cluster_cv = {cluster_cv}: at least 1 and at least 0.")
    inflation = 1 + ((1 + cluster_cv**2) * cluster_size - 1) * icc.value
    v_trt = spread.value**2 * inflation
    v_ref = v_trt if clustered == "both" else spread.value**2

    def df(n_ref: float, n_trt: float) -> float:
        if clustered == "both":
            return (n_ref + n_trt) / cluster_size - 2
        a, b = v_ref / n_ref, v_trt / n_trt
        clusters = n_trt / cluster_size
        return (a + b) ** 2 / (a**2 / (n_ref - 1) + b**2 / (clusters - 1)) if clusters > 1 else 0.0

    plan = build_plan(
        design="comparison of means with clusters",
        variances=(v_ref, v_trt),
        terms=terms,
        inputs={
            "difference": target,
            "sd": spread,
            "intraclass": icc,
            "cluster_size": read_number("cluster_size", cluster_size),
        },
        working=[
            ("inflation by clusters", "1 + ((1 + cv²) m - 1) icc", inflation),
            ("variance, treatment arm", "sd² x inflation", v_trt),
        ],
        notes=(*notes, f"Clusters in: {clustered}. Mean cluster size {cluster_size} after attrition."),
        df=df,
        outcome=terms.outcome,
    )
    clusters = tuple(round_up(n / cluster_size) for n in plan.n_arms)
    note = f"Clusters needed: {clusters[1]} in the treatment arm"
    note += f", {clusters[0]} in the reference arm." if clustered == "both" else "."
    return replace(plan, notes=(*plan.notes, note))
