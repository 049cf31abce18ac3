"""The analysis plan inside a protocol, in one canonical form, its hash, and what differs between two plans.

The plan is everything in study.toml that decides which numbers come out. Titles and labels are words that people see,
and [[departures]] explains: none of these is part of it. Comments, blank lines, the order of keys, 8 or 8.0, and a
default that is written out do not matter.
"""

import datetime
import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass

from outcomes.protocol.trial import ModelChoice, Protocol

ABSENT = "not there"
ADDED = ("site", "site_effect", "strata", "days")  # keys younger than the first locks: a default is not written


@dataclass(frozen=True)
class PlanChange:
    """One key of the plan that is not what it was. `was`, `now`: the values in words, `ABSENT` where there was none."""

    key: str
    was: str
    now: str


def plan_of(protocol: Protocol) -> dict:
    """The plan as plain tables, lists, texts and numbers; what has an id or a name of its own is a table by that."""
    return _plain(
        {
            "design": protocol.design,
            "blinded": protocol.blinded,
            "primary": protocol.primary,
            "outcomes": protocol.outcomes,
            "level": protocol.level,
            "seed": protocol.seed,
            "arms": {arm.id: {"reference": arm.reference} for arm in protocol.arms},
            "visits": {visit.id: {"day": visit.day, "window": visit.window} for visit in protocol.visits},
            "periods": _named((period.id, asdict(period), ("id",)) for period in protocol.periods),
            "both_hands": asdict(protocol.both_hands) if protocol.both_hands else {},
            "model": _model(protocol.model),
            "sensitivity": _named((model.label, _model(model), ("label",)) for model in protocol.sensitivity),
            "thresholds": protocol.thresholds,
            "estimand": protocol.estimand,
            "randomisation": {
                "randomised": protocol.randomisation.randomised,
                "strata": protocol.randomisation.strata,
            },
            "measures": _named(
                (measure.id, _said(asdict(measure), "step"), ("id", "label")) for measure in protocol.measures
            ),
            **_series(protocol),
            "instruments": protocol.instruments,
            "scored_raters": protocol.scored_raters,
            "columns": protocol.columns,
            "wide": _named((wide.file, _said(asdict(wide), "sheet"), ("file",)) for wide in protocol.wide),
            "criteria": _named(
                (str(each.get("id", "criterion")), dict(each), ("id", "label")) for each in protocol.criteria
            ),
        }
        # Keys that came later stand in the plan where a study uses them, so that plans locked before stay as they were.
        | ({"values": protocol.values} if protocol.values else {})
        | ({"own_thresholds": _own(protocol)} if protocol.own_thresholds else {})
        | ({"planned_visits": protocol.planned_visits} if protocol.planned_visits else {})
        | ({"averaged": protocol.averaged} if protocol.averaged else {})
        | _events(protocol)
        | _device(protocol)
    )


def _said(table: dict, key: str) -> dict:
    """The table without a key that says nothing."""
    return table if table[key] else {name: value for name, value in table.items() if name != key}


def _own(protocol: Protocol) -> dict:
    """The study's own thresholds by outcome: what decides a count."""
    return {
        outcome: {entry.key: {"value": entry.value, "unit": entry.unit, "better": entry.better} for entry in entries}
        for outcome, entries in protocol.own_thresholds.items()
    }


def _series(protocol: Protocol) -> dict:
    """What is taken of recordings; nothing where nothing is, so that plans without recordings keep their hash."""
    if not protocol.series_outcomes:
        return {}
    return {
        "series": asdict(protocol.series),
        "series_outcomes": _named((one.id, asdict(one), ("id", "label")) for one in protocol.series_outcomes),
    }


def _events(protocol: Protocol) -> dict:
    """Intercurrent events, where there are any: a plan without them reads as it did before they could be written."""
    if not protocol.events:
        return {}
    return {"events": _named((event.id, asdict(event), ("id", "label")) for event in protocol.events)}


def _device(protocol: Protocol) -> dict:
    """Channels, levels to reach and grades, where there are any."""
    parts = {
        "channels": _named((one.id, asdict(one), ("id", "label")) for one in protocol.channels),
        "levels": _named((one.id, asdict(one), ("id", "label", "reason")) for one in protocol.levels),
        "total_motion": asdict(protocol.total_motion) if protocol.total_motion.system else {},
        "stiffness_grades": protocol.stiffness_grades,
    }
    return {key: part for key, part in parts.items() if part}


def plan_digest(plan: Mapping) -> str:
    """SHA-256 of a plan in its canonical form: keys sorted, no blanks, UTF-8."""
    return text_digest(canonical(plan))


def text_digest(text: str) -> str:
    """SHA-256 of a text in UTF-8."""
    return hashlib.sha256(text.encode()).hexdigest()


def canonical(content: object) -> str:
    """One text for one content, whatever the order of its keys."""
    return json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def plan_changes(was: Mapping, now: Mapping, under: str = "") -> tuple[PlanChange, ...]:
    """Every key that differs, in the order of the plan; a table that is new or gone is one change."""
    changes: list[PlanChange] = []
    for key in [*was, *(key for key in now if key not in was)]:
        name = f"{under}.{key}" if under else str(key)
        before, after = was.get(key, ABSENT), now.get(key, ABSENT)
        if before == after and type(before) is type(after):
            continue
        if isinstance(before, Mapping) and isinstance(after, Mapping):
            changes += plan_changes(before, after, name)
        else:
            changes.append(PlanChange(name, in_words(before), in_words(after)))
    return tuple(changes)


def in_words(value: object) -> str:
    """A value of the plan as a person would write it."""
    if value is None:
        return "not set"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return "; ".join(f"{key} = {in_words(part)}" for key, part in value.items()) or "empty"
    if isinstance(value, list):
        return ", ".join(in_words(part) for part in value) or "empty"
    return str(value) if value != "" else "empty"


def _model(model: ModelChoice) -> dict:
    """A model without its label; defaults of keys that came later are left out: plans from before stay as they were."""
    standard = asdict(ModelChoice())
    return {
        key: value
        for key, value in asdict(model).items()
        if key != "label" and not (key in ADDED and value == standard[key])
    }


def _named(parts: Iterable[tuple[str, dict, tuple[str, ...]]]) -> dict[str, dict]:
    """Tables by their name, without the keys that are the name or words; a name that comes again gets a number."""
    named: dict[str, dict] = {}
    for name, table, left_out in parts:
        number, key = 1, name
        while key in named:
            number += 1
            key = f"{name} ({number})"
        named[key] = {inner: value for inner, value in table.items() if inner not in left_out}
    return named


def _plain(value: object):
    """Tables, lists, texts and numbers only; a whole number has no decimal point, however it was written."""
    if isinstance(value, Mapping):
        return {str(key): _plain(part) for key, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(part) for part in value]
    if isinstance(value, float):
        return int(value) if value.is_integer() else value if abs(value) < float("inf") else repr(value)
    if isinstance(value, (datetime.date, datetime.time)):
        return value.isoformat()
    return value
