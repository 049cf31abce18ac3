"""What one more improved person costs: the difference in cost times the number needed to treat, with its open end."""

from dataclasses import dataclass
from math import inf, isfinite, nan

import pandas as pd
from scipy.stats import norm

from stats.economics.ratio_set import RatioSet, quadrant, ratio_set
from stats.errors import FitError
from stats.estimates import Estimate, check_level
from stats.proportions.two_proportions import risk_difference
from stats.result import Result


@dataclass(frozen=True)
class CostPerResponder(Result):
    """Cost of one additional responder. Where the shares may be equal the set has no upper end (`bounded` False)."""

    cost_difference: float
    cost_std_error: float  # NaN: the costs are taken as fixed
    correlation: float
    shares: Estimate  # difference of the shares, treated - control
    unit: str
    n_participants: int
    notes: tuple[str, ...]

    @property
    def estimate(self) -> float:
        """Cost over share; NaN where that is no price (fewer responders, or costs saved)."""
        cost, share = self.cost_difference, self.shares.estimate
        return cost / share if cost > 0 and share > 0 else inf if cost > 0 and share == 0 else nan

    @property
    def bounded(self) -> bool:
        """Whether the interval at 95 % has an upper end."""
        return bool(isfinite(self._limits(0.95)[1]))

    @property
    def conf_low(self) -> float:
        """Lower limit at 95 %."""
        return self._limits(0.95)[0]

    @property
    def conf_high(self) -> float:
        """Upper limit at 95 %, infinite where there is none."""
        return self._limits(0.95)[1]

    def __getitem__(self, column: str):
        """A column of `frame()`."""
        return getattr(self, column) if column in ("conf_low", "conf_high") else super().__getitem__(column)

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """One row: estimate, conf_low, conf_high (infinite where open), bounded, cost and share differences."""
        low, high = self._limits(check_level(level))
        share_low, share_high = self.shares.limits(level)
        return pd.DataFrame(
            [{"term": "cost per additional responder", "estimate": self.estimate, "conf_low": low, "conf_high": high,
              "bounded": bool(isfinite(high)), "cost_difference": self.cost_difference,
              "share_difference": self.shares.estimate, "share_low": share_low, "share_high": share_high,
              "number_needed": 1 / self.shares.estimate if self.shares.estimate else inf, "unit": self.unit}]
        )  # fmt: skip

    def sentence(self, level: float = 0.95) -> str:
        """The price of one more responder, its open end, and that it is no measure to compare diseases by."""
        row = self.frame(level).iloc[0]
        money = f" {self.unit}" if self.unit else ""
        share = (
            f"responders {row['share_difference']:+.0%} ({row['share_low']:+.0%} to {row['share_high']:+.0%}), cost "
            f"{self.cost_difference:+,.0f}{money} a person"
        )
        if not isfinite(self.estimate):
            return (
                f"No cost per additional responder: {quadrant(self.cost_difference, self.shares.estimate)} ({share})."
            )
        if row["bounded"]:
            interval = f"{level:.0%} interval {row['conf_low']:,.0f} to {row['conf_high']:,.0f}"
        elif isfinite(row["conf_low"]):
            interval = (
                f"{level:.0%} interval from {row['conf_low']:,.0f} to infinity; more costly and fewer responders "
                "cannot be excluded"
            )
        else:
            interval = f"at {level:.0%} no price can be excluded"
        return (
            f"Cost per additional responder {self.estimate:,.0f}{money} ({interval}); {share}. A responder has no "
            "agreed price, and is not comparable between conditions."
        )

    def _limits(self, level: float) -> tuple[float, float]:
        if not isfinite(self.estimate) and self.estimate != inf:
            return nan, nan
        if isfinite(self.cost_std_error):
            return _of_ratio(self._fieller(level))
        low, high = self.shares.limits(level)
        return (self.cost_difference / high if high > 0 else inf), (self.cost_difference / low if low > 0 else inf)

    def _fieller(self, level: float) -> RatioSet:
        return ratio_set(
            self.cost_difference, self.shares.estimate, self.cost_std_error, self.shares.std_error, self.correlation,
            float(norm.ppf((1 + level) / 2)),
        )  # fmt: skip


