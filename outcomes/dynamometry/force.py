"""Forces of a dynamometer: exact unit constants, spread of repeated trials, ratio of the two hands."""

from typing import overload

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from outcomes.columns import CONDITION, INSTRUMENT, PARTICIPANT, SIDE, VALUE, VISIT
from outcomes.errors import InstrumentError

# 1 lb = 0.453 592 37 kg (International Yard and Pound Agreement, 1959) and standard gravity 9.806 65 m/s2 (3rd General
# Conference on Weights and Measures, 1901), both exact; so are the products.
POUND_KG = 0.45359237
STANDARD_GRAVITY = 9.80665
NEWTONS = {"N": 1.0, "kgf": STANDARD_GRAVITY, "lbf": POUND_KG * STANDARD_GRAVITY}

# Pressure in a bulb is no force without its contact area, which nobody measures.
_PRESSURES = ("kpa", "pa", "mmhg", "psi", "bar", "mbar")


@overload
def convert_force(value: float, from_unit: str, to_unit: str) -> float: ...
@overload
def convert_force(value: ArrayLike, from_unit: str, to_unit: str) -> NDArray[np.float64]: ...
def convert_force(value, from_unit, to_unit):
    """A force in another unit: value x newtons per `from_unit` / newtons per `to_unit`.

    value: number or array. Units: "kgf" (what a dynamometer prints as kg), "lbf", "N".
    Raises InstrumentError for anything else; a pressure (kPa, mmHg, psi of a bulb) has no force to convert to.
    Source: International Yard and Pound Agreement 1959; standard gravity, 3rd General Conference on Weights and
    Measures 1901; both exact.

    >>> convert_force(1.0, "kgf", "N")
    9.80665
    """
    for unit in (from_unit, to_unit):
        if unit not in NEWTONS:
            if str(unit).strip().lower() in _PRESSURES:
                raise InstrumentError(
                    f"{unit} is a pressure, not a force: without the contact area it cannot be converted. "
                    "Analyse bulb pressures as their own measure, declared under [measures] in study.toml."
                )
            raise InstrumentError(f"'{unit}' is no unit of force. Allowed: {', '.join(NEWTONS)}.")
    if from_unit == to_unit:
        factor = 1.0
    elif {from_unit, to_unit} == {"lbf", "kgf"}:
        # Standard gravity cancels: keep the exact constant instead of a rounded quotient.
        factor = POUND_KG if from_unit == "lbf" else 1 / POUND_KG
    else:
        factor = NEWTONS[from_unit] / NEWTONS[to_unit]
    if np.ndim(value) == 0:
        return float(value) * factor
    return np.asarray(value, dtype=float) * factor


def trial_spread(trials: pd.DataFrame, *, repeat_above: float = 15.0, resolution_kgf: float = 2.0) -> pd.DataFrame:
    """Spread of the trials of each hand, visit and grip: a hint to repeat a trial, and nothing more.

    It is no judgement of effort: published work finds such a reading of the coefficient of variation invalid.

    trials: columns participant, visit, instrument, side, condition, value, unit.
    repeat_above: percent; 15 is common practice without a source. resolution_kgf: marks of a hydraulic dynamometer;
    where the mean is below five of them the spread is mostly resolution: not flagged (common practice, no source).
    Returns participant, visit, instrument, side, condition, trials, mean_kgf, sd_kgf (n - 1), cv_percent, repeat.
    """
    keys = [PARTICIPANT, VISIT, INSTRUMENT, SIDE, CONDITION]
    known = trials[trials["unit"].isin(NEWTONS) & trials[VALUE].notna()]
    factor = known["unit"].map({unit: convert_force(1.0, unit, "kgf") for unit in NEWTONS}).astype(float)
    groups = known.assign(kgf=known[VALUE] * factor).groupby(keys, sort=False)["kgf"]
    frame = groups.agg(trials="size", mean_kgf="mean", sd_kgf="std").reset_index()
    frame["cv_percent"] = (100 * frame["sd_kgf"] / frame["mean_kgf"]).where(frame["mean_kgf"] > 0)
    frame["repeat"] = (frame["cv_percent"] > repeat_above) & (frame["mean_kgf"] >= 5 * resolution_kgf)
    return frame


def hand_ratio(scores: pd.DataFrame, instrument: str = "grip") -> pd.DataFrame:
    """Affected over other hand, in percent, with both values beside it (a change of a ratio can come from either).

    scores: frame of `outcomes.score`.
    Returns participant, visit, condition, affected, other, unit, percent, reason; percent is NaN with a reason where
    a hand has no score or the other hand's force is 0.
    """
    rows = scores[(scores[INSTRUMENT] == instrument) & scores["hand"].isin(("affected", "other"))]
    keys = [PARTICIPANT, VISIT, CONDITION]
    both = rows.groupby(["hand", *keys], sort=False)[VALUE].agg(["first", "size"]).reset_index()
    wide = both[both["size"] == 1].pivot(index=keys, columns="hand", values="first")
    wide = wide.reindex(columns=["affected", "other"]).reset_index()
    wide.columns.name = None
    wide["unit"] = rows["unit"].iloc[0] if len(rows) else ""
    wide["percent"] = 100 * wide["affected"] / wide["other"].where(wide["other"] > 0)
    wide["reason"] = np.select(
        [wide["affected"].isna(), wide["other"].isna(), wide["other"] == 0],
        ["no score of the affected hand", "no score of the other hand", "the other hand's force is 0"],
        default="",
    )
    wide["reason"] = wide["reason"].astype("str")
    return wide
