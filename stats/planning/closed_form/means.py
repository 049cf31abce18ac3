"""Plans for one mean per participant: two-sample t, change score, analysis of covariance, crossover."""

from typing import Unpack

from stats.errors import PlanError
from stats.planning.closed_form.size import build_plan
from stats.planning.inputs import Given, read_difference, read_number
from stats.planning.plan import CommonTerms, Plan, Terms, planner


def positive(name: str, value) -> Given:
    """An input that must be above 0."""
    number = read_number(name, value)
    if not number.value > 0:
        raise PlanError(f"{name} = {number.value}: must be above 0. Correct it.")
    return number


def correlation_between(name: str, value) -> Given:
    """An input that must lie strictly between -1 and 1."""
    number = read_number(name, value)
    if not -1 < number.value < 1:
        raise PlanError(f"{name} = {number.value}: allowed are values between -1 and 1. Correct it.")
    return number


@planner()
def plan_means(
    *,
    difference,
    sd,
    sd_treatment=None,
    **common: Unpack[CommonTerms],
) -> Plan:
    """Two independent means compared by the t test.

    power = 1 - F_nct(t_{1 - alpha/sides, df}; df, difference / (sd sqrt(1/n1 + 1/n2))), df = n1 + n2 - 2. Where
    `sd_treatment` differs, the Welch test with its approximate df at the true standard deviations.

    difference: size of the improvement that matters, positive (number, threshold key, or record with a source).
    sd: standard deviation of the outcome within an arm (reference arm). margin: non-inferiority margin.

    Returns: a `Plan`. Raises PlanError for an impossible input, InstrumentError for a threshold key that does not
    exist.
    Source: Julious SA (2004) Stat Med 23:1921-1986; Welch's df for unequal standard deviations.

    >>> plan_means(difference=0.5, sd=1, power=0.8).n_per_arm
    64
    """
    terms = Terms(**common)
    target, notes = read_difference(difference, terms.use_pilot_effect)
    spread = positive("sd", sd)
    inputs = {"difference": target, "sd": spread}
    v_ref = v_trt = spread.value**2
    df = None
    design = "two-sample t test"
    if sd_treatment is not None:
        inputs["sd_treatment"] = positive("sd_treatment", sd_treatment)
        v_trt = inputs["sd_treatment"].value ** 2
        design = "Welch t test"

        def df(n1: float, n2: float) -> float:
            a, b = v_ref / n1, v_trt / n2
            return (a + b) ** 2 / (a**2 / (n1 - 1) + b**2 / (n2 - 1))

    return build_plan(
        design=design,
        variances=(v_ref, v_trt),
        terms=terms,
        inputs=inputs,
        working=[("variance, reference arm", "sd²", v_ref), ("variance, treatment arm", "sd²", v_trt)],
        notes=notes,
        df=df,
        outcome=terms.outcome,
    )


@planner()
def plan_change(
    *,
    difference,
    sd,
    correlation,
    sd_after=None,
    **common: Unpack[CommonTerms],
) -> Plan:
    """Change from baseline compared by the t test: variance sd² + sd_after² - 2 r sd sd_after.

    Smaller than a comparison of final values only where the correlation exceeds 0.5; `plan_ancova` is never larger.
    Source: Rosner B (2006) Fundamentals of Biostatistics, 6th ed, section 8.10 (with law="normal").
    difference, sd, sd_after: in the outcome's unit. Raises PlanError for an input outside its range or a pilot's own
    effect, InstrumentError for a threshold key that does not exist.

    >>> plan_change(difference=4.25, sd=11, correlation=0.8, power=0.9).n_per_arm
    58
    """
    terms = Terms(**common)
    target, notes = read_difference(difference, terms.use_pilot_effect)
    before, r = (
        positive("sd", sd),
        correlation_between("correlation", correlation),
    )
    after = before if sd_after is None else positive("sd_after", sd_after)
    variance = before.value**2 + after.value**2 - 2 * r.value * before.value * after.value
    inputs = {"difference": target, "sd": before, "correlation": r}
    if sd_after is not None:
        inputs["sd_after"] = after
    return build_plan(
        design="t test of change from baseline",
        variances=(variance, variance),
        terms=terms,
        inputs=inputs,
        working=[("variance of change", "sd_before² + sd_after² - 2 r sd_before sd_after", variance)],
        notes=notes,
        outcome=terms.outcome,
    )


