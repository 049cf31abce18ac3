"""The record of a simulated trial: power, type I error, bias, width and coverage with their Monte-Carlo error."""

from dataclasses import dataclass, field
from math import sqrt

import numpy as np
import pandas as pd
from scipy.stats import norm

from stats.planning.simulation.verdicts import Verdicts
from stats.proportions.one_proportion import proportion_limits
from stats.result import Result


@dataclass(frozen=True)
class Simulation(Result):
    """What a simulated trial showed over its replicates.

    truth: true value of the estimate, NaN where it is not known. `verdicts` holds every replicate.
    """

    n_arms: tuple[int, int]
    replicates: int
    alpha: float
    truth: float
    seed: int
    batch: int
    analysis: str
    verdicts: Verdicts = field(repr=False)
    unit: str = ""
    notes: tuple[str, ...] = ()

    @property
    def n_per_arm(self) -> int:
        """Randomised in the reference arm."""
        return self.n_arms[0]

    @property
    def n_participants(self) -> int:
        return sum(self.n_arms)

    @property
    def n_rows(self) -> int:
        return self.replicates

    @property
    def rejected(self) -> np.ndarray:
        """Replicates with p <= alpha; one without an answer does not reject."""
        return np.nan_to_num(self.verdicts.p_value, nan=1.0) <= self.alpha

    @property
    def power(self) -> float:
        """Share that rejects in the direction of the truth; either direction where the truth is zero or unknown."""
        return float(np.mean(self._successes))

    @property
    def monte_carlo_error(self) -> float:
        """Standard error of `power` from the number of replicates."""
        return sqrt(self.power * (1 - self.power) / self.replicates)

    @property
    def _successes(self) -> np.ndarray:
        if not np.isfinite(self.truth) or self.truth == 0:
            return self.rejected
        return self.rejected & (np.nan_to_num(self.verdicts.estimate) * np.sign(self.truth) > 0)

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """quantity value monte_carlo_error conf_low conf_high: the interval is that of the simulation, at `level`.

        Rows: power or type I error, bias, mean estimate, standard deviation of the estimates, width and coverage of the
        intervals at 1 - alpha, share without an answer, share of boundary fits. Bias and coverage need a known truth.
        """
        v, usable = self.verdicts, self.verdicts.usable
        rows = [self._share("type I error" if self.truth == 0 else "power", self._successes, level)]
        estimates = v.estimate[usable]
        rows.append(_mean("mean estimate", estimates, level))
        spread = float(np.std(estimates, ddof=1)) if len(estimates) > 1 else float("nan")
        error = spread / sqrt(2 * max(len(estimates) - 1, 1))
        z = norm.isf((1 - level) / 2)
        rows.append(("standard deviation of the estimates", spread, error, spread - z * error, spread + z * error))
        rows.append(_mean("width of the intervals", (v.conf_high - v.conf_low)[usable], level))
        if np.isfinite(self.truth):
            rows.append(_mean("bias", estimates - self.truth, level))
            covered = (v.conf_low <= self.truth) & (self.truth <= v.conf_high)
            rows.append(self._share("coverage", covered[usable], level))
        rows.append(self._share("without an answer", ~usable, level))
        rows.append(self._share("boundary fits", v.boundary, level))
        return pd.DataFrame(rows, columns=["quantity", "value", "monte_carlo_error", "conf_low", "conf_high"])

    def _share(self, name: str, hits: np.ndarray, level: float) -> tuple[str, float, float, float, float]:
        if not len(hits):
            return (name, *(float("nan"),) * 4)
        share = float(np.mean(hits))
        limits = proportion_limits(int(hits.sum()), len(hits), "wilson", level)
        return (name, share, sqrt(share * (1 - share) / len(hits)), *limits)

    def sentence(self, level: float = 0.95) -> str:
        """Power (or type I error) with its simulation interval, sizes, replicates, seed."""
        rows = self.frame(level).set_index("quantity")
        name = rows.index[0]
        first = rows.iloc[0]
        bias = f" Bias {rows.loc['bias', 'value']:.3g} {self.unit}".rstrip() + "." if "bias" in rows.index else ""
        return (
            f"In {self.replicates} simulated trials of {self.n_arms[0]} and {self.n_arms[1]} participants randomised, "
            f"analysed by {self.analysis}, the {name} at a two-sided alpha of {self.alpha:g} was "
            f"{100 * first.value:.1f} % ({level * 100:g} % simulation interval {100 * first.conf_low:.1f} to "
            f"{100 * first.conf_high:.1f} %)."
            f"{bias} Seed {self.seed}, batches of {self.batch}."
        )


def _mean(name: str, values: np.ndarray, level: float) -> tuple[str, float, float, float, float]:
    if len(values) < 2:
        return (name, *(float("nan"),) * 4)
    mean, error = float(np.mean(values)), float(np.std(values, ddof=1)) / sqrt(len(values))
    z = float(norm.isf((1 - level) / 2))
    return name, mean, error, mean - z * error, mean + z * error
