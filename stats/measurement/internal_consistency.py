"""Cronbach's alpha of the items of one scale."""

from functools import partial

import pandas as pd
from scipy.stats import f

from stats.errors import FitError
from stats.estimates import Estimate
from stats.measurement.two_way import cronbach_from_variances


def cronbach_alpha(items: pd.DataFrame, level: float = 0.95) -> Estimate:
    """Cronbach's alpha with Feldt's interval.

    items: one row per person, one column per item; people with a missing item are left out and noted. Alpha rises with
    the number of items and says nothing of one dimension. Source: Cronbach 1951; Feldt, Woodruff & Salih 1987;
    Bland & Altman 1997 (BMJ 314:572).
    Raises FitError for fewer than two people or items, or a total that does not vary. The result has no unit.

    >>> items = pd.DataFrame([[1, 2, 2], [2, 3, 3], [3, 3, 4], [4, 5, 4]])
    >>> round(float(cronbach_alpha(items).estimate), 3)
    0.949
    """
    table = items.dropna().astype(float)
    lost = len(items) - len(table)
    n, k = table.shape
    if n < 2 or k < 2:
        raise FitError(f"{n} complete people and {k} items: allowed 2 or more of each.")
    value = cronbach_from_variances(k, float(table.var(ddof=1).sum()), float(table.sum(axis=1).var(ddof=1)))
    return Estimate(
        term="alpha",
        estimate=value,
        limits=partial(_feldt, value, n, k),
        method="Cronbach, Feldt interval",
        n_participants=n,
        n_rows=n * k,
        notes=(f"{lost} people with a missing item left out.",) if lost else (),
    ).at(level)


def _feldt(value: float, n: int, k: int, level: float) -> tuple[float, float]:
    df1, df2 = n - 1, (n - 1) * (k - 1)
    tail = (1 - level) / 2
    return 1 - (1 - value) * float(f.ppf(1 - tail, df1, df2)), 1 - (1 - value) * float(f.ppf(tail, df1, df2))
