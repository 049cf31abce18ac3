"""Whole forms as numbers: what the checks of administrations and of copied or contradictory forms look at."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.checks.grouping import group_codes, looked_up
from outcomes.library.instrument import Instrument
from outcomes.library.known import find_instrument
from outcomes.study import Study

KEYS = ["participant", "visit", "instrument", "side", "condition"]


@dataclass(frozen=True)
class Grid:
    """Administrations x items of one instrument as numbers, and the first row of each administration."""

    instrument: Instrument
    values: pd.DataFrame
    first: pd.DataFrame


def grids(study: Study) -> Iterator[Grid]:
    """One grid per instrument of the items; of what is there twice the earlier row counts."""
    for name, rows in study.items.groupby("instrument", sort=False):
        instrument = find_instrument(str(name))
        if instrument is None or len(instrument.items) < 2:
            continue
        known = rows[rows["item"].isin([item.id for item in instrument.items])]
        if known.empty:
            continue
        codes = group_codes(known, KEYS)
        position = {item.id: number for number, item in enumerate(instrument.items)}
        column = looked_up(known["item"], position, "int64").to_numpy()
        values = np.full((codes.max() + 1, len(position)), np.nan)
        values[codes[::-1], column[::-1]] = known["value"].to_numpy()[::-1]
        first = known.iloc[np.unique(codes, return_index=True)[1]]
        yield Grid(instrument, pd.DataFrame(values, index=first.index, columns=list(position)), first)
