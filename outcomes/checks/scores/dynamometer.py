"""Checks of dynamometer trials: units, unit mix-ups, implausible forces, spread and number of trials."""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from outcomes.checks.grouping import looked_up
from outcomes.checks.register import place, reports
from outcomes.dynamometry.force import convert_force
from outcomes.findings import as_text, flag, texts
from outcomes.library.known import find_instrument
from outcomes.study import Study
from outcomes.words import FORCE_UNITS

KEYS = ["participant", "visit", "instrument", "side", "condition"]
HAND = ["participant", "instrument", "side", "condition"]
# Common practice, no source. kgf; beyond it a wrong unit is likelier than the force.
_STRONGEST = {"grip": 90.0, "pinch_tip": 20.0, "pinch_key": 20.0, "pinch_palmar": 20.0}
# Repeat-the-trial flag on the coefficient of variation (sample SD over mean). Common practice, editable, no source;
# not a judgement of effort, and not applied to weak hands, where the resolution of the device inflates it.
_SPREAD = 0.15
_TOO_WEAK_FOR_SPREAD = 5.0  # kgf, mean of the trials
# Relative distances from a unit factor that still look like the factor; common practice, no source.
_MIX_UP = 0.12  # of the usual force
_OTHER_HAND = 0.25  # of the other hand's usual force
_ALL_WITH_THE_OTHER, _ALL_ALONE, _ALL_AGAINST_THE_OTHER = 0.5, 0.25, 0.1  # of every other visit, by the other hand


