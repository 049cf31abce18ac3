"""Repetitions of one motion: which of them are scored, and the first against the last.

Motions at different velocities and with the device on and off are different outcomes and are never pooled.
"""

import numpy as np
import pandas as pd

from outcomes.dynamometry.force import STANDARD_GRAVITY
from outcomes.study import Study

# 1 kgf cm is 9.80665 N on 0.01 m, both exact.
NEWTON_METRES = {"N m": 1.0, "N cm": 0.01, "kgf cm": STANDARD_GRAVITY / 100}
MOTION = ["participant", "visit", "side", "digit", "joint", "movement", "mode", "condition"]
CUT = "torque limit"  # a repetition the device ended there: its highest torque is not known


def one_motion_each(angles: pd.DataFrame) -> pd.DataFrame:
    """The angles as the instruments of motion take them: one row per motion.

    Of a motion that was made at several velocities the slowest counts (the range without the reflex of a fast stretch;
    a motion without a velocity is one by hand and counts as the slowest). The angle of repetitions is their mean. A
    repetition that is there twice stays so, and is scored as neither.
    """
    if angles.empty or (angles["repetition"].isna().all() and angles["velocity"].isna().all()):
        return angles
    kept = angles[at_the_scored_velocity(angles)]
    numbered = kept["repetition"].notna()
    twice = kept.duplicated([*MOTION, "repetition"], keep=False)
    group = kept.groupby(MOTION, sort=False, dropna=False)
    clear = (numbered & ~twice).groupby([kept[name] for name in MOTION], sort=False, dropna=False).transform("all")
    mean = group["degrees"].transform("mean")
    first = ~kept.duplicated(MOTION)
    # Where a number is known the first row carries it, even if its own repetition has none.
    code = kept["code"].where(mean.isna(), "")
    merged = kept.assign(degrees=mean, code=code)[clear & first]
    return pd.concat([merged, kept[~clear]]).sort_index()


def at_the_scored_velocity(angles: pd.DataFrame) -> pd.Series:
    """Which rows are at the slowest velocity of their motion."""
    speed = angles["velocity"].fillna(-np.inf)
    if not np.isfinite(speed).any():
        return pd.Series(True, index=angles.index)
    slowest = speed.groupby([angles[name] for name in MOTION], sort=False, dropna=False).transform("min")
    return speed == slowest


def first_to_last(study: Study) -> pd.DataFrame:
    """First and last repetition of every set of repeated motion.

    Returns one row per participant, visit, side, digit, joint, movement, mode, condition and velocity with two or more
    numbered repetitions: repetitions, first and last of `degrees`, of `torque` (N m) and of `stiffness` (position in
    the study's grades, the least stiff 0), and `cut`: repetitions a torque limit ended. A torque that was cut is
    missing here: it is at least the limit, and nobody knows how much more. A repetition entered twice leaves its set
    out (a finding names it).
    """
    columns = [f"{name}_{end}" for name in ("degrees", "torque", "stiffness") for end in ("first", "last")]
    keys = [*MOTION, "velocity"]
    frame = study.angles[study.angles["repetition"].notna()].copy()
    if frame.empty:
        return pd.DataFrame(columns=[*keys, "repetitions", *columns, "cut"])
    factor = frame["torque_unit"].map(NEWTON_METRES).astype(float)
    cut = frame["stopped_by"] == CUT
    frame["torque"] = (frame["torque"] * factor).mask(cut)
    places = {grade.casefold(): place for place, grade in enumerate(study.protocol.stiffness_grades)}
    frame["stiffness"] = frame["stiffness"].str.casefold().map(places).astype(float)
    frame["cut"] = cut.astype(int)
    # A motion without a velocity is a set of its own; as a missing key it would be found by nothing.
    frame = frame.assign(velocity=frame["velocity"].fillna(-np.inf)).sort_values("repetition", kind="stable")
    groups = frame.groupby(keys, sort=False)
    made = groups.agg(repetitions=("repetition", "nunique"), rows=("repetition", "size"), cut=("cut", "sum"))
    for name in ("degrees", "torque", "stiffness"):
        # nth, not first: a repetition without a number must not lend its place to another one.
        for end, place in (("first", 0), ("last", -1)):
            at = groups.nth(place).set_index(keys)[name]
            made[f"{name}_{end}"] = at.reindex(made.index).to_numpy()
    made = made[(made["repetitions"] > 1) & (made["rows"] == made["repetitions"])].drop(columns="rows").reset_index()
    made["velocity"] = made["velocity"].replace(-np.inf, np.nan)
    order = {visit.id: visit.day for visit in study.protocol.visits}
    made["day"] = made["visit"].map(order)
    return made.sort_values(["participant", "day", *keys[2:]], kind="stable").drop(columns="day").reset_index(drop=True)
