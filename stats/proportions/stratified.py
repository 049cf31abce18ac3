"""Two proportions compared inside strata (site, severity) and combined."""

from functools import partial
from math import exp, sqrt

import numpy as np
import pandas as pd
from scipy.stats import norm
from statsmodels.stats.contingency_tables import StratifiedTable

from stats.errors import FitError
from stats.estimates import Estimate

COLUMNS = ("x1", "n1", "x2", "n2")


def stratified_risk_difference(strata: pd.DataFrame, level: float = 0.95) -> Estimate:
    """Mantel-Haenszel risk difference, first minus second, over strata.

    strata: one row per stratum with the counts x1, n1 and x2, n2. A stratum with one empty group carries no
    comparison: it is left out and noted. Standard error of Sato 1989, valid for few large and for many small strata.
    Returns an `Estimate`. Raises FitError where no stratum has both groups. Source: Sato 1989, Biometrics 45:1323.
    """
    used, notes = _usable(strata)
    x1, n1, x2, n2 = (used[name].to_numpy(float) for name in COLUMNS)
    total = n1 + n2
    weight = n1 * n2 / total
    difference = float((weight * (x1 / n1 - x2 / n2)).sum() / weight.sum())
    p = (n1**2 * x2 - n2**2 * x1 + n1 * n2 * (n2 - n1) / 2) / total**2
    q = (x1 * (n2 - x2) + x2 * (n1 - x1)) / (2 * total)
    error = sqrt(max(0.0, difference * p.sum() + q.sum())) / float(weight.sum())
    people = int(total.sum())
    return Estimate(
        term="stratified risk difference",
        estimate=difference,
        limits=partial(_normal, difference, error),
        method="Mantel-Haenszel, Sato standard error",
        std_error=error,
        n_participants=people,
        n_rows=people,
        notes=(*notes, f"{len(used)} strata."),
    ).at(level)


def stratified_ratio(strata: pd.DataFrame, ratio: str = "odds", level: float = 0.95) -> Estimate:
    """Mantel-Haenszel odds ratio (`ratio="odds"`, Robins-Breslow-Greenland interval) or risk ratio ("risk").

    strata: one row per stratum, as in `stratified_risk_difference`. Computed by statsmodels.
    Raises FitError for columns that are not there, impossible counts, or no stratum with both groups. Source: Mantel &
    Haenszel 1959; Robins, Breslow & Greenland 1986, both from memory.
    """
    if ratio not in ("odds", "risk"):
        raise FitError(f"Ratio {ratio!r}: allowed 'odds' or 'risk'.")
    used, notes = _usable(strata)
    tables = [np.array([[r.x1, r.n1 - r.x1], [r.x2, r.n2 - r.x2]], float) for r in used.itertuples()]
    combined = StratifiedTable(tables)
    people = int(used[["n1", "n2"]].to_numpy().sum())
    log_error = float(combined.logodds_pooled_se) if ratio == "odds" else float("nan")
    value = float(combined.oddsratio_pooled if ratio == "odds" else combined.riskratio_pooled)
    return Estimate(
        term=f"stratified {ratio} ratio",
        estimate=value,
        limits=partial(_log_normal, value, log_error),
        method="Mantel-Haenszel",
        std_error=log_error,
        n_participants=people,
        n_rows=people,
        notes=(*notes, "std_error is that of the logarithm."),
    ).at(level)


def _usable(strata: pd.DataFrame) -> tuple[pd.DataFrame, tuple[str, ...]]:
    absent = [name for name in COLUMNS if name not in strata]
    if absent:
        raise FitError(f"Strata lack the columns {', '.join(absent)}: counts x1, n1, x2, n2, one row per stratum.")
    bad = strata[
        (strata["x1"] > strata["n1"]) | (strata["x2"] > strata["n2"]) | (strata[list(COLUMNS)] < 0).any(axis=1)
    ]
    if not bad.empty:
        raise FitError(f"Stratum {bad.index[0]}: counts {bad.iloc[0][list(COLUMNS)].tolist()}; allowed 0 <= x <= n.")
    used = strata[(strata["n1"] > 0) & (strata["n2"] > 0)]
    if used.empty:
        raise FitError("No stratum has people in both groups: nothing to compare.")
    left_out = len(strata) - len(used)
    return used, (f"{left_out} strata with an empty group left out.",) if left_out else ()


def _normal(value: float, error: float, level: float) -> tuple[float, float]:
    half = float(norm.ppf((1 + level) / 2)) * error
    return max(-1.0, value - half), min(1.0, value + half)


def _log_normal(value: float, error: float, level: float) -> tuple[float, float]:
    half = float(norm.ppf((1 + level) / 2)) * error
    return value * exp(-half), value * exp(half)
