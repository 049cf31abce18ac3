"""Sheets of a trial of a device, and their truth: wear, repeated stretches, a force channel, faults, skin, ratings."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import NDArray

from synthetic_cohort.design import CONSTRUCTS, CohortDesign
from synthetic_cohort.filled_sheets import Frame, dates
from synthetic_cohort.people.ability import Ability
from synthetic_cohort.people.attendance import ATTENDED
from synthetic_cohort.people.diary import last_days, session_days

CONDITIONS = ("unassisted", "unpowered", "assisted")
GRADES = ("none", "slight", "moderate", "marked")
GRADE_STEP_NM = 0.35  # a grade more for each further step of torque, as an examiner might feel it
FAULTS = (
    ("reliability", "malfunction", "battery", "stopped before the session was over"),
    ("durability", "malfunction", "worn part", "strap torn at the seam"),
    ("usability", "use error", "fastening", "put on the wrong way round"),
    ("performance", "malfunction", "sensor", "did not follow the finger"),
    ("identity", "inadequate information", "label", "size not told by the label"),
)
SKIN = ("mark gone within 30 min", "redness that blanches", "redness that stays")
REPAIRS = {"battery": "replaced", "worn part": "repaired", "fastening": "instructed", "sensor": "repaired"}
LOADS = ("mental", "physical", "temporal", "performance", "effort", "frustration")


@dataclass(frozen=True)
class DeviceMade:
    """sheets: table -> rows to add, as typed. truth: plain tables for `truth.json`."""

    sheets: dict[str, pd.DataFrame]
    truth: dict[str, object]


def device_sheets(
    design: CohortDesign, ability: Ability, frame: Frame, order: NDArray[np.int64], status: NDArray[np.int8],
    events: pd.DataFrame, rng: Generator,
) -> DeviceMade:  # fmt: skip
    """Every further sheet of a trial of a device; nothing where the design has none."""
    plan = design.device
    if not plan.days_per_week:
        return DeviceMade({}, {})
    streams = rng.spawn(6)
    wear, worn = _wear(design, ability, frame, order, status, streams[0])
    angles, drops = _stretches(design, ability, frame, order, status, streams[1])
    trials, forces = _channel(design, ability, frame, order, status, streams[2])
    faults, events = _faults(design, frame, order, status, events, streams[3])
    skin = _skin(design, frame, order, status, streams[4])
    ratings, items = _ratings(design, ability, frame, order, status, streams[5])
    sheets = {"wear_log": wear, "angles": angles, "trials": trials, "device_deficiencies": faults,
              "adverse_events": events, "skin_checks": skin, "device_ratings": ratings, "items": items}  # fmt: skip
    truth = {
        "wear_share": [{"participant": code, "true_share": share} for code, share in worn.items()],
        "torque_change_first_to_last": drops,
        "help_of_the_device_N": plan.force_help,
        "forces": forces,
        "deficiencies_planted": len(faults),
    }
    return DeviceMade({name: sheet for name, sheet in sheets.items() if len(sheet)}, truth)


def _visits(design: CohortDesign, frame: Frame, order, status):
    """Person, visit, code, side and date of every attended visit, in the order of the sheets."""
    for person in order:
        for place, visit in enumerate(design.visits):
            if status[person, place] == ATTENDED:
                day = str(dates(frame.days[person, place : place + 1])[0])
                yield int(person), place, str(frame.codes[person]), visit.id, str(frame.sides[person, 0]), day


def _latent(ability: Ability, construct: str) -> NDArray[np.float64]:
    return ability.affected[0, :, :, CONSTRUCTS.index(construct)]


def _wear(design, ability, frame, order, status, rng):
    """A row a day in the treatment windows; the share worn goes with the person's adherence to practice."""
    plan, last, arms = design.device, last_days(design, status), {arm.id: arm for arm in design.arms}
    adherence = ability.people["adherence"][0]
    shift = plan.worn_sd / max(design.sessions.adherence_sd, 1e-9)
    share = np.clip(plan.worn_mean + shift * (adherence - design.sessions.adherence_mean), 0.05, 1.0)
    rows, worn = [], {}
    for person in order:
        arm = arms[str(frame.arm[person])]
        days = np.concatenate([session_days(first, end, plan.days_per_week) for first, end in arm.windows])
        days = days[days <= last[person]]
        worn[str(frame.codes[person])] = float(share[person])
        for day in days:
            gap = rng.random() < plan.gap_chance
            minutes = float(np.round(plan.minutes * min(1.2, max(0.0, rng.normal(share[person], 0.2)))))
            active = float(np.round(minutes * plan.active_share))
            helped = np.clip(plan.assisted_percent + plan.assisted_percent_by_day * day + rng.normal(0, 4), 5, 100)
            rows.append(
                {"participant": frame.codes[person], "date": str(dates(frame.days[person, :1] + day)[0]),
                 "minutes_prescribed": f"{plan.minutes:g}", "minutes_worn": "" if gap else f"{minutes:g}",
                 "minutes_active": "" if gap else f"{active:g}",
                 "repetitions": "" if gap else f"{np.round(active * plan.movements_per_minute):g}",
                 "assisted_percent": "" if gap or not minutes else f"{np.round(helped):g}", "place": "home",
                 "source": "device log", "gap": "yes" if gap else "no", "device": f"S{person % 6 + 1}"}
            )  # fmt: skip
    return pd.DataFrame(rows), worn


