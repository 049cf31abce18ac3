"""One arm of a published trial: from what the paper prints to mean, SD and SD of change, each step named.

Conversions: SD = SE sqrt(n); SD = sqrt(n) (high - low) / (2 t), t on n - 1 df (Cochrane Handbook for Systematic Reviews
of Interventions, obtaining SDs from standard errors and confidence intervals); mean (q1 + m + q3) / 3 and SD
(q3 - q1) / (2 z((0.75 n - 0.125) / (n + 0.25))), or from the range (a + 2 m + b) / 4 and (b - a) / (2 z((n - 0.375) /
(n + 0.25))) (Wan 2014, BMC Med Res Methodol 14:135); SD of change sqrt(s1^2 + s2^2 - 2 r s1 s2).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isfinite, isnan, nan, sqrt

from scipy.stats import norm, t

from stats.errors import FitError

Row = Mapping[str, float]
SLACK = 0.1  # two printed forms of one number may differ by rounding; beyond a tenth one of them is something else
SKEW = 0.25  # distance of the median from the middle of the quartiles, in interquartile ranges: judgement


@dataclass(frozen=True)
class ArmSummary:
    """Numbers of one arm; NaN where the paper gives no way to them. `how`: the conversions; `flags`: what to doubt."""

    source: str
    name: str
    n: int
    mean: float
    sd: float
    mean_baseline: float
    sd_baseline: float
    change: float
    sd_change: float
    r: float
    how: tuple[str, ...] = field(default=())
    flags: tuple[str, ...] = field(default=())

    def with_correlation(self, r: float) -> "ArmSummary":
        """The SD of change under an assumed correlation, where the paper gives neither."""
        if isfinite(self.sd_change) or not (isfinite(self.sd) and isfinite(self.sd_baseline)):
            return self
        spread = sqrt(max(0.0, self.sd**2 + self.sd_baseline**2 - 2 * r * self.sd * self.sd_baseline))
        return ArmSummary(
            **{**self.__dict__, "sd_change": spread, "r": r, "how": (*self.how, f"SD of change with r = {r} assumed")}
        )


def arm_summary(row: Row, source: str, name: str) -> ArmSummary:
    """One arm from one row of the `published` columns. Raises FitError for what cannot be."""
    place = f"{source}, {name}"
    n = row["n"]
    if isnan(n) or n < 2 or n != int(n):
        raise FitError(f"{place}: n = {n}; allowed a whole number of people, 2 or more.")
    how: list[str] = []
    flags: list[str] = []
    level = row["level"] if isfinite(row["level"]) else 0.95
    if not 0 < level < 1:
        raise FitError(f"{place}: level {level}; allowed above 0 and below 1. Write 0.95 for 95 %.")
    values = {}
    for label, mean, spread, suffix in (
        ("at the end", row["mean"], row["sd"], ""),
        ("at baseline", row["mean_baseline"], row["sd_baseline"], "_baseline"),
        ("of change", row["change"], row["sd_change"], "_change"),
    ):
        values[suffix] = _mean_and_sd(row, f"{place}, {label}", label, mean, spread, suffix, int(n), level, how, flags)
    (mean, sd), (mean0, sd0), (change, sd_change) = values[""], values["_baseline"], values["_change"]
    if isnan(change) and isfinite(mean) and isfinite(mean0):
        change = mean - mean0
        how.append("change = end - baseline")
    elif isfinite(change) and isfinite(mean) and isfinite(mean0) and abs(mean - mean0 - change) > SLACK * abs(change):
        flags.append("the printed change is not the end less the baseline: other people, or an adjusted mean")
    r = row["r"]
    if isfinite(r) and not -1 < r < 1:
        raise FitError(f"{place}: r = {r}; allowed above -1 and below 1. Give a rounded 1 with more decimals.")
    both = isfinite(sd) and isfinite(sd0) and sd > 0 and sd0 > 0
    if isfinite(sd_change) and both:
        implied = (sd**2 + sd0**2 - sd_change**2) / (2 * sd * sd0)
        if abs(implied) > 1 + SLACK:
            raise FitError(
                f"{place}: SDs {sd0} and {sd} with an SD of change of {sd_change} imply a correlation of {implied}; "
                "allowed -1 to 1. Is one of them a standard error?"
            )
        implied = min(1.0, max(-1.0, implied))
        if isnan(r):
            r = implied
            how.append("r implied by the three SDs")
        elif abs(r - implied) > 2 * SLACK:
            flags.append(f"the printed r {r} and the SD of change, which implies {implied}, disagree")
    elif isfinite(r) and both:
        sd_change = sqrt(max(0.0, sd**2 + sd0**2 - 2 * r * sd * sd0))
        how.append("SD of change from both SDs and r as published")
    return ArmSummary(source, name, int(n), mean, sd, mean0, sd0, change, sd_change, r, tuple(how), tuple(flags))


def _mean_and_sd(
    row: Row, place: str, label: str, mean: float, sd: float, suffix: str, n: int, level: float, how: list[str],
    flags: list[str],
) -> tuple[float, float]:  # fmt: skip
    """Mean and SD of one occasion; what is not printed is worked out, what is printed twice is compared."""
    error, low, high = row[f"se{suffix}"], row[f"low{suffix}"], row[f"high{suffix}"]
    for name, value in (("SD", sd), ("standard error", error)):
        if (isfinite(value) and value < 0) or (name == "standard error" and value == 0):
            raise FitError(f"{place}: {name} {value}; allowed above 0.")
    found = []
    if isfinite(sd):
        found.append((sd, ""))
    if isfinite(error):
        found.append((error * sqrt(n), f"SD {label} = SE x sqrt(n)"))
    if isfinite(low) or isfinite(high):
        if not (isfinite(low) and isfinite(high) and low < high):
            raise FitError(f"{place}: interval {low} to {high}; allowed a lower limit below the upper one.")
        if isfinite(mean) and not low <= mean <= high:
            raise FitError(f"{place}: the mean {mean} lies outside its interval {low} to {high}.")
        middle = (low + high) / 2
        if isnan(mean):
            mean = middle
            how.append(f"mean {label} = middle of its interval")
        elif abs(mean - middle) > SLACK * (high - low):
            flags.append(f"the interval {label} is not symmetric about the mean: another scale, or a slip")
        critical = float(t.ppf((1 + level) / 2, n - 1))
        found.append((sqrt(n) * (high - low) / (2 * critical), f"SD {label} from the interval, t on {n - 1} df"))
    if not found or isnan(mean):
        wanted = " and ".join(name for name, lacks in (("mean", isnan(mean)), ("SD", not found)) if lacks)
        middle, sd_quantiles, said = _from_quantiles(row, place, label, wanted, suffix, n, mean, flags)
        if said:
            how.append(said)
            mean = middle if isnan(mean) else mean
            found += [(sd_quantiles, "")] if isfinite(sd_quantiles) and not found else []
    if not found:
        return mean, nan
    for other, _ in found[1:]:
        if abs(other - found[0][0]) > SLACK * max(other, found[0][0]):
            raise FitError(
                f"{place}: an SD of {found[0][0]} and another one of {other} by a second way; allowed one within a "
                "tenth of the other. Is the SD a standard error, or the interval of another level?"
            )
    how += [found[0][1]] if found[0][1] else []
    if found[0][0] == 0:
        flags.append(f"an SD of 0 {label}: everybody the same, or a number that was not printed?")
    return mean, found[0][0]


def _from_quantiles(
    row: Row, place: str, label: str, wanted: str, suffix: str, n: int, mean: float, flags: list[str]
) -> tuple[float, float, str]:  # fmt: skip
    """Mean and SD from median with quartiles, or from median and range (Wan 2014); normal values assumed.

    wanted: which of the two the paper does not print, in words; the other one is not taken from here.
    """
    m, q1, q3 = row[f"median{suffix}"], row[f"q1{suffix}"], row[f"q3{suffix}"]
    low, high = row[f"minimum{suffix}"], row[f"maximum{suffix}"]
    if isnan(m) and "mean" in wanted:
        return nan, nan, ""
    prefix = "median and " if isfinite(m) else ""
    m = mean if isnan(m) else m  # of an SD alone the median is only there to be checked
    for first, second in (((q1, m), (m, q3)), ((low, m), (m, high))):
        if any(isfinite(a) and isfinite(b) and a > b for a, b in (first, second)):
            raise FitError(f"{place}: {first[0]}, {m}, {second[1]}; allowed in rising order.")
    if isfinite(q1) and isfinite(q3) and q1 < q3:
        if abs(q1 + q3 - 2 * m) / 2 > SKEW * (q3 - q1):
            flags.append(f"the quartiles {label} lean: skewed, and mean and SD from them are poor")
        flags.append(f"{wanted} {label} worked out from quartiles as if the values were normal")
        spread = (q3 - q1) / (2 * float(norm.ppf((0.75 * n - 0.125) / (n + 0.25))))
        return (q1 + m + q3) / 3, spread, f"{wanted} {label} from {prefix}quartiles (Wan 2014)"
    if isfinite(low) and isfinite(high) and low < high:
        flags.append(f"{wanted} {label} worked out from the range, which one person can stretch")
        spread = (high - low) / (2 * float(norm.ppf((n - 0.375) / (n + 0.25))))
        return (low + 2 * m + high) / 4, spread, f"{wanted} {label} from {prefix}range (Wan 2014)"
    if "mean" not in wanted:
        return nan, nan, ""
    flags.append(f"only a median {label}: taken as the mean")
    return m, nan, f"median {label} taken as the mean"
