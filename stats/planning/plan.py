"""The plan of a two-arm trial: one frozen record for every closed form, with its inputs and its working."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from functools import wraps
from inspect import signature
from typing import Any, ParamSpec, TypedDict

import pandas as pd

from stats.errors import PlanError
from stats.planning.closed_form.power import critical_probability
from stats.planning.inputs import WHY_NOT_THE_PILOT_EFFECT, Given, PilotEffect, read_number
from stats.result import Result

LAWS = ("t", "normal")
P = ParamSpec("P")


class CommonTerms(TypedDict, total=False):
    """The keywords that every planning function shares; what they mean and their defaults: `Terms`."""

    power: float | None
    n_per_arm: int | None
    alpha: float
    sides: int
    ratio: float
    margin: float | Given | None
    attrition: float | Given
    law: str
    use_pilot_effect: bool
    outcome: str


@dataclass(frozen=True)
class Terms:
    """What every closed form is asked: exactly one of power and n per arm, and the conditions of the test.

    alpha, sides: alpha / sides is the probability in the tail that counts. ratio: treatment participants per reference
    participant. margin: None for superiority, otherwise the non-inferiority margin (positive). attrition: share lost
    before analysis. law: "t" (noncentral t) or "normal" (the formula as printed in most papers, slightly smaller n).
    use_pilot_effect: take a pilot's own effect as the difference all the same. outcome: its name in sentences.
    """

    power: float | None = None
    n_per_arm: int | None = None
    alpha: float = 0.05
    sides: int = 2
    ratio: float = 1.0
    margin: float | Given | None = None
    attrition: float | Given = 0.0
    law: str = "t"
    use_pilot_effect: bool = False
    outcome: str = ""

    def __post_init__(self) -> None:
        if (self.power is None) == (self.n_per_arm is None):
            raise PlanError(
                "Give either power (to get n per arm) or n_per_arm (to get power), not both and not neither."
            )
        if self.n_per_arm is not None and self.n_per_arm < 2:
            raise PlanError(f"n_per_arm = {self.n_per_arm}: at least 2 are needed.")
        if not self.ratio > 0:
            raise PlanError(
                f"ratio = {self.ratio}: treatment per reference participant must be above 0, 1 is equal arms."
            )
        if self.law not in LAWS:
            raise PlanError(f"law = {self.law!r}: allowed are {', '.join(LAWS)}.")
        if not 0 <= read_number("attrition", self.attrition).value < 1:
            raise PlanError(f"attrition = {self.attrition}: a share from 0 to below 1, such as 0.15.")
        if self.margin is not None and not read_number("margin", self.margin).value > 0:
            raise PlanError(f"margin = {self.margin}: give the non-inferiority margin as a positive size.")

    @property
    def tail(self) -> float:
        return critical_probability(self.alpha, self.sides)


@dataclass(frozen=True)
class Plan(Result):
    """Size of a two-arm trial. Tuples hold the reference arm first, then the treatment arm."""

    design: str
    n_per_arm: int  # analysed in the reference arm
    power: float  # reached with the whole numbers of `n_arms`
    n_arms: tuple[int, int]
    n_exact: float  # reference arm, before rounding up; n_per_arm where that was given
    recruit: tuple[int, int]  # to be randomised, so that n_arms are left after attrition
    terms: Terms
    inputs: Mapping[str, Given]
    working: tuple[tuple[str, str, float], ...]  # step, formula, value
    unit: str = ""
    outcome: str = ""
    notes: tuple[str, ...] = ()
    call: tuple[Callable[..., "Plan"], Mapping[str, Any]] | None = field(default=None, repr=False, compare=False)

    @property
    def n_total(self) -> int:
        return sum(self.n_arms)

    @property
    def n_participants(self) -> int:
        return self.n_total

    @property
    def n_rows(self) -> int:
        return self.n_total

    def change(self, **inputs) -> "Plan":
        """The same plan with some inputs changed: `plan.change(sd=12)`, `plan.change(n_per_arm=40)`.

        Raises PlanError for a plan that no planning function made.
        """
        if self.call is None:
            raise PlanError("This plan was not made by a planning function, so it cannot be computed again.")
        function, arguments = self.call
        changed = {**arguments, **inputs}
        if "n_per_arm" in inputs and "power" not in inputs:
            changed["power"] = None
        if "power" in inputs and "n_per_arm" not in inputs:
            changed["n_per_arm"] = None
        return function(**changed)

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """One row: design, outcome, difference, n_per_arm, n_treatment, n_total, n_exact, power, and with attrition
        recruit_per_arm and recruit_total.
        """
        return pd.DataFrame(
            {
                "design": [self.design],
                "outcome": [self.outcome],
                "difference": [self.inputs["difference"].value],
                "unit": [self.unit],
                "n_per_arm": [self.n_per_arm],
                "n_treatment": [self.n_arms[1]],
                "n_total": [self.n_total],
                "n_exact": [self.n_exact],
                "power": [self.power],
                "attrition": [self.inputs["attrition"].value],
                "recruit_per_arm": [self.recruit[0]],
                "recruit_total": [sum(self.recruit)],
            }
        )

    def sentence(self, level: float = 0.95) -> str:
        """The paragraph for the application: every input with its source and interval, the sizes, the rounding."""

        def shown(name: str) -> str:
            number = self.inputs[name]
            unit = f" {number.unit or self.unit}" if name in WITH_UNIT and (number.unit or self.unit) else ""
            low, high = number.interval(level)
            if name == "attrition":
                limits = (
                    f", {level * 100:g} % interval {100 * low:.3g} to {100 * high:.3g} %" if number.uncertain else ""
                )
                return f"{100 * number.value:.3g} % ({number.source or 'no source given'}{limits})"
            limits = f", {level * 100:g} % interval {low:.3g} to {high:.3g}" if number.uncertain else ""
            return f"{number.value:.4g}{unit} ({number.source or 'no source given'}{limits})"

        outcome = f" in {self.outcome}" if self.outcome else ""
        if self.terms.margin is None:
            aim = f"to detect a difference{outcome} of {shown('difference')}"
        else:
            aim = (
                f"to show non-inferiority{outcome} within a margin of {shown('margin')}, "
                f"where the true difference is {shown('difference')}"
            )
        assumed = "; ".join(
            f"{LABELS.get(name, name.replace('_', ' '))} {shown(name)}"
            for name in self.inputs
            if name not in ("difference", "margin", "attrition")
        )
        band = self._band(level) if self.terms.power is not None and self.call is not None else ""
        tail = f"{SIDES[self.terms.sides]} alpha of {self.terms.alpha:g}"
        arms = (
            f"{self.n_arms[0]} participants per arm"
            if self.n_arms[0] == self.n_arms[1]
            else f"{self.n_arms[0]} reference and {self.n_arms[1]} treatment participants"
        )
        sizes = f"With {arms} analysed ({self.n_total} in total), the {self.design} has {self.power * 100:.1f} % power "
        loss = self.inputs["attrition"]
        recruited = (
            f" Expecting {shown('attrition')} to be lost before analysis, {self.recruit[0]} and {self.recruit[1]} "
            f"({sum(self.recruit)} in total) are to be randomised."
            if loss.value > 0
            else ""
        )
        reason = f" {WHY_NOT_THE_PILOT_EFFECT}" if isinstance(self.inputs["difference"], PilotEffect) else ""
        return (
            f"{sizes}{aim}, at a {tail}, assuming {assumed}. Numbers are rounded up per arm.{band}{recruited}{reason}"
        )

    def _band(self, level: float) -> str:
        """n per arm at the limits of what a pilot gave, in words; no numbers are formatted but whole ones."""
        said = []
        for name, label in (("sd", "standard deviation"), ("sd_residual", "residual standard deviation"),
                            ("correlation", "correlation")):  # fmt: skip
            number = self.inputs.get(name)
            if number is not None and number.uncertain:
                sizes = sorted(
                    self.change(**{name: replace(number, value=x)}).n_per_arm for x in number.interval(level)
                )
                said.append(f"{sizes[0]} to {sizes[1]} per arm at the limits of the {label}")
        return f" The pilot's uncertainty leaves {' and '.join(said)}." if said else ""


SIDES = {1: "one-sided", 2: "two-sided"}
WITH_UNIT = ("difference", "margin", "sd", "sd_treatment", "sd_change", "sd_residual", "sd_intercept", "sd_within")
LABELS = {
    "sd": "a standard deviation of",
    "sd_treatment": "a standard deviation in the treatment arm of",
    "sd_within": "a within-person standard deviation of",
    "sd_residual": "a residual standard deviation of",
    "sd_intercept": "a standard deviation of the levels of",
    "sd_slope": "a standard deviation of the slopes of",
    "correlation": "a correlation between visits of",
    "intraclass": "an intraclass correlation of",
    "reference": "a proportion in the reference arm of",
    "treatment": "a proportion in the treatment arm of",
}


def planner(*without: str) -> Callable[[Callable[P, Plan]], Callable[P, Plan]]:
    """Let a plan remember how it was made, so that `Plan.change` can compute it again.

    without: common terms that play no part in this design; naming one is refused.
    """
    defaults = {each.name: each.default for each in fields(Terms) if each.name not in without}

    def made(function: Callable[P, Plan]) -> Callable[P, Plan]:
        parameters = signature(function)

        @wraps(function)
        def planned(*args: P.args, **kwargs: P.kwargs) -> Plan:
            known = [*(name for name in parameters.parameters if name != "common"), *defaults]
            unknown = [name for name in kwargs if name not in known]
            if unknown:
                told = f"{function.__name__}: {', '.join(unknown)} plays no part in this design."
                raise TypeError(f"{told} Allowed: {', '.join(known)}.")
            bound = parameters.bind(*args, **kwargs)
            bound.apply_defaults()
            arguments = dict(bound.arguments)
            common = arguments.pop("common", {})
            return replace(function(*args, **kwargs), call=(planned, defaults | common | arguments))

        return planned

    return made


def plan_inputs(plan: Plan, level: float = 0.95) -> pd.DataFrame:
    """Every input with its source, and its interval where estimated: input value conf_low conf_high unit source.

    Source: each input's own.
    """
    rows = [
        (name, number.value, *number.interval(level), number.unit, number.source)
        for name, number in plan.inputs.items()
    ]
    chosen = {"alpha": plan.terms.alpha, "sides": plan.terms.sides, "ratio": plan.terms.ratio}
    if plan.terms.power is not None:
        chosen["power"] = plan.terms.power
    rows += [(name, float(value), float("nan"), float("nan"), "", "chosen") for name, value in chosen.items()]
    return pd.DataFrame(rows, columns=["input", "value", "conf_low", "conf_high", "unit", "source"])


def plan_working(plan: Plan) -> pd.DataFrame:
    """The table to check by hand: step formula value, in the order of the calculation.

    Values in the unit of the step: the outcome's, its square, people. Source: that of the plan.
    """
    return pd.DataFrame(list(plan.working), columns=["step", "formula", "value"])
