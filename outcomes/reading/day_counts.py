"""Days counted from a participant's own baseline visit, where a study has them in place of dates.

A sheet with a column `day` (`end_day`, `resolved_day`) and no `date` is read as one with dates: day 0 is `DAY_ZERO` of
everybody, a day no study under way can have. What compares dates of one participant works unchanged; nothing may
compare those of two.
"""

import pandas as pd

from outcomes.reading.cells import numbers

HEADER = "day"
DAY_ZERO = pd.Timestamp(1700, 1, 1)
_COUNTED_BEFORE = pd.Timestamp(1850, 1, 1)
_FEWEST, _MOST = -8000, 36_500  # days: two decades before and a century after a baseline visit


def counted(cells: pd.Series) -> pd.DataFrame:
    """Cells as days counted from baseline: columns `value` (datetime, from `DAY_ZERO`) and `how` ("" or "text")."""
    read = numbers(cells)
    days = read["value"].where(read["value"].between(_FEWEST, _MOST) & (read["value"] % 1 == 0))
    how = pd.Series("", index=cells.index, dtype="str")
    unread = days.isna() & (read["value"].notna() | ~read["how"].isin(("", "word")))
    return pd.DataFrame({"value": DAY_ZERO + pd.to_timedelta(days, unit="D"), "how": how.mask(unread, "text")})


def is_counted(dates: pd.Series) -> pd.Series:
    """Which of the dates are days counted from baseline."""
    first = DAY_ZERO + pd.Timedelta(days=_FEWEST)
    return (dates >= first) & (dates < _COUNTED_BEFORE)


def date_texts(dates: pd.Series) -> pd.Series:
    """Dates as year-month-day, counted ones as "day 28"; missing where there is none."""
    written = dates.dt.strftime("%Y-%m-%d")
    if not is_counted(dates).any():
        return written.astype("str")
    days = (dates - DAY_ZERO).dt.days.astype("Int64").astype("str")
    return written.where(~is_counted(dates), "day " + days).astype("str")
