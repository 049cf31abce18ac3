"""The written rules by which a model of change is chosen: what a study's size can carry, never what a p value says.

A mean per visit: unstructured covariance where participants less arms are at least visits x (visits + 1); with fewer,
its joint tests reject a true null too often and the likelihood often has no maximum. Then a mean per visit with a
random intercept and slope per participant, whose slope tests kept close to the nominal rate under the right and under
an autoregressive covariance (joint tests under the latter rejected 5.6-6.6 %); then a random intercept, whose tests
are far too eager when people change differently. Error rates behind these rules: tests/simulation/calibration.csv.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from outcomes.protocol.trial import ModelChoice
from stats.change.model_rows import ChangeRows
from stats.errors import FitError


@dataclass(frozen=True)
class Step:
    """A covariance by name: random effects or a structure over visits."""

    name: str
    random: str | None
    covariance: str | None


@dataclass(frozen=True)
class Rung:
    """One model to try: a complete choice, its covariance, and why it is tried."""

    name: str
    choice: ModelChoice
    random: str | None
    covariance: str | None
    reasons: tuple[str, ...]


def ladder(rows: ChangeRows, choice: ModelChoice) -> Iterator[Rung]:
    """Models to try in order. Each later one is tried only where the one before has no solution (a FitError)."""
    choice, reasons = _baseline(rows, choice)
    if choice.time not in ("visit", "linear", "piecewise"):
        raise FitError(f"time '{choice.time}' is not known. Choose visit, linear or piecewise.")
    if choice.random is not None or choice.covariance is not None:
        named = " and ".join(filter(None, [choice.random and f"random {choice.random}", choice.covariance]))
        yield Rung(
            named, choice, choice.random, choice.covariance, (*reasons, f"Covariance as the protocol says: {named}.")
        )
        return
    if choice.time != "visit":
        yield from _slopes(rows, choice, reasons)
        return
    people, visits = rows.n_participants, len(rows.visits) - (choice.baseline == "covariate")
    arms = max(len(rows.arms), 1)
    if visits == 1:
        yield Rung(
            "compound-symmetry", choice, "1", None, (*reasons, "One later visit: a plain analysis of covariance.")
        )
        return
    free, asked = people - arms, visits * (visits + 1)
    why = (
        f"{people} participants in {arms} {'arm' if arms == 1 else 'arms'} leave {free} degrees of freedom; an "
        f"unstructured covariance over {visits} visits asks for {visits} x {visits + 1} = {asked}"
    )
    for k, step in enumerate(visit_steps(people, arms, visits)):
        reason = f"{why}: {step.name}." if k == 0 else f"Stepped down to {step.name}."
        yield Rung(step.name, choice, step.random, step.covariance, (*reasons, reason))


def visit_steps(participants: int, arms: int, visits: int) -> tuple[Step, ...]:
    """Covariances for a mean per visit, in the order they are tried; `visits` are those in the model."""
    steps = []
    if participants - arms >= visits * (visits + 1):
        steps.append(Step("unstructured", None, "unstructured"))
    if visits >= 3:
        steps.append(Step("random intercept and slope", "1 + time", None))
    return (*steps, Step("random intercept", "1", None))


def _slopes(rows: ChangeRows, choice: ModelChoice, reasons: tuple[str, ...]) -> Iterator[Rung]:
    visits = len(rows.visits) - (choice.baseline == "covariate")
    if visits >= 3:
        why = "Each participant has an intercept and a slope of their own (three or more visits)."
        yield Rung("random intercept and slope", choice, "1 + time", None, (*reasons, why))
    why = "Each participant has an intercept of their own; two visits cannot tell slopes from error."
    if visits >= 3:
        why = "Stepped down to a random intercept; its slopes' p values are too small where people change differently."
    yield Rung("random intercept", choice, "1", None, (*reasons, why))


def _baseline(rows: ChangeRows, choice: ModelChoice) -> tuple[ModelChoice, tuple[str, ...]]:
    """Decide how the baseline enters."""
    if choice.baseline not in ("auto", "constrained", "covariate", "outcome"):
        raise FitError(f"baseline '{choice.baseline}' is not known. Choose constrained, covariate, outcome or auto.")
    if choice.baseline != "auto":
        if choice.baseline == "covariate":
            lost = rows.later_without_baseline()
            left = (f"Baseline as covariate: participants without one are left out ({lost}).",) if lost else ()
            return choice, (f"Baseline as {choice.baseline}, as the protocol says.", *left)
        return choice, (f"Baseline as {choice.baseline}, as the protocol says.",)
    if len(rows.arms) < 2:
        return replace(choice, baseline="outcome"), ("One arm: baseline is a visit like the others.",)
    if not rows.randomised:
        why = "No randomised comparison declared: baseline is a visit like the others, arms may differ there."
        return replace(choice, baseline="outcome"), (why,)
    if choice.time != "visit":
        why = (
            "Linear time: arms have intercepts of their own, so that a poor line at baseline does not bend the slopes."
        )
        return replace(choice, baseline="outcome"), (why,)
    if rows.later_without_baseline():
        why = f"Participants without a baseline: {rows.later_without_baseline()}. One baseline mean common to the arms."
        return replace(choice, baseline="constrained"), (why,)
    why = "Every participant with a later value has a baseline: it enters as a covariate."
    return replace(choice, baseline="covariate"), (why,)
