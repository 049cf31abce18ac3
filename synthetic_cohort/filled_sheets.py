"""From one drawn cohort to the filled-in sheets of a study folder: every cell is text, as a person would type it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import NDArray

from outcomes.columns import UNABLE
from outcomes.dynamometry.force import convert_force
from synthetic_cohort.design import CohortDesign
from synthetic_cohort.forms.responses import Answers
from synthetic_cohort.people.ability import DAYS_PER_MONTH, Ability
from synthetic_cohort.people.attendance import ATTENDED, MISSED, WITHDRAWN

# Instruments of joint motion go to the sheet of angles; active motion under a device is the mode "assisted".
ANGLE_MODES = {"rom_active": "active", "rom_passive": "passive", "tam": "active", "tpm": "passive"}
# A column before it is a sheet: its distinct labels, and which of them stands in each row.
Columns = dict[str, tuple[NDArray[np.str_], NDArray[np.int64]]]


@dataclass(frozen=True)
class Frame:
    """What every sheet needs: codes, sides and dates of the people, in the order they entered."""

    codes: NDArray[np.str_]  # (N,)
    arm: NDArray[np.str_]
    sides: NDArray[np.str_]  # (N, 2): affected, other
    days: NDArray[np.int64]  # (N, V) calendar day of each visit, days since 1970-01-01
    raters: NDArray[np.str_]  # (N,)


def draw_frame(design: CohortDesign, ability: Ability, rng: Generator) -> tuple[Frame, NDArray[np.int64]]:
    """Codes and dates; returns the frame and the order in which the people entered (people of all arms mixed)."""
    order_rng, entry_rng, date_rng = rng.spawn(3)
    order = order_rng.permutation(design.n)
    width = max(2, len(str(design.n)))
    codes = np.empty(design.n, dtype=f"U{len(design.people.prefix) + width}")
    codes[order] = [f"{design.people.prefix}{number + 1:0{width}d}" for number in range(design.n)]
    start = date.fromisoformat(design.people.first_day).toordinal() - date(1970, 1, 1).toordinal()
    entry = np.empty(design.n, dtype=np.int64)
    entry[order] = np.sort(entry_rng.integers(0, max(design.people.recruitment_days, 1), design.n))
    planned = np.array([visit.day for visit in design.visits])
    windows = np.array([visit.window for visit in design.visits])
    spread = (windows[:, 1] - windows[:, 0]) / 6
    middle = windows.mean(axis=1)
    offset = np.clip(
        np.round(date_rng.normal(middle, np.maximum(spread, 1e-9), (design.n, len(planned)))),
        windows[:, 0],
        windows[:, 1],
    )
    offset[:, 0] = 0  # the first visit is day 0 of its person
    first = start + entry
    first += np.array([0, 0, 0, 0, 0, 2, 1])[_weekday(first)]
    due = first[:, None] + (planned - planned[0]).astype(np.int64)
    days = due + offset.astype(np.int64)
    days += np.array([0, 0, 0, 0, 0, -1, 1])[_weekday(days)]
    days = np.clip(days, due + windows[:, 0].astype(np.int64), due + windows[:, 1].astype(np.int64))
    days[:, 0] = first
    left = ability.people["affected_left"][0]
    sides = np.where(np.stack([left, ~left], axis=1), "left", "right")
    raters = np.array(design.people.raters)[ability.people["rater"][0]]
    arms = np.array([arm.id for arm in design.arms])[ability.arm]
    return Frame(codes, arms, sides, days, raters), order


def _weekday(days: NDArray[np.int64]) -> NDArray[np.int64]:
    """Monday is 0; 1970-01-01 was a Thursday."""
    return (days + 3) % 7


def texts(values: NDArray[np.float64]) -> NDArray[np.str_]:
    """Numbers as typed: no trailing zeros, at most three decimals."""
    distinct, place = np.unique(values, return_inverse=True)
    written = np.array([f"{value:.3f}".rstrip("0").rstrip(".") for value in distinct], dtype=str)
    return written[place.reshape(values.shape)]


def dates(days: NDArray[np.int64]) -> NDArray[np.str_]:
    """Days since 1970-01-01 as year-month-day."""
    return np.datetime_as_string(days.astype("datetime64[D]"))


def participants_sheet(design: CohortDesign, ability: Ability, frame: Frame, order: NDArray[np.int64]) -> pd.DataFrame:
    """One row per person, in order of entry."""
    people = {name: values[0] for name, values in ability.people.items()}
    onset = dates(frame.days[:, 0] - np.round(people["onset_months"] * DAYS_PER_MONTH).astype(np.int64))
    columns = {
        "participant": frame.codes,
        "arm": frame.arm,
        "age": texts(people["age"]),
        "sex": np.where(people["woman"], "female", "male"),
        "affected_side": np.full(design.n, "both") if design.people.both_affected else frame.sides[:, 0],
        "dominant_side": np.where(people["left_handed"], "left", "right"),
        "diagnosis": np.array(list(design.people.diagnoses))[people["diagnosis"]],
        "onset": onset,
    }
    if design.kind == "single-arm":
        del columns["arm"]
    if len(design.people.sites) > 1:
        columns["site"] = np.array(design.people.sites)[people["site"]]
    if design.people.therapists > 1:
        columns["therapist"] = np.array([f"T{number + 1}" for number in range(design.people.therapists)])[
            people["therapist"]
        ]
    return pd.DataFrame(columns).iloc[order].reset_index(drop=True)


def visits_sheet(
    design: CohortDesign, frame: Frame, order: NDArray[np.int64], status: NDArray[np.int8], rng: Generator
) -> pd.DataFrame:
    """One row per person and planned visit; after leaving, one row says so and the later visits are withdrawn too."""
    shape = status.shape
    missing = design.missing
    missed_for = np.array(missing.reasons)[rng.integers(len(missing.reasons), size=shape)]
    # One reason per person for leaving, repeated at each later visit.
    left_for = np.array(missing.leaving_reasons)[rng.integers(len(missing.leaving_reasons), size=(shape[0], 1))]
    attended = status == ATTENDED
    reason = np.where(status == MISSED, missed_for, np.where(status == WITHDRAWN, left_for, ""))
    rows = {
        "participant": np.repeat(frame.codes[order], shape[1]),
        "visit": np.tile([visit.id for visit in design.visits], shape[0]),
        "date": np.where(attended, dates(frame.days), "")[order].ravel(),
        "status": np.array(["attended", "missed", "withdrawn"])[status[order].ravel()],
        "reason": reason[order].ravel(),
        "rater": np.where(attended, frame.raters[:, None], "")[order].ravel(),
    }
    return pd.DataFrame(rows)


def measured(design: CohortDesign, answers: Answers, status: NDArray[np.int8], rng: Generator) -> NDArray[np.bool_]:
    """Which person-visits have this instrument at all (N, V)."""
    planned = [not answers.measure.visits or visit.id in answers.measure.visits for visit in design.visits]
    done = rng.random(status.shape) >= design.missing.instrument
    done[:, 0] = True
    return (status == ATTENDED) & np.array(planned) & done


def answer_columns(
    design: CohortDesign,
    answers: Answers,
    frame: Frame,
    order: NDArray[np.int64],
    done: NDArray[np.bool_],
) -> Columns:
    """Long columns of one instrument: for `items` (answers), `trials` (forces) or `angles`."""
    measure = answers.measure
    asked = answers.asked[0][order] & done[order][:, :, None, None, None]
    person, visit, hand, condition, item = np.nonzero(asked)
    entry = order[person]
    tested = np.array([0 if name == "affected" else 1 for name in measure.hands])[hand]
    right = (frame.sides[entry, tested] == "right").astype(np.int64)
    raters, rater = np.unique(frame.raters, return_inverse=True)
    none = np.zeros(len(entry), dtype=np.int64)
    columns: Columns = {
        "participant": (frame.codes, entry),
        "visit": (np.array([planned.id for planned in design.visits]), visit),
        "instrument": (np.array([measure.instrument]), none),
        "side": (np.array(["left", "right"]), right) if answers.bank.instrument.sided else (np.array([""]), none),
        "condition": (np.array(measure.conditions), condition),
    }
    cell = answers.value[0][order][asked]
    if answers.bank.curves[0].form == "force":
        unit = str(measure.options.get("unit", "kgf"))
        columns["trial"] = (np.array(answers.items), item)
        columns["value"] = _typed(convert_force(cell, "kgf", unit))
        columns["unit"] = (np.array([unit]), none)
    elif measure.instrument in ANGLE_MODES:
        del columns["instrument"], columns["condition"]
        described = np.array([_joint(name) for name in answers.items])
        columns |= {name: (described[:, place], item) for place, name in enumerate(("digit", "joint", "movement"))}
        modes = [ANGLE_MODES[measure.instrument] if name == "unassisted" else name for name in measure.conditions]
        columns["mode"] = (np.array(modes), condition)
        columns["degrees"] = _typed(cell)
    else:
        columns["item"] = (np.array(answers.items), item)
        columns["value"] = _typed(cell)
    return {**columns, "rater": (raters, rater[entry])}


def _typed(cell: NDArray[np.float64]) -> tuple[NDArray[np.str_], NDArray[np.int64]]:
    """Numbers as typed, and the word for a task the person was unable to do."""
    unable = np.isnan(cell)
    distinct, place = np.unique(np.where(unable, 0.0, cell), return_inverse=True)
    return np.append(texts(distinct), UNABLE), np.where(unable, len(distinct), place)


def _joint(item: str) -> tuple[str, str, str]:
    """Digit, joint and movement of an item of joint motion: "index_pip_deficit", "wrist_extension"."""
    first, _, rest = item.partition("_")
    digit = first if rest.split("_")[0] in ("mcp", "pip", "dip", "ip") else ""
    joint, _, movement = rest.partition("_") if digit else (first, "", rest)
    words = movement.replace("_", " ")
    return digit, joint, "extension deficit" if words == "deficit" else words


def stack(parts: Sequence[Columns]) -> pd.DataFrame:
    """Columns of several instruments under each other, as one sheet."""
    sheet = {}
    for name in parts[0] if parts else ():
        starts = np.cumsum([0, *(len(part[name][0]) for part in parts[:-1])])
        labels = np.concatenate([part[name][0] for part in parts])
        codes = np.concatenate([part[name][1] + start for part, start in zip(parts, starts, strict=True)])
        # Texts are made once per distinct label and then only pointed at: most of the time goes here.
        sheet[name] = pd.array(labels, dtype="str").take(codes)
    return pd.DataFrame(sheet)
