"""Planted errors in dynamometer trials and joint angles."""

from collections.abc import Callable

import numpy as np
import pandas as pd

from outcomes.dynamometry.force import convert_force
from synthetic_cohort.filled_sheets import texts
from synthetic_cohort.flaws.ledger import ADMINISTRATION, Desk, Flaw, one_cell


def _trial_groups(desk: Desk) -> pd.DataFrame:
    """One row per hand, grip and visit: mean force in kgf, the places of its trials, the unit typed."""
    sheet = desk.sheet("trials")
    factor = sheet["unit"].map({unit: convert_force(1.0, unit, "kgf") for unit in ("kgf", "lbf", "N")})
    frame = sheet.assign(force=desk.number_in("trials") * factor, place=np.arange(len(sheet)))
    groups = frame.groupby(list(ADMINISTRATION), sort=False)
    return groups.agg(force=("force", "mean"), places=("place", list), unit=("unit", "first")).reset_index()


def _wrong_unit(unit: str) -> Callable[[Desk], bool]:
    """All trials of one visit, of both hands where both were measured, were read in one unit, written as another.

    Planted where a hand then stands out from the person's other visits by just that factor (to 8 % of their median,
    20 % of each): elsewhere no check could tell it from change.
    """

    def stands_out(own: pd.DataFrame) -> pd.DataFrame:
        force = own["force"].to_numpy()
        if len(force) < 3:
            return own.iloc[:0]
        others = np.where(np.eye(len(force), dtype=bool), np.nan, np.maximum(force, 1e-9))
        exact = np.abs(force / np.nanmedian(others, axis=1) - 1) < 0.08
        steady = np.nanmax(np.abs(np.log(np.maximum(force, 1e-9)[:, None] / others)), axis=1) < 0.2
        return own[exact & steady & (force > 6)]

    def planter(desk: Desk) -> bool:
        if "trials" not in desk.sheets:
            return False
        groups = _trial_groups(desk)
        # A second mix-up in the same person would move the force the first one is compared with.
        spoilt = {entry["participant"] for entry in desk.ledger if entry["file"] == "trials.csv"}
        groups = groups[~groups["participant"].isin(spoilt)]
        hands = groups.groupby(["participant", "instrument", "side", "condition"], sort=False)
        fit = pd.concat([stands_out(own) for _, own in hands] or [groups])
        fit = fit[fit["unit"] == "kgf"]
        if fit.empty:
            return False
        chosen = fit.iloc[int(desk.rng.integers(len(fit)))]
        form = [key for key in ADMINISTRATION if key != "side"]
        both = groups[(groups[form] == chosen[form]).all(axis=1) & (groups["unit"] == "kgf")]
        values = desk.number_in("trials")
        for place in [place for places in both["places"] for place in places if values[place] > 0]:
            desk.write("trials", int(place), "value", f"{convert_force(float(values[place]), 'kgf', unit):.1f}")
        return True

    return planter


def _strong(desk: Desk) -> pd.Series:
    sheet = desk.sheet("trials")
    return (sheet["instrument"] == "grip") & (sheet["unit"] == "kgf") & (desk.number_in("trials") >= 10)


def _of_a_grip(desk: Desk) -> pd.Series:
    """Trials of a grip of the catalogue, which wants three; a study's own channel may have any number."""
    channels = desk.design.protocol.get("channels", {})
    return desk.number_in("trials").notna() & ~desk.sheet("trials")["instrument"].isin(channels)


def _point_lost(desk: Desk, row: int) -> str:
    return f"{float(desk.sheet('trials').at[row, 'value']) * 10:.0f}"


def _two_units(desk: Desk) -> bool:
    """The last rater's dynamometer reads pounds."""
    sheet = desk.sheet("trials")
    kilograms = sheet[sheet["unit"] == "kgf"] if len(sheet) else sheet
    raters = sorted(kilograms["rater"].unique()) if len(sheet) else []
    if len(raters) < 2:
        return False
    theirs = np.flatnonzero((sheet["rater"] == raters[-1]) & (sheet["unit"] == "kgf"))
    if len(theirs) == 0:
        return False
    pounds = convert_force(desk.number_in("trials")[theirs].to_numpy(), "kgf", "lbf")
    grain = np.where(sheet["instrument"].to_numpy()[theirs] == "grip", 1.0, 0.5)
    sheet.loc[theirs, "value"] = texts(np.round(pounds / grain) * grain)
    sheet.loc[theirs, "unit"] = "lbf"
    desk.numbers.clear()
    desk.enter("trials", None, "unit", "kgf", f"lbf in all {len(theirs)} trials of rater {raters[-1]}")
    return True


def _swapped_hands(desk: Desk) -> bool:
    """Left and right interchanged in all trials of one grip at one visit."""
    sheet = desk.sheet("trials")
    row = desk.pick("trials", desk.number_in("trials").notna())
    if row is None:
        return False
    places = desk.same("trials", row, [key for key in ADMINISTRATION if key != "side"])
    if sheet.loc[places, "side"].nunique() < 2 or not desk.untouched("trials", places):
        return False
    for place in places:
        other = {"left": "right", "right": "left"}[str(sheet.at[place, "side"])]
        desk.write("trials", int(place), "side", other)
    return True


def _lost_trial(desk: Desk, row: int) -> str:
    return "not done"


def _passive_below_active(desk: Desk) -> bool:
    """A passive angle typed 15 degrees below the active one of the same joint."""
    sheet = desk.sheet("angles")
    if not len(sheet):
        return False
    keys = [name for name in sheet if name not in ("mode", "degrees", "rater")]
    active = sheet[sheet["mode"] == "active"].assign(own=desk.number_in("angles", "degrees"))
    own = sheet.merge(active[[*keys, "own"]], on=keys, how="left")["own"]
    flexion = ~sheet["movement"].str.contains("deficit")
    row = desk.pick("angles", (sheet["mode"] == "passive") & flexion & (own >= 30))
    if row is None:
        return False
    desk.write("angles", row, "degrees", f"{own[row] - 15:g}")
    return True


FORCE_KINDS: dict[str, Flaw] = {
    "two units": Flaw("one rater's dynamometer reads pounds", ("units mixed",), False, _two_units),
    "pounds for kilograms": Flaw(
        "trials read in pounds, written as kilograms", ("looks like another unit",), False, _wrong_unit("lbf")
    ),
    "newtons for kilograms": Flaw(
        "trials read in newtons, written as kilograms",
        ("looks like another unit", "implausible force"),
        False,
        _wrong_unit("N"),
    ),
    "decimal point lost": Flaw(
        "a force ten times too high",
        ("implausible force", "trials spread out"),
        False,
        one_cell("trials", "value", _strong, _point_lost),
    ),
    "unit that is no force": Flaw(
        "a bulb pressure among forces",
        ("unit not a force",),
        True,
        one_cell("trials", "unit", lambda desk: desk.number_in("trials").notna(), lambda *_: "mmHg"),
    ),
    "trial not done": Flaw(
        "two trials instead of three",
        ("number of trials",),
        False,
        one_cell("trials", "value", _of_a_grip, _lost_trial),
    ),
    "passive below active": Flaw(
        "a passive angle below the active one", ("passive below active",), False, _passive_below_active
    ),
    "angle too large": Flaw(
        "an angle no joint reaches",
        ("angle out of range",),
        True,
        one_cell("angles", "degrees", lambda desk: desk.number_in("angles", "degrees").notna(), lambda *_: "280"),
    ),
    "swapped hands": Flaw("left and right interchanged at one visit", (), False, _swapped_hands),
}
