"""Checks of dynamometer trials: units, unit mix-ups, implausible forces, spread and number of trials."""

from collections.abc import Iterator

import pandas as pd

from outcomes.checks.register import looked_up, place, reports
from outcomes.findings import as_text, flag, texts
from outcomes.force import convert_force
from outcomes.known import find_instrument
from outcomes.study import Study
from outcomes.words import FORCE_UNITS

KEYS = ["participant", "visit", "instrument", "side", "condition"]
# Common practice, no source. kgf; beyond it a wrong unit is likelier than the force.
_STRONGEST = {"grip": 90.0, "pinch_tip": 20.0, "pinch_key": 20.0, "pinch_palmar": 20.0}
# Repeat-the-trial flag on the coefficient of variation (sample SD over mean). Common practice, editable, no source;
# not a judgement of effort, and not applied to weak hands, where the resolution of the device inflates it.
_SPREAD = 0.15
_TOO_WEAK_FOR_SPREAD = 5.0  # kgf, mean of the trials
_MIX_UP = 0.12  # relative distance from a unit factor that still looks like the factor


@reports("unit not a force")
def units(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.trials
    rows = frame[~frame["unit"].isin(FORCE_UNITS.values()) & (frame["value"].notna() | (frame["unit"] != ""))]
    found = rows["unit"].replace("", "blank")
    yield flag("unit not a force", rows, **place(study, "trials", "unit"), found=found, allowed="kgf, lbf, N")


@reports("units mixed")
def mixed_units(study: Study) -> Iterator[pd.DataFrame]:
    used = [unit for unit in study.trials["unit"].unique() if unit in FORCE_UNITS.values()]
    if len(used) > 1:
        where = place(study, "trials", "unit")
        yield flag("units mixed", **where, found=", ".join(used), allowed="one unit, or each row its own")


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
    """A visit whose mean is off the participant's other visits by just the factor between two units."""
    frame = in_kgf(study)
    frame = frame[frame["kgf"] > 0]
    means = frame.groupby(KEYS, sort=False).agg(kgf=("kgf", "mean"), row=("row", "first"), unit=("unit", "first"))
    means = means.reset_index()
    group = means.groupby(["participant", "instrument", "side", "condition"], sort=False)
    usual = group["kgf"].transform("median")
    several = group["kgf"].transform("size") >= 3
    for name, factor in (("lbf", convert_force(1.0, "kgf", "lbf")), ("N", convert_force(1.0, "kgf", "N"))):
        ratio = means["kgf"] / usual
        typed_as = means["unit"].ne(name) & (ratio / factor - 1).abs().lt(_MIX_UP)
        rows = means[several & typed_as]
        if rows.empty:
            continue
        yield flag(
            "looks like another unit",
            rows,
            **place(study, "trials", "value"),
            found=_short(rows["kgf"]) + f" kgf, perhaps typed in {name}",
            allowed="near the other visits' " + _short(usual[rows.index]) + " kgf",
        )


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
