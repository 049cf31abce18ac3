"""The mixed model of the protocol as an analysis of simulated trials."""

from dataclasses import dataclass

import numpy as np

from outcomes.protocol.trial import ModelChoice
from stats.change.ladder import ladder
from stats.change.model_rows import ChangeRows
from stats.errors import PlanError
from stats.mixed.fitting.kenward_roger import check_df
from stats.planning.simulation.stacked_fits import StackedFit, fit_stack
from stats.planning.simulation.trials import Trials
from stats.planning.simulation.verdicts import Verdicts, verdicts

CELLS = 400_000  # numbers a stack of replicates may hold in its largest array: fits the processor's cache


@dataclass(frozen=True)
class MixedAnalysis:
    """The mixed model of the protocol, fitted by REML in every replicate.

    time: "visit" (a mean per arm and visit) or "linear" (a slope per arm). baseline: "constrained" (one mean for both
    arms), "covariate", "outcome" (arms free; the contrast is the difference in change), or "none" (the first visit is
    no baseline). random ("1", "1 + time") and covariance (over visits) as in `fit_mixed`; with neither, an unstructured
    covariance. then: pairs (random, covariance) tried in this order on the replicates where the one before found no
    maximum, as the protocol's ladder of models does. weights: over the later visits, by default the last alone (time =
    "visit"); with linear time the contrast is the difference between slopes per unit of time.
    df: "kenward-roger", "kenward-roger-observed", "satterthwaite" or "normal".
    Raises PlanError for choices that are not simulated, FitError for an unknown covariance.
    """

    time: str = "visit"
    baseline: str = "constrained"
    random: str | None = None
    covariance: str | None = None
    then: tuple[tuple[str | None, str | None], ...] = ()
    correlated: bool = True
    by_arm: bool = False
    df: str = "kenward-roger"
    weights: tuple[float, ...] | None = None

    def __post_init__(self) -> None:
        check_df(self.df)
        if self.df in ("residual", "between-within"):
            raise PlanError(f"df = {self.df!r} is not simulated: choose kenward-roger, satterthwaite or normal.")
        if self.time not in ("visit", "linear"):
            raise PlanError(f"time = {self.time!r}: allowed are visit and linear.")
        if self.baseline not in ("constrained", "covariate", "outcome", "none"):
            raise PlanError(f"baseline = {self.baseline!r}: allowed are constrained, covariate, outcome, none.")
        if self.time == "linear" and self.baseline in ("covariate", "none"):
            raise PlanError('Linear time takes baseline="outcome" or "constrained".')
        for random, _ in self._structures:
            if random not in (None, "1", "1 + time"):
                raise PlanError(f'random = {random!r}: allowed are "1" and "1 + time".')

    @classmethod
    def of(cls, model: ModelChoice, participants: int, visits: int) -> "MixedAnalysis":
        """The protocol's model as `fit_change` would choose it for a randomised trial with every baseline present.

        Raises PlanError for covariates and sites, which are not simulated, FitError for a time course that is not
        known.
        """
        if model.covariates:
            raise PlanError(f"Covariates {', '.join(model.covariates)} are not simulated: plan without them.")
        if model.site is not None:
            raise PlanError(
                f"Sites (column {model.site}) are not simulated by MixedAnalysis: found [model] site, allowed none. "
                "Simulate with SiteTruth and SiteAnalysis, or plan without the sites and say so."
            )
        rungs = list(ladder(_complete_trial(participants, visits), model))
        (random, covariance), *then = [(rung.random, rung.covariance) for rung in rungs]
        return cls(
            time=rungs[0].choice.time,
            baseline=rungs[0].choice.baseline,
            random=random,
            covariance=covariance,
            then=tuple(then),
            correlated=model.correlated,
            by_arm=model.by_arm,
            df=rungs[0].choice.df,
        )

    @property
    def _structures(self) -> tuple[tuple[str | None, str | None], ...]:
        first = (self.random, self.covariance) if self.random or self.covariance else (None, "unstructured")
        return (first, *self.then)

    def __call__(self, trials: Trials, level: float = 0.95) -> Verdicts:
        y, X, contrast, times = self._design(trials)
        some = max(1, CELLS // (4 * (X.shape[2] * X.shape[3]) ** 2))
        parts = []
        for start in range(0, len(y), some):
            part = slice(start, start + some)
            parts.append(self._fit(y[part], X if len(X) == 1 else X[part], contrast, trials.arm, times))
        fields = StackedFit.__dataclass_fields__
        fit = StackedFit(*(np.concatenate([getattr(part, name) for part in parts]) for name in fields))
        return verdicts(fit.estimate, fit.std_error, fit.df, fit.converged, level, fit.boundary)

    def _fit(
        self, y: np.ndarray, X: np.ndarray, contrast: np.ndarray, arm: np.ndarray, times: np.ndarray
    ) -> StackedFit:
        """Each structure in turn on the replicates that are still without a maximum."""
        # one modelled visit has a single variance, whatever the structure
        structures = self._structures if len(times) > 1 else ((None, "unstructured"),)
        numbers, flags = np.full((3, len(y)), np.nan), np.zeros((2, len(y)), dtype=bool)
        result = StackedFit(*numbers, *flags)
        left = np.arange(len(y))
        for random, covariance in structures:
            Z = None if random is None else np.column_stack([np.ones_like(times), times])[:, : 1 + (random != "1")]
            fit = fit_stack(
                y[left], X if len(X) == 1 else X[left], contrast, Z=Z, group=arm if self.by_arm else None,
                correlated=self.correlated, covariance=covariance, df=self.df, times=times,
            )  # fmt: skip
            for name in StackedFit.__dataclass_fields__:
                getattr(result, name)[left] = getattr(fit, name)
            left = np.flatnonzero(~result.converged)
            if not len(left):
                break
        return result

    def _design(self, trials: Trials) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Responses (R, n, T), X (R or 1, n, T, q), contrast (q,) and times of the modelled visits."""
        y, arm, times = trials.values, trials.arm, trials.times
        if self.time == "linear":
            return y, _slope_columns(arm, times, self.baseline), _last(3 + (self.baseline == "outcome")), times
        T = len(times)
        weights = self._weights(T)
        if self.baseline == "covariate":
            base = y[:, :, :1]
            cells = _cell_columns(arm, T - 1)
            # A slope of its own at each visit; a missing baseline is set to the mean of everybody in its trial.
            used = np.where(np.isfinite(y[:, :, 1:]).any(axis=2, keepdims=True), base, np.nan)
            centred = base - np.nanmean(used, axis=1, keepdims=True)
            centred = np.where(np.isfinite(centred), centred, 0.0)
            slopes = centred[..., None] * np.eye(T - 1)
            X = np.concatenate([np.broadcast_to(cells, (len(y), *cells.shape[1:])), slopes], axis=3)
            return y[:, :, 1:], X, np.concatenate([-weights, weights, np.zeros(T - 1)]), times[1:]
        cells = _cell_columns(arm, T)
        if self.baseline == "none":
            return y, cells, np.concatenate([-weights, weights]), times
        first = np.zeros(T)
        first[0] = weights.sum()
        change = np.concatenate([[0.0], weights]) - first
        if self.baseline == "outcome":
            return y, cells, np.concatenate([-change, change]), times
        common = np.concatenate([cells[..., :1] + cells[..., T : T + 1], cells[..., 1:T], cells[..., T + 1 :]], axis=3)
        return y, common, np.concatenate([[0.0], -weights, weights]), times

    def _weights(self, visits: int) -> np.ndarray:
        size = visits if self.baseline == "none" else visits - 1
        if self.weights is None:
            return _last(size)
        if len(self.weights) != size:
            raise PlanError(f"weights has {len(self.weights)} numbers for {size} visits.")
        return np.array(self.weights, float)

    def truth(self, means: np.ndarray, times: np.ndarray) -> float:
        """The contrast's true value from the mean scores (2, T)."""
        ahead = means[1] - means[0]
        if self.time == "linear":
            return float(np.polyfit(times, ahead, 1)[0])
        weights = self._weights(len(times))
        if self.baseline == "none":
            return float(weights @ ahead)
        return float(weights @ (ahead[1:] - (ahead[0] if self.baseline == "outcome" else 0.0)))


def _complete_trial(participants: int, visits: int) -> ChangeRows:
    """Rows of a randomised trial with nothing missing, for the rules that choose a model."""
    names = tuple(f"visit {number}" for number in range(1, visits + 1))
    person, slot = np.divmod(np.arange(participants * visits), visits)
    return ChangeRows(
        outcome="", columns={}, person=person, slot=slot, arms=("reference", "treatment"),
        reference="reference", visits=names,
        days={name: float(day) for day, name in enumerate(names)}, unit="", better="higher", everyone=participants,
        covariates=(), notes=(), randomised=True,
    )  # fmt: skip


def _cell_columns(arm: np.ndarray, visits: int) -> np.ndarray:
    """One column per arm and visit, reference arm first: (1, n, T, 2 T)."""
    X = np.zeros((1, len(arm), visits, 2 * visits))
    for visit in range(visits):
        X[0, np.arange(len(arm)), visit, arm * visits + visit] = 1.0
    return X


def _slope_columns(arm: np.ndarray, times: np.ndarray, baseline: str) -> np.ndarray:
    """Intercept, time, (arm,) arm x time: (1, n, T, q). A constrained baseline has arms equal at the first time."""
    n, T = len(arm), len(times)
    since = times - times[0]
    ones, time = np.ones((n, T)), np.broadcast_to(since, (n, T))
    columns = [ones, time, *([arm[:, None] * ones] if baseline == "outcome" else []), arm[:, None] * time]
    return np.stack(columns, axis=2)[None]


def _last(size: int) -> np.ndarray:
    out = np.zeros(size)
    out[-1] = 1.0
    return out
