"""How far a pilot's uncertainty reaches into the plan: limits, expected power, assurance, power bands."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from itertools import product
from math import sqrt

import numpy as np
import pandas as pd
from numpy.polynomial.legendre import leggauss
from scipy.optimize import brentq
from scipy.stats import chi2, nct, norm, t

from stats.errors import PlanError
from stats.planning.closed_form.power import smallest_n
from stats.planning.inputs import Given, PilotCorrelation, PilotSD
from stats.planning.plan import Plan
from stats.result import Result

POINTS = {1: 96, 2: 32, 3: 14, 4: 9}  # quadrature points per uncertain input, by how many there are


def sd_upper_limit(sd: float, df: float, confidence: float = 0.8) -> float:
    """One-sided upper confidence limit of a standard deviation: sd sqrt(df / chi2_{1 - confidence, df}).

    Planning on it makes the wanted power hold with this confidence over pilots; 0.8 is the usual choice.
    Source: Browne RH (1995) Stat Med 14:1933-1940; Kieser M, Wassmer G (1996) Biom J 38:941-949.

    >>> bool(abs(sd_upper_limit(1.0, 22, 0.8) - 1.16126) < 1e-5)
    True
    """
    return float(sd * sqrt(df / chi2.isf(confidence, df)))


def expected_power(
    difference: float, sd: float, df: float, n_per_arm: float, alpha: float = 0.05, sides: int = 2
) -> float:
    """Power of the two-sample t test averaged over the uncertainty of the pilot's sd.

    Pr(T <= difference sqrt(n/2) / sd), T noncentral t with `df` degrees of freedom and noncentrality
    t_{1 - alpha/sides, 2n - 2}: exact where the test's own noncentral t is replaced by a shifted normal law.
    Source: Julious SA, Owen RJ (2006) Pharm Stat 5:29-37.
    """
    critical = t.isf(alpha / sides, 2 * n_per_arm - 2)
    return float(nct.cdf(difference * sqrt(n_per_arm / 2) / sd, df, critical))


def expected_power_n(
    difference: float, sd: float, df: float, power: float, alpha: float = 0.05, sides: int = 2
) -> float:
    """Unrounded n per arm at which `expected_power` reaches `power`.

    difference, sd: in the outcome's unit. Raises PlanError for a power outside 0 to 1, or one that no size reaches.
    Source: as `expected_power`.
    """
    return smallest_n(lambda n: expected_power(difference, sd, df, n, alpha, sides), power, 2.0)


def assurance_normal(mean: float, spread: float, std_error: float, alpha: float = 0.05, sides: int = 2) -> float:
    """Probability of a significant result in the intended direction when the difference is believed N(mean, spread²).

    Phi((mean - z std_error) / sqrt(spread² + std_error²)); with growing n it tends to Phi(mean / spread), not to 1.
    Source: O'Hagan A, Stevens JW, Campbell MJ (2005) Pharm Stat 4:187-201.
    mean, spread, std_error: in the outcome's unit.
    """
    return float(norm.cdf((mean - norm.isf(alpha / sides) * std_error) / sqrt(spread**2 + std_error**2)))


@dataclass(frozen=True)
class Assurance(Result):
    """Probability of success averaged over every input that is uncertain."""

    probability: float
    limit: float  # the same at an unlimited n
    n_per_arm: int
    n_total: int
    averaged_over: tuple[str, ...]
    design: str
    unit: str = "probability"
    notes: tuple[str, ...] = ()

    @property
    def n_participants(self) -> int:
        return self.n_total

    @property
    def n_rows(self) -> int:
        return self.n_total

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """One row: design, n_per_arm, n_total, assurance (a probability), its limit however large the trial,
        averaged_over.
        """
        return pd.DataFrame(
            {
                "design": [self.design],
                "n_per_arm": [self.n_per_arm],
                "n_total": [self.n_total],
                "assurance": [self.probability],
                "limit": [self.limit],
                "averaged_over": [", ".join(self.averaged_over)],
            }
        )

    def sentence(self, level: float = 0.95) -> str:
        """Assurance, its ceiling, and what it was averaged over."""
        ceiling = f"; no size could bring it above {self.limit:.2f}" if self.limit < 1 else ""
        return (
            f"With {self.n_per_arm} per arm ({self.n_total} in total) the {self.design} succeeds with probability "
            f"{self.probability:.2f}, averaged over the uncertainty of {', '.join(self.averaged_over)}{ceiling}."
        )


def assurance(plan: Plan) -> Assurance:
    """Average the power of a plan over the uncertainty its inputs carry.

    Uncertain are a `PilotSD`, `PilotCorrelation`, `PilotProportion`, and a difference elicited with a spread. With a
    fixed difference this is the expected power; with a believed difference it is the assurance. The inputs are taken as
    independent (quadrature over their quantiles).

    Raises PlanError where no input is uncertain.
    Source: O'Hagan, Stevens & Campbell 2005 (Pharm Stat 4:187-201), by quadrature.
    """
    uncertain = {name: number for name, number in plan.inputs.items() if number.uncertain and name in _arguments(plan)}
    if not uncertain:
        raise PlanError(
            "No input of this plan is uncertain: give pilot_sd(sd, df=...), pilot_correlation(...), "
            "pilot_proportion(...) or elicited(value, source, spread=...)."
        )
    names = [name for name in uncertain if name != "attrition"]
    if not names:
        raise PlanError("Only attrition is uncertain, and power at a fixed analysed n does not depend on it.")
    if len(names) > max(POINTS):
        raise PlanError(f"{len(names)} uncertain inputs ({', '.join(names)}): at most {max(POINTS)} are averaged over.")
    nodes, weights = leggauss(POINTS[len(names)])
    chances, weights = (nodes + 1) / 2, weights / 2
    values = {name: np.asarray(uncertain[name].quantile(chances)) for name in names}
    total = 0.0
    for index in product(range(len(chances)), repeat=len(names)):
        weight = float(np.prod(weights[list(index)]))
        total += weight * _power(plan, {name: float(values[name][i]) for name, i in zip(names, index, strict=True)})
    difference = plan.inputs["difference"]
    limit = 1.0
    if difference.uncertain:
        margin = plan.inputs["margin"].value if "margin" in plan.inputs else 0.0
        limit = float(brentq(lambda u: float(difference.quantile(1 - u)) + margin, 1e-12, 1 - 1e-12))
    return Assurance(
        probability=total,
        limit=limit,
        n_per_arm=plan.n_per_arm,
        n_total=plan.n_total,
        averaged_over=tuple(names),
        design=plan.design,
        notes=("Inputs of one pilot are averaged over as if independent: cautious.",) if len(names) > 1 else (),
    )


def _arguments(plan: Plan) -> Mapping[str, object]:
    return plan.call[1] if plan.call else {}


def _power(plan: Plan, values: Mapping[str, float]) -> float:
    """Power at the plan's size with some inputs replaced."""
    return plan.change(n_per_arm=plan.n_per_arm, **{name: Given(value) for name, value in values.items()}).power


