"""The written rules by which a model of change is chosen: what a study's size can carry, never what a p value says.

How the baseline enters. Where arms were randomised it is a covariate, with a slope of its own at each later visit; a
missing one is set to the mean of everybody (both arms together, never by arm: White & Thompson 2005). In a single arm,
and where arms were not randomised, the response is the change from baseline. Either way the covariance describes the
later visits only: a structure over visits need not hold between baseline and a late one.

A mean per visit takes a covariance with a variance for every visit, because one variance for all is what misleads at
pilot size: where people's errors grow, a random intercept and slope rejected a true null at the last visit in 8 to 12 %
of trials. Unequal ante-dependence (a correlation for every step from one visit to the next), Kenward-Roger df on the
observed information; unstructured where people are many enough for its joint test; unequal compound symmetry where the
likelihood has no maximum. A straight line takes an intercept and a slope per participant.
Error rates behind these rules: tests/simulation/default_model.csv.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from outcomes.protocol.trial import ModelChoice
from stats.change.model_rows import ChangeRows
from stats.errors import FitError
from stats.mixed.fitting.kenward_roger import KENWARD_ROGER

OBSERVED = "kenward-roger-observed"
PEOPLE_PER_PARAMETER = 4  # participants less arms, for each parameter of an unstructured covariance
FEW_ALONE, MANY_VISITS = 10, 5  # where the joint test of a single arm is at times without an answer
BASELINES = ("covariate", "change", "constrained", "outcome")


@dataclass(frozen=True)
class Step:
    """A covariance by name: random effects or a structure over visits."""

    name: str
    random: str | None
    covariance: str | None


ANTE_DEPENDENCE = Step("unequal ante-dependence", None, "unequal-ante-dependence")
UNSTRUCTURED = Step("unstructured", None, "unstructured")
EXCHANGEABLE = Step("unequal compound symmetry", None, "unequal-compound-symmetry")
LEAST_SQUARES = Step("least squares", "1", None)
LINES = Step("random intercept and slope", "1 + time", None)
LEVELS = Step("random intercept", "1", None)


@dataclass(frozen=True)
class Rung:
    """One model to try: a choice with nothing left to decide, and why it is tried."""

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
        step = Step(named, choice.random, choice.covariance)
        yield _rung(step, choice, (*reasons, f"Covariance as the protocol says: {named}."))
        return
    people, arms, visits = rows.n_participants, max(len(rows.arms), 1), modelled_visits(rows, choice)
    if choice.time != "visit":
        for step, why in line_steps(visits):
            yield _rung(step, choice, (*reasons, why))
        return
    for step, why in visit_steps(people, arms, visits):
        yield _rung(step, choice, (*reasons, why))


def modelled_visits(rows: ChangeRows, choice: ModelChoice) -> int:
    """Visits whose values are responses: without the baseline where it is a covariate or taken off."""
    return len(rows.visits) - (choice.baseline in ("covariate", "change"))


def visit_steps(participants: int, arms: int, visits: int) -> tuple[tuple[Step, str], ...]:
    """Covariances for a mean per visit with their reasons, in the order they are tried; `visits` are responses."""
    if visits == 1:
        return ((LEAST_SQUARES, "One later visit: one row per participant, ordinary least squares with its exact t."),)
    free, parameters = participants - arms, visits * (visits + 1) // 2
    many = free >= PEOPLE_PER_PARAMETER * parameters
    asked = (
        f"{participants} participants in {arms} {'arm' if arms == 1 else 'arms'} leave {free} degrees of freedom, the "
        f"{parameters} parameters of an unstructured covariance over {visits} visits ask for "
        f"{PEOPLE_PER_PARAMETER * parameters}"
    )
    if arms == 1 and participants < FEW_ALONE and visits >= MANY_VISITS:
        asked = (
            f"With {participants} people in one arm and {visits} visits the joint test of all visits has no answer in "
            f"about one study in a hundred (simulation); single visits always have one. {asked}"
        )
    steps = [(ANTE_DEPENDENCE, f"{asked}: a variance for every visit and a correlation for every step between visits.")]
    if many:
        down = "Stepped down to unequal ante-dependence: a variance for every visit, a correlation for every step."
        steps = [(UNSTRUCTURED, f"{asked}: unstructured."), (ANTE_DEPENDENCE, down)]
    return (
        *steps,
        (EXCHANGEABLE, "Stepped down to a variance for every visit and one correlation."),
        (LEVELS, "Stepped down to a random intercept: one variance for all visits, whose p values are too small "
                 "where errors grow over the visits."),
    )  # fmt: skip


def line_steps(visits: int) -> tuple[tuple[Step, str], ...]:
    """Random effects for straight lines with their reasons, in the order they are tried."""
    if visits < 3:
        return ((LEVELS, "Each participant has an intercept of their own; two visits cannot tell slopes from error."),)
    down = "Stepped down to a random intercept; its slopes' p values are too small where people change differently."
    why = "Each participant has an intercept and a slope of their own (three or more visits)."
    return ((LINES, why), (LEVELS, down))


def _rung(step: Step, choice: ModelChoice, reasons: tuple[str, ...]) -> Rung:
    if choice.df == "auto":
        per_visit = choice.time == "visit" and step.covariance is not None
        df = "satterthwaite" if choice.method == "ml" else OBSERVED if per_visit else KENWARD_ROGER
        choice = replace(choice, df=df)
    choice = replace(choice, random=step.random, covariance=step.covariance)
    return Rung(step.name, choice, step.random, step.covariance, reasons)


def _baseline(rows: ChangeRows, choice: ModelChoice) -> tuple[ModelChoice, tuple[str, ...]]:
    """Decide how the baseline enters."""
    if choice.baseline not in (*BASELINES, "auto"):
        raise FitError(f"baseline '{choice.baseline}' is not known. Choose {', '.join(BASELINES)} or auto.")
    missing = rows.later_without_baseline()
    if choice.baseline != "auto":
        said = choice
        why = f"Baseline as {choice.baseline}, as the protocol says."
        if choice.baseline == "constrained" and missing:
            why += (
                f" {len(missing)} participants have no baseline: with so few people no covariance keeps this model at "
                "its level then (a true null was rejected in 2 to 11 % of simulated trials)."
            )
    elif choice.time != "visit":
        said = replace(choice, baseline="outcome")
        why = "Straight lines: each arm has an intercept of its own, so that a poor line at baseline bends no slope."
    elif rows.randomised:
        said = replace(choice, baseline="covariate")
        why = "Randomised arms: the baseline is a covariate."
    else:
        said = replace(choice, baseline="change")
        one = "One arm" if len(rows.arms) < 2 else "Arms that were not randomised"
        why = f"{one}: the response is the change from baseline."
    if said.baseline == "covariate" and rows.one_baseline:
        why += " Everybody has the same one, so there is nothing to adjust for and it is left out."
    return said, (why, *_without_baseline(missing, said))


def _without_baseline(missing: tuple[str, ...], choice: ModelChoice) -> tuple[str, ...]:
    """What is done with participants who have a later value and no baseline."""
    if not missing or choice.baseline not in ("covariate", "change"):
        return ()
    who = f"{len(missing)} ({', '.join(missing)})"
    if choice.baseline == "change" or choice.missing_baseline == "leave-out":
        return (f"Participants without a baseline are left out: {who}.",)
    also = ", and an indicator says where" if choice.missing_baseline == "mean-and-indicator" else ""
    return (f"Participants without a baseline: {who}; it is set to the mean of everybody, all arms together{also}.",)