@planner()
def plan_ancova(
    *,
    difference,
    sd=None,
    correlation=None,
    sd_residual=None,
    covariates: int = 1,
    **common: Unpack[CommonTerms],
) -> Plan:
    """Final value adjusted for baseline: variance sd² (1 - r²).

    law="t" averages the noncentral t over the chance imbalance of the baseline (exact for normal data); law="normal" is
    the printed formula; Borm's rule, the two-sample n times (1 - r²) plus one per arm, stands in the working.

    correlation: between baseline and final value within an arm (with several covariates: the multiple correlation).
    sd_residual: instead of both, the residual standard deviation of the pilot's own analysis of covariance with its
    degrees of freedom (participants - arms - covariates): one number whose uncertainty is exact, where a correlation
    near 1 leaves 1 - r² very unsure.
    Source: Borm GF, Fransen J, Lemmens WA (2007) J Clin Epidemiol 60:1234-1238.
    difference, sd, sd_residual: in the outcome's unit. Raises PlanError for an input outside its range or a pilot's own
    effect, InstrumentError for a threshold key that does not exist.

    >>> plan_ancova(difference=4.25, sd=11, correlation=0.8, power=0.9).n_per_arm
    53
    """
    terms = Terms(**common)
    target, notes = read_difference(difference, terms.use_pilot_effect)
    inputs = {"difference": target}
    working: list[tuple[str, str, float]] = []
    if sd_residual is not None:
        if sd is not None or correlation is not None:
            raise PlanError("Give either sd_residual, or sd and correlation, not both.")
        inputs["sd_residual"] = positive("sd_residual", sd_residual)
        variance = inputs["sd_residual"].value ** 2
        working.append(("residual variance", "sd_residual²", variance))
    else:
        if sd is None or correlation is None:
            raise PlanError("Give sd and correlation, or the residual standard deviation as sd_residual.")
        spread, r = positive("sd", sd), correlation_between("correlation", correlation)
        inputs |= {"sd": spread, "correlation": r}
        kept = 1 - r.value**2
        variance = spread.value**2 * kept
        working += [("share of variance kept", "1 - r²", kept), ("residual variance", "sd² (1 - r²)", variance)]
        if terms.power is not None:
            plain = plan_means(
                difference=target.value, sd=spread.value, power=terms.power, alpha=terms.alpha,
                sides=terms.sides, ratio=terms.ratio, margin=terms.margin, law=terms.law,
            )  # fmt: skip
            working.append(("n by Borm's rule", "two-sample n x (1 - r²) + 1", plain.n_exact * kept + 1))
    return build_plan(
        design="analysis of covariance",
        variances=(variance, variance),
        terms=terms,
        inputs=inputs,
        working=working,
        notes=notes,
        covariates=covariates,
        outcome=terms.outcome,
    )


@planner("ratio")
def plan_crossover(
    *,
    difference,
    sd_within,
    **common: Unpack[CommonTerms],
) -> Plan:
    """Two-period crossover; `n_per_arm` counts participants per sequence, each of whom has both treatments.

    Treatment difference from within-person differences (variance 2 sd_within²), compared between the two sequences and
    halved, so that a period effect cancels: variance sd_within² / 2 (1/n1 + 1/n2), df = n1 + n2 - 2. Carry-over is
    assumed absent, which recovery and learning make doubtful in rehabilitation.
    Source: Julious SA (2004) Stat Med 23:1921-1986, section on crossover trials.
    difference, sd_within: in the outcome's unit. Raises PlanError for an input outside its range or a pilot's own
    effect, InstrumentError for a threshold key that does not exist.

    >>> plan_crossover(difference=4.25, sd_within=6.0, power=0.9).n_arms
    (22, 22)
    """
    terms = Terms(**common)
    target, notes = read_difference(difference, terms.use_pilot_effect)
    within = positive("sd_within", sd_within)
    variance = within.value**2 / 2
    return build_plan(
        design="two-period crossover t test",
        variances=(variance, variance),
        terms=terms,
        inputs={"difference": target, "sd_within": within},
        working=[
            ("variance of a within-person difference", "2 sd_within²", 2 * within.value**2),
            ("variance per participant of the halved contrast", "2 sd_within² / 4", variance),
        ],
        notes=(*notes, "n per arm counts participants per sequence; no carry-over is assumed."),
        outcome=terms.outcome,
    )
