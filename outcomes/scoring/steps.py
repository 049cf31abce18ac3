"""Steps of a score: counts and points are whole, means of them are not, a number is as exact as it was typed."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from outcomes.library.instrument import Instrument
from outcomes.scoring.options import MEAN_OF

_ROUNDED_MEAN = 0.05  # a mean of three is typed with one decimal at least: 8.3 for 8 1/3


def averaged(instrument: Instrument, given: Mapping[str, object]) -> Instrument:
    """The instrument as the study records it: items counted in wholes allow the means that `mean_of` declares."""
    count = mean_of(given)
    if count == 1:
        return instrument
    items = tuple(item if item.step is None else replace(item, step=item.step / count) for item in instrument.items)
    return replace(instrument, items=items)


def mean_of(given: Mapping[str, object]) -> int:
    """How many trials or raters the typed numbers of an instrument are means of; 1 where nothing was declared."""
    value = given.get(MEAN_OF.id, 1)
    return int(value) if isinstance(value, int | float) and value >= 1 else 1


def on_step(values: ArrayLike, low: float, step: float, within: ArrayLike = 0.0) -> NDArray[np.bool_]:
    """Whether each value is a whole number of steps above `low`, give or take `within` (half of its last digit)."""
    distance = (np.asarray(values, dtype=float) - low) / step
    # Means of three or more do not end; their typed digits do.
    ends = 1e-6 if step >= 0.5 or step in (0.2, 0.1) else _ROUNDED_MEAN / step
    away = np.abs(distance - np.round(distance))
    return away <= np.maximum(ends, np.asarray(within, dtype=float) / step * (1 + 1e-9))


def half_digit(typed: pd.Series) -> pd.Series:
    """Half a unit of the last digit of every cell as typed.

    >>> half_digit(pd.Series(["56.3", "41", "12,25"])).tolist()
    [0.05, 0.5, 0.005]
    """
    codes, distinct = pd.factorize(typed.astype("str"), use_na_sentinel=False)  # few texts come again and again
    decimals = pd.Series(distinct).str.strip().str.extract(r"[.,](\d+)$", expand=False).fillna("").str.len()
    return pd.Series(0.5 * 10.0 ** -decimals.to_numpy(dtype=float)[codes], index=typed.index)
