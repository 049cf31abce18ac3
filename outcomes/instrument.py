"""What an instrument is: frozen records, filled from one TOML file each (`registry.py` reads them)."""

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Item:
    """One item: a short neutral label and the answers it allows (no wording of the published form).

    levels: every allowed answer, where they are few; empty for a measured value (then low, high, unit hold).
    """

    id: str
    label: str
    levels: tuple[float, ...] = ()
    low: float = 0.0
    high: float = 0.0
    unit: str = "points"
    codes: Mapping[str, float] = field(default_factory=dict)  # answers typed as words, e.g. "1+"


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
    rule: Mapping[str, object] = field(default_factory=dict)
    missing: str = "none"  # the published missing-item rule in words, or "none"
    missing_source: str = ""


@dataclass(frozen=True)
class Threshold:
    """A published size of change. There is no default among them: a caller names the key.

    quantity: "MCID individual", "MCID group mean", "MDC90", "MDC95", "SEM", "limits of agreement",
    "smallest real difference", ...; `hand`: "any", "dominant", "non-dominant".
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
    hand: str = "any"
    caveat: str = ""

    @property
    def strict(self) -> bool:
        """True where change must exceed the value (measurement error), False where reaching it is enough (MCID)."""
        return not self.quantity.startswith("MCID")


@dataclass(frozen=True)
class Instrument:
    """An instrument with its items, scales, thresholds and what is known of it."""

    id: str
    name: str
    edition: str
    construct: str
    populations: str
    items: tuple[Item, ...]
    scales: tuple[Scale, ...]
    sided: bool  # scores belong to a left or right hand
    licence: str
    sources: tuple[str, ...]
    thresholds: tuple[Threshold, ...] = ()
    options: Mapping[str, Mapping[str, object]] = field(default_factory=dict)  # option -> {values, default?, why}
    verified: str = ""
    unverified: str = ""
    floor_ceiling: str = ""
