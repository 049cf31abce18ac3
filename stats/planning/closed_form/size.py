"""From variances and terms to a plan: solve for n or power, round up per arm, allow for attrition."""

from collections.abc import Callable, Mapping
from math import sqrt

from scipy.stats import norm

from stats.errors import PlanError
from stats.planning.closed_form.power import covariate_t_power, normal_power, round_up, smallest_n, t_power
from stats.planning.inputs import Given, read_number
from stats.planning.plan import WITH_UNIT, Plan, Terms


def build_plan(
    *,
    design: str,
    variances: tuple[float, float] | Callable[[float, float], float],
    terms: Terms,
    inputs: Mapping[str, Given],
    working: list[tuple[str, str, float]],
    notes: tuple[str, ...] = (),
    covariates: int = 0,
    df_lost: int = 2,
    df: Callable[[float, float], float] | None = None,
    outcome: str = "",
) -> Plan:
    """Solve a plan whose estimate has variance v_ref / n_ref + v_trt / n_trt, or `variances(n_ref, n_trt)`.

    df: degrees of freedom from both sizes; by default N - df_lost. covariates: random normal covariates adjusted for.
    """
    margin = read_number("margin", terms.margin).value if terms.margin is not None else 0.0
    effect = inputs["difference"].value + margin

    def variance(n_ref: float, n_trt: float) -> float:
        return variances(n_ref, n_trt) if callable(variances) else variances[0] / n_ref + variances[1] / n_trt

    def power(n_ref: float, n_trt: float) -> float:
        shift = effect / sqrt(variance(n_ref, n_trt))
        if terms.law == "normal":
            return float(normal_power(shift, terms.tail))
        if covariates:
            return covariate_t_power(shift, n_ref + n_trt, covariates, terms.tail)
        freedom = df(n_ref, n_trt) if df is not None else n_ref + n_trt - df_lost
        return float(t_power(shift, freedom, terms.tail)) if freedom > 0 else 0.0

    steps = list(working)
    if terms.power is not None:
        if effect <= 0:
            raise PlanError(
                f"The difference to be shown is {effect}: give the size of an improvement as a positive number, or a "
                "margin larger than the assumed loss."
            )
        z_tail, z_power = norm.isf(terms.tail), norm.ppf(terms.power)
        spread = variance(1.0, terms.ratio)
        steps += [
            ("probability in the tail", "alpha / sides", terms.tail),
            ("z of the tail", "z(1 - alpha / sides)", float(z_tail)),
            ("z of the power", "z(power)", float(z_power)),
            (
                "n by the normal formula",
                "(v_ref + v_trt / ratio) (z_tail + z_power)² / difference²",
                spread * (z_tail + z_power) ** 2 / effect**2,
            ),
        ]
        n_exact = smallest_n(lambda n: power(n, terms.ratio * n), terms.power, 1.0 if terms.law == "normal" else 2.0)
        if terms.law == "t":
            steps.append(("n by the noncentral t", "smallest n with the wanted power", n_exact))
    else:
        n_exact = float(terms.n_per_arm)  # type: ignore[arg-type]  # Terms holds exactly one of the two
    return finish_plan(design, power, n_exact, terms, inputs, steps, notes, outcome)


def finish_plan(
    design: str,
    power: Callable[[int, int], float],
    n_exact: float,
    terms: Terms,
    inputs: Mapping[str, Given],
    steps: list[tuple[str, str, float]],
    notes: tuple[str, ...],
    outcome: str,
) -> Plan:
    """Round up per arm, allow for attrition, gather sources and notes."""
    margin = {} if terms.margin is None else {"margin": read_number("margin", terms.margin)}
    loss = read_number("attrition", terms.attrition)
    n_ref = round_up(n_exact)
    n_trt = round_up(terms.ratio * n_ref)
    recruit = (round_up(n_ref / (1 - loss.value)), round_up(n_trt / (1 - loss.value)))
    reached = power(n_ref, n_trt)
    steps += [
        ("analysed, reference arm", "rounded up", n_ref),
        ("analysed, treatment arm", "ratio x reference arm, rounded up", n_trt),
        ("power at these sizes", "intended direction only", reached),
        ("randomised, reference arm", "n / (1 - attrition), rounded up", recruit[0]),
        ("randomised, treatment arm", "n / (1 - attrition), rounded up", recruit[1]),
    ]
    every = {**inputs, **margin, "attrition": loss}
    _check_units(every)
    without = [name for name, number in every.items() if not number.source and (name != "attrition" or number.value)]
    if without:
        notes += (f"No source given for {', '.join(without)}: name one before the number goes into an application.",)
    return Plan(
        design=design,
        n_per_arm=n_ref,
        power=reached,
        n_arms=(n_ref, n_trt),
        n_exact=n_exact,
        recruit=recruit,
        terms=terms,
        inputs=every,
        working=tuple(steps),
        unit=inputs["difference"].unit or next((n.unit for k, n in every.items() if k.startswith("sd") and n.unit), ""),
        outcome=outcome,
        notes=notes,
    )


def _check_units(inputs: Mapping[str, Given]) -> None:
    units = {name: n.unit for name, n in inputs.items() if n.unit and (name in WITH_UNIT) and name != "sd_intercept"}
    if len(set(units.values())) > 1:
        found = ", ".join(f"{name} in {unit}" for name, unit in units.items())
        raise PlanError(f"Units differ: {found}. Bring them to one unit before planning.")
