"""What an instrument is: frozen records, filled from one TOML file each (`loader.py` reads them)."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from outcomes.columns import UNABLE


@dataclass(frozen=True)
class Item:
    """One item: a short neutral label and the answers it allows (no wording of the published form).

    levels: every allowed answer, where they are few; empty for a measured value (then low, high, unit hold).
    step: smallest difference of two measured values (1 for a count); None where any number may be measured.
    codes: answers typed as words ("1+"); NaN marks an answer that drops the item from the score ("not applicable").
    unable: the value that the answer "unable" stands for; None where "unable" is no value. refuses_unable: the word is
    no answer of a form that has such answers for other items, so it is an error and never a missing value.
    """

    id: str
    label: str
    levels: tuple[float, ...] = ()
    low: float = 0.0
    high: float = 0.0
    unit: str = "points"
    better: str = "higher"
    codes: Mapping[str, float] = field(default_factory=dict)
    step: float | None = None
    quickest: float | None = None  # a time below it is likelier a typing error (checks only, never scoring)
    unable: float | None = None
    refuses_unable: bool = False

    @property
    def unable_value(self) -> float | None:
        """What "unable" counts: the worst of a task, or the answer of a form that says so in words."""
        return self.codes.get("unable") if self.unable is None else self.unable

    @property
    def refuses(self) -> tuple[str, ...]:
        """The codes of a missing number that this item does not take."""
        return (UNABLE,) if self.refuses_unable and self.unable_value is None else ()


@dataclass(frozen=True)
class Scale:
    """One score of an instrument. `kind` names a function of `kinds.py`, `rule` holds its parameters."""

    id: str
    label: str
    kind: str
    items: tuple[str, ...]
    low: float
    high: float | None  # None where no upper limit exists (a force, a time without a ceiling)
    unit: str
    better: str  # "higher" or "lower"
    step: float | None = None  # smallest difference between two reachable scores; None for a measured value
    rule: Mapping[str, Any] = field(default_factory=dict)
    missing: str = "none"  # the published missing-item rule in words, or "none"
    missing_source: str = ""


@dataclass(frozen=True)
class Gate:
    """An item that is only scored when other items together reach a level; otherwise it counts `otherwise`."""

    item: str
    items: tuple[str, ...]
    at_least: float
    otherwise: float


@dataclass(frozen=True)
class Option:
    """A choice the published rules leave open, or a number only the study knows.

    values: the allowed words or numbers; empty for any number (`kind` then says which sort).
    default: None means there is none, and the choice must be made as soon as an answer depends on it.
    """

    id: str
    kind: str  # "choice", "number", "words" or "table"
    values: tuple[object, ...]
    why: str
    default: object = None


@dataclass(frozen=True)
class Threshold:
    """A published size of change. There is no default among them: a caller names the key.

    quantity: one of loader.QUANTITIES. "MCID distribution-based" is a share of a standard deviation that nobody was
    asked about; "difference between sides" is no change over time and is never counted.
    families: the families of diagnoses (`diagnoses.toml`) it was found in, or "any".
    onset_days: the phase as days from onset to baseline, None where the publication mixes phases or does not say;
    onset_source: who gives these bounds (the paper itself, or a consensus on the words acute, subacute, chronic).
    repeats: keys of the thresholds that this publication takes over from an earlier one.
    hand: "any", "dominant", "non-dominant", "more affected", "less affected".
    """

    key: str
    scale: str
    value: float
    unit: str
    quantity: str
    better: str
    population: str
    phase: str
    method: str
    n: str
    source: str  # key into references.toml
    families: tuple[str, ...] = ("any",)
    onset_days: tuple[float, float] | None = None
    onset_source: str = ""
    repeats: tuple[str, ...] = ()
    hand: str = "any"
    caveat: str = ""

    @property
    def between_sides(self) -> bool:
        """True for a difference between two hands at one time, which no change over visits is compared with."""
        return self.quantity == "difference between sides"

    @property
    def strict(self) -> bool:
        """True where change must exceed the value (measurement error), False where reaching it is enough (MCID)."""
        return not self.quantity.startswith(("MCID", "the study's own"))


@dataclass(frozen=True)
class Property:
    """What else was published about a scale (agreement, floor, a benchmark): to be cited, never a size of change."""

    scale: str
    what: str
    value: str
    population: str
    n: str
    source: str
    caveat: str = ""


@dataclass(frozen=True)
class Instrument:
    """An instrument with its items, scales, thresholds and what is known of it."""

    id: str
    name: str
    everyday: str  # what people call it in a sentence: "Fugl-Meyer upper limb"
    short: str  # its usual abbreviation: "FMA-UE"
    edition: str
    construct: str
    populations: str
    items: tuple[Item, ...]
    scales: tuple[Scale, ...]
    sided: bool  # scores belong to a left or right hand
    licence: str
    sources: tuple[str, ...]
    thresholds: tuple[Threshold, ...] = ()
    options: Mapping[str, Option] = field(default_factory=dict)
    gates: tuple[Gate, ...] = ()
    contradictions: tuple[Mapping[str, Any], ...] = ()  # items at their lowest while others are at their highest
    agreeing: tuple[str, ...] = ()  # scales that people answer alike: one against all others was answered turned round
    together: tuple[tuple[str, ...], ...] = ()  # items that "not applicable" in one of them leaves out together
    properties: tuple[Property, ...] = ()
    no_threshold: Mapping[str, str] = field(default_factory=dict)  # scale -> why none is offered
    verified: str = ""
    unverified: str = ""
    floor_ceiling: str = ""

    @property
    def main_scale(self) -> Scale:
        """The scale a bare total belongs to: the first of the file."""
        return self.scales[0]

    def scale(self, scale_id: str) -> Scale | None:
        """The scale of that id, or None."""
        return next((scale for scale in self.scales if scale.id == scale_id), None)

    def item(self, item_id: str) -> Item | None:
        """The item of that id, or None."""
        return next((item for item in self.items if item.id == item_id), None)


def allowed_text(instrument: Instrument, item_id: str) -> str:
    """The answers an item allows, for a message: "0, 1, 2" or "0 to 150 blocks"."""
    item = instrument.item(item_id)
    if item is None:
        return ""
    if item.levels:
        words = [word for word in item.codes if not np.isnan(item.codes[word])]
        return ", ".join([f"{level:g}" for level in item.levels] + words)
    whole = " in whole numbers" if item.step == 1 else f" in steps of {item.step:g}" if item.step else ""
    if np.isinf(item.high):
        return f"{item.low:g} {item.unit} or more{whole}"
    return f"{item.low:g} to {item.high:g} {item.unit}{whole}"