def _stretches(design, ability, frame, order, status, rng):
    """Repeated passive extension of the wrist, device off and on, slow and fast; and total motion of one finger."""
    plan = design.device
    own = plan.torque + plan.torque_sd * rng.standard_normal(design.n)
    stiff = np.maximum(0.25, own)
    rows, drops = [], []
    for condition in ("unassisted", "assisted"):
        for velocity in plan.velocities:
            change = -plan.torque_drop - plan.torque_device * (condition == "assisted")
            drops.append({"condition": condition, "velocity": velocity, "true_change_Nm": change})
    for person, _, code, visit, side, _ in _visits(design, frame, order, status):
        for condition in ("unassisted", "assisted"):
            for velocity in plan.velocities:
                fall = plan.torque_drop + plan.torque_device * (condition == "assisted")
                for number in range(1, plan.stretches + 1):
                    part = (number - 1) / (plan.stretches - 1)
                    torque = stiff[person] + plan.torque_fast * (velocity > min(plan.velocities)) - fall * part
                    torque = max(0.02, torque + plan.torque_noise * rng.standard_normal())
                    cut = torque > plan.torque_limit
                    grade = GRADES[int(np.clip(torque / GRADE_STEP_NM, 0, len(GRADES) - 1))]
                    angle = 52 - 12 * stiff[person] + 5 * part + rng.normal(0, 1)
                    rows.append(
                        {"participant": code, "visit": visit, "side": side, "digit": "", "joint": "wrist",
                         "movement": "extension", "mode": "passive", "condition": condition,
                         "degrees": f"{np.clip(np.round(angle), 5, 80):g}", "repetition": str(number),
                         "velocity": f"{velocity:g}", "torque": f"{min(torque, plan.torque_limit):.2f}",
                         "torque_unit": "N m", "stiffness": grade, "stopped_by": "torque limit" if cut else "end"}
                    )  # fmt: skip
    dexterity = _latent(ability, "dexterity")
    for person, place, code, visit, side, _ in _visits(design, frame, order, status):
        for mode, helped in (("active", 0.0), ("assisted", 8.0)):
            for joint, middle in (("mcp", 52), ("pip", 60), ("dip", 34)):
                bend = np.clip(np.round(middle + 12 * dexterity[person, place] + helped + rng.normal(0, 3)), 0, 95)
                lag = np.clip(np.round(14 - 4 * dexterity[person, place] - helped / 2 + rng.normal(0, 2)), 0, bend)
                kept = {"participant": code, "visit": visit, "side": side, "digit": "index", "joint": joint,
                        "mode": mode, "condition": ""}  # fmt: skip
                rows.append(kept | {"movement": "flexion", "degrees": f"{bend:g}"})
                rows.append(kept | {"movement": "extension deficit", "degrees": f"{lag:g}"})
    return pd.DataFrame(rows).fillna(""), drops


def _channel(design, ability, frame, order, status, rng):
    """Three trials of the declared channel in every condition; the truth is the force without the luck of a trial."""
    plan, strength = design.device, _latent(ability, "strength")
    own = plan.force + plan.force_sd * rng.standard_normal(design.n)
    helped = np.maximum(0.5, plan.force_help + plan.force_help_sd * rng.standard_normal(design.n))
    rows, truth = [], []
    for person, place, code, visit, side, _ in _visits(design, frame, order, status):
        plain = max(0.5, own[person] + plan.force_per_unit * strength[person, place])
        by_condition = dict(zip(CONDITIONS, (plain, max(0.3, plain - plan.force_hindrance), plain + helped[person]),
                                strict=True))  # fmt: skip
        for condition, force in by_condition.items():
            truth.append({"participant": code, "visit": visit, "condition": condition, "true_force_N": force})
            for trial in (1, 2, 3):
                rows.append(
                    {"participant": code, "visit": visit, "instrument": plan.channel, "side": side,
                     "condition": condition, "trial": str(trial), "unit": "N",
                     "value": f"{max(0.0, force + plan.force_noise * rng.standard_normal()):.1f}"}
                )  # fmt: skip
    return pd.DataFrame(rows if plan.channel else []), truth if plan.channel else []


