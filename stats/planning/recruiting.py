"""How long it takes to find the people: recruitment by month from what was recruited, or is hoped for, at each site."""

from dataclasses import dataclass

import pandas as pd
from scipy.stats import nbinom

from stats.errors import PlanError
from stats.result import Result

LONGEST = 600  # months looked at


@dataclass(frozen=True)
class Recruiting(Result):
    """Recruitment by month: expected numbers, their range, and the month in which the wanted number is reached."""

    wanted: int
    count: float
    months: float
    sites: int
    opening: float
    unit: str = "people"
    n_participants: int = 0
    notes: tuple[str, ...] = ()

    def _site_months(self, month: int) -> float:
        """Months of recruiting added up over sites, which open one after another, `opening` months apart."""
        return sum(max(0.0, month - place * self.opening) for place in range(self.sites))

    def reached(self, probability: float) -> int:
        """First month by whose end the wanted number is there with this probability.

        Raises PlanError where that takes longer than 600 months.
        """
        for month in range(1, LONGEST + 1):
            exposure = self._site_months(month)
            if (
                exposure
                and nbinom.sf(self.wanted - 1, self.count + 0.5, self.months / (self.months + exposure)) >= probability
            ):
                return month
        raise PlanError(
            f"{self.wanted} people are not reached in {LONGEST} months at this rate: more sites are needed."
        )

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """A row each month up to the one that is nearly sure: month, expected, conf_low, conf_high."""
        tail = (1 - level) / 2
        rows = []
        for month in range(1, self.reached(0.9) + 1):
            exposure = self._site_months(month)
            law = nbinom(self.count + 0.5, self.months / (self.months + exposure)) if exposure else None
            rows.append({"month": month, "expected": float(law.mean()) if law else 0.0,
                         "conf_low": float(law.ppf(tail)) if law else 0.0,
                         "conf_high": float(law.ppf(1 - tail)) if law else 0.0})  # fmt: skip
        return pd.DataFrame(rows)

    def sentence(self, level: float = 0.95) -> str:
        """The month that is as likely as not, and the one that is likely."""
        return (
            f"At the rate seen ({self.count:g} people in {self.months:.3g} months of one site) {self.wanted} are "
            f"found at {self.sites} site{'s' if self.sites > 1 else ''} in {self.reached(0.5)} months as likely as "
            f"not, and in {self.reached(0.8)} months with probability 0.8."
        )


def recruitment_by_month(
    wanted: int, *, count: float, months: float, sites: int = 1, opening: float = 0.0
) -> Recruiting:
    """Months needed to recruit `wanted` people at `sites`, from `count` people found in `months` of one site.

    opening: months between the opening of one site and the next. The rate has a gamma law from the count (Jeffreys) and
    people come at random (Poisson), so that a short pilot's rate stays uncertain; that a new site recruits like the old
    one is assumed.
    Raises PlanError for fewer than one person or site, or no months. Source: Poisson counts with a gamma rate (negative
    binomial), common practice.
    """
    if not (wanted >= 1 and count >= 0 and months > 0 and sites >= 1 and opening >= 0):
        raise PlanError(
            f"wanted {wanted}, count {count}, months {months}, sites {sites}, opening {opening}: allowed 1 or more "
            "people and sites, months above 0, the others 0 or more."
        )
    return Recruiting(int(wanted), float(count), float(months), int(sites), float(opening), n_participants=int(wanted))
