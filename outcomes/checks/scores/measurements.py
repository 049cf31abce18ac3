"""Checks of single measurements: known instrument, item and scale, value in its range, once and in a known unit."""

from collections.abc import Iterator, Mapping
from itertools import pairwise

import numpy as np
import pandas as pd

from outcomes.checks.grouping import group_codes, looked_up
from outcomes.checks.register import hint, place, reports
from outcomes.columns import UNABLE
from outcomes.findings import as_text, flag
from outcomes.library.instrument import Item
from outcomes.library.known import find_instrument, find_measure
from outcomes.library.registry import instruments
from outcomes.scoring.steps import averaged, half_digit, mean_of, on_step
from outcomes.study import Study

# Numbers that programs and people write for a missing value; read as such only where they are outside the range.
_MISSING_NUMBERS = (-9.0, -99.0, -999.0, 99.0, 999.0, 9999.0, 888.0, 777.0)


@reports("unknown instrument", "unknown item")
def items_known(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.items
    for name, rows in frame.groupby("instrument", sort=False):
        instrument = find_instrument(str(name))
        if instrument is None:
            where = place(study, "items", "instrument")
            advice = hint(str(name), instruments())
            yield flag("unknown instrument", rows, **where, found=rows["instrument"], advice=advice,
                       allowed="an id of the catalogue")  # fmt: skip
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
    for name, scale, at in _by_scale(study.totals):
        if find_measure(study.protocol, name, scale):
            continue
        instrument = find_instrument(name)
        declared = [measure.id for measure in study.protocol.measures]
        if instrument is None and name not in {measure.split(".")[0] for measure in declared}:
            allowed = "an id of the catalogue" + (f" or {', '.join(declared)}" if declared else "")
            rows = study.totals.take(at)
            yield flag("unknown instrument", rows, **place(study, "totals", "instrument"),
                       found=rows["instrument"], allowed=allowed, advice=hint(name, instruments()))  # fmt: skip
        elif instrument is None or (scale and instrument.scale(scale) is None):
            scales = (
                [known.id for known in instrument.scales] if instrument else [part.split(".")[1] for part in declared]
            )
            rows = study.totals.take(at)
            yield flag("unknown scale", rows, **place(study, "totals", "scale"), found=scale or "blank",
                       allowed=", ".join(scales))  # fmt: skip


@reports("above maximum", "below minimum", "between levels", "not a whole number", "number for a missing value")
def answers_in_range(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.items[study.items["value"].notna()]
    for name, rows in frame.groupby("instrument", sort=False):
        instrument = find_instrument(str(name))
        if instrument is None:
            continue
        instrument = averaged(instrument, study.protocol.instruments.get(instrument.id, {}))
        items = {item.id: item for item in instrument.items}
        low = looked_up(rows["item"], {key: item.low for key, item in items.items()}, "float64")
        high = looked_up(rows["item"], {key: item.high for key, item in items.items()}, "float64")
        wrong = _outside(rows, low, high)
        wrong["between levels"] = rows["value"].between(low, high) & _between(rows, items)
        wrong["not a whole number"] = rows["value"].between(low, high) & _fraction(rows, items)
        for rule, where in wrong.items():
            if where.any():
                bad = rows[where]
                allowed = looked_up(bad["item"], {key: answers_text(items[key]) for key in bad["item"].unique()}, "str")
                found = f"{name} item " + bad["item"] + ": " + bad["typed"]
                yield flag(rule, bad, **place(study, "items", "value", bad), found=found, allowed=allowed)


@reports("unable is no answer here")
def unable_refused(study: Study) -> Iterator[pd.DataFrame]:
    """On a form where "unable" is the worst answer of some items it cannot be read as a gap in the others."""
    frame = study.items[study.items["code"] == UNABLE]
    for name, rows in frame.groupby("instrument", sort=False):
        instrument = find_instrument(str(name))
        refusing = {item.id: answers_text(item) for item in instrument.items if item.refuses} if instrument else {}
        bad = rows[rows["item"].isin(list(refusing))]
        found = f"{name} item " + bad["item"] + ": " + bad["typed"]
        yield flag("unable is no answer here", bad, **place(study, "items", "value", bad), found=found,
                   allowed=looked_up(bad["item"], refusing, "str"))  # fmt: skip


@reports("above maximum", "below minimum", "number for a missing value")
def totals_in_range(study: Study) -> Iterator[pd.DataFrame]:
    for name, scale, at in _by_scale(study.totals, with_value=True):
        low, high = total_range(study, name, scale)
        for rule, where in _outside(study.totals[["value"]].take(at), low, high).items():
            if where.any():
                bad = study.totals.take(at[where.to_numpy()])
                found = f"{name} " + bad["typed"]
                yield flag(
                    rule, bad, **place(study, "totals", "value", bad), found=found, allowed=range_text(low, high)
                )


def _by_scale(totals: pd.DataFrame, *, with_value: bool = False) -> Iterator[tuple[str, str, np.ndarray]]:
    """Instrument, scale and where their rows are, in the order in which they come first.

    Positions, because whole rows of texts take long to copy, and hardly any of them has a finding.
    """
    code = group_codes(totals, ["instrument", "scale"])
    if with_value:
        code = np.where(totals["value"].notna().to_numpy(), code, -1)
    order = np.argsort(code, kind="stable")
    starts = np.searchsorted(code[order], np.arange(code.max(initial=-1) + 2))
    for start, end in pairwise(starts.tolist()):
        if end > start:
            first = totals.iloc[order[start]]
            yield str(first["instrument"]), str(first["scale"]), order[start:end]


def _outside(rows: pd.DataFrame, low: pd.Series | float, high: pd.Series | float) -> dict[str, pd.Series]:
    """Which rows lie outside a range, by the rule they break."""
    above, below = rows["value"] > high, rows["value"] < low
    coded = (above | below) & rows["value"].isin(_MISSING_NUMBERS)
    return {"number for a missing value": coded, "above maximum": above & ~coded, "below minimum": below & ~coded}


@reports("total between steps")
def totals_on_steps(study: Study) -> Iterator[pd.DataFrame]:
    """A sum of whole points cannot be 41.5; a mean or a time may."""
    for name, scale_id, at in _by_scale(study.totals, with_value=True):
        low, step = _steps(study, name, scale_id)
        if not step:
            continue
        rows = study.totals[["value", "typed"]].take(at)
        bad = study.totals.take(at[~on_step(rows["value"], low, step, half_digit(rows["typed"]))])
        yield flag("total between steps", bad, **place(study, "totals", "value", bad), found=f"{name} " + bad["typed"],
                   allowed=f"{as_text(low)} in steps of {as_text(step)}")  # fmt: skip


def _steps(study: Study, name: str, scale_id: str) -> tuple[float, float]:
    """Lowest value and step of a total; a step of 0 where any value may be. The mean of n ratings moves in n-ths."""
    measure = find_measure(study.protocol, name, scale_id)
    if measure is not None:
        return measure.low or 0.0, (measure.step or 0.0) / study.protocol.averaged.get(measure.id, 1)
    instrument = find_instrument(name)
    scale = (instrument.scale(scale_id) if scale_id else instrument.main_scale) if instrument else None
    if instrument is None or scale is None or not scale.step:
        return 0.0, 0.0
    declared = study.protocol.averaged.get(f"{name}.{scale.id}", 1)
    return scale.low, float(scale.step) / max(declared, mean_of(study.protocol.instruments.get(instrument.id, {})))


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


def answers_text(item: Item) -> str:
    """The answers of an item in words."""
    if item.levels:
        words = [word for word in item.codes if item.codes[word] == item.codes[word]]
        return ", ".join([as_text(level) for level in item.levels] + words)
    return range_text(item.low, item.high)


def _fraction(rows: pd.DataFrame, items: Mapping[str, Item]) -> pd.Series:
    """Whether a value of an item that is counted in steps lies between them."""
    wrong = pd.Series(False, index=rows.index)
    for key, item in items.items():
        if item.step is not None:
            mine = rows.loc[rows["item"] == key, "value"]
            wrong.loc[mine.index] = ~on_step(mine, item.low, item.step)
    return wrong


def _between(rows: pd.DataFrame, items: Mapping[str, Item]) -> pd.Series:
    """Whether a value is none of the levels of its item. Items with the same levels are looked at together."""
    wrong = pd.Series(False, index=rows.index)
    for levels in {item.levels for item in items.values() if item.levels}:
        mine = rows["item"].isin([key for key, item in items.items() if item.levels == levels])
        wrong |= mine & ~rows["value"].isin(levels)
    return wrong
