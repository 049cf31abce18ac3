"""Rows grouped by several columns as pandas groups them, also where the numbers of all combinations do not fit."""

import numpy as np
import pandas as pd
import pytest

from outcomes.checks.grouping import group_codes, repeats


@pytest.mark.parametrize("largest", [2**62, 100])  # numbered anew on the way where they would be larger
def test_groups_and_repeats_are_those_of_pandas(largest: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("outcomes.checks.grouping._LARGEST", largest)
    rng = np.random.default_rng(1)
    frame = pd.DataFrame({name: rng.integers(0, size, 400).astype(str) for name, size in
                          (("a", 30), ("b", 1), ("c", 4), ("d", 2))})  # fmt: skip
    frame["e"] = np.where(rng.random(400) < 0.5, np.nan, 1.0)
    keys = list(frame)
    pandas = frame.groupby(keys, sort=False, dropna=False).ngroup()
    assert group_codes(frame, keys).tolist() == pandas.tolist()
    assert repeats(frame, keys).tolist() == frame.duplicated(keys).tolist()
    assert repeats(frame, keys).any()
    assert group_codes(frame.iloc[:0], keys).tolist() == repeats(frame.iloc[:0], keys).tolist() == []


def test_more_combinations_than_a_number_holds() -> None:
    frame = pd.DataFrame({str(k): np.random.default_rng(k).permutation(3000) for k in range(6)})  # 3000^6 > 2^64
    again = pd.concat([frame, frame.iloc[[5]]], ignore_index=True)
    assert np.flatnonzero(repeats(again, list(frame))).tolist() == [3000]
