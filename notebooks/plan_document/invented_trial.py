"""A study of the protocol's design with invented people, to show tables and figures before there is any result."""

from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.library.known import find_measure
from outcomes.library.registry import outcome_scale
from outcomes.protocol.trial import Protocol
from outcomes.sheets import SHEETS, empty
from outcomes.study import Study

PER_ARM = 12
SEED = 20250101
SHARE_MISSED = 0.05


def invented_study(protocol: Protocol, folder: Path, per_arm: int = PER_ARM) -> Study:
    """Totals of every outcome at every planned visit, drawn without any effect of an arm: no result can be read off.

    Outcomes taken from recordings are left out. The numbers say nothing about the planned trial, nor its size.
    """
    rng = np.random.default_rng(SEED)
    arms = [arm.id for arm in protocol.arms] or [""]
    people = pd.DataFrame(
        {"participant": [f"X{k + 1:02d}" for k in range(per_arm * len(arms))], "arm": sorted(arms * per_arm)}
    )
    count = len(people)
    participants = _filled("participants", people.assign(
        age=rng.normal(60, 11, count).round().clip(20, 90), sex=rng.choice(["female", "male"], count),
        affected_side=rng.choice(["left", "right"], count), dominant_side="right", diagnosis="invented", onset="12",
    ))  # fmt: skip
    pairs = people[["participant"]].merge(pd.DataFrame({"visit": [visit.id for visit in protocol.visits]}), how="cross")
    pairs = pairs.assign(missed=(rng.random(len(pairs)) < SHARE_MISSED) & (pairs["visit"] != protocol.baseline.id))
    visits = _filled("visits", pairs.assign(status=np.where(pairs["missed"], "missed", "attended")))
    sides = participants.set_index("participant")["affected_side"]
    parts = [_totals(protocol, outcome, pairs[~pairs["missed"]], sides, rng) for outcome in protocol.outcomes]
    totals = pd.concat([part for part in parts if part is not None], ignore_index=True)
    tables = {name: empty(sheet) for name, sheet in SHEETS.items()}
    tables |= {"participants": participants, "visits": visits, "totals": _filled("totals", totals)}
    recorded = pd.DataFrame(
        columns=["participant", "visit", "side", "outcome", "motion", "repetition", "value"], dtype="str"
    )
    return Study(
        folder=folder, protocol=protocol, **tables, series_values=recorded,
        files={"participants": "invented", "totals": "invented"},
    )  # fmt: skip


def _totals(
    protocol: Protocol, outcome: str, pairs: pd.DataFrame, sides: pd.Series, rng: np.random.Generator
) -> pd.DataFrame | None:
    """Scores of one outcome inside its range; None where it is no total."""
    name, _, scale_id = outcome.partition(".")
    measure = find_measure(protocol, name, scale_id)
    try:
        found = measure or outcome_scale(outcome)[1]
    except ValueError:
        return None
    sided = measure is None and outcome_scale(outcome)[0].sided
    low = 0.0 if found.low is None else float(found.low)
    high = low + 40.0 if found.high is None or not np.isfinite(found.high) else float(found.high)
    middle, spread, step = (low + high) / 2, (high - low) / 8, found.step or 0.1
    person = pairs["participant"].map(dict(zip(sides.index, rng.normal(0, spread, len(sides)), strict=True)))
    order = pairs["visit"].map({visit.id: place for place, visit in enumerate(protocol.visits)})
    drawn = middle + person + 0.15 * spread * order + rng.normal(0, spread / 2, len(pairs))
    value = (low + ((drawn - low) / step).round() * step).clip(low, high)
    return pd.DataFrame(
        {"participant": pairs["participant"], "visit": pairs["visit"], "instrument": name, "scale": scale_id,
         "side": pairs["participant"].map(sides) if sided else "", "condition": "unassisted", "value": value,
         "typed": value.map(lambda number: f"{number:g}"), "code": "", "file": "invented", "header": "value"}
    )  # fmt: skip


def _filled(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with every column of its sheet, of the right kind."""
    made = empty(SHEETS[name])
    columns = {column: frame[column].to_numpy() if column in frame else _blank(made[column]) for column in made.columns}
    built = pd.DataFrame(columns, index=range(len(frame))) if len(frame) else made
    built["row"] = range(2, len(built) + 2)
    return built.astype({column: made[column].dtype for column in made.columns if made[column].dtype.kind != "M"})


def _blank(column: pd.Series) -> object:
    return {"f": np.nan, "M": pd.NaT, "i": 0}.get(column.dtype.kind, "")
