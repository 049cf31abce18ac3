"""Is a larger trial worth its price: the value of sample information in the simple normal form. A sketch for planning.

Prior net benefit per patient N(b0, s0^2), SD of a person's net benefit sd, n an arm: v = 2 sd^2 / n; the spread of the
mean after the trial is s = s0^2 / sqrt(s0^2 + v); with L(x) = phi(x) - x (1 - Phi(x)) the value per later patient is
s L(|b0| / s), and s0 L(|b0| / s0) with perfect information. Source: Raiffa & Schlaifer 1961; Willan & Pinto 2005 (Stat
Med 24:1791-1806), both from memory; quadrature agrees (tests).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
import pandas as pd
from scipy.stats import norm

from stats.errors import FitError
from stats.result import Result

CAUTION = (
    "A planning sketch: normal prior, instant and complete adoption, one comparison, no other evidence. A wide prior "
    "always shows value."
)


def unit_normal_loss(x: float) -> float:
    """L(x) = phi(x) - x (1 - Phi(x)).

    x: a mean in units of its SD. Source: Raiffa & Schlaifer 1961, from memory.

    >>> round(unit_normal_loss(0.0), 4)
    0.3989
    """
    return float(norm.pdf(x) - x * norm.sf(x))


@dataclass(frozen=True)
class WorthOfTrial(Result):
    """Value of a two-arm trial over sizes: per later patient, and for the population less the trial's cost."""

    mean: float
    sd: float
    sd_per_person: float
    population: float
    fixed: float
    per_participant: float
    sizes: tuple[int, ...]
    unit: str
    n_participants: int
    notes: tuple[str, ...]

    @property
    def perfect(self) -> float:
        """Value per later patient of knowing the truth."""
        return self.sd * unit_normal_loss(abs(self.mean) / self.sd)

    @property
    def best(self) -> pd.Series:
        """The row of the size with the highest net value."""
        rows = self.frame()
        return rows.loc[rows["net_value"].idxmax()]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """A row each size: n_per_arm, spread_after, value (per later patient), cost, net_value, unit. No intervals."""
        rows = []
        for n in self.sizes:
            after = self.sd**2 / sqrt(self.sd**2 + 2 * self.sd_per_person**2 / n)
            value = after * unit_normal_loss(abs(self.mean) / after)
            cost = self.fixed + 2 * n * self.per_participant
            rows.append({"n_per_arm": n, "spread_after": after, "value": value, "cost": cost,
                         "net_value": self.population * value - cost, "unit": self.unit})  # fmt: skip
        return pd.DataFrame(rows)

    def sentence(self, level: float = 0.95) -> str:
        """The best size, or that none pays for itself, with the caution."""
        best = self.best
        if best["net_value"] <= 0:
            return f"No size between {self.sizes[0]} and {self.sizes[-1]} per arm is worth its cost. {CAUTION}"
        edge = " (the largest looked at)" if best["n_per_arm"] == self.sizes[-1] else ""
        return (
            f"For {self.population:,.0f} later patients a trial is worth most with {best['n_per_arm']:.0f} per arm"
            f"{edge}: {best['net_value']:,.0f} {self.unit} beyond its cost of {best['cost']:,.0f}. {CAUTION}"
        ).replace("  ", " ")


def worth_of_trial(
    *,
    mean: float,
    sd: float,
    sd_per_person: float,
    population: float,
    per_participant: float,
    fixed: float = 0.0,
    sizes: Sequence[int] = tuple(range(2, 1001)),
    currency: str = "",
) -> WorthOfTrial:
    """Value of two-arm trials of the sizes named, from a normal prior on the net benefit of one patient.

    mean, sd: of the prior on the incremental net benefit (`net_benefit` gives estimate and standard error; other
    evidence should be in it). sd_per_person: SD of a person's net benefit at the same willingness to pay; use the upper
    limit of a pilot's. population: patients treated after the trial reports. fixed, per_participant: its cost.
    sizes: a sequence of people per arm. All money in one currency.
    Raises FitError for SDs of 0 or below, costs below 0, or sizes below 2. Source: Raiffa & Schlaifer 1961; Willan &
    Pinto 2005 (Stat Med 24:1791-1806), both from memory.
    """
    if not (sd > 0 and sd_per_person > 0 and population >= 0 and per_participant >= 0 and fixed >= 0):
        raise FitError(
            f"Prior SD {sd}, SD per person {sd_per_person}, population {population}, costs {fixed} and "
            f"{per_participant}: allowed SDs above 0, the others 0 or more."
        )
    if not sizes or min(sizes) < 2:
        raise FitError("Sizes per arm: allowed 2 or more.")
    return WorthOfTrial(
        mean=mean, sd=sd, sd_per_person=sd_per_person, population=population, fixed=fixed,
        per_participant=per_participant, sizes=tuple(int(n) for n in np.sort(np.asarray(sizes))), unit=currency,
        n_participants=0, notes=(CAUTION,),
    )  # fmt: skip
