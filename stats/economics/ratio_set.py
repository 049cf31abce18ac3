"""The ratio of a difference in cost to a difference in effect, with Fieller's set, which need not be an interval."""

from dataclasses import dataclass
from math import inf, isfinite, nan, sqrt

from stats.errors import FitError

SHAPES = ("interval", "two rays", "whole line")


@dataclass(frozen=True)
class RatioSet:
    """Where the ratio lies: between lower and upper ("interval"), outside them ("two rays"), anywhere ("whole line").

    One of two rays is empty where its limit is infinite.
    quadrant: what the point estimates say in words. A ratio is no price where cost or effect differ in sign.
    """

    estimate: float
    lower: float
    upper: float
    shape: str
    quadrant: str

    @property
    def bounded(self) -> bool:
        """Whether the set is an interval."""
        return self.shape == "interval"


def ratio_set(
    cost_difference: float, effect_difference: float, cost_std_error: float, effect_std_error: float,
    correlation: float, critical: float,
) -> RatioSet:  # fmt: skip
    """{R: (C - R E)^2 <= z^2 (sc^2 + R^2 se^2 - 2 R rho sc se)}; critical: z or t.

    Each limit is a willingness to pay at which the interval of the net benefit touches zero.
    Source: Fieller 1954 (J R Stat Soc B 16:175-185); Willan & O'Brien 1996 (Health Econ 5:297-305).
    Costs are in the currency, the ratio in the currency for one unit of effect. Raises FitError for numbers that are
    not finite, or errors of 0 or below.
    """
    c, e, sc, se = cost_difference, effect_difference, cost_std_error, effect_std_error
    if not (isfinite(c) and isfinite(e) and sc > 0 and se > 0 and -1 <= correlation <= 1):
        raise FitError(
            f"Ratio of {c} (standard error {sc}) to {e} (standard error {se}), correlation {correlation}: allowed "
            "finite differences, errors above 0, a correlation from -1 to 1."
        )
    z2 = critical**2
    a, b, d = e**2 - z2 * se**2, c * e - z2 * correlation * sc * se, c**2 - z2 * sc**2
    root = b**2 - a * d
    estimate = c / e if e else (inf if c > 0 else -inf if c < 0 else nan)
    if a < 0 and root <= 0:
        return RatioSet(estimate, -inf, inf, "whole line", quadrant(c, e))
    if a == 0 and b == 0:
        return RatioSet(estimate, -inf, inf, "whole line", quadrant(c, e))
    if a == 0:  # d <= 2 b R: one limit only, and the set is the ray on its side
        limit = d / (2 * b)
        return RatioSet(estimate, *((-inf, limit) if b > 0 else (limit, inf)), "two rays", quadrant(c, e))
    ends = sorted(((b - sqrt(max(root, 0.0))) / a, (b + sqrt(max(root, 0.0))) / a))
    return RatioSet(estimate, ends[0], ends[1], "interval" if a > 0 else "two rays", quadrant(c, e))


def quadrant(cost: float, effect: float) -> str:
    """What the point estimates say: which of two is dearer and which does more."""
    if cost > 0 and effect > 0:
        return "costs more and does more"
    if cost <= 0 <= effect and (cost or effect):
        return "costs no more and does no less: dominant"
    if cost >= 0 >= effect and (cost or effect):
        return "costs no less and does no more: dominated"
    return "costs less and does less" if cost < 0 else "no difference"
