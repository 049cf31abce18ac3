"""Grades and scores with ends as analyses of simulated trials: the very models of `stats.bounded`, fit by fit.

Draw the trials from a `NormalTruth` with low, high and step: its recorded scores stand at the ends as often as the
truth puts them there. One fit takes 20 to 100 ms (one core), so some hundred replicates are minutes, not seconds.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from stats.bounded.censoring import fit_censored
from stats.bounded.counts import fit_bounded
from stats.bounded.grades import OrdinalFit, fit_ordinal
from stats.errors import FitError, PlanError
from stats.mixed.inference.fit_estimates import Estimates
from stats.planning.simulation.trials import Trials
from stats.planning.simulation.verdicts import Verdicts

FAMILIES = ("beta-binomial", "censored")


@dataclass(frozen=True)
class GradeAnalysis:
    """Cumulative-link mixed model: baseline and arm x visit, a random intercept where there is more than one later
    visit. The estimate is the log odds ratio at the last visit, above 0 where the treatment's grades are higher.

    points: nodes of the quadrature. A trial whose fit is refused (an empty grade, separation) has no answer.
    """

    points: int = 7

    def __call__(self, trials: Trials, level: float = 0.95) -> Verdicts:
        return _answers(trials, level, self._asked)

    def _asked(self, frame: pd.DataFrame, formula: str, participant: str | None) -> Estimates:
        fit = fit_ordinal(frame, formula, participant=participant, points=self.points)
        return _last_visit(fit, frame)


@dataclass(frozen=True)
class EndsAnalysis:
    """A model that knows the ends of the scale: "beta-binomial" (points out of all there are) or "censored" (a normal
    score cut off at the ends). Terms as in `GradeAnalysis`; the estimate is the difference at the last visit averaged
    over people, on the scale itself.
    Raises PlanError for another family, or ends and step that do not fit.
    """

    low: float
    high: float
    family: str = "beta-binomial"
    step: float = 1.0
    points: int = 7

    def __post_init__(self) -> None:
        if self.family not in FAMILIES:
            raise PlanError(f"family = {self.family!r}: allowed are {', '.join(FAMILIES)}.")
        if not self.low < self.high or not self.step > 0:
            raise PlanError(
                f"low {self.low}, high {self.high}, step {self.step}: allowed low below high, step above 0."
            )

    def __call__(self, trials: Trials, level: float = 0.95) -> Verdicts:
        return _answers(trials, level, self._asked)

    def _asked(self, frame: pd.DataFrame, formula: str, participant: str | None) -> Estimates:
        if self.family == "censored":
            found = fit_censored(
                frame, formula, participant=participant, low=self.low, high=self.high, points=self.points
            ).marginal_difference(between="arm")
        else:
            found = fit_bounded(
                frame, formula, participant=participant, maximum=self.high, minimum=self.low, step=self.step,
                points=self.points,
            ).marginal_difference(between="arm")  # fmt: skip
        assert found.keys is not None
        if "visit" not in found.keys:
            return found
        last = found.keys["visit"] == frame["visit"].cat.categories[-1]
        return found.select(np.flatnonzero(last).tolist())

    def truth(self, means: np.ndarray, times: np.ndarray) -> float:
        """Difference of the recorded scores at the last visit."""
        return float(means[1, -1] - means[0, -1])


def _answers(trials: Trials, level: float, asked: Callable[[pd.DataFrame, str, str | None], Estimates]) -> Verdicts:
    """One fit a replicate; a refused one has no answer."""
    replicates, people, visits = trials.values.shape
    later = visits - 1
    frame = pd.DataFrame({
        "participant": np.repeat(np.arange(people), later), "arm": np.repeat(np.where(trials.arm, "t", "c"), later),
        "visit": pd.Categorical(np.tile(np.arange(1, visits), people)),
    })  # fmt: skip
    several = later > 1
    formula = "value ~ base + arm * visit" if several else "value ~ base + arm"
    columns = np.full((4, replicates), np.nan)
    boundary = np.zeros(replicates, dtype=bool)
    for place, values in enumerate(trials.values):
        base = np.repeat(values[:, 0], later)
        rows = frame.assign(value=values[:, 1:].ravel(), base=(base - np.nanmean(base)) / max(np.nanstd(base), 1e-12))
        try:
            found = asked(rows.dropna(), formula, "participant" if several else None)
        except FitError:
            continue
        row = found.frame(level).iloc[0]
        columns[:, place] = row[["estimate", "p_value", "conf_low", "conf_high"]].to_numpy(dtype=float)
        boundary[place] = any("Boundary fit" in note for note in found.notes)
    usable = np.isfinite(columns[1])
    columns[:, ~usable] = np.nan
    estimate, p_value, low, high = columns
    return Verdicts(estimate, p_value, low, high, usable, boundary)


def _last_visit(fit: OrdinalFit, frame: pd.DataFrame) -> Estimates:
    """Log odds ratio of the arms at the last visit."""
    weights = np.zeros(len(fit.coefficients))
    wanted = {"arm[T.t]", f"arm[T.t]:visit[T.{frame['visit'].cat.categories[-1]}]"}
    for place, name in enumerate(fit.coefficients):
        weights[place] = name in wanted
    return fit.estimates(weights[None, :], ["log odds ratio at the last visit"])
