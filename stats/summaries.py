"""Means, standard deviations and n: what an effect size is made of, from raw values or from a publication."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, nan, sqrt
from typing import TypeAlias

import numpy as np
import pandas as pd

from stats.errors import FitError

Values: TypeAlias = Sequence[float] | np.ndarray | pd.Series


@dataclass(frozen=True)
class TwoGroups:
    """Two independent groups; the second is the reference."""

    mean1: float
    sd1: float
    n1: int
    mean2: float
    sd2: float
    n2: int

    @property
    def difference(self) -> float:
        """mean1 - mean2."""
        return self.mean1 - self.mean2

    @property
    def pooled_sd(self) -> float:
        """Root of the variances weighted by their degrees of freedom."""
        weights = (self.n1 - 1) * self.sd1**2 + (self.n2 - 1) * self.sd2**2
        return sqrt(weights / (self.n1 + self.n2 - 2))


@dataclass(frozen=True)
class Paired:
    """Two values per participant; the second is the reference (the earlier one)."""

    mean1: float
    sd1: float
    mean2: float
    sd2: float
    n: int
    r: float  # correlation of the two values; NaN where not published
    sd_change: float  # SD of the differences; NaN where neither it nor r is known

    @property
    def difference(self) -> float:
        """Mean of first - second."""
        return self.mean1 - self.mean2


def two_groups(x: Values, y: Values) -> TwoGroups:
    """Summary of two samples; missing values are left out."""
    first, second = finite(x), finite(y)
    for name, values in (("first", first), ("second", second)):
        if len(values) < 2:
            raise FitError(
                f"The {name} group has {len(values)} value(s), allowed 2 or more: no spread to compare with."
            )
    return TwoGroups(first.mean(), first.std(ddof=1), len(first), second.mean(), second.std(ddof=1), len(second))


def pairs(x: Values, y: Values) -> tuple[np.ndarray, np.ndarray]:
    """The complete pairs of two columns of equal length."""
    first, second = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    if first.shape != second.shape or first.ndim != 1:
        raise FitError(
            f"Paired values: found {first.shape[0]} and {second.shape[0]}, allowed equally many (one per participant)."
        )
    both = np.isfinite(first) & np.isfinite(second)
    return first[both], second[both]


def paired(x: Values, y: Values) -> Paired:
    """Summary of the complete pairs."""
    first, second = pairs(x, y)
    if len(first) < 2:
        raise FitError(f"{len(first)} complete pair(s), allowed 2 or more: no spread to standardise by.")
    sd1, sd2 = first.std(ddof=1), second.std(ddof=1)
    r = float(np.corrcoef(first, second)[0, 1]) if sd1 > 0 and sd2 > 0 else nan
    return Paired(first.mean(), sd1, second.mean(), sd2, len(first), r, (first - second).std(ddof=1))


def paired_from_summary(
    mean1: float, sd1: float, mean2: float, sd2: float, n: int, r: float | None, sd_change: float | None
) -> Paired:
    """Published means and SDs of two occasions; r and the SD of change give each other."""
    if r is not None and not -1 <= r <= 1:
        raise FitError(f"Correlation r = {r}: allowed -1 to 1.")
    if sd_change is None:
        sd_change = nan if r is None else sqrt(max(0.0, sd1**2 + sd2**2 - 2 * r * sd1 * sd2))
    if r is None:
        r = (sd1**2 + sd2**2 - sd_change**2) / (2 * sd1 * sd2) if sd1 > 0 and sd2 > 0 else nan
        if isfinite(r) and abs(r) > 1:
            raise FitError(
                f"SDs {sd1}, {sd2} and SD of change {sd_change} imply a correlation of {r}: allowed -1 to 1."
            )
    return Paired(mean1, sd1, mean2, sd2, n, r, sd_change)


def given_numbers(kind: str, **numbers: float | None) -> list[float]:
    """The published numbers in order; refuses missing ones, negative SDs and groups below two people."""
    absent = [name for name, value in numbers.items() if value is None]
    if absent:
        raise FitError(f"Effect size {kind!r} from published numbers lacks {', '.join(absent)}. Give them, or x and y.")
    for name, value in numbers.items():
        if name.startswith("sd") and value is not None and value < 0:
            raise FitError(f"{name} = {value}: allowed 0 or more.")
        if name.startswith("n") and value is not None and value < 2:
            raise FitError(f"{name} = {value}: allowed 2 or more.")
    return [value for value in numbers.values() if value is not None]


def one_n(n1: int | None, n2: int | None) -> int:
    """The one number of people measured twice."""
    n = n1 if n1 is not None else n2
    if n is None or (n1 is not None and n2 is not None and n1 != n2):
        raise FitError(f"Two occasions of the same people: n1 = {n1}, n2 = {n2}; allowed one n, 2 or more.")
    if n < 2:
        raise FitError(f"n1 = {n}: allowed 2 or more.")
    return n


def finite(values: Values) -> np.ndarray:
    """The values that are numbers."""
    found = np.asarray(values, dtype=float)
    return found[np.isfinite(found)]
