"""Checks of repeated motion: numbers of repetitions, units of torque, grades of stiffness, velocities."""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from outcomes.checks.register import place, reports
from outcomes.findings import as_text, flag, texts
from outcomes.scoring.motion_grades import graded_motion
from outcomes.scoring.repeated_motion import MOTION, at_the_scored_velocity
from outcomes.study import Study


@reports("repetition not a whole number", "repetitions with a gap")
def numbered(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.angles[study.angles["repetition"].notna()]
    wrong = (frame["repetition"] < 1) | (np.floor(frame["repetition"]) != frame["repetition"])
    rows = frame[wrong]
    yield flag("repetition not a whole number", rows, **place(study, "angles", "repetition"),
               found=rows["repetition"], allowed="1, 2, 3 and so on")  # fmt: skip
    whole = frame[~wrong]
    if whole.empty:
        return
    keys = [*MOTION, "velocity"]
    groups = whole.fillna({"velocity": -np.inf}).groupby(keys, sort=False)["repetition"]
    many, highest = groups.transform("nunique"), groups.transform("max")
    rows = whole[(highest > many) & (whole["repetition"] == highest)].drop_duplicates(keys)
    yield flag("repetitions with a gap", rows, **place(study, "angles", "repetition"),
               found=texts(many[rows.index]) + " repetitions, the last numbered "
               + texts(highest[rows.index]))  # fmt: skip


@reports("torque without a unit")
def torque_unit(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.angles
    rows = frame[frame["torque"].notna() & (frame["torque_unit"] == "")]
    yield flag("torque without a unit", rows, **place(study, "angles", "torque_unit"), found=rows["torque"],
               allowed="N m, N cm, kgf cm")  # fmt: skip


@reports("stiffness of no grade")
def stiffness(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.angles[study.angles["stiffness"] != ""]
    grades = study.protocol.stiffness_grades
    rows = frame[~frame["stiffness"].str.casefold().isin([grade.casefold() for grade in grades])]
    allowed = ", ".join(grades) or "grades = [...] under [passive_motion] in study.toml, the least stiff first"
    yield flag("stiffness of no grade", rows, **place(study, "angles", "stiffness"), found=rows["stiffness"],
               allowed=allowed)  # fmt: skip


@reports("motion at another velocity")
def velocities(study: Study) -> Iterator[pd.DataFrame]:
    """Motions that are described and compared, but are not the range of motion that is scored."""
    frame = study.angles
    if frame["velocity"].isna().all():
        return
    rows = frame[~at_the_scored_velocity(frame) & frame["degrees"].notna()]
    for speed, part in rows.groupby("velocity", sort=True):
        yield flag("motion at another velocity", **place(study, "angles", "velocity"),
                   found=f"{as_text(float(speed))} degrees per second, rows: {len(part)}",
                   allowed="scored: the slowest velocity of each motion")  # fmt: skip


@reports("grade differs from the angles")
def typed_grades(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.motion_grades
    if frame.empty:
        return
    keys = ["participant", "visit", "side", "digit", "condition"]
    for system, rows in frame[frame["system"] != ""].groupby("system", sort=False):
        computed = graded_motion(study, system=str(system))
        if computed.empty:
            continue
        # Angles entered twice give two grades; that they were is a finding of its own.
        known = computed[computed["grade"] != ""].drop_duplicates(keys, keep=False).set_index(keys)["grade"]
        own = pd.Series(pd.MultiIndex.from_frame(rows[keys]).map(known), index=rows.index, dtype=object)
        bad = rows[own.notna() & (own != rows["grade"])]
        yield flag("grade differs from the angles", bad, **place(study, "motion_grades", "grade"),
                   found=bad["digit"] + " " + bad["grade"], allowed=own[bad.index].astype("str"))  # fmt: skip


@reports("duplicate grade")
def twice(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.motion_grades
    keys = ["participant", "visit", "side", "digit", "condition", "system"]
    rows = frame[frame.duplicated(keys)]
    first = frame.drop_duplicates(keys).set_index(keys)["grade"]
    allowed = [first[tuple(row)] for row in rows[keys].itertuples(index=False, name=None)]
    yield flag("duplicate grade", rows, **place(study, "motion_grades", "digit"),
               found=rows["digit"] + " " + rows["grade"],
               allowed="one row; the first has " + pd.Series(allowed, index=rows.index, dtype="str"))  # fmt: skip