def _of_ratio(found: RatioSet) -> tuple[float, float]:
    """The prices in a set of ratios: what lies at 0 or below is no price."""
    if found.shape == "whole line":
        return nan, inf
    if found.upper == inf:
        return 0.0, max(found.lower, 0.0)
    if found.shape == "two rays":
        return (max(found.upper, 0.0), inf) if found.upper > 0 else (0.0, inf)
    return max(found.lower, 0.0), found.upper


def cost_per_responder(
    *,
    cost_difference: float | Estimate,
    x1: int | None = None,
    n1: int | None = None,
    x2: int | None = None,
    n2: int | None = None,
    share_difference: Estimate | tuple[float, float, float] | None = None,
    cost_std_error: float | None = None,
    correlation: float = 0.0,
    method: str = "newcombe",
    currency: str = "",
) -> CostPerResponder:
    """Difference in cost over difference in shares improved: cost x number needed to treat.

    cost_difference: treated - control, per person. With a number and no cost_std_error the costs are taken as fixed
    and the interval is too narrow; with it (or an `Estimate`) Fieller's set. x1 of n1 treated and x2 of n2 controls
    improved; or share_difference, an `Estimate` or (difference, low, high). method: of `risk_difference`.
    Where the shares may be equal the interval runs to infinity, and where fewer improve there is no price: both are
    said, and no negative number is given as a price. Source: Altman 1998 (BMJ 317:1309-1312), the infinite arm.
    Raises FitError without shares, for counts outside 0 to n, an error of 0 or below, or uncertain costs where the
    shares have no standard error.

    >>> made = cost_per_responder(cost_difference=500, x1=11, n1=20, x2=7, n2=20)
    >>> print(made["estimate"] > made["conf_low"], made["conf_high"])
    True inf
    """
    if isinstance(share_difference, Estimate):
        shares = share_difference
    elif share_difference is not None:
        shares = _printed_shares(*share_difference)
    elif x1 is None or n1 is None or x2 is None or n2 is None:
        raise FitError("The cost of a responder needs x1, n1, x2 and n2, or share_difference=.")
    else:
        shares = risk_difference(x1, n1, x2, n2, method=method)
    if isinstance(cost_difference, Estimate):
        cost_std_error = cost_difference.std_error if cost_std_error is None else cost_std_error
        cost_difference = cost_difference.estimate
    if not isfinite(cost_difference) or (cost_std_error is not None and not cost_std_error > 0):
        raise FitError(
            f"Difference in cost {cost_difference}, standard error {cost_std_error}: allowed a number, and an error "
            "above 0 or none."
        )
    if cost_std_error is not None and not (isfinite(shares.std_error) and shares.std_error > 0):
        raise FitError("Uncertain costs need the standard error of the shares; everybody or nobody improved in an arm.")
    notes = ["A count of responders loses information: report it beside the mean difference."]
    if cost_std_error is None:
        notes.append("The costs are taken as fixed: the interval is too narrow.")
    return CostPerResponder(
        cost_difference=float(cost_difference), cost_std_error=nan if cost_std_error is None else float(cost_std_error),
        correlation=correlation, shares=shares, unit=currency, n_participants=shares.n_participants, notes=tuple(notes),
    )  # fmt: skip


def _printed_shares(difference: float, low: float, high: float) -> Estimate:
    """A printed difference with its printed 95 % interval; other levels by its standard error."""
    if not low <= difference <= high:
        raise FitError(f"Share difference {difference} with the interval {low} to {high}: allowed inside it.")
    error = (high - low) / (2 * float(norm.ppf(0.975)))

    def limits(level: float) -> tuple[float, float]:
        if level == 0.95:
            return low, high
        reach = float(norm.ppf((1 + level) / 2)) * error
        return difference - reach, difference + reach

    return Estimate(term="risk difference", estimate=difference, limits=limits, method="as printed", std_error=error)
