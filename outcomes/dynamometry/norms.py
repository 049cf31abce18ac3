"""Published norms of grip and pinch: how far a force is from the mean of the same age band, sex and hand.

Norms differ by country, year and protocol: `norms_beside` shows all there are, and the study chooses.
"""

from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import pandas as pd

from outcomes.dynamometry.force import convert_force
from outcomes.errors import InstrumentError

SOURCES = ("mathiowetz-1985", "massy-westropp-2011")
# Men and women a table rests on, where that was read.
PEOPLE = {"mathiowetz-1985": (310, 328), "massy-westropp-2011": (1366, 1312)}
_ABOUT = {
    "massy-westropp-2011": "columns headed dominant and other hand in the copy read, right and left elsewhere",
    "mathiowetz-1985-pinch": "columns headed dominant and other hand in the copy read, right and left elsewhere",
}
# First and second column where a source prints sides, dominance, or does not say which; others print the dominant hand.
_COLUMNS = {
    "r": "first", "right": "first", "l": "second", "left": "second",
    "dominant": "first", "non-dominant": "second",
}  # fmt: skip
_SEXES = {"m": "M", "male": "M", "man": "M", "f": "F", "female": "F", "woman": "F"}
_HANDS = {"r": "R", "right": "R", "l": "L", "left": "L"}


@dataclass(frozen=True)
class GripNorm:
    """A grip against its norm: `mean` and `sd` in the unit asked for, `z` = (value - mean) / sd, `percent` of mean.

    people: how many men and women the whole table rests on, "" where that was not read.
    """

    z: float
    percent: float
    mean: float
    sd: float
    unit: str
    source: str
    age_band: str
    notes: tuple[str, ...]
    people: str = ""


def _people(source: str) -> str:
    return "{} men, {} women".format(*PEOPLE[source]) if source in PEOPLE else ""


def grip_norm(value: float, unit: str, age: float, sex: str, hand: str, source: str = "mathiowetz-1985") -> GripNorm:
    """z and percent of a grip force against a published norm.

    value: force. unit: "kgf", "lbf" or "N". age: completed years, 20 or more; nothing is extrapolated below.
    sex: "male" or "female". hand: "right" or "left": the norms are by side, never by dominance.
    source: "mathiowetz-1985" (United States, 310 men, 328 women, mean of three trials, handle position 2; read in a
    reprint) or "massy-westropp-2011" (Australia, 1366 men, 1312 women, mean of three trials; read in a reprint whose
    headings of the sexes are inferred from the sizes).
    Raises InstrumentError for an unknown source, sex or hand, an age without a norm, a unit that is no force.
    Source: the two publications named, through the reprints said.

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
    if source != "mathiowetz-1985":
        return _norm(other_norms().query("source == @source and instrument == 'grip'"), value, unit, age, who, hand)
    found = next(
        row for row in _grip_rows()
        if row["from_age"] <= age < row["below_age"] and row["sex"] == who and row["hand"] == side
    )  # fmt: skip
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
        people=_people("mathiowetz-1985"),
    )


def norms_beside(
    value: float, unit: str, age: float, sex: str, hand: str, *, instrument: str = "grip", dominant: str = ""
) -> pd.DataFrame:
    """One force against every norm there is for it, side by side.

    instrument: "grip", "pinch_tip", "pinch_key" or "pinch_palmar". hand: "right" or "left"; dominant: the dominant
    hand, where known, for norms of the dominant hand only.
    Returns source, country, age_band, mean, sd, unit, z, percent, people, notes; z is NaN where no spread was
    published. An empty frame where no norm covers this person; no row is a target for a person.
    Raises InstrumentError for a unit that is no force.
    """
    who = _SEXES.get(str(sex).strip().lower())
    table = other_norms()
    table = table[table["instrument"] == instrument]
    found: list[GripNorm] = []
    if instrument == "grip":
        try:
            found.append(grip_norm(value, unit, age, sex, hand))
        except InstrumentError:
            convert_force(1.0, unit, "kgf")  # a unit that is no force is an error whatever the norms
    for _, rows in table.groupby("source", sort=False):
        own = hand if not dominant else "dominant" if hand == dominant else "non-dominant"
        try:
            found.append(_norm(rows, value, unit, age, who or "", own))
        except InstrumentError:
            convert_force(1.0, unit, "kgf")
    countries = dict(zip(table["source"], table["country"], strict=True)) | {"mathiowetz-1985": "United States"}
    made = [
        {"source": norm.source, "country": countries[norm.source], "age_band": norm.age_band, "mean": norm.mean,
         "sd": norm.sd, "unit": unit, "z": norm.z, "percent": norm.percent, "people": norm.people,
         "notes": "; ".join(norm.notes)}
        for norm in found
    ]  # fmt: skip
    columns = ["source", "country", "age_band", "mean", "sd", "unit", "z", "percent", "people", "notes"]
    return pd.DataFrame(made, columns=columns)


def _norm(table: pd.DataFrame, value: float, unit: str, age: float, sex: str, hand: str) -> GripNorm:
    column = _COLUMNS.get(str(hand).strip().lower(), "")
    allowed = {column, "dominant"} if str(hand).strip().lower() == "dominant" else {column}
    rows = table[
        (table["from_age"] <= age) & (age < table["below_age"]) & (table["sex"] == sex) & table["column"].isin(allowed)
    ]
    if rows.empty:
        raise InstrumentError(
            f"Norm: none for age {age}, sex {sex or 'unknown'}, {hand} hand. Nothing is extrapolated."
        )
    found = rows.iloc[0]
    mean, sd = (convert_force(float(found[name]), "kgf", unit) for name in ("mean_kgf", "sd_kgf"))
    notes = [note for note in (found["country"], _ABOUT.get(found["source"], ""), found["flag"]) if note]
    return GripNorm(
        z=(float(value) - mean) / sd,
        percent=100 * float(value) / mean,
        mean=mean,
        sd=sd,
        unit=unit,
        source=found["source"],
        age_band=found["age_band"],
        notes=tuple(notes),
        people=_people(found["source"]),
    )


@cache
def _grip_rows() -> list[dict]:
    """`grip_norms` row by row: a study asks for one row hundreds of times."""
    return grip_norms().to_dict("records")


@cache
def other_norms() -> pd.DataFrame:
    """Norms of several countries: source, country, instrument, age_band, from_age, below_age, sex, column, mean_kgf,
    sd_kgf (NaN where none was published), flag. Columns "first" and "second" are right and left, or dominant and other.
    """
    with (files("outcomes.dynamometry") / "norms_data" / "by_country.csv").open(encoding="utf-8") as file:
        table = pd.read_csv(file, dtype={"flag": "str"}).fillna({"flag": ""})
    bounds = table["age_band"].str.extract(r"(\d+)(?:-(\d+)|\+)").astype(float)
    return table.assign(from_age=bounds[0], below_age=(bounds[1] + 1).fillna(float("inf")))


@cache
def grip_norms() -> pd.DataFrame:
    """The norm table: age_band, from_age, below_age, sex, hand, mean_lbf, sd_lbf, flag."""
    with (files("outcomes.dynamometry") / "norms_data" / "grip_mathiowetz_1985.csv").open(encoding="utf-8") as file:
        table = pd.read_csv(file, keep_default_na=False)
    bounds = table["age_band"].str.extract(r"(\d+)(?:-(\d+)|\+)").astype(float)
    return table.assign(from_age=bounds[0], below_age=(bounds[1] + 1).fillna(float("inf")))
