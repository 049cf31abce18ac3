"""Grouping rows by several columns at once: as whole numbers, because a million texts are slow to compare."""

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray


def group_codes(frame: pd.DataFrame, keys: Sequence[str]) -> NDArray[np.int64]:
    """A number per row, the same for rows that agree in all `keys`; numbered in the order of first appearance."""
    combined = np.zeros(len(frame), dtype=np.int64)
    for key in keys:
        codes, distinct = pd.factorize(frame[key], use_na_sentinel=False)
        combined = pd.factorize(combined * max(len(distinct), 1) + codes)[0].astype(np.int64)
    return combined


def repeats(frame: pd.DataFrame, keys: Sequence[str]) -> NDArray[np.bool_]:
    """Which rows agree in all `keys` with an earlier row."""
    codes = group_codes(frame, keys)
    first = np.zeros(len(codes), dtype=bool)
    first[np.unique(codes, return_index=True)[1]] = True
    return ~first
