"""From a drawn cohort to its recordings: one file a plan, and the truth behind every recording."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import NDArray

from synthetic_cohort.people.ability import Ability
from synthetic_cohort.people.attendance import ATTENDED
from synthetic_cohort.recordings.motion_curves import finger_bend, force_hold_curve, wheel_turn
from synthetic_cohort.recordings.recording_plan import RecordingPlan

Array = NDArray[np.float64]
REST_S, RISE_S, LETTING_GO_S = 0.6, 0.12, 0.6  # of a hold: rest before, time constant of the rise, time left at the end
GAP_S = 0.5
TRUTH = (
    "recording",
    "participant",
    "visit",
    "hand",
    "motion",
    "repetition",
    "lag_s",
    "gain",
    "offset",
    "range",
    "level",
    "clock_drift",
    "stamp_drift",
)
_OPPOSITE = {"left": "right", "right": "left"}
_KEYS = ("participant", "visit", "hand", "digit", "joint", "motion", "repetition")


@dataclass(frozen=True)
class MadeRecordings:
    """files: name of a file in the folder `series` -> its rows. truth: one row a recording, columns `TRUTH`; NaN
    where a number does not apply (lag, gain and offset of the hand that leads, a clock that does not drift)."""

    files: Mapping[str, pd.DataFrame]
    truth: pd.DataFrame

    @classmethod
    def none(cls) -> "MadeRecordings":
        """No recording."""
        return cls({}, pd.DataFrame(columns=list(TRUTH)))

    def as_dict(self) -> dict[str, list[dict[str, object]]]:
        """The truth as plain tables for `truth.json`; nothing where nothing was recorded."""
        if self.truth.empty:
            return {}
        rows = self.truth.astype(object).where(self.truth.notna(), None).to_dict("records")
        return {"recordings": [{str(key): value for key, value in row.items() if value is not None} for row in rows]}

    def write(self, folder: Path) -> None:
        """Write the files as Parquet to the folder `series` of a study."""
        if self.files:
            (folder / "series").mkdir(exist_ok=True)
        for name, frame in self.files.items():
            frame.to_parquet(folder / "series" / f"{name}.parquet", index=False)


def make_recordings(
    plans: tuple[RecordingPlan, ...],
    constructs: tuple[str, ...],
    visits: tuple[str, ...],
    ability: Ability,
    codes: NDArray[np.str_],
    status: NDArray[np.int8],
    rng: Generator,
) -> MadeRecordings:
    """Recordings of one cohort, and their truth.

    constructs: names of the last axis of the abilities; visits: ids in order. codes: participants in the order of the
    draw. status: (people, visits) of attendance: only attended visits are recorded.
    """
    files, truths = {}, []
    for plan, stream in zip(plans, rng.spawn(len(plans)), strict=True):
        taken = [place for place, visit in enumerate(visits) if not plan.visits or visit in plan.visits]
        files[plan.name], truth = _of_plan(
            plan, constructs.index(plan.construct), visits, taken, ability, codes, status, stream
        )
        truths.append(truth)
    truth = pd.concat(truths, ignore_index=True) if truths else pd.DataFrame(columns=list(TRUTH))
    return MadeRecordings(files, truth[list(TRUTH)])


def _of_plan(
    plan: RecordingPlan,
    construct: int,
    visits: tuple[str, ...],
    taken: list[int],
    ability: Ability,
    codes: NDArray[np.str_],
    status: NDArray[np.int8],
    rng: Generator,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    people = len(codes)
    own = {name: rng.standard_normal(people) for name in ("amplitude", "gain", "lag", "offset")}
    sides = np.where(ability.people["affected_left"][0], "left", "right")
    seconds = np.arange(round(plan.seconds * plan.rate)) / plan.rate
    times: list[Array] = []
    values: list[Array] = []
    truths: list[dict[str, object]] = []
    occasions = [
        (person, visit, motion, repetition)
        for person in np.argsort(codes).tolist()
        for visit in taken
        if status[person, visit] == ATTENDED
        for motion in plan.motions
        for repetition in range(1, plan.repetitions + 1)
    ]
    for person, visit, motion, repetition in occasions:
        latent = {
            "affected": ability.affected[0, person, visit, construct],
            "other": ability.other[0, person, visit, construct],
        }
        drawn = {name: value[person] for name, value in own.items()}
        curves, facts = _curves(plan, seconds, latent, drawn, motion, repetition, rng)
        for hand, curve in curves.items():
            side = str(sides[person] if hand == "affected" else _OPPOSITE[sides[person]])
            names = {"participant": str(codes[person]), "visit": visits[visit], "hand": side, "motion": motion}
            facts[hand] = {"stamp_drift": plan.stamp_drift or np.nan, **facts[hand]}
            truths.append({"recording": plan.name, **names, "repetition": repetition, **facts[hand]})
            kept, sensed = _sensed(plan, seconds, curve, rng)
            times.append((kept * (1 + plan.stamp_drift)).round(4) if plan.stamp_drift else kept)
            values.append(sensed)
    truth = pd.DataFrame(truths, columns=list(TRUTH))
    length = [len(part) for part in times]
    rows = truth.assign(digit=plan.digit, joint=plan.joint)[list(_KEYS)]
    rows = rows.astype(dict.fromkeys(set(_KEYS) - {"repetition"}, "category"))
    frame = rows.take(np.repeat(np.arange(len(rows)), length)).reset_index(drop=True)
    quantity = "force" if plan.kind == "hold" else "degrees"
    empty = [np.empty(0)]
    return frame.assign(**{"time": np.concatenate(times or empty), quantity: np.concatenate(values or empty)}), truth


def _curves(
    plan: RecordingPlan,
    seconds: Array,
    latent: Mapping[str, float],
    own: Mapping[str, float],
    motion: str,
    repetition: int,
    rng: Generator,
) -> tuple[dict[str, Array], dict[str, dict[str, float]]]:
    """What a perfect sensor reads of each hand, and the truth behind it."""
    nothing = dict.fromkeys(("lag_s", "gain", "offset", "range", "level"), np.nan)
    shaken = np.exp(plan.repetition_sd * rng.standard_normal(2))
    size = plan.amplitude + plan.amplitude_sd * own["amplitude"]
    if plan.kind == "turning":
        lag = max(0.0, plan.lag_s + plan.lag_sd * own["lag"] + plan.lag_per_unit * latent["affected"])
        gain = max(0.1, plan.gain + plan.gain_sd * own["gain"] + plan.gain_per_unit * latent["affected"]) * shaken[1]
        amplitude, phase = max(5.0, size) * shaken[0], rng.uniform(0, 2 * np.pi)
        leads = wheel_turn(seconds, amplitude, plan.frequency_hz, phase)
        # A clock that gains shows a later time than it is.
        follows = gain * wheel_turn(seconds / (1 + plan.clock_drift) - lag, amplitude, plan.frequency_hz, phase)
        offset = plan.offset_sd * own["offset"]
        follows = follows + offset
        return {"other": leads, "affected": follows}, {
            "other": nothing | {"range": float(np.ptp(leads))},
            "affected": nothing
            | {"lag_s": lag, "gain": gain, "offset": offset, "range": float(np.ptp(follows))}
            | {"clock_drift": plan.clock_drift or np.nan},
        }
    curves, facts = {}, {}
    for hand in plan.hands:
        reach = size + plan.amplitude_per_unit * latent[hand]
        if motion == "passive":
            reach += plan.passive - plan.first_stiff * (repetition == 1)
        elif motion == "assisted":
            reach += plan.assisted
        reach = float(np.clip(reach, 2.0, 120.0 if plan.kind == "finger" else np.inf) * shaken[0])
        if plan.kind == "finger":
            curves[hand] = finger_bend(seconds, reach, plan.frequency_hz)
            facts[hand] = nothing | {"range": reach}
        else:
            curves[hand] = force_hold_curve(seconds, reach, REST_S, RISE_S, plan.seconds - LETTING_GO_S)
            facts[hand] = nothing | {"level": reach}
    return curves, facts


def _sensed(plan: RecordingPlan, seconds: Array, curve: Array, rng: Generator) -> tuple[Array, Array]:
    """Time stamps and readings of the plan's sensor."""
    shake = plan.tremor * np.sin(2 * np.pi * plan.tremor_hz * seconds + rng.uniform(0, 2 * np.pi))
    if plan.kind == "hold":
        shake = shake * curve / max(curve.max(), 1e-9)
    values = curve + shake + plan.drift * seconds / seconds[-1] + rng.normal(0, plan.noise_sd, len(seconds))
    kept = rng.random(len(seconds)) >= plan.dropped
    kept[[0, -1]] = True
    if plan.gaps and rng.random() < plan.gaps:
        start = rng.uniform(0.2, 0.7) * seconds[-1]
        kept &= ~((seconds >= start) & (seconds < start + GAP_S))
    return seconds[kept].round(4), values[kept].round(3)