@reports("unit not a force")
def units(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.trials
    rows = frame[~frame["unit"].isin(FORCE_UNITS.values()) & (frame["value"].notna() | (frame["unit"] != ""))]
    found = rows["unit"].replace("", "blank")
    yield flag("unit not a force", rows, **place(study, "trials", "unit"), found=found, allowed="kgf, lbf, N")


@reports("units mixed")
def mixed_units(study: Study) -> Iterator[pd.DataFrame]:
    for name, rows in study.trials.groupby("instrument", sort=False):
        used = [unit for unit in rows["unit"].unique() if unit in FORCE_UNITS.values()]
        if len(used) > 1:
            where = place(study, "trials", "unit")
            allowed = "one unit, or each row its own"
            yield flag("units mixed", **where, found=f"{name}: {', '.join(used)}", allowed=allowed)


@reports("below minimum")
def negative(study: Study) -> Iterator[pd.DataFrame]:
    rows = study.trials[study.trials["value"] < 0]
    yield flag("below minimum", rows, **place(study, "trials", "value", rows), found=rows["typed"], allowed="0 or more")


@reports("implausible force")
def implausible(study: Study) -> Iterator[pd.DataFrame]:
    frame = in_kgf(study)
    limit = looked_up(frame["instrument"], _STRONGEST, "float64")
    rows = frame[frame["kgf"] > limit]
    found = rows["typed"] + " " + rows["unit"]
    allowed = "up to " + texts(limit[rows.index]) + " kgf"
    yield flag("implausible force", rows, **place(study, "trials", "value", rows), found=found, allowed=allowed)


@reports("looks like another unit")
def mix_ups(study: Study) -> Iterator[pd.DataFrame]:
    """A visit whose mean is off the participant's other visits by just the factor between two units.

    Real change can have that size as well, so every single other visit must be away by about the factor: roughly where
    the other hand is off by the factor at the same visit too, closely where it was measured and is not.
    """
    frame = in_kgf(study)
    frame = frame[frame["kgf"] > 0]
    means = frame.groupby(KEYS, sort=False).agg(kgf=("kgf", "mean"), row=("row", "first"), unit=("unit", "first"))
    means = _beside_other_visits(means.reset_index())
    for name, factor in (("lbf", convert_force(1.0, "kgf", "lbf")), ("N", convert_force(1.0, "kgf", "N"))):
        off = (means["kgf"] / means["usual"] / factor - 1).abs()
        close = means["visits"].ge(3) & means["unit"].ne(name) & off.lt(_MIX_UP)
        furthest = np.maximum(factor / means["least"] - 1, means["most"] / factor - 1)
        other_off = _of_other_hand(means, off)
        allowed = np.select(
            [other_off.isna(), other_off < _OTHER_HAND], [_ALL_ALONE, _ALL_WITH_THE_OTHER], _ALL_AGAINST_THE_OTHER
        )
        strong = means["usual"].ge(_TOO_WEAK_FOR_SPREAD) | other_off.lt(_OTHER_HAND)
        rows = means[close & strong & (furthest < allowed)]
        if rows.empty:
            continue
        yield flag(
            "looks like another unit",
            rows,
            **place(study, "trials", "value"),
            found=_short(rows["kgf"]) + f" kgf, perhaps typed in {name}",
            allowed="near the other visits' " + _short(rows["usual"]) + " kgf",
        )


def _beside_other_visits(means: pd.DataFrame) -> pd.DataFrame:
    """Adds `visits` (number with this one), `usual` (median of the others), `least` and `most` (ratios).

    Of a hand's forces in order, the k-th of the others is the k-th of all, or the one after it from the own place on.
    """
    hand = means.groupby(HAND, sort=False).ngroup().to_numpy()
    means = means.iloc[np.argsort(hand, kind="stable")]  # hand by hand, as they first appear
    hand, kgf = np.sort(hand), means["kgf"].to_numpy()
    order = np.lexsort((kgf, hand))
    ordered = np.append(kgf[order], np.nan)
    visits = np.bincount(hand)[hand]
    first = np.searchsorted(hand, hand)  # where a hand's forces begin, in either order
    own = np.empty(len(kgf), dtype=np.intp)
    own[order] = np.arange(len(kgf)) - first[order]

    def other(place: np.ndarray) -> np.ndarray:
        return ordered[first + place + (own <= place)]

    low, high = other(np.zeros_like(own)), other(visits - 2)
    usual = (other((visits - 2) // 2) + other((visits - 1) // 2)) / 2
    alone = visits < 2
    usual, low, high = (np.where(alone, kgf, of) for of in (usual, low, high))
    return means.assign(visits=visits, usual=usual, least=kgf / high, most=kgf / low)


def _of_other_hand(means: pd.DataFrame, off: pd.Series) -> pd.Series:
    """The distance from the factor of the other hand at the same visit; missing where it was not measured."""
    known = means["visits"].ge(3) & means["usual"].ge(_TOO_WEAK_FOR_SPREAD)
    keys = [name for name in KEYS if name != "side"]
    table = means[[*keys, "side"]].assign(off=off.where(known))
    swapped = table.assign(side=table["side"].map({"left": "right", "right": "left"}))
    return table.merge(swapped, on=[*keys, "side"], how="left")["off_y"].set_axis(means.index)


@reports("trials spread out", "number of trials")
def trials(study: Study) -> Iterator[pd.DataFrame]:
    frame = in_kgf(study)
    groups = frame.groupby(KEYS, sort=False)
    table = groups.agg(mean=("kgf", "mean"), sd=("kgf", "std"), n=("kgf", "size"), row=("row", "first")).reset_index()
    spread = table["sd"] / table["mean"]
    rows = table[(spread > _SPREAD) & (table["mean"] >= _TOO_WEAK_FOR_SPREAD)]
    yield flag(
        "trials spread out",
        rows,
        **place(study, "trials", "value"),
        found=rows["instrument"] + ", spread " + _short(100 * spread[rows.index]) + " % of the mean",
        allowed=f"up to {as_text(100 * _SPREAD)} %",
    )
    usual = {}
    for name in table["instrument"].unique():
        instrument = find_instrument(str(name))
        usual[name] = instrument.main_scale.rule.get("usual") if instrument else None
    asked = looked_up(table["instrument"], usual, "float64")
    rows = table[asked.notna() & (table["n"] != asked)]
    found = rows["instrument"] + ": " + rows["n"].astype("str")
    yield flag("number of trials", rows, **place(study, "trials", "trial"), found=found,
               allowed="usually " + texts(asked[rows.index]))  # fmt: skip


def in_kgf(study: Study) -> pd.DataFrame:
    """The trials that carry a force, with `kgf`."""
    frame = study.trials[study.trials["value"].notna() & study.trials["unit"].isin(FORCE_UNITS.values())].copy()
    factors = {unit: convert_force(1.0, unit, "kgf") for unit in frame["unit"].unique()}
    frame["kgf"] = frame["value"] * looked_up(frame["unit"], factors, "float64")
    return frame


def _short(values: pd.Series) -> pd.Series:
    """Three digits are enough to recognise a force in a message."""
    return texts(values.map(lambda value: float(f"{value:.3g}")))
