"""What goes into a plan: numbers that carry their source and, where a pilot gave them, their uncertainty.

Every planning function takes bare numbers as well; a bare number has no source, and the plan says so.
"""

from abc import ABC, abstractmethod
from dataclasses import dataclass

import numpy as np
from scipy.stats import beta, chi2, norm

from outcomes.library import registry
from outcomes.library.instrument import Threshold
from stats.errors import PlanError
from stats.result import Result

# Kraemer HC, Mintz J, Noda A, Tinklenberg J, Yesavage JA (2006) Arch Gen Psychiatry 63:484-489: pilots used to guide
# power calculations most likely end trials worth doing and leave the others underpowered.
WHY_NOT_THE_PILOT_EFFECT = (
    "A pilot's own effect is not a target difference. Its interval is so wide that it usually holds both nothing and "
    "several times what was seen; planning on it stops trials worth doing and makes the others too small, because the "
    "effects that look large enough to go on with are the lucky ones (Kraemer et al. 2006, Arch Gen Psychiatry "
    "63:484-489). The question is which difference would matter, not which was seen."
)


@dataclass(frozen=True)
class Given:
    """A number with its source. Where it was estimated, a subclass knows how uncertain it is."""

    value: float
    source: str = ""
    unit: str = ""

    @property
    def uncertain(self) -> bool:
        """True where the number was estimated and `quantile` spreads."""
        return False

    def quantile(self, probability):
        """Value below which the true one lies with this probability; the number itself where it is not uncertain."""
        return np.full(np.shape(probability), self.value) if np.ndim(probability) else self.value

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Both limits; NaN where the number carries no uncertainty."""
        if not self.uncertain:
            return float("nan"), float("nan")
        tail = (1 - level) / 2
        return float(self.quantile(tail)), float(self.quantile(1 - tail))


@dataclass(frozen=True)
class _Uncertain(Given, ABC):
    @property
    def uncertain(self) -> bool:
        return True

    @abstractmethod
    def quantile(self, probability): ...


@dataclass(frozen=True)
class PilotSD(_Uncertain):
    """A standard deviation estimated with `df` degrees of freedom; quantiles are sd * sqrt(df / chi2).

    Source: Browne (1995) Stat Med 14:1933-1940. Poor where the outcome is far from normal.
    """

    df: float = float("nan")

    def quantile(self, probability):
        return self.value * np.sqrt(self.df / chi2.isf(probability, self.df))


@dataclass(frozen=True)
class PilotCorrelation(_Uncertain):
    """A correlation of two visits seen in `pairs` participants (Fisher's z)."""

    pairs: float = float("nan")

    def quantile(self, probability):
        return np.tanh(np.arctanh(self.value) + norm.ppf(probability) / np.sqrt(self.pairs - 3))


@dataclass(frozen=True)
class PilotProportion(_Uncertain):
    """A proportion counted in a pilot (Jeffreys posterior)."""

    count: int = 0
    of: int = 0

    def quantile(self, probability):
        return beta.ppf(probability, self.count + 0.5, self.of - self.count + 0.5)


@dataclass(frozen=True)
class BelievedDifference(_Uncertain):
    """An elicited difference with its spread: a normal belief, for assurance."""

    spread: float = float("nan")

    def quantile(self, probability):
        return self.value + self.spread * norm.ppf(probability)


@dataclass(frozen=True)
class PilotEffect(Given):
    """The difference a pilot happened to show. Plans refuse it unless `use_pilot_effect=True` is written out."""


def known_value(value: float, source: str, unit: str = "") -> Given:
    """A number (`value`) and where it comes from (`source`).

    unit: that of the value. Source: the caller's; it is printed wherever the number is used.
    """
    return Given(float(value), source, unit)


def elicited(value: float, source: str, unit: str = "", spread: float | None = None) -> Given:
    """A difference that matters, named by people: say by whom and how in `source`.

    value: in the unit of the outcome.
    spread: standard deviation of the belief about the true difference, used by `assurance` only.
    Raises PlanError without a source, or for a value or spread of 0 or below. Source: the caller's.

    >>> low, high = elicited(5.0, source="four therapists", spread=1.0).interval()
    >>> round(low, 2), round(high, 2)
    (3.04, 6.96)
    """
    if not source.strip():
        raise PlanError("An elicited difference needs its source: who named it, when and how. Fill `source`.")
    if spread is None:
        return Given(float(value), source, unit)
    return BelievedDifference(float(value), source, unit, _positive("spread", spread))


def pilot_sd(sd: float, df: float, source: str, unit: str = "") -> PilotSD:
    """A pilot's standard deviation with its degrees of freedom (two arms pooled: n1 + n2 - 2).

    sd: in `unit`. Raises PlanError for an sd or df of 0 or below. Source: Browne 1995 (Stat Med 14:1933-1940).

    >>> round(float(pilot_sd(11.0, df=20, source="a trial of 22 people").quantile(0.8)), 2)
    12.88
    """
    return PilotSD(_positive("sd", sd), source, unit, _positive("df", df))


def pilot_correlation(correlation: float, pairs: float, source: str) -> PilotCorrelation:
    """A pilot's correlation between two visits, seen in `pairs` participants.

    Raises PlanError for one outside -1 to 1, or from 3 pairs or fewer. Source: Fisher's z, with 1 / (pairs - 3).

    >>> low, high = pilot_correlation(0.8, pairs=22, source="a trial of 22 people").interval()
    >>> round(low, 2), round(high, 2)
    (0.57, 0.91)
    """
    if not abs(correlation) < 1 - 1e-9:  # of people who all changed alike, but for rounding
        raise PlanError(f"Correlation {correlation}: allowed are values between -1 and 1. Correct it.")
    if pairs <= 3:
        raise PlanError(f"A correlation from {pairs} pairs: more than 3 are needed to say how uncertain it is.")
    return PilotCorrelation(float(correlation), source, "", float(pairs))


def pilot_proportion(count: int, of: int, source: str) -> PilotProportion:
    """A pilot's proportion: `count` people of so many (`of`), for dropout, adherence, responders.

    Raises PlanError for a count outside 0 to `of`. Source: the beta law behind Jeffreys' interval, as
    `PilotProportion`.

    >>> low, high = pilot_proportion(3, of=24, source="this pilot").interval()
    >>> round(low, 3), round(high, 3)
    (0.036, 0.297)
    """
    if not 0 <= count <= of or of < 1:
        raise PlanError(f"{count} of {of} is not a proportion: the count lies between 0 and the denominator.")
    return PilotProportion(count / of, source, "", int(count), int(of))


def read_number(name: str, value) -> Given:
    """Any number a caller may pass, as a `Given`."""
    if isinstance(value, Given):
        return value
    try:
        return Given(float(value))
    except (TypeError, ValueError):
        raise PlanError(
            f"{name} = {value!r}: a number is needed, or a number with its source from `known_value`."
        ) from None


def read_difference(difference, use_pilot_effect: bool) -> tuple[Given, tuple[str, ...]]:
    """The target difference with its source, and the notes it brings.

    Accepts a number, one of `known_value` or `elicited`, the key of a published threshold, or the threshold itself. The
    result of an analysis is a pilot's own effect: refused, with the reason, unless `use_pilot_effect=True`.
    """
    if isinstance(difference, str):
        difference = registry.threshold(difference)
    if isinstance(difference, Threshold):
        return _from_threshold(difference)
    if isinstance(difference, Result):
        difference = PilotEffect(float(difference["estimate"]), "effect observed in the pilot", _unit(difference))
    if isinstance(difference, PilotEffect):
        if not use_pilot_effect:
            raise PlanError(
                f"{WHY_NOT_THE_PILOT_EFFECT} Name a published threshold by its key or an elicited difference; to plan "
                "on the pilot's effect all the same, pass use_pilot_effect=True."
            )
        return difference, (f"Planned on the pilot's own effect at the caller's wish. {WHY_NOT_THE_PILOT_EFFECT}",)
    return read_number("difference", difference), ()


def _unit(result: Result) -> str:
    return str(getattr(result, "unit", ""))


def _from_threshold(threshold: Threshold) -> tuple[Given, tuple[str, ...]]:
    if threshold.strict:
        raise PlanError(
            f"Threshold {threshold.key} is a {threshold.quantity}: it says what a measurement can tell apart, not what "
            "matters. Use an MCID, or pass elicited(value, source=...) saying why this size matters."
        )
    cited = registry.references().get(threshold.source, {}).get("short", threshold.source)
    source = f"{threshold.quantity}, {cited}"
    notes = [f"{cited}: found in {threshold.population}; {threshold.method}."]
    if threshold.quantity == "MCID individual":
        notes.append(
            f"{cited} derived it for change within a person; used here as a difference between group means, a "
            "judgement to defend in the application."
        )
    if threshold.caveat:
        notes.append(f"{cited}: {threshold.caveat}")
    return Given(abs(threshold.value), source, threshold.unit), tuple(notes)


def _positive(name: str, value: float) -> float:
    if not value > 0:
        raise PlanError(f"{name} = {value}: must be above 0. Correct it.")
    return float(value)
