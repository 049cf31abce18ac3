"""Utilities by a value set the user brings, and quality-adjusted life years from them. Nothing is bundled."""

from collections.abc import Mapping, Sequence
from functools import partial
from math import isnan, nan

import numpy as np
from scipy.stats import t

from stats.errors import FitError
from stats.estimates import Estimate
from stats.summaries import Values

ValueSet = Mapping[str, Sequence[float]] | Mapping[str, float]


def utility(state: str, value_set: ValueSet, *, full: float = 1.0) -> float:
    """The value of a health state by a value set.

    state: one digit a dimension, 1 the best level ("11211"); a state with a missing or unread digit has no value (NaN).
    value_set: dimension -> decrement of each level, in the order of the digits (additive sets: full minus their sum),
    or every state -> its value. Name country, version and publication of the set beside every result.
    The result has no unit: 1 is full health, 0 death, below 0 worse than death. Raises FitError for a level that
    an additive set does not have. Source: that of the value set, which the caller names.
    """
    digits = str(state).strip()
    if value_set and not isinstance(next(iter(value_set.values())), (Sequence, np.ndarray)):
        return float(value_set.get(digits, nan))  # type: ignore[arg-type]  # the other form of the mapping
    if len(digits) != len(value_set) or not digits.isdigit():
        return nan
    total = 0.0
    for digit, (name, decrements) in zip(digits, value_set.items(), strict=True):
        place = int(digit) - 1
        # Decrements are a sequence here, as the first look at the mapping said; the type checker cannot know it.
        if not 0 <= place < len(decrements):  # type: ignore[arg-type]
            raise FitError(f"State {state}, dimension {name}: level {digit}; the value set has {len(decrements)}.")  # type: ignore[arg-type]
        total += decrements[place]  # type: ignore[index]
    return full - total


def quality_years(years: Values, utilities: Values) -> float:
    """Area under the utilities by trapezoids; years from randomisation, by actual dates, rising from 0.

    years: a sequence of times, utilities: a number for each of them. Returns quality-adjusted years; NaN where a
    utility is missing. Raises FitError for fewer than two times, or none at 0: nothing is carried over. Source: the
    trapezium rule, common practice.

    >>> round(quality_years([0, 0.25, 0.5, 1], [0.4, 0.5, 0.6, 0.7]), 3)
    0.575
    """
    at, values = np.asarray(years, dtype=float), np.asarray(utilities, dtype=float)
    if at.shape != values.shape or at.ndim != 1 or len(at) < 2:
        raise FitError(f"{at.size} times and {values.size} utilities: allowed two or more of each, equally many.")
    if at[0] != 0 or not (np.diff(at) > 0).all():
        raise FitError(f"Times {', '.join(map(str, at))}: allowed years rising from 0, the baseline.")
    if isnan(values.sum()):
        return nan
    return float((np.diff(at) * (values[1:] + values[:-1]) / 2).sum())


def adjusted_quality_years(treated: Values, control: Values, treated_start: Values, control_start: Values) -> Estimate:
    """Difference in quality-adjusted years (treated - control) at equal utilities at baseline, by regression.

    treated, control: a number of quality-adjusted years each person; treated_start, control_start: a number each person
    in the same order, the utility at baseline. Raises FitError for fewer than two people an arm or five in all.
    The baseline is part of the years themselves, so it is adjusted for whether or not the arms differ there.
    Source: Manca, Hawkins & Sculpher 2005 (Health Econ 14:487-496).
    """
    y = np.concatenate([np.asarray(treated, float), np.asarray(control, float)])
    start = np.concatenate([np.asarray(treated_start, float), np.asarray(control_start, float)])
    arm = np.concatenate([np.ones(len(np.atleast_1d(treated))), np.zeros(len(np.atleast_1d(control)))])
    kept = np.isfinite(y) & np.isfinite(start)
    X = np.column_stack([np.ones(kept.sum()), arm[kept], start[kept]])
    if min(arm[kept].sum(), (1 - arm[kept]).sum()) < 2 or len(X) < 5 or np.linalg.matrix_rank(X) < 3:
        raise FitError(f"{int(kept.sum())} people with years and baseline: allowed 2 or more an arm and 5 in all.")
    inverse = np.linalg.inv(X.T @ X)
    beta = inverse @ X.T @ y[kept]
    df = len(X) - 3
    error = float(np.sqrt(((y[kept] - X @ beta) ** 2).sum() / df * inverse[1, 1]))
    return Estimate(
        term="difference in quality-adjusted years", estimate=float(beta[1]),
        limits=partial(_t_limits, float(beta[1]), error, df), method="adjusted for the utility at baseline",
        unit="years", std_error=error, df=df, n_participants=len(X), n_rows=len(X),
        notes=(f"{int((~kept).sum())} people without years or baseline left out.",) if (~kept).any() else (),
    )  # fmt: skip


def _t_limits(estimate: float, error: float, df: float, level: float) -> tuple[float, float]:
    reach = float(t.ppf((1 + level) / 2, df)) * error
    return estimate - reach, estimate + reach
