"""The written rules by which a model of change is chosen: what a study's size can carry, never what a p value says."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from outcomes.protocol import ModelChoice
from stats.change_rows import ChangeRows
from stats.errors import FitError

STEPS = ("unstructured", "unequal-toeplitz", "unequal-ar1", "toeplitz", "compound-symmetry")


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
    if visits == 1:
        why = "One later visit: a plain analysis of covariance."
        yield Rung("compound-symmetry", choice, "1", None, (*reasons, why))
        return
    free = people - max(len(rows.arms), 1)
    start = 0 if free >= 2 * visits + 4 else 1
    why = (
        f"{people} participants less {max(len(rows.arms), 1)} arm means leave {free} degrees of freedom; "
        f"unstructured over {visits} visits asks for 2 x visits + 4 = {2 * visits + 4}"
    )
    for k, name in enumerate(STEPS[start:]):
        reason = f"{why}: {name}." if k == 0 else f"Stepped down to {name}."
        yield Rung(name, choice, None, name, (*reasons, reason))


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
            left = (f"Baseline as covariate: {lost} participants without one are left out.",) if lost else ()
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
        why = f"{rows.later_without_baseline()} participants have no baseline: one baseline mean common to the arms."
        return replace(choice, baseline="constrained"), (why,)
    why = "Every participant with a later value has a baseline: it enters as a covariate."
    return replace(choice, baseline="covariate"), (why,)