@dataclass(frozen=True)
class PowerCurve(Result):
    """Power of one plan at several sizes, with what a pilot's uncertain sd makes of it."""

    plans: tuple[Plan, ...] = field(repr=False)
    unit: str
    n_participants: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """Power against n, and its band: n_per_arm n_total power power_low power_high expected_power.

        power_low and power_high: power were the true sd at the upper and lower limit of its interval at `level`;
        expected_power: averaged over that uncertainty. NaN where the plan's sd carries no degrees of freedom.
        """
        nodes, weights = leggauss(24)
        rows = []
        for at in self.plans:
            name, sd = _pilot_sd(at)
            low = high = mean = float("nan")
            if sd is not None:
                limits = sd.interval(level)
                low, high = (_power(at, {name: limit}) for limit in (limits[1], limits[0]))
                values = np.asarray(sd.quantile((nodes + 1) / 2))
                mean = float(sum(w / 2 * _power(at, {name: float(v)}) for w, v in zip(weights, values, strict=True)))
            rows.append((at.n_per_arm, at.n_total, at.power, low, high, mean))
        columns = ["n_per_arm", "n_total", "power", "power_low", "power_high", "expected_power"]
        return pd.DataFrame(rows, columns=columns)

    def sentence(self, level: float = 0.95) -> str:
        """Power at the smallest and the largest size."""
        ends = [f"{at.power:.2f} with {at.n_per_arm} per arm" for at in (self.plans[0], self.plans[-1])]
        return f"Power {' and '.join(dict.fromkeys(ends))}."


