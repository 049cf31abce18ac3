"""Totals as typed: of a catalogue instrument, or of a measure the study declares itself."""

import numpy as np
import pandas as pd

from outcomes.library.instrument import Instrument, Scale
from outcomes.library.registry import instruments
from outcomes.protocol.trial import Measure, Protocol
from outcomes.scoring.administrations import Keys, why_codes
from outcomes.scoring.answers import CODE_UNABLE, NUMBER, OUTSIDE, TWICE, WHY
from outcomes.scoring.long_frame import Block
from outcomes.scoring.score_notes import Note, Scored, said
from outcomes.scoring.steps import half_digit
from outcomes.study import Study


def total_blocks(study: Study, keys: Keys) -> list[Block]:
    """One block per outcome among the typed totals; unknown instruments and scales are left to `check`."""
    frame = study.totals
    if frame.empty:
        return []
    key, why = keys.of(frame), why_codes(frame)
    values = frame["value"].to_numpy(dtype=float)
    exact = half_digit(frame["typed"]).to_numpy()
    codes, distinct = _names(frame["instrument"].fillna(""), frame["scale"].fillna(""))
    rows_of: dict[str, list[int]] = {}
    meant: dict[str, tuple[Instrument | None, Scale | Measure]] = {}
    for number, name in enumerate(distinct):
        target = find_total(study.protocol, *name.partition(".")[::2])
        if target is not None:
            outcome = f"{target[0].id}.{target[1].id}" if target[0] else target[1].id
            meant[outcome] = target
            rows_of.setdefault(outcome, []).append(number)
    blocks = []
    for outcome, numbers in rows_of.items():
        rows = np.flatnonzero(np.isin(codes, numbers) & (key >= 0))
        if len(rows):
            blocks.append(_block(outcome, *meant[outcome], key[rows], values[rows], why[rows], exact[rows]))
    return blocks


def _names(instrument: pd.Series, scale: pd.Series) -> tuple[np.ndarray, list[str]]:
    """Which name each row has, and the names, in the order in which they come first."""
    (one, instruments_there), (two, scales_there) = pd.factorize(instrument), pd.factorize(scale)
    codes, pairs = pd.factorize(one * len(scales_there) + two)
    at = zip(*divmod(pairs, max(len(scales_there), 1)), strict=True)
    return codes, [f"{instruments_there[i]}.{scales_there[k]}" for i, k in at]


def find_total(protocol: Protocol, name: str, scale_id: str) -> tuple[Instrument | None, Scale | Measure] | None:
    """What a typed total means; a blank scale is the main scale, or the only declared measure of that name."""
    declared = [measure for measure in protocol.measures if measure.id.split(".")[0] == name]
    if scale_id:
        declared = [measure for measure in declared if measure.id == f"{name}.{scale_id}"]
    if len(declared) == 1:
        return None, declared[0]
    found = instruments().get(name)
    scale = None if found is None else found.scale(scale_id) if scale_id else found.main_scale
    return None if scale is None else (found, scale)


def _block(outcome: str, instrument: Instrument | None, target: Scale | Measure, key, values, why, exact) -> Block:
    order = np.argsort(key, kind="stable")
    key, values, why, exact = key[order], values[order].copy(), why[order].copy(), exact[order]
    low = -np.inf if target.low is None else target.low
    high = np.inf if target.high is None else target.high
    why[(why == NUMBER) & ~((values >= low) & (values <= high))] = OUTSIDE
    first = np.concatenate(([True], key[1:] != key[:-1]))
    repeated = np.concatenate((key[1:] == key[:-1], [False])) | ~first
    why[repeated] = TWICE
    key, values, why, exact = key[first], values[first], why[first], exact[first]
    values[why != NUMBER] = np.nan

    worst = _worst(instrument, target)
    unable = (why == CODE_UNABLE) & (worst is not None)
    if worst is not None:
        values[unable] = worst
    known = ~np.isnan(values)
    texts = ("", *(f"total {text}" for text in WHY[1:]))
    notes = [Note(np.where(known, 0, why).astype(np.int64), texts), said(unable, "unable, counted as the worst score")]
    ones = np.ones(len(key), dtype=np.int64)
    scored = Scored(values, known.astype(np.int64), ones, known, notes)
    return Block(outcome, target.unit, target.better, key, scored, typed=True, exact_to=exact)


def _worst(instrument: Instrument | None, target: Scale | Measure) -> float | None:
    """The score of a person unable to do any of it, where every item of the scale gives "unable" a value."""
    if instrument is None or not isinstance(target, Scale):
        return None
    items = [instrument.item(item) for item in target.items]
    if any(item is None or item.unable is None for item in items):
        return None
    return target.low if target.better == "higher" else target.high
