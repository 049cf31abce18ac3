"""Whether two things go together inside people over their visits, e.g. minutes trained so far and the score."""

import warnings
from functools import partial
from math import atanh, nan, sqrt, tanh

import pandas as pd
import pingouin
from scipy.stats import norm

from stats.errors import FitError
from stats.estimates import Estimate


def within_person_correlation(
    frame: pd.DataFrame, *, participant: str, x: str, y: str, level: float = 0.95
) -> Estimate:
    """Correlation of x and y inside people, each with a level of their own and one common slope.

    frame: one row per participant and occasion with the columns participant, x and y; rows without a value and people
    with a single row left are left out and noted. Computed by pingouin. Interval: normal on atanh with df + 2 in place
    of n (poor below about 10 df). Occasions of one person that follow each other are not independent, so in a long
    series the interval is too narrow; and a correlation over time is also what two things show that only both grow.
    Returns an `Estimate`, df = rows - people - 1. Raises FitError for an unknown column, fewer than three people, or no
    variation inside people.
    Source: Bland & Altman 1995 (BMJ 310:446); Bakdash & Marusich 2017 (Front Psychol 8:456).
    """
    absent = [name for name in (participant, x, y) if name not in frame.columns]
    if absent:
        raise FitError(f"Columns not in the frame: {', '.join(absent)}. Found: {', '.join(map(str, frame.columns))}.")
    known = frame[[participant, x, y]].dropna()
    used = known[known.groupby(participant)[x].transform("size") > 1].astype({x: float, y: float})
    people = int(used[participant].nunique())
    if people < 3:
        raise FitError(
            f"{people} people with two or more complete rows, allowed 3 or more: nothing to correlate inside."
        )
    spread = used.groupby(participant)[[x, y]].nunique().max()
    if spread.min() < 2:
        raise FitError(f"{spread.idxmin()} never varies inside a person: the correlation is undefined.")
    with warnings.catch_warnings():  # about the power of the test, which is not used
        warnings.filterwarnings("ignore", "Sample size is too small to estimate power", UserWarning)
        found = pingouin.rm_corr(data=used.astype({participant: str}), x=x, y=y, subject=participant).iloc[0]
    value, df = float(found["r"]), float(found["dof"])
    notes = (f"{len(frame) - len(used)} rows incomplete or alone in their person left out.",)
    return Estimate(
        term=f"correlation of {x} and {y} within people",
        estimate=value,
        limits=partial(_atanh_limits, value, df),
        method="repeated-measures correlation",
        df=df,
        p_value=float(found["pval"]),
        n_participants=people,
        n_rows=len(used),
        notes=notes if len(used) < len(frame) else (),
    ).at(level)


def _atanh_limits(value: float, df: float, level: float) -> tuple[float, float]:
    if df <= 1 or abs(value) == 1:
        return nan, nan
    half = float(norm.ppf((1 + level) / 2)) / sqrt(df - 1)
    return tanh(atanh(value) - half), tanh(atanh(value) + half)
