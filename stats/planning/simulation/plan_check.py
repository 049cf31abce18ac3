"""Simulate the very trial a closed form has planned: does it keep its promise under the protocol's analysis?"""

from collections.abc import Sequence
from dataclasses import replace

from stats.errors import PlanError
from stats.planning.plan import Plan
from stats.planning.simulation.simulate import Analysis, simulate_trials
from stats.planning.simulation.simulated import Simulation
from stats.planning.simulation.trials import visits_truth
from stats.planning.simulation.verdicts import FinalValueAnalysis


def simulate_plan(
    plan: Plan,
    analysis: Analysis | None = None,
    *,
    times: Sequence[float] = (0.0, 1.0),
    structure: str = "compound-symmetry",
    profile: str = "linear",
    start: float = 0.0,
    low: float | None = None,
    high: float | None = None,
    step: float | None = None,
    dropout_on: str = "nothing",
    dropout_strength: float = 0.0,
    **options,
) -> Simulation:
    """Simulate the trial of a plan that has a difference, an sd and a correlation.

    As many are randomised as the plan recruits, and its attrition is spread evenly over the later visits. analysis: by
    default the last visit adjusted for the first; `MixedAnalysis.of(protocol.model, participants, visits)` is the
    protocol's. times: one number a visit, in order. With more than two, `structure` says how visits correlate: the
    plan's correlation is that of the first and the last. start, low, high, step: mean at the first visit, bounds and
    steps of the scale. dropout_on, dropout_strength: see `NormalTruth`. options: those of `simulate_trials`.
    Raises PlanError for a plan without these, or a covariance that cannot be. Source: as `simulate_trials`.
    """
    names = ("difference", "sd", "correlation")
    missing = [name for name in names if name not in plan.inputs]
    if missing:
        raise PlanError(f"This plan has no {', '.join(missing)}: build a truth and call simulate_trials instead.")
    difference, sd, correlation = (plan.inputs[name].value for name in names)
    visits = len(times)
    if structure == "ar1":
        if correlation < 0:
            raise PlanError(
                f"Correlation {correlation}: an ar1 structure needs one of at least 0 between first and last."
            )
        correlation = correlation ** (1 / (visits - 1))
    stay = 1 - plan.inputs["attrition"].value
    retention = tuple(1 - (1 - stay) * visit / (visits - 1) for visit in range(visits))
    truth = visits_truth(
        times=times, difference=difference, sd=sd, correlation=correlation, structure=structure, profile=profile,
        start=start, low=low, high=high, step=step, retention=(retention, retention), dropout_on=dropout_on,
        dropout_strength=dropout_strength,
    )  # fmt: skip
    maker = replace(truth.maker(plan.recruit[0]), n_treatment=plan.recruit[1])
    found = simulate_trials(
        maker, analysis or FinalValueAnalysis(), alpha=2 * plan.terms.tail, **({"unit": plan.unit} | options)
    )
    promise = f"The plan's closed form has power {plan.power} with {plan.n_arms[0]} and {plan.n_arms[1]} analysed."
    return replace(found, notes=(*found.notes, promise))
