"""Checks of single measurements: known instrument, item and scale, value in its range, once and in a known unit."""

from collections.abc import Iterator, Mapping

import numpy as np
import pandas as pd

from outcomes.checks.people import place
from outcomes.checks.register import reports
from outcomes.findings import as_text, flag
from outcomes.instrument import Item
from outcomes.known import find_instrument, find_measure
from outcomes.sheets import FORCE_UNITS
from outcomes.study import Study

_KEYS = {
    "items": ["participant", "visit", "instrument", "side", "condition", "item", "rater"],
    "totals": ["participant", "visit", "instrument", "scale", "side", "condition", "rater"],
    "trials": ["participant", "visit", "instrument", "side", "condition", "trial", "rater"],
    "angles": ["participant", "visit", "side", "digit", "joint", "movement", "mode", "rater"],
}


@reports("unknown instrument", "unknown item")
def items_known(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.items
    for name, rows in frame.groupby("instrument", sort=False):
        instrument = find_instrument(str(name))
        if instrument is None:
            where = place(study, "items", "instrument")
            yield flag("unknown instrument", rows, **where, found=rows["instrument"], allowed="an id of the catalogue")
            continue
        known = [item.id for item in instrument.items]
        unknown = rows[~rows["item"].isin(known)]
        allowed = ", ".join(known) if len(known) <= 12 else f"{known[0]} ... {known[-1]} ({len(known)} items)"
        yield flag(
            "unknown item",
            unknown,
            **place(study, "items", "item"),
            found=name + " " + unknown["item"],
            allowed=allowed,
        )


@reports("unknown instrument", "unknown scale")
def totals_known(study: Study) -> Iterator[pd.DataFrame]:
    for (name, scale), rows in study.totals.groupby(["instrument", "scale"], sort=False):
        name, scale = str(name), str(scale)
        if find_measure(study.protocol, name, scale):
            continue
        instrument = find_instrument(name)
        declared = [measure.id for measure in study.protocol.measures]
        if instrument is None and name not in {measure.split(".")[0] for measure in declared}:
            allowed = "an id of the catalogue" + (f" or {', '.join(declared)}" if declared else "")
            yield flag("unknown instrument", rows, **place(study, "totals", "instrument"),
                       found=rows["instrument"], allowed=allowed)  # fmt: skip
        elif instrument is None or (scale and instrument.scale(scale) is None):
            scales = (
                [known.id for known in instrument.scales] if instrument else [part.split(".")[1] for part in declared]
            )
            yield flag("unknown scale", rows, **place(study, "totals", "scale"), found=scale or "blank",
                       allowed=", ".join(scales))  # fmt: skip


@reports("above maximum", "below minimum", "between levels")
def answers_in_range(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.items[study.items["value"].notna()]
    where = place(study, "items", "value")
    for name, rows in frame.groupby("instrument", sort=False):
        instrument = find_instrument(str(name))
        if instrument is None:
            continue
        items = {item.id: item for item in instrument.items}
        value = rows["value"]
        low = rows["item"].map({key: _low(item) for key, item in items.items()})
        high = rows["item"].map({key: _high(item) for key, item in items.items()})
        above, below = value > high, value < low
        between = ~above & ~below & _between(rows, items)
        for rule, wrong in (("above maximum", above), ("below minimum", below), ("between levels", between)):
            bad = rows[wrong]
            found = name + " item " + bad["item"] + ": " + bad["typed"]
            allowed = bad["item"].map({key: allowed_text(item) for key, item in items.items()})
            yield flag(rule, bad, **where, found=found, allowed=allowed)


@reports("above maximum", "below minimum")
def totals_in_range(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.totals[study.totals["value"].notna()]
    where = place(study, "totals", "value")
    for (name, scale), rows in frame.groupby(["instrument", "scale"], sort=False):
        low, high = total_range(study, str(name), str(scale))
        text = range_text(low, high)
        above, below = rows[rows["value"] > high], rows[rows["value"] < low]
        yield flag("above maximum", above, **where, found=f"{name} " + above["typed"], allowed=text)
        yield flag("below minimum", below, **where, found=f"{name} " + below["typed"], allowed=text)


@reports("below minimum")
def trials_in_range(study: Study) -> Iterator[pd.DataFrame]:
    rows = study.trials[study.trials["value"] < 0]
    yield flag("below minimum", rows, **place(study, "trials", "value"), found=rows["typed"], allowed="0 or more")


@reports("duplicate row")
def duplicate_rows(study: Study) -> Iterator[pd.DataFrame]:
    for table, keys in _KEYS.items():
        frame = study.table(table)
        rows = frame[frame.duplicated(keys) & (frame["participant"] != "")]
        if rows.empty:
            continue
        first = frame.drop_duplicates(keys).set_index(keys)["row"]
        at = pd.MultiIndex.from_frame(rows[keys]).map(first)
        yield flag(
            "duplicate row",
            rows,
            **place(study, table, "participant"),
            found=rows[keys[2:-1]].astype("str").agg(lambda parts: " ".join(part for part in parts if part), axis=1),
            allowed=pd.Series([f"once; the first is row {row}" for row in at], index=rows.index),
        )


@reports("unit not a force")
def force_units(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.trials
    rows = frame[~frame["unit"].isin(FORCE_UNITS.values()) & (frame["value"].notna() | (frame["unit"] != ""))]
    found = rows["unit"].replace("", "blank")
    yield flag("unit not a force", rows, **place(study, "trials", "unit"), found=found, allowed="kgf, lbf, N")


@reports("outcome without data")
def outcomes_with_data(study: Study) -> Iterator[pd.DataFrame]:
    measured = set(study.items["instrument"]) | set(study.totals["instrument"]) | set(study.trials["instrument"])
    for outcome in study.protocol.outcomes:
        name = outcome.split(".")[0]
        if name not in measured and len(study.angles) == 0:
            allowed = ", ".join(sorted(measured)) or "none"
            yield flag("outcome without data", file="study.toml", column="outcomes", found=outcome, allowed=allowed)


def total_range(study: Study, name: str, scale: str) -> tuple[float, float]:
    """Lowest and highest total of a declared measure or a catalogue scale; infinite where there is no limit."""
    measure = find_measure(study.protocol, name, scale)
    instrument = find_instrument(name)
    known = measure or (instrument and (instrument.scale(scale) if scale else instrument.main_scale))
    if not known:
        return -np.inf, np.inf
    return (-np.inf if known.low is None else known.low), (np.inf if known.high is None else known.high)


def range_text(low: float, high: float) -> str:
    """A range in words, open where it has no limit."""
    if np.isinf(high):
        return f"{as_text(low)} or more" if np.isfinite(low) else "any number"
    return f"{as_text(low)} to {as_text(high)}" if np.isfinite(low) else f"{as_text(high)} or less"


def allowed_text(item: Item) -> str:
    """The answers of an item in words."""
    if item.levels:
        return ", ".join(as_text(float(level)) for level in item.levels)
    return range_text(item.low, item.high)


def _low(item: Item) -> float:
    return min(item.levels) if item.levels else item.low


def _high(item: Item) -> float:
    return max(item.levels) if item.levels else item.high


def _between(rows: pd.DataFrame, items: Mapping[str, Item]) -> pd.Series:
    """Whether a value is none of the levels of its item. Items with the same levels are looked at together."""
    wrong = pd.Series(False, index=rows.index)
    for levels in {item.levels for item in items.values() if item.levels}:
        mine = rows["item"].isin([key for key, item in items.items() if item.levels == levels])
        wrong |= mine & ~rows["value"].isin(levels)
    return wrong
