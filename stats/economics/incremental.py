"""Incremental net benefit over a range of willingness to pay, and the acceptability curve.

Net benefit = willingness x difference in effect - difference in cost; its variance w^2 se^2 + sc^2 - 2 w rho sc se.
Source: Stinnett & Mullahy 1998 (Med Decis Making 18:S68-80); Fenwick, O'Brien & Briggs 2004 (Health Econ 13:405-415).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from math import inf, isfinite, sqrt

import numpy as np
import pandas as pd
from scipy.stats import norm, t

from stats.economics.ratio_set import RatioSet, quadrant, ratio_set
from stats.errors import FitError
from stats.estimates import Estimate, check_level
from stats.result import Result

CAUTION = "A pilot's costs and effects are not for a decision: a few people decide them."


@dataclass(frozen=True)
class NetBenefit(Result):
    """Incremental net benefit at each willingness to pay, from differences in cost and effect and their errors."""

    cost_difference: float
    effect_difference: float
    cost_std_error: float
    effect_std_error: float
    correlation: float
    willingness: tuple[float, ...]
    df: float  # infinite: the normal law
    unit: str
    effect_unit: str
    n_participants: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """A row each willingness: willingness, estimate, std_error, conf_low, conf_high, acceptability, unit."""
        at = np.array(self.willingness)
        estimate = at * self.effect_difference - self.cost_difference
        error = np.sqrt(
            at**2 * self.effect_std_error**2
            + self.cost_std_error**2
            - 2 * at * self.correlation * self.cost_std_error * self.effect_std_error
        )
        reach = self._critical(check_level(level)) * error
        with np.errstate(divide="ignore", invalid="ignore"):
            score = estimate / error
        share = norm.cdf(score) if self.df == inf else t.cdf(score, self.df)
        return pd.DataFrame(
            {"willingness": at, "estimate": estimate, "std_error": error, "conf_low": estimate - reach,
             "conf_high": estimate + reach, "acceptability": share, "unit": self.unit}
        )  # fmt: skip

    def ratio(self, level: float = 0.95) -> RatioSet:
        """Difference in cost over difference in effect with Fieller's set: not a result of a pilot, see `RatioSet`.

        Raises FitError for a level outside 0 to 1, or differences that are not finite.
        """
        return ratio_set(
            self.cost_difference, self.effect_difference, self.cost_std_error, self.effect_std_error, self.correlation,
            self._critical(check_level(level)),
        )  # fmt: skip

    def sentence(self, level: float = 0.95) -> str:
        """Both differences, net benefit at each end of the range, what stays open."""
        frame = self.frame(level)
        parts = [
            f"at {row.willingness:,.0f} {row.estimate:,.0f} ({row.conf_low:,.0f} to {row.conf_high:,.0f})"
            for row in (frame.itertuples() if len(frame) <= 3 else frame.iloc[[0, len(frame) // 2, -1]].itertuples())
        ]
        crossing = not (frame["conf_low"] > 0).all() and not (frame["conf_high"] < 0).all()
        open_ = " The sign is open somewhere in this range." if crossing else ""
        per = f" per {self.effect_unit}" if self.effect_unit else ""
        return (
            f"Difference in cost {self.cost_difference:,.0f} {self.unit}, in effect {self.effect_difference:.3g} "
            f"{self.effect_unit} ({quadrant(self.cost_difference, self.effect_difference)}); incremental net benefit, "
            f"{self.unit or 'money'}, by willingness to pay{per} ({level:.0%} interval): {'; '.join(parts)}.{open_} "
            f"{CAUTION}"
        ).replace("  ", " ")

    def _critical(self, level: float) -> float:
        tail = (1 + level) / 2
        return float(norm.ppf(tail) if self.df == inf else t.ppf(tail, self.df))


def net_benefit(
    *,
    cost_difference: float | Estimate,
    effect_difference: float | Estimate,
    willingness: float | Iterable[float],
    cost_std_error: float | None = None,
    effect_std_error: float | None = None,
    correlation: float = 0.0,
    df: float | None = None,
    currency: str = "",
    effect_unit: str = "",
) -> NetBenefit:
    """Incremental net benefit with its interval at each willingness to pay for one unit of effect.

    cost_difference, effect_difference: treated - control, numbers with cost_std_error and effect_std_error, or
    `Estimate`s (cost_difference of `cost_and_effect`). correlation: of the two differences, over people; 0 only where
    it is not known, and then the interval is a guess. df: of t; the normal law where not given. willingness: 0 or more
    per unit of effect, in the currency; there is no default, because none is agreed for scales of the upper limb.
    Returns `NetBenefit`: frame with willingness, estimate, std_error, conf_low, conf_high, acceptability; `ratio()`.
    Raises FitError for an error of 0 or below, a correlation outside -1 to 1, a willingness below 0.
    Source: Stinnett & Mullahy 1998 (Med Decis Making 18:S68-80).

    >>> made = net_benefit(cost_difference=1000, cost_std_error=324, effect_difference=0.05, effect_std_error=0.012,
    ...                    correlation=-0.3, willingness=20000)
    >>> print(made["estimate"], made["acceptability"])
    0.0 0.5
    """
    values = tuple(map(float, willingness)) if isinstance(willingness, Iterable) else (float(willingness),)
    if not values or any(not (isfinite(value) and value >= 0) for value in values):
        raise FitError(f"Willingness to pay {', '.join(map(str, values)) or 'missing'}: allowed numbers of 0 or more.")
    cost, cost_error = _with_error(cost_difference, cost_std_error, "cost")
    effect, effect_error = _with_error(effect_difference, effect_std_error, "effect")
    if not -1 <= correlation <= 1:
        raise FitError(f"Correlation {correlation} of cost and effect: allowed -1 to 1.")
    if df is None:
        known = [one.df for one in (cost_difference, effect_difference) if isinstance(one, Estimate)]
        df = min((value for value in known if isfinite(value)), default=inf)
    if not df > 0:
        raise FitError(f"Degrees of freedom {df}: allowed above 0.")
    people = [one.n_participants for one in (cost_difference, effect_difference) if isinstance(one, Estimate)]
    notes = [CAUTION]
    if correlation == 0:
        notes.append("Correlation of cost and effect taken as 0.")
    notes.append("The acceptability is one minus a one-sided p value: no probability that the therapy is worthwhile.")
    return NetBenefit(
        cost_difference=cost, effect_difference=effect, cost_std_error=cost_error, effect_std_error=effect_error,
        correlation=float(correlation), willingness=values, df=float(df), unit=currency, effect_unit=effect_unit,
        n_participants=max(people, default=0), notes=tuple(notes),
    )  # fmt: skip


@dataclass(frozen=True)
class Acceptability(Result):
    """Share of the sampling distribution with a net benefit above 0, by willingness to pay."""

    benefit: NetBenefit
    unit: str
    n_participants: int
    notes: tuple[str, ...]

    @property
    def at_no_willingness(self) -> float:
        """Where the curve starts: the share with a lower cost."""
        return float(norm.cdf(-self.benefit.cost_difference / self.benefit.cost_std_error))

    @property
    def far_out(self) -> float:
        """What it tends to: the share with a larger effect. It is not 1, and the curve need not rise."""
        return float(norm.cdf(self.benefit.effect_difference / self.benefit.effect_std_error))

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """A row each willingness: willingness, estimate (the share), and net benefit with its limits."""
        rows = self.benefit.frame(level)
        return pd.DataFrame(
            {"willingness": rows["willingness"], "estimate": rows["acceptability"], "net_benefit": rows["estimate"],
             "benefit_low": rows["conf_low"], "benefit_high": rows["conf_high"]}
        )  # fmt: skip

    def sentence(self, level: float = 0.95) -> str:
        """The curve at its ends; what it is not."""
        rows = self.frame(level)
        first, last = rows.iloc[0], rows.iloc[-1]
        return (
            f"Acceptability {first['estimate']:.0%} at a willingness to pay of {first['willingness']:,.0f} and "
            f"{last['estimate']:.0%} at {last['willingness']:,.0f} {self.benefit.unit}; far out it tends to "
            f"{self.far_out:.0%}. It is one minus a one-sided p value. {CAUTION}"
        ).replace("  ", " ")


def acceptability(
    *,
    cost_difference: float | Estimate,
    effect_difference: float | Estimate,
    willingness: float | Iterable[float],
    cost_std_error: float | None = None,
    effect_std_error: float | None = None,
    correlation: float = 0.0,
    df: float | None = None,
    currency: str = "",
    effect_unit: str = "",
) -> Acceptability:
    """The acceptability curve: at each willingness the share with a net benefit above 0, Phi(net benefit / error).

    Arguments as `net_benefit`; willingness: one number or a sequence, in the currency. It starts at the share with a
    lower cost, is 0.5 at the ratio, and tends to the share with a larger effect.
    Raises FitError for an error of 0 or below, a correlation outside -1 to 1, a willingness below 0. Source: Fenwick,
    O'Brien & Briggs 2004 (Health Econ 13:405-415).
    """
    made = net_benefit(
        cost_difference=cost_difference, effect_difference=effect_difference, willingness=willingness,
        cost_std_error=cost_std_error, effect_std_error=effect_std_error, correlation=correlation, df=df,
        currency=currency, effect_unit=effect_unit,
    )  # fmt: skip
    return Acceptability(made, "share", made.n_participants, made.notes)


def _with_error(difference: float | Estimate, error: float | None, what: str) -> tuple[float, float]:
    if isinstance(difference, Estimate):
        error = difference.std_error if error is None else error
        difference = difference.estimate
    if error is None or not (isfinite(error) and error > 0 and isfinite(difference)):
        raise FitError(
            f"Difference in {what} {difference} with a standard error of {error}: allowed a number, and an error above "
            f"0. Give {what}_std_error=, or an Estimate that has one."
        )
    return float(difference), float(error)


def error_from_interval(low: float, high: float, level: float = 0.95) -> float:
    """Standard error behind a printed interval, by the normal law."""
    if not low < high:
        raise FitError(f"Interval {low} to {high}: allowed a lower limit below the upper one.")
    return (high - low) / (2 * float(norm.ppf((1 + check_level(level)) / 2)))


def correlation_of_differences(
    covariance1: float, n1: int, covariance0: float, n0: int, cost_error: float, effect_error: float
) -> float:
    """Correlation of the two mean differences from the covariances of cost and effect inside each arm."""
    return (covariance1 / n1 + covariance0 / n0) / (sqrt(cost_error**2) * effect_error)
