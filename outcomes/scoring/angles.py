"""Joint angles: total motion of a digit and its grades, single joints, and what a device adds.

Active, passive and device-assisted motion are three different things. Active and assisted motion are scored under the
same instrument with the conditions "unassisted" and "assisted"; passive motion is an instrument of its own, made by
hand or by a device (its condition says which).
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.columns import INSTRUMENT, PARTICIPANT, SCALE, SIDE, VALUE, VISIT
from outcomes.errors import InstrumentError
from outcomes.library.instrument import Instrument
from outcomes.library.registry import instruments
from outcomes.scoring.administrations import Administrations, Keys, from_cells, why_codes
from outcomes.scoring.repeated_motion import one_motion_each
from outcomes.study import Study

INSTRUMENTS = {"active": ("tam", "rom_active"), "assisted": ("tam", "rom_active"), "passive": ("tpm", "rom_passive")}
_JOINTS = {
    "mp": "mcp",
    "metacarpophalangeal": "mcp",
    "proximal_interphalangeal": "pip",
    "distal_interphalangeal": "dip",
}
_MOVEMENTS = {"extension_deficit": "deficit", "extension_lag": "deficit", "lag": "deficit"}

# Grades of the motion of a digit: lowest value of each grade, best first. Published for flexor tendon repair.
# "percent": per cent of the other hand or of 260 degrees; exactly 50 is undefined in print and counted poor here.
# "degrees" leaves a gap for the thumb (80 to 97 degrees), as printed. "pip-dip" needs the PIP and DIP joints only and a
# reference of 175 degrees (the reference is from memory).
GRADES: Mapping[str, tuple[tuple[str, float], ...]] = {
    "percent": (("excellent", 100.0), ("good", 75.0), ("fair", 50.0), ("poor", -np.inf)),
    "degrees": (("excellent", 220.0), ("good", 180.0), ("fair", 130.0), ("poor", -np.inf)),
    "degrees thumb": (("excellent", 119.0), ("good", 98.0), ("fair", 70.0), ("poor", -np.inf)),
    "pip-dip": (("excellent", 85.0), ("good", 70.0), ("fair", 50.0), ("poor", -np.inf)),
}
REFERENCES = {"percent": 260.0, "pip-dip": 175.0}


@dataclass(frozen=True)
class TotalMotion:
    """Total motion of a digit. `grade` is of the named `system` only; "" where none was asked for or none applies."""

    value: float
    unit: str
    percent: float
    reference: float
    grade: str
    system: str
    notes: tuple[str, ...]


def total_active_motion(
    flexion: Mapping[str, float],
    extension_deficit: Mapping[str, float] | None = None,
    *,
    digit: str = "finger",
    system: str | None = None,
    reference: float | None = None,
) -> TotalMotion:
    """Sum of flexion minus sum of extension deficits over the joints of one digit, in degrees.

    flexion, extension_deficit: joint ("mcp", "pip", "dip"; thumb "mcp", "ip") -> degrees, 0 or more; hyperextension has
    no deficit. A joint left out of the deficits has none; every joint must have a flexion.
    digit: "finger" or "thumb". system: None for no grade, "percent" (of the other hand or of 260 degrees), "degrees",
    or "pip-dip" (PIP and DIP only, of 175 degrees). The systems disagree: a grade without its system means nothing.
    reference: degrees of the other hand, where the percentage is of that.
    Raises InstrumentError for a missing joint, a negative angle, deficits above flexion, an unknown system.
    Source: secondary pages with worked examples, published for flexor tendon repair; the reference of 175 degrees is
    from memory.

    >>> total_active_motion({"mcp": 45, "pip": 60, "dip": 40}, {"pip": 10, "dip": 10}, system="percent").grade
    'poor'
    """
    if digit not in ("finger", "thumb"):
        raise InstrumentError(f"Total motion: digit {digit!r}, allowed 'finger' or 'thumb'.")
    if system not in (None, "percent", "degrees", "pip-dip") or (digit == "thumb" and system in ("percent", "pip-dip")):
        allowed = "None, 'degrees'" + (", 'percent', 'pip-dip'" if digit == "finger" else "")
        raise InstrumentError(f"Total motion of a {digit}: grading system {system!r}, allowed {allowed}.")
    joints = ("mcp", "ip") if digit == "thumb" else ("pip", "dip") if system == "pip-dip" else ("mcp", "pip", "dip")
    deficits = dict(extension_deficit or {})
    unknown = sorted({*flexion, *deficits} - {"mcp", "pip", "dip", "ip"})
    absent = [joint for joint in joints if joint not in flexion]
    if unknown or absent:
        raise InstrumentError(
            f"Total motion of a {digit}: needs the flexion of {', '.join(joints)}; "
            f"missing {', '.join(absent) or 'none'}, unknown {', '.join(unknown) or 'none'}."
        )
    angles = [float(flexion[joint]) for joint in joints] + [float(deficits.get(joint, 0.0)) for joint in joints]
    if not all(angle >= 0 for angle in angles):
        raise InstrumentError(f"Total motion: angles {angles}, allowed 0 degrees or more; hyperextension counts 0.")
    value = sum(angles[: len(joints)]) - sum(angles[len(joints) :])
    if value < 0:
        raise InstrumentError(f"Total motion: {value:g} degrees: the deficits exceed the flexion. Check the angles.")
    base = reference if reference is not None else REFERENCES.get(system or "", np.nan)
    percent = 100 * value / base
    notes = [f"joints {', '.join(joints)}"]
    grade = ""
    if system is not None:
        table = "degrees thumb" if (digit, system) == ("thumb", "degrees") else system
        measured = value if system == "degrees" else percent
        grade = _grade(table, measured)
        notes.append(f"grading system {system}; made for flexor tendon repair")
        if table == "degrees thumb" and 80 <= value < 98:
            grade = ""
            notes.append("80 to 97 degrees has no grade in the printed table")
    return TotalMotion(value, "degrees", percent, base, grade, system or "", tuple(notes))


def angle_item(digit: str, joint: str, movement: str, mode: str) -> tuple[str, str] | None:
    """Instrument and item of one row of the angles table; None where it belongs to none, as a digit of the shoulder.

    >>> angle_item("index", "PIP", "flexion", "active")
    ('tam', 'index_pip_flexion')
    >>> angle_item("index", "shoulder", "flexion", "active") is None
    True
    """
    words = [text.strip().lower().replace(" ", "_").replace("-", "_") for text in (digit, joint, movement)]
    words[1] = _JOINTS.get(words[1], words[1])
    of_digit = f"{words[0]}_{words[1]}_{_MOVEMENTS.get(words[2], words[2]).replace('extension', 'deficit')}"
    short = "_".join(word for word in (words[1] if words[1] != "cmc" else words[0], words[2]) if word)
    alone = [short, f"{short}_deficit"] if words[2] == "extension" else [short]
    for name in INSTRUMENTS.get(mode, ()):
        found = instruments()[name]
        for item in (of_digit, *(alone if words[1] == "cmc" or not words[0].strip("_") else ())):
            if found.item(item) is not None:
                return name, item
    return None


def angle_sheets(study: Study, keys: Keys) -> Iterator[tuple[Instrument, Administrations]]:
    """Every instrument of the angles table. Angles of unknown joints are left to `check`.

    An extension written as an angle (negative where it is not reached) becomes the deficit it leaves: 10 degrees short
    is a deficit of 10, hyperextension a deficit of 0. Repetitions of one motion count as `one_motion_each` says.
    """
    frame = one_motion_each(study.angles)
    if frame.empty:
        return
    key = keys.of(frame)
    described, distinct = pd.factorize(
        pd.MultiIndex.from_frame(frame[["digit", "joint", "movement", "mode"]].astype("str"))
    )
    meant = [angle_item(*words) for words in distinct]
    written = np.array([words[2].strip().lower() == "extension" for words in distinct], dtype=bool)
    deficit = np.array([item is not None and item[1].endswith("deficit") for item in meant], dtype=bool)
    values = frame["degrees"].to_numpy(dtype=float)
    turned = (written & deficit)[described]
    values = np.where(turned, np.maximum(-values, 0.0), values)
    why = why_codes(frame, "degrees")
    for name in dict.fromkeys(item[0] for item in meant if item is not None):
        found = instruments()[name]
        place = {item.id: number for number, item in enumerate(found.items)}
        column = np.array([place[item[1]] if item is not None and item[0] == name else -1 for item in meant])[described]
        rows = np.flatnonzero((column >= 0) & (key >= 0))
        if len(rows):
            yield found, from_cells(found, key[rows], column[rows], values[rows], why[rows])


def assisted_gain(scores: pd.DataFrame) -> pd.DataFrame:
    """Assisted minus unassisted score of the same participant, visit, side and scale: a paired quantity.

    scores: frame of `outcomes.score`. Returns participant, visit, instrument, scale, side, unassisted, assisted, gain,
    unit; only where both conditions have a score.
    """
    keys = [PARTICIPANT, VISIT, INSTRUMENT, SCALE, SIDE]
    known = scores[scores[VALUE].notna()]
    first = known[known["condition"] == "unassisted"][[*keys, VALUE, "unit"]]
    second = known[known["condition"] == "assisted"][[*keys, VALUE]]
    both = first.rename(columns={VALUE: "unassisted"}).merge(second.rename(columns={VALUE: "assisted"}), on=keys)
    both["gain"] = both["assisted"] - both["unassisted"]
    return both[[*keys, "unassisted", "assisted", "gain", "unit"]]


def _grade(table: str, measured: float) -> str:
    """The first grade the value reaches; "good" and "fair" in per cent are strictly above their limit, as printed."""
    for grade, lowest in GRADES[table]:
        strict = table == "percent" and grade in ("good", "fair")
        if measured > lowest if strict else measured >= lowest:
            return grade
    return ""
