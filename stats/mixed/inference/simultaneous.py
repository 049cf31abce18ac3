"""Several estimates at once: simultaneous intervals, Holm, and a fixed order of tests."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from stats.errors import FitError
from stats.mixed.inference.fit_estimates import Estimates
from stats.mixed.inference.fitted import Fitted


def simultaneous_intervals(
    fit: Fitted, estimates: Estimates, rng: np.random.Generator, *, level: float = 0.95, draws: int = 200_000
) -> pd.DataFrame:
    """The frame of `estimates` with limits that hold together, and p values adjusted for their maximum.

    The largest |t| of correlated estimates with the smallest of their df as common df (conservative), by `draws`
    Monte-Carlo draws from `rng`: limits repeat to about 0.3 % for the default.
    """
    L = estimates.weights
    if not len(L):
        raise FitError("These estimates carry no weights: ask the fit for them again.")
    covariance = L @ fit.coefficient_covariance(estimates.df_method) @ L.T
    sd = np.sqrt(np.diag(covariance))
    values, vectors = np.linalg.eigh(covariance / np.outer(sd, sd))
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    df = float(np.min(estimates.df))
    z = rng.standard_normal((draws, len(sd))) @ root.T
    scale = np.ones(draws) if np.isinf(df) else np.sqrt(rng.chisquare(df, draws) / df)
    largest = np.sort(np.abs(z / scale[:, None]).max(axis=1))
    factor = float(np.quantile(largest, level))
    table = estimates.frame(level)
    at_least = len(largest) - np.searchsorted(largest, np.abs(table["statistic"]))
    return table.assign(
        conf_low=estimates.estimate - factor * estimates.std_error,
        conf_high=estimates.estimate + factor * estimates.std_error,
        p_simultaneous=(at_least + 1) / (draws + 1),
    )


@dataclass(frozen=True)
class Gate:
    """A family of hypotheses tested together (Holm) once every family before it has been rejected in full."""

    name: str
    p_values: tuple[float, ...]


def gatekeeping(gates: Sequence[Gate], level: float = 0.95) -> pd.DataFrame:
    """Serial gatekeeping: families by Holm at 1 - level, each opened only when all of the one before is rejected.

    gates: the families in order, each with its hypotheses and p values.

    Returns gate, hypothesis, p_value, p_adjusted (the smallest overall error rate at which the order rejects it) and
    opened. In a pilot usually nothing is confirmatory; then say so instead.
    p values are from 0 to 1. Raises FitError for others. Source: Holm 1979; Dmitrienko, Offen & Westfall 2003, both
    from memory.
    """
    rows = []
    passed = 0.0  # adjusted p that every earlier family needs
    for gate in gates:
        p = np.asarray(gate.p_values, dtype=float)
        if len(p) == 0 or not np.isfinite(p).all() or (p < 0).any() or (p > 1).any():
            raise FitError(f"Gate '{gate.name}': p values must be numbers from 0 to 1; found {list(gate.p_values)}.")
        order = np.argsort(p)
        adjusted = np.empty(len(p))
        adjusted[order] = np.minimum(np.maximum.accumulate((len(p) - np.arange(len(p))) * p[order]), 1.0)
        opened = passed <= 1 - level
        rows += [
            {"gate": gate.name, "hypothesis": k + 1, "p_value": v, "p_adjusted": max(a, passed), "opened": opened}
            for k, (v, a) in enumerate(zip(p, adjusted, strict=True))
        ]
        passed = max(passed, float(adjusted.max()))
    return pd.DataFrame(rows)
