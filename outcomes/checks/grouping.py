"""Rows grouped by several columns at once, and values looked up row by row: over the distinct texts, which are few."""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

_LARGEST = 2**62  # of what is counted in 64 bits, with room


def group_codes(frame: pd.DataFrame, keys: Sequence[str]) -> NDArray[np.int64]:
    """A number per row, the same for rows that agree in all `keys`; numbered in the order of first appearance."""
    combined, size = np.zeros(len(frame), dtype=np.int64), 1
    for key in keys:
        codes, distinct = pd.factorize(frame[key], use_na_sentinel=False)
        if size * max(len(distinct), 1) > _LARGEST:
            combined = pd.factorize(combined)[0].astype(np.int64)
            size = int(combined.max(initial=0)) + 1
        if len(distinct) > 1:
            combined = combined * len(distinct) + codes
            size *= len(distinct)
    return pd.factorize(combined)[0].astype(np.int64)


def repeats(frame: pd.DataFrame, keys: Sequence[str]) -> NDArray[np.bool_]:
    """Which rows agree in all `keys` with an earlier row."""
    codes = group_codes(frame, keys)
    again = np.ones(len(codes), dtype=bool)
    first = np.empty(int(codes.max(initial=-1)) + 1, dtype=np.int64)
    first[codes[::-1]] = np.arange(len(codes))[::-1]  # the first of a group is written last
    again[first] = False
    return again


def looked_up(keys: pd.Series, table: "pd.Series | Mapping[str, object]", dtype: str | None = None) -> pd.Series:
    """The value of `table` (no key twice) for every key; its type stays, even without a row."""
    values = table if isinstance(table, pd.Series) else pd.Series(table, dtype=dtype)
    codes, distinct = pd.factorize(keys)
    if (codes < 0).any():
        return values.reindex(keys.to_numpy()).set_axis(keys.index)
    return values.reindex(distinct).take(codes).set_axis(keys.index)  # few keys come again and again


def among(keys: pd.Series, known: pd.Series) -> pd.Series:
    """Which texts are among those of another column: `isin` makes a Python object of every one of these."""
    codes, distinct = pd.factorize(keys, use_na_sentinel=False)
    there = pc.is_in(pa.array(pd.array(distinct, dtype="str")), value_set=pa.array(pd.array(known, dtype="str")))
    return pd.Series(there.to_numpy(zero_copy_only=False)[codes], index=keys.index, dtype=bool)
