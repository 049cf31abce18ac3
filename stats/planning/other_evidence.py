"""A standard deviation and a correlation for the next trial from the pilot and published trials together.

Each source's log SD (variance 1 / (2 df)) and Fisher z of its correlation (variance 1 / (pairs - 3)) are pooled as
random effects (Paule-Mandel). The result is what a trial like these would have: its variance holds the spread between
the sources as well, and comes back as the degrees of freedom (pairs) that have this variance, so that every planning
function takes it like a pilot's own. With few sources the spread between them is hardly known: that is noted.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import atanh, exp, log, sqrt, tanh

import numpy as np

from stats.effects.meta_analysis import pool_effects
from stats.errors import PlanError
from stats.planning.inputs import PilotCorrelation, PilotSD, pilot_correlation, pilot_sd

FEW = 5


@dataclass(frozen=True)
class Evidence:
    """One source's number: its name, the SD with df, or the correlation with pairs."""

    source: str
    value: float
    size: float  # df of an SD, pairs of a correlation


def sd_from(sources: Sequence[Evidence], unit: str = "") -> tuple[PilotSD, tuple[str, ...]]:
    """One SD with the degrees of freedom its uncertainty amounts to, and notes. One source stays as it is.

    sources: a sequence, one `Evidence` a study, its size the degrees of freedom; all of them in `unit`. Raises
    PlanError for an SD of 0 or below, FitError where they cannot be pooled. Source: log SD with variance 1 / (2 df),
    common practice; pooling as `pool_effects`.
    """
    wrong = [one for one in sources if not (one.value > 0 and one.size >= 1)]
    if wrong or not sources:
        raise PlanError(f"SDs {', '.join(f'{one.value} ({one.source})' for one in wrong) or 'none'}: allowed above 0.")
    names = "; ".join(f"{one.source} {one.value:.3g} on {one.size:.0f} df" for one in sources)
    if len(sources) == 1:
        only = sources[0]
        return pilot_sd(only.value, only.size, only.source, unit), ()
    mean, variance, apart = _pooled([log(one.value) for one in sources], [1 / (2 * one.size) for one in sources])
    made = pilot_sd(exp(mean), 1 / (2 * variance), f"pooled from {names}", unit)
    return made, _notes("SDs", len(sources), apart)


def correlation_from(sources: Sequence[Evidence]) -> tuple[PilotCorrelation, tuple[str, ...]]:
    """One correlation with the pairs its uncertainty amounts to, and notes.

    sources: a sequence, one `Evidence` a study, its size the number of pairs. Raises PlanError for a correlation
    outside -1 to 1 or from 3 people or fewer, FitError where they cannot be pooled. Source: Fisher's z; pooling as
    `pool_effects`.
    """
    wrong = [one for one in sources if not (-1 < one.value < 1 and one.size > 3)]
    if wrong or not sources:
        told = ", ".join(f"{one.value} ({one.source}, {one.size} people)" for one in wrong) or "none"
        raise PlanError(f"Correlations {told}: allowed between -1 and 1, from more than 3 people.")
    names = "; ".join(f"{one.source} {one.value:.2g} in {one.size:.0f} people" for one in sources)
    if len(sources) == 1:
        only = sources[0]
        return pilot_correlation(only.value, only.size, only.source), ()
    mean, variance, apart = _pooled([atanh(one.value) for one in sources], [1 / (one.size - 3) for one in sources])
    made = pilot_correlation(tanh(mean), 3 + 1 / variance, f"pooled from {names}")
    return made, _notes("correlations", len(sources), apart)


def _pooled(values: list[float], variances: list[float]) -> tuple[float, float, bool]:
    """Mean, variance of a new source's value, and whether the sources differ by more than chance would make them."""
    pooled = pool_effects(np.array(values), [sqrt(one) for one in variances], interval="normal")
    return pooled.estimate, pooled.std_error**2 + pooled.tau2, pooled.tau2 > 0


def _notes(what: str, count: int, apart: bool) -> tuple[str, ...]:
    spread = "differ by more than chance, and that spread is in the uncertainty" if apart else "agree within chance"
    notes = [f"The {what} of {count} sources {spread}."]
    if count < FEW:
        notes.append(f"With {count} sources the spread between them is hardly known.")
    return tuple(notes)