def power_curve(plan: Plan, n_per_arm: Iterable[int]) -> PowerCurve:
    """Power of a plan at other sizes. Returns `PowerCurve`; its frame has a row per size.

    n_per_arm: a sequence of sizes. Raises PlanError without one. Source: that of the plan.
    """
    plans = tuple(plan.change(n_per_arm=int(n)) for n in n_per_arm)
    if not plans:
        raise PlanError("A power curve needs sizes: n_per_arm=range(10, 100, 10), for example.")
    return PowerCurve(plans, "probability", plan.n_total, plan.notes)


@dataclass(frozen=True)
class SizeBand(Result):
    """How the size of a trial moves with what the pilot does not know."""

    plan: Plan = field(repr=False)
    confidence: float
    unit: str
    n_participants: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """Columns basis sd n_per_arm n_total recruit_total, one row per basis.

        Bases: the estimate, both limits of its interval at `level`, the one-sided upper limit at `confidence`, both
        limits of a pilot's correlation at the estimated sd, and the n at which power averaged over the sd reaches the
        target.
        """
        plan, (name, sd) = self.plan, _known_pilot_sd(self.plan)
        low, high = sd.interval(level)
        upper = sd_upper_limit(sd.value, sd.df, self.confidence)
        bases = {"estimate": sd.value, "lower limit": low, "upper limit": high, "one-sided upper limit": upper}
        rows = []
        for basis, value in bases.items():
            at = plan.change(**{name: replace(sd, value=value)})
            rows.append((basis, value, at.n_per_arm, at.n_total, sum(at.recruit)))
        correlation = plan.inputs.get("correlation")
        if isinstance(correlation, PilotCorrelation):
            for end, value in zip(("lower", "upper"), correlation.interval(level), strict=True):
                at = plan.change(correlation=replace(correlation, value=value))
                rows.append((f"correlation at its {end} limit", sd.value, at.n_per_arm, at.n_total, sum(at.recruit)))
        averaged = _averaged_plan(plan, name, sd)
        rows.append(("averaged over the sd", float("nan"), averaged.n_per_arm, averaged.n_total, sum(averaged.recruit)))
        return pd.DataFrame(rows, columns=["basis", "sd", "n_per_arm", "n_total", "recruit_total"])

    def sentence(self, level: float = 0.95) -> str:
        """The sizes at the estimate and at the limits of the sd."""
        sizes = self.frame(level).set_index("basis")["n_per_arm"]
        return (
            f"{sizes['estimate']} per arm at the pilot's sd, {sizes['lower limit']} to {sizes['upper limit']} over its "
            f"{level:.0%} interval."
        )


def size_over_pilot_sd(plan: Plan, confidence: float = 0.8) -> SizeBand:
    """How n moves with the pilot's sd; confidence: of the one-sided upper limit. Returns `SizeBand`.

    Raises PlanError for a plan made for a given n, or without an sd that carries its degrees of freedom.
    Source: as `sd_upper_limit`.
    """
    if plan.terms.power is None:
        raise PlanError("size_over_pilot_sd needs a plan made for a wanted power, not for a given n.")
    _known_pilot_sd(plan)
    return SizeBand(plan, confidence, "participants", plan.n_total, plan.notes)


def _known_pilot_sd(plan: Plan) -> tuple[str, PilotSD]:
    name, sd = _pilot_sd(plan)
    if sd is None:
        raise PlanError(
            "size_over_pilot_sd needs an sd with its degrees of freedom: sd=pilot_sd(sd, df=..., source=...)."
        )
    return name, sd


def _averaged_plan(plan: Plan, name: str, sd: PilotSD) -> Plan:
    """Smallest n per arm whose expected power over the sd reaches the target."""
    nodes, weights = leggauss(24)
    values, weights = np.asarray(sd.quantile((nodes + 1) / 2)), weights / 2

    def mean_power(n: int) -> float:
        at = plan.change(n_per_arm=n)
        return float(sum(w * _power(at, {name: float(v)}) for w, v in zip(weights, values, strict=True)))

    target = float(plan.terms.power or 0)
    low, high = plan.n_per_arm - 1, plan.n_per_arm
    while mean_power(high) < target:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if mean_power(middle) >= target else (middle, high)
    return plan.change(n_per_arm=high)


def _pilot_sd(plan: Plan) -> tuple[str, PilotSD | None]:
    return next(((name, number) for name, number in plan.inputs.items() if isinstance(number, PilotSD)), ("sd", None))
