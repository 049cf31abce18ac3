"""Passive motion: resistance of a joint moved by a device, and first against later repetitions.

Without muscle recordings this is resistance during device motion, not spasticity: voluntary effort stiffens a finger
far more than stretch does. A device's motor current is no torque; torque of an empty run is to be taken off before.
"""

from dataclasses import dataclass
from math import nan

import numpy as np
from numpy.typing import ArrayLike

from outcomes.errors import StudyError
from outcomes.movement.low_pass import derivative, filter_note, filtered
from outcomes.movement.recordings import Measures


@dataclass(frozen=True)
class PassiveResistance:
    """torque = constant + stiffness x angle + damping x velocity. loop_area: of torque over angle, per cycle."""

    constant: float
    stiffness: float  # N m / degree
    damping: float  # N m s / degree
    loop_area: float  # N m degree
    dissipated: float  # J
    rest_sd: float  # N m, SD of what the line leaves
    reason: str
    notes: tuple[str, ...]


def passive_resistance(
    angle: ArrayLike, torque: ArrayLike, rate: float, *, cycles: float = 1.0, cutoff: float | None = None
) -> PassiveResistance:
    """Stiffness and damping by least squares, and the area of the loop, of one recording of passive motion.

    angle: degrees; torque: N m, equally long, `cycles` whole cycles there and back. For sinusoidal motion of
    amplitude A and angular frequency w the loop of a damping b has the area pi b w A^2.
    Refused with a reason: samples missing, fewer than 10, an angle that moves less than 5 degrees.
    Raises StudyError for recordings of different lengths or impossible rates.
    """
    degrees, newton_metres = np.asarray(angle, dtype=float), np.asarray(torque, dtype=float)
    if degrees.ndim != 1 or degrees.shape != newton_metres.shape or not rate > 0 or not cycles > 0:
        raise StudyError(
            f"Passive resistance: {degrees.shape} angles, {newton_metres.shape} torques, rate {rate}, {cycles} cycles; "
            "allowed two recordings of one length, a rate and a number of cycles above 0."
        )
    notes = ("least squares on angle and velocity (central differences)", filter_note(rate, cutoff))
    reason = ""
    if not (np.isfinite(degrees).all() and np.isfinite(newton_metres).all()):
        reason = "samples without a number"
    elif len(degrees) <= 10:
        reason = f"{len(degrees)} samples, allowed more than 10"
    elif np.ptp(degrees) < 5:
        reason = f"the angle moves {np.ptp(degrees):.2g} degrees, allowed 5 or more"
    if reason:
        return PassiveResistance(nan, nan, nan, nan, nan, nan, reason, notes)
    degrees, newton_metres = filtered(degrees, rate, cutoff), filtered(newton_metres, rate, cutoff)
    # The ends have one-sided differences.
    inner = slice(1, -1)
    columns = np.stack([np.ones(len(degrees) - 2), degrees[inner], derivative(degrees, rate)[inner]], axis=1)
    found = np.linalg.lstsq(columns, newton_metres[inner], rcond=None)[0]
    rest = newton_metres[inner] - columns @ found
    closed_angle, closed_torque = np.append(degrees, degrees[0]), np.append(newton_metres, newton_metres[0])
    area = abs(float(np.trapezoid(closed_torque, closed_angle))) / cycles
    constant, stiffness, damping = map(float, found)
    return PassiveResistance(constant, stiffness, damping, area, area * np.pi / 180, float(rest.std()), reason, notes)


def resistances(angles: ArrayLike, torques: ArrayLike, rate: float, *, cutoff: float | None = None) -> Measures:
    """`passive_resistance` of many recordings of one length: columns resistance-slope and resistance-damping."""
    found = [
        passive_resistance(angle, torque, rate, cutoff=cutoff)
        for angle, torque in zip(np.asarray(angles, dtype=float), np.asarray(torques, dtype=float), strict=True)
    ]
    columns = {
        "resistance-slope": np.array([one.stiffness for one in found]),
        "resistance-damping": np.array([one.damping for one in found]),
    }
    reasons = np.array([one.reason for one in found], dtype=object)
    return Measures(columns, reasons, found[0].notes if found else ())


@dataclass(frozen=True)
class FirstAndLater:
    """First repetition against the mean of the later ones, which history-dependent stiffness sets apart."""

    first: float
    later_mean: float
    first_minus_later: float
    later_over_first: float
    repetitions: int
    reason: str


def first_and_later(values: ArrayLike) -> FirstAndLater:
    """The first repetition, the mean of the second to the last, their difference and ratio.

    values: one number per repetition, in order; NaN for a refused one, which is left out of the later mean.
    Refused with a reason: no first value, no later one. A change over a session needs a comparison: settling alone
    looks like an effect.
    """
    series = np.asarray(values, dtype=float)
    later = series[1:][np.isfinite(series[1:])]
    reason = ""
    if not len(series) or not np.isfinite(series[0]):
        reason = "no value of the first repetition"
    elif not len(later):
        reason = "no later repetition"
    if reason:
        return FirstAndLater(nan, nan, nan, nan, len(series), reason)
    first, mean = float(series[0]), float(later.mean())
    ratio, reason = (mean / first, "") if first else (nan, "a first value of 0 has no ratio")
    return FirstAndLater(first, mean, first - mean, ratio, len(series), reason)
