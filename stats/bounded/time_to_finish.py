"""Arithmetic of times to finish a task that may be cut off: share still at it, restricted mean, pseudo-values."""

import numpy as np
import pandas as pd
from scipy.special import ndtri


def still_at_it(time: np.ndarray, done: np.ndarray) -> pd.DataFrame:
    """Kaplan-Meier share not finished after each time that occurs.

    time (n,); done (n,) bool, False where the attempt ended unfinished at that time. Columns time at_risk finished
    share std_error (Greenwood). Source: Kaplan & Meier 1958.
    """
    times = np.unique(time)
    at_risk = (time >= times[:, None]).sum(axis=1)
    finished = ((time == times[:, None]) & done).sum(axis=1)
    share = np.cumprod(1 - finished / at_risk)
    with np.errstate(divide="ignore", invalid="ignore"):
        growth = np.where(at_risk > finished, finished / (at_risk * (at_risk - finished)), np.nan)
    return pd.DataFrame({"time": times, "at_risk": at_risk, "finished": finished, "share": share,
                         "std_error": share * np.sqrt(np.cumsum(growth))})  # fmt: skip


def restricted_mean(time: np.ndarray, done: np.ndarray, until: float) -> tuple[float, float]:
    """Mean time spent up to `until` (area under the share still at it), and its Greenwood standard error.

    Source: Irwin 1949; Royston & Parmar 2013 (BMC Med Res Methodol 13:152), from memory.
    """
    table = still_at_it(time, done)
    table = table[(table["finished"] > 0) & (table["time"] <= until)]
    edges = np.concatenate([[0.0], table["time"], [until]])
    share = np.concatenate([[1.0], table["share"]])
    pieces = share * np.diff(edges)
    after = pieces.sum() - np.cumsum(pieces)[:-1]
    n, d = table["at_risk"].to_numpy(), table["finished"].to_numpy()
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(n > d, after**2 * d / (n * (n - d)), 0.0)
    return float(pieces.sum()), float(np.sqrt(terms.sum()))


def pseudo_values(time: np.ndarray, done: np.ndarray, until: float) -> np.ndarray:
    """n times the restricted mean less n - 1 times that without each person: a value for everyone, cut off or not.

    Source: Andersen, Hansen & Klein 2004 (Lifetime Data Anal 10:335-350), from memory.
    """
    n = len(time)
    whole = restricted_mean(time, done, until)[0]
    times = np.unique(time)
    # Everybody's curve without them, on the times of all: a time of theirs alone changes nothing there.
    own = time[:, None] == times
    at_risk = (time >= times[:, None]).sum(axis=1) - (time[:, None] >= times)
    finished = (own & done[:, None]).sum(axis=0) - (own & done[:, None])
    share = np.cumprod(1 - finished / np.maximum(at_risk, 1), axis=1)
    edges = np.minimum(np.concatenate([[0.0], times, [until]]), until)
    without = np.diff(edges)[0] + share @ np.diff(edges)[1:]
    return n * whole - (n - 1) * without


def median_time(time: np.ndarray, done: np.ndarray, level: float) -> tuple[float, float, float]:
    """First time by which half have finished, with the log-log interval; infinite where fewer than half did."""
    table = still_at_it(time, done)
    share, error = table["share"].to_numpy(), table["std_error"].to_numpy()
    with np.errstate(divide="ignore", invalid="ignore"):
        width = ndtri((1 + level) / 2) * error / (share * np.abs(np.log(share)))
        low, high = share ** np.exp(width), share ** np.exp(-width)
    times = table["time"].to_numpy()

    def first(values: np.ndarray) -> float:
        below = np.flatnonzero(np.nan_to_num(values, nan=1.0) < 0.5 - 1e-12)
        return float(times[below[0]]) if len(below) else float("inf")

    exact = np.flatnonzero(np.abs(share - 0.5) <= 1e-12)
    after = first(share)
    middle = (float(times[exact[0]]) + after) / 2 if len(exact) and np.isfinite(after) else after
    return middle, first(low), first(high)
