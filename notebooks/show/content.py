"""What an exhibit carries for machines: plain values at full precision, under a MIME type of the kit's own."""

import numpy as np
import pandas as pd

MIME = "application/vnd.outcomes-kit+json"


def plain(frame: pd.DataFrame) -> list[list]:
    """Pairs of column name and plain values: full precision, None for a missing value.

    Pairs, not a mapping: notebook files sort the keys of mappings, and the order of columns is part of a table.
    """
    return [[str(column), [plain_value(value) for value in frame[column].tolist()]] for column in frame.columns]


def plain_value(value: object) -> bool | int | float | str | None:
    """One value as JSON can hold it."""
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        number = float(value)
        if np.isnan(number):
            return None
        return number if np.isfinite(number) else ("infinite" if number > 0 else "minus infinite")
    if isinstance(value, pd.Timestamp):
        return value.date().isoformat()
    return str(value)
