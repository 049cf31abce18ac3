"""Grades of total active motion of every digit: computed from the angles, or as typed where there are only grades."""

import numpy as np
import pandas as pd

from outcomes.errors import InstrumentError
from outcomes.scoring.angles import angle_item, total_active_motion
from outcomes.scoring.repeated_motion import one_motion_each
from outcomes.study import Study

KEYS = ["participant", "visit", "side", "digit", "condition"]
_OTHER = {"left": "right", "right": "left"}


def graded_motion(study: Study, *, system: str = "", reference: str = "") -> pd.DataFrame:
    """Total active motion of each digit and its grade, by one named system.

    system, reference: as [total_motion] of study.toml has them where not named here; without a system nothing is
    graded. reference "other hand" divides by the same digit of the other hand at the same visit, without a device.
    Returns one row per participant, visit, side, digit and condition: total (degrees), percent, grade ("" where the
    system has none), system, source ("angles" or "typed") and reason where there is no grade.
    """
    system = system or study.protocol.total_motion.system
    reference = reference or study.protocol.total_motion.reference
    rows = _from_angles(study, system, reference)
    typed = study.motion_grades
    if len(typed):
        own = typed[(typed["system"] == system) | (system == "")]
        own = own[[*KEYS, "grade", "system"]].assign(total=np.nan, percent=np.nan, source="typed", reason="")
        there = set(map(tuple, rows[KEYS].to_numpy())) if len(rows) else set()
        own = own[[tuple(key) not in there for key in own[KEYS].to_numpy()]]
        rows = pd.concat([rows, own[rows.columns]], ignore_index=True) if len(own) else rows
    return rows


def _from_angles(study: Study, system: str, reference: str) -> pd.DataFrame:
    columns = [*KEYS, "total", "percent", "grade", "system", "source", "reason"]
    frame = one_motion_each(study.angles)
    frame = frame[frame["mode"].isin(("active", "assisted")) & (frame["digit"] != "")]
    if frame.empty or not system:
        return pd.DataFrame(columns=columns)
    frame = frame.assign(digit=frame["digit"].str.strip().str.lower())
    digits = {
        key: _of_digit(rows, str(key[3]), system)
        for key, rows in frame.groupby(KEYS, sort=False)
        if key[3] in ("thumb", "index", "middle", "ring", "little")
    }
    made = []
    for key, (flexion, deficit, reason) in digits.items():
        person, visit, side, digit, _ = key
        kind = "thumb" if digit == "thumb" else "finger"
        row = dict(zip(KEYS, key, strict=True)) | {"total": np.nan, "percent": np.nan, "grade": "", "system": system}
        row |= {"source": "angles", "reason": reason}
        base = None
        if not reason and reference == "other hand":
            other = digits.get((person, visit, _OTHER.get(str(side), ""), digit, "unassisted"))
            base = _total(*other[:2], kind) if other and not other[2] else None
            row["reason"] = "" if base else "the other hand's digit was not measured at this visit"
        if not row["reason"]:
            try:
                found = total_active_motion(flexion, deficit, digit=kind, system=system, reference=base)
                row |= {"total": found.value, "percent": found.percent, "grade": found.grade}
                row["reason"] = "" if found.grade else "between the printed limits of two grades"
            except InstrumentError as refused:
                row["reason"] = str(refused)
        made.append(row)
    return pd.DataFrame(made, columns=columns)


def _total(flexion: dict[str, float], deficit: dict[str, float], kind: str) -> float | None:
    try:
        return total_active_motion(flexion, deficit, digit=kind).value or None
    except InstrumentError:
        return None


def _of_digit(rows: pd.DataFrame, digit: str, system: str) -> tuple[dict[str, float], dict[str, float], str]:
    """Flexion and deficit by joint, and why there is no total motion; an extension angle is the deficit it leaves."""
    flexion: dict[str, float] = {}
    deficit: dict[str, float] = {}
    for row in rows.itertuples():
        meant = angle_item(digit, str(row.joint), str(row.movement), "active")
        parts = meant[1].split("_") if meant else []
        if len(parts) != 3 or parts[1] not in ("mcp", "pip", "dip", "ip"):
            continue
        joint, into = parts[1], deficit if parts[2] == "deficit" else flexion
        if joint in into:
            return {}, {}, "an angle is there twice"
        if np.isnan(row.degrees):
            return {}, {}, f"{joint} {parts[2]} was not measured"
        written = str(row.movement).strip().lower() == "extension"
        into[joint] = max(-float(row.degrees), 0.0) if written else float(row.degrees)
    wanted = ("mcp", "ip") if digit == "thumb" else ("pip", "dip") if system == "pip-dip" else ("mcp", "pip", "dip")
    absent = [joint for joint in wanted if joint not in flexion]
    reason = f"{', '.join(absent)} was not measured" if absent else ""
    return flexion, {joint: value for joint, value in deficit.items() if joint in wanted}, reason
