"""The two-way table of targets by raters and its mean squares."""

from dataclasses import dataclass

import pandas as pd

from stats.errors import FitError


@dataclass(frozen=True)
class MeanSquares:
    """Mean squares of n targets rated by k raters: between targets, within targets, between raters, residual."""

    n: int
    k: int
    between: float
    within: float
    raters: float
    error: float


def rating_table(
    frame: pd.DataFrame, target: str, rater: str, value: str, incomplete: str = "refuse"
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Targets by raters without gaps, and a note where targets were left out."""
    absent = [name for name in (target, rater, value) if name not in frame]
    if absent:
        raise FitError(f"The frame lacks the columns {', '.join(absent)}.")
    if incomplete not in ("refuse", "drop"):
        raise FitError(f"incomplete {incomplete!r}: allowed 'refuse' or 'drop'.")
    twice = frame[frame.duplicated([target, rater], keep=False)]
    if not twice.empty:
        who = twice.iloc[0]
        raise FitError(f"Two values for {target} {who[target]}, {rater} {who[rater]}: allowed one.")
    table = frame.pivot(index=target, columns=rater, values=value).astype(float)
    gaps = table.index[table.isna().any(axis=1)]
    notes: tuple[str, ...] = ()
    if len(gaps):
        names = ", ".join(map(str, gaps))
        if incomplete == "refuse":
            raise FitError(f"Not rated by everyone: {target} {names}. Leave them out with incomplete='drop'.")
        table = table.drop(index=gaps)
        notes = (f"Left out, not rated by everyone: {names}.",)
    if min(table.shape) < 2:
        raise FitError(f"{table.shape[0]} complete targets and {table.shape[1]} raters: allowed 2 or more of each.")
    return table, notes


def mean_squares(table: pd.DataFrame) -> MeanSquares:
    """Two-way analysis of variance of a complete table."""
    y = table.to_numpy(float)
    n, k = y.shape
    grand, rows, columns = y.mean(), y.mean(axis=1), y.mean(axis=0)
    between = float(k * ((rows - grand) ** 2).sum())
    raters = float(n * ((columns - grand) ** 2).sum())
    within = float(((y - rows[:, None]) ** 2).sum())
    error = float(((y - rows[:, None] - columns[None, :] + grand) ** 2).sum())
    # a sum of squares this small is rounding, and a ratio of two such numbers would be a made-up reliability
    floor = n * k * (1e-12 * float(abs(y).max())) ** 2
    between, within, raters, error = (0.0 if part <= floor else part for part in (between, within, raters, error))
    return MeanSquares(n, k, between / (n - 1), within / (n * (k - 1)), raters / (k - 1), error / ((n - 1) * (k - 1)))


def cronbach_from_variances(k: int, sum_item_variance: float, total_variance: float) -> float:
    """k/(k-1) (1 - sum of item variances / variance of the total). Source: Cronbach 1951."""
    if k < 2 or total_variance <= 0:
        raise FitError(f"Alpha needs 2 items and a total that varies, found {k}, variance {total_variance}.")
    return k / (k - 1) * (1 - sum_item_variance / total_variance)