def _faults(design, frame, order, status, events, rng):
    """Deficiencies at their rate; those an adverse event ticks are described first, with the event's number."""
    plan, last = design.device, last_days(design, status)
    device_of = {str(frame.codes[person]): f"S{person % 6 + 1}" for person in order}
    rows = []
    events = events.copy()
    if len(events):
        events["event"] = [f"E{number}" for number in range(1, len(events) + 1)]
        started = pd.to_datetime(events["date"])
        events["end_date"] = (started + pd.to_timedelta(rng.integers(0, 6, len(events)), "D")).dt.strftime("%Y-%m-%d")
        events["criterion"] = np.where(events["serious"] == "yes", "hospital", "")
        events["expected"] = np.where(events["related"] == "unrelated", "no", "yes")
        events["action"] = np.where(events["term"].str.contains("skin"), "paused", "none")
        events["related_device"] = np.where(events["term"].str.contains("skin|battery"), "probable", "not related")
        events["related_procedure"] = "not related"
        for event in events[events["device_deficiency"] == "yes"].to_dict("records"):
            rows.append(_fault(FAULTS[0], event["participant"], device_of, event["date"], event["event"], rng))
    for person in order:
        for _ in range(rng.poisson(plan.deficiency_rate * max(last[person], 1) / 28)):
            kind = FAULTS[int(rng.integers(len(FAULTS)))]
            day = str(dates(frame.days[person, :1] + int(rng.integers(1, max(last[person], 2))))[0])
            rows.append(_fault(kind, str(frame.codes[person]), device_of, day, "", rng))
    rows.append(_fault(FAULTS[4], "", device_of, str(dates(frame.days[order[0], :1])[0]), "", rng))
    rows = sorted(rows, key=lambda row: row["date"])
    return pd.DataFrame([{"deficiency": f"F{number}"} | row for number, row in enumerate(rows, 1)]), events


def _fault(kind, code: str, device_of, day: str, event: str, rng) -> dict[str, str]:
    category, cause, part, words = kind
    mended = (pd.Timestamp(day) + pd.Timedelta(days=int(rng.integers(0, 5)))).strftime("%Y-%m-%d")
    return {
        "participant": code, "device": device_of.get(code, "S1"), "date": day, "category": category, "cause": cause,
        "part": part, "description": words, "could_have_been_serious": "yes" if rng.random() < 0.1 else "no",
        "event": event, "action": REPAIRS.get(part, "none"), "minutes_lost": f"{5 * int(rng.integers(0, 8))}",
        "resolved": mended,
    }  # fmt: skip


def _skin(design, frame, order, status, rng):
    """A look at the skin after wear at every visit from the second on, and one at entry before."""
    rows = []
    for _, place, code, visit, side, day in _visits(design, frame, order, status):
        seen = place > 0 and rng.random() < design.device.skin_chance
        finding = SKIN[int(rng.choice(2))] if seen else "none"
        rows.append(
            {"participant": code, "visit": visit, "date": day, "when": "before" if place == 0 else "after",
             "site": ("dorsum", "palm")[int(rng.integers(2))], "side": side, "finding": finding,
             "minutes_to_clear": f"{5 * int(rng.integers(1, 7))}" if seen else "", "action": "none", "event": ""}
        )  # fmt: skip
    return pd.DataFrame(rows)


def _ratings(design, ability, frame, order, status, rng):
    """How the device was to use at every visit after entry, and the workload of its tasks."""
    plan, use = design.device, _latent(ability, "use")
    rows, items = [], []
    for person, place, code, visit, _, _ in _visits(design, frame, order, status):
        if place == 0:
            continue
        minutes = max(1.0, plan.donning_minutes - 0.8 * place - 0.8 * use[person, place] + rng.normal(0, 0.8))
        done = int(np.clip(np.round(4 + 0.8 * use[person, place] + rng.normal(0, 0.7)), 0, 6))
        rows.append(
            {"participant": code, "visit": visit, "respondent": "participant",
             "sessions_before": str(int(design.visits[place].day * plan.days_per_week / 7)),
             "donning_minutes": f"{np.round(minutes):g}",
             "donning_help": ("none", "carer")[int(rng.random() < 0.6)], "tasks_tried": "6", "tasks_done": str(done),
             "would_continue": "yes" if rng.random() < plan.continue_chance else "unsure"}
        )  # fmt: skip
        for name in LOADS:
            load = np.clip(5 * np.round((55 - 6 * place + rng.normal(0, 12)) / 5), 0, 100)
            items.append({"participant": code, "visit": visit, "instrument": "workload_raw", "side": "",
                          "condition": "", "item": name, "value": f"{load:g}"})  # fmt: skip
    return pd.DataFrame(rows), pd.DataFrame(items)
