"""The comparison of two arms as a paper prints it: a difference with its error, its interval, t, F or p."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from math import copysign, isfinite, isnan, nan, sqrt

from scipy.stats import t as student

from stats.effects.other_trials.arm_summary import SLACK, ArmSummary
from stats.errors import FitError

COMPARED = ("difference", "se_difference", "low_difference", "high_difference")
STATISTICS = ("t", "f", "p")
APART = 0.2  # two printed forms of one t: a p of two decimals is up to a tenth off, a fifth is another test; judgement


@dataclass(frozen=True)
class Reported:
    """The comparison as the paper prints it, and the way there.

    difference: as printed, NaN where not. plain: it, or that of the arms' own means or changes (NaN where neither is
    known). std_error: of `plain`. t: NaN where F or p is printed with a difference of 0, which has no sign.
    of_changes: the arms print changes and no values at the end, so that t, F and p are of the changes.
    """

    difference: float
    plain: float
    std_error: float
    t: float
    df: float
    of_changes: bool
    how: str
    flags: tuple[str, ...] = field(default=())


def printed_comparison(
    place: str, treated: ArmSummary | None, control: ArmSummary | None, sizes: tuple[int, int], records: list[dict]
) -> Reported | None:
    """From difference and its error, interval, t, F or p; the first that is there, in that order. None without any.

    What else is printed is compared with it. Raises FitError where two cannot be of one comparison.
    """
    told = {name: _once(place, name, records) for name in (*COMPARED, *STATISTICS)}
    if all(map(isnan, told.values())):
        return None
    if not all(sizes):
        raise FitError(f"{place}: a comparison needs the n of both arms; give each arm a row with its n.")
    level = next((record["level"] for record in records if isfinite(record["level"])), 0.95)
    _check(place, told)
    df = float(sum(sizes) - 2)
    difference, flags = _of_interval(place, told, told["difference"])
    plain, of_changes = _plain_difference(treated, control)
    plain = difference if isfinite(difference) else plain
    if isfinite(told["t"]) and isfinite(plain) and told["t"] * plain < 0:
        raise FitError(
            f"{place}: t = {told['t']} and a difference of {plain} have opposite signs; which arm is taken off?"
        )
    ways = dict(_ways(place, told, plain, difference, df, level))
    known = {how: pair for how, pair in ways.items() if isfinite(pair[0])}
    if not ways:
        return None
    how, (t, error) = next(iter((known or ways).items()))
    return Reported(difference, plain, error, t, df, of_changes, how, (*flags, *_disagreeing(known)))


def _once(place: str, name: str, records: Iterable[Mapping]) -> float:
    values = {record[name] for record in records if isfinite(record[name])}
    if len(values) > 1:
        advice = (
            " It is that of the comparison; of a change inside an arm give se_change = change / t."
            if name in STATISTICS else ""
        )  # fmt: skip
        raise FitError(f"{place}: {name} {', '.join(map(str, sorted(values)))}; allowed one for a trial.{advice}")
    return values.pop() if values else nan


def _check(place: str, told: Mapping[str, float]) -> None:
    p, f, error = told["p"], told["f"], told["se_difference"]
    if isfinite(p) and not 0 < p <= 1:
        raise FitError(f"{place}: p = {p}; allowed above 0 and at most 1. Of 'p < 0.001' no effect can be worked out.")
    if (isfinite(f) and f < 0) or (isfinite(error) and error <= 0):
        raise FitError(f"{place}: F {f}, standard error {error}; allowed F of 0 or more, an error above 0.")


def _of_interval(place: str, told: Mapping[str, float], difference: float) -> tuple[float, list[str]]:
    """The difference, or the middle of its interval; an interval that does not lie about it is flagged."""
    low, high = told["low_difference"], told["high_difference"]
    if isnan(low) and isnan(high):
        return difference, []
    if not low < high or (isfinite(difference) and not low <= difference <= high):
        raise FitError(f"{place}: difference {difference} with the interval {low} to {high}; allowed inside it.")
    middle = (low + high) / 2
    if isnan(difference):
        return middle, []
    if abs(difference - middle) > SLACK * (high - low):
        return difference, ["the interval of the difference is not symmetric about it: another scale, or a slip"]
    return difference, []


def _ways(
    place: str, told: Mapping[str, float], plain: float, difference: float, df: float, level: float
) -> Iterable[tuple[str, tuple[float, float]]]:
    """Every printed way to t and to the standard error of `plain`, in the order in which they are preferred."""
    error, low, high = (told[name] for name in COMPARED[1:])
    if isfinite(error):
        yield "difference and standard error as reported", _with_error(place, difference, error)
    if isfinite(low):
        spread = (high - low) / (2 * float(student.ppf((1 + level) / 2, df)))
        yield f"standard error from the interval, t on {df:g} df", _with_error(place, difference, spread)
    t, f, p = (told[name] for name in STATISTICS)
    if isfinite(t):
        yield "t as reported", (t, _error_of(plain, t))
    for size, said in (
        (sqrt(f) if isfinite(f) else nan, "t from F, the sign from the difference"),
        (float(student.isf(p / 2, df)) if isfinite(p) else nan, f"t from the two-sided p, {df:g} df"),
    ):
        if isfinite(size):
            direction = plain if isfinite(plain) else t
            if isnan(direction):
                raise FitError(f"{place}: F and p have no direction; give the difference or both means.")
            signed = copysign(size, direction) if size and direction else 0.0 if not size else nan
            yield said, (signed, _error_of(plain, signed))


def _with_error(place: str, difference: float, error: float) -> tuple[float, float]:
    if isnan(difference):
        raise FitError(f"{place}: a standard error of a difference without the difference; give both.")
    return difference / error, error


def _error_of(plain: float, t: float) -> float:
    """difference / t; NaN where one of them is unknown or 0: a rounded 0 would have an error of 0."""
    return plain / t if t and plain else nan


def _disagreeing(ways: Mapping[str, tuple[float, float]]) -> list[str]:
    """Printed ways that cannot be of the same test."""
    if not ways:
        return []
    (first, (t, _)), *others = ways.items()
    return [
        f"two printed numbers disagree ({first}: t = {t:.3g}; {how}: t = {other:.3g}): another test, or a slip"
        for how, (other, _) in others
        if abs(abs(other) - abs(t)) > APART * max(abs(t), abs(other), 1.0)
    ]


def _plain_difference(one: ArmSummary | None, two: ArmSummary | None) -> tuple[float, bool]:
    """The difference of the arms' means at the end, or else of their changes; whether it is of changes."""
    if one is None or two is None:
        return nan, False
    ends = one.mean - two.mean
    if isfinite(ends):
        return ends, False
    return one.change - two.change, isfinite(one.change - two.change)
