"""Published norms of grip: how far a force is from the mean of the same age band, sex and hand (right or left)."""

from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import pandas as pd

from outcomes.dynamometry.force import convert_force
from outcomes.errors import InstrumentError

SOURCES = ("mathiowetz-1985",)
_SEXES = {"m": "M", "male": "M", "man": "M", "f": "F", "female": "F", "woman": "F"}
_HANDS = {"r": "R", "right": "R", "l": "L", "left": "L"}


@dataclass(frozen=True)
class GripNorm:
    """A grip against its norm: `mean` and `sd` in the unit asked for, `z` = (value - mean) / sd, `percent` of mean."""

    z: float
    percent: float
    mean: float
    sd: float
    unit: str
    source: str
    age_band: str
    notes: tuple[str, ...]


def grip_norm(value: float, unit: str, age: float, sex: str, hand: str, source: str = "mathiowetz-1985") -> GripNorm:
    """z and percent of a grip force against a published norm.

    value: force. unit: "kgf", "lbf" or "N". age: completed years, 20 or more; nothing is extrapolated below.
    sex: "male" or "female". hand: "right" or "left": the norms are by side, never by dominance.
    source: "mathiowetz-1985" (310 men, 328 women, mean of three trials, handle position 2; read in a reprint).
    Raises InstrumentError for an unknown source, sex or hand, an age without a norm, a unit that is no force.

    >>> grip_norm(80, "lbf", 52, "male", "right").mean
    113.6
    """
    if source not in SOURCES:
        raise InstrumentError(f"No grip norm '{source}'. Known: {', '.join(SOURCES)}.")
    who, side = _SEXES.get(str(sex).strip().lower()), _HANDS.get(str(hand).strip().lower())
    if who is None or side is None:
        raise InstrumentError(
            f"Grip norm: sex {sex!r}, hand {hand!r}; allowed male or female, right or left. There is no norm otherwise."
        )
    if not age >= 20:
        raise InstrumentError(f"Grip norm: age {age}, allowed 20 years or more. Nothing is extrapolated.")
    table = grip_norms()
    row = table[
        (table["from_age"] <= age) & (age < table["below_age"]) & (table["sex"] == who) & (table["hand"] == side)
    ]
    found = row.iloc[0]
    mean, sd = (convert_force(float(found[name]), "lbf", unit) for name in ("mean_lbf", "sd_lbf"))
    notes = ["norm by side, not by dominance", "1985 norms overstate the grip of today's young adults"]
    if found["flag"]:
        notes.append(found["flag"])
    return GripNorm(
        z=(float(value) - mean) / sd,
        percent=100 * float(value) / mean,
        mean=mean,
        sd=sd,
        unit=unit,
        source=source,
        age_band=found["age_band"],
        notes=tuple(notes),
    )


@cache
def grip_norms() -> pd.DataFrame:
    """The norm table: age_band, from_age, below_age, sex, hand, mean_lbf, sd_lbf, flag."""
    with (files("outcomes.dynamometry") / "norms_data" / "grip_mathiowetz_1985.csv").open(encoding="utf-8") as file:
        table = pd.read_csv(file, keep_default_na=False)
    bounds = table["age_band"].str.extract(r"(\d+)(?:-(\d+)|\+)").astype(float)
    return table.assign(from_age=bounds[0], below_age=(bounds[1] + 1).fillna(float("inf")))
