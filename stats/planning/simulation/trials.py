"""Simulated trials in memory, and a normal truth to draw them from.

A *maker* is any function (rng, replicates) -> Trials. `NormalTruth` gives makers from means and a covariance over
visits; `scores_maker` wraps a cohort generator that lives elsewhere; any function of your own does as well.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import ceil, inf

import numpy as np
from numpy.random import Generator
from scipy.optimize import brentq
from scipy.special import expit, ndtri

from stats.change.model_rows import COMMON
from stats.errors import PlanError
from stats.planning.closed_form.visits import visit_correlation

Maker = Callable[[Generator, int], "Trials"]
DROPOUT = ("nothing", "previous", "current")
POINTS = 4001  # quantiles over which the mean of a bounded score is taken


@dataclass(frozen=True)
class Trials:
    """Replicates of one trial: values (R, n, T), NaN where a visit was missed; arm (n,) 0 reference, 1 treatment;
    times (T,) of the visits, the first being baseline; site (n,) codes of sites, None without.
    Raises PlanError where these do not fit together.
    """

    values: np.ndarray
    arm: np.ndarray
    times: np.ndarray
    site: np.ndarray | None = None

    def __post_init__(self) -> None:
        _, n, T = self.values.shape
        if self.arm.shape != (n,) or self.times.shape != (T,) or set(np.unique(self.arm)) != {0, 1}:
            raise PlanError(
                f"Trials of {n} participants and {T} visits need arm ({n},) of 0 and 1 and times ({T},); found arm "
                f"{self.arm.shape} and times {self.times.shape}."
            )


@dataclass(frozen=True)
class NormalTruth:
    """A trial's truth: normal scores with these means and covariance, then dropout, gaps, bounds and steps.

    means: one row per arm (reference, treatment), one number per visit. covariance: over visits, common to the arms.
    retention: share still there at each visit, a row per arm. dropout_on: what leaving depends on: "nothing" (missing
    completely at random), the score at the "previous" visit (at random), or the score at the visit not attended
    ("current", not at random), with `dropout_strength` log odds of leaving per standard deviation of it. gaps: share of
    later visits missed by people who stay. low, high, step: bounds and steps of the scale (None: neither).
    Raises PlanError for means and a covariance that do not fit or cannot be, and shares outside 0 to 1.
    """

    times: tuple[float, ...]
    means: tuple[tuple[float, ...], tuple[float, ...]]
    covariance: tuple[tuple[float, ...], ...]
    retention: tuple[tuple[float, ...], tuple[float, ...]] | None = None
    dropout_on: str = "nothing"
    dropout_strength: float = 0.0
    gaps: float = 0.0
    low: float | None = None
    high: float | None = None
    step: float | None = None

    def __post_init__(self) -> None:
        T = len(self.times)
        if any(len(row) != T for row in self.means) or np.shape(self.covariance) != (T, T):
            raise PlanError(f"{T} times need means of 2 x {T} and a covariance of {T} x {T}.")
        if np.linalg.eigvalsh(np.array(self.covariance))[0] < -1e-9:
            raise PlanError("The covariance over visits has a negative eigenvalue: no data can have it.")
        if self.dropout_on not in DROPOUT:
            raise PlanError(f"dropout_on = {self.dropout_on!r}: allowed are {', '.join(DROPOUT)}.")
        if self.retention is not None:
            for row in self.retention:
                if len(row) != T or row[0] != 1 or min(row) <= 0 or np.any(np.diff(row) > 0):
                    raise PlanError(f"retention {row}: {T} shares, the first 1, none rising, all above 0.")
        if not 0 <= self.gaps < 1:
            raise PlanError(f"gaps = {self.gaps}: a share from 0 to below 1.")

    def maker(self, n_per_arm: int, ratio: float = 1.0) -> "NormalMaker":
        """A maker of trials with this many randomised per arm (treatment: ratio times as many, rounded up).

        Raises PlanError for fewer than 2.
        """
        if n_per_arm < 2:
            raise PlanError(f"n_per_arm = {n_per_arm}: at least 2 are needed.")
        return NormalMaker(self, int(n_per_arm), ceil(ratio * n_per_arm - 1e-9))

    def without_effect(self) -> "NormalTruth":
        """The same trial where both arms follow the reference: for the type I error."""
        return replace(self, means=(self.means[0], self.means[0]))

    def observed_means(self) -> np.ndarray:
        """Means (2, T) of the scores as recorded, bounds and steps included."""
        if self.low is None and self.high is None and self.step is None:
            return np.array(self.means)
        quantiles = ndtri((np.arange(POINTS) + 0.5) / POINTS)
        sd = np.sqrt(np.diag(np.array(self.covariance)))
        return self.recorded(np.array(self.means)[:, :, None] + sd[:, None] * quantiles).mean(axis=2)

    def recorded(self, values: np.ndarray) -> np.ndarray:
        """Scores as the scale can record them."""
        if self.step is not None:
            start = self.low or 0.0
            values = start + self.step * np.rint((values - start) / self.step)
        low, high = -inf if self.low is None else self.low, inf if self.high is None else self.high
        return values if (low, high) == (-inf, inf) else np.clip(values, low, high)


@dataclass(frozen=True)
class NormalMaker:
    """Draws trials from a `NormalTruth`; calling it twice with equal generators gives equal trials."""

    truth: NormalTruth
    n_reference: int
    n_treatment: int

    def __call__(self, rng: Generator, replicates: int) -> Trials:
        truth = self.truth
        arm = np.repeat([0, 1], [self.n_reference, self.n_treatment])
        values, vectors = np.linalg.eigh(np.array(truth.covariance))
        root = vectors * np.sqrt(np.maximum(values, 0))
        noise = rng.standard_normal((replicates, len(arm), len(truth.times)))
        scores = np.array(truth.means)[arm] + noise @ root.T
        gone = self._gone(rng, scores, arm)
        if truth.gaps:
            gone[:, :, 1:] |= rng.random(gone[:, :, 1:].shape) < truth.gaps
        return Trials(np.where(gone, np.nan, truth.recorded(scores)), arm, np.array(truth.times))

    def _gone(self, rng: Generator, scores: np.ndarray, arm: np.ndarray) -> np.ndarray:
        """Visits after leaving (R, n, T)."""
        truth = self.truth
        gone = np.zeros(scores.shape, dtype=bool)
        if truth.retention is None:
            return gone
        stay = np.array(truth.retention)
        sd = np.sqrt(np.diag(np.array(truth.covariance)))
        standard = (scores - np.array(truth.means)[arm]) / sd
        left = np.zeros(scores.shape[:2], dtype=bool)
        for visit in range(1, scores.shape[2]):
            leave = 1 - stay[arm, visit] / stay[arm, visit - 1]
            chance = np.broadcast_to(leave, left.shape)
            if truth.dropout_on != "nothing" and truth.dropout_strength:
                seen = standard[:, :, visit - 1 if truth.dropout_on == "previous" else visit]
                start = np.array([_intercept(share, truth.dropout_strength) for share in leave[[0, -1]]])[arm]
                chance = np.where(leave > 0, expit(start + truth.dropout_strength * seen), 0.0)
            left |= rng.random(left.shape) < chance
            gone[:, :, visit] = left
        return gone


def _intercept(share: float, strength: float) -> float:
    """Log odds at the mean score so that this share leaves on average over a standard normal score."""
    if share <= 0:
        return -inf
    scores = ndtri((np.arange(POINTS) + 0.5) / POINTS)
    return float(brentq(lambda a: float(expit(a + strength * scores).mean()) - share, -60, 60))


def visits_truth(
    *,
    times: Sequence[float],
    difference: float,
    sd: float,
    correlation: float,
    structure: str = "compound-symmetry",
    reference_change: float = 0.0,
    start: float = 0.0,
    profile: str = "linear",
    **more,
) -> NormalTruth:
    """A truth from one sd and correlation: both arms start alike, the treatment ends `difference` ahead.

    times: of the visits, one number each. difference, sd: in the outcome's unit. structure: "compound-symmetry" or
    "ar1". profile: how the difference grows from baseline to the last visit: "linear" in time, or "last" (nothing
    before the last visit) or "first" (all of it from the first later visit). reference_change: change of the reference
    arm over the whole trial, linear in time. more: further fields of `NormalTruth`.
    Raises PlanError for an unknown profile or structure, or a covariance that cannot be. Source: our own assumptions,
    printed with every result.
    """
    when = np.asarray(times, float)
    span = (when - when[0]) / (when[-1] - when[0])
    shapes = {"linear": span, "last": (span == 1).astype(float), "first": (span > 0).astype(float)}
    if profile not in shapes:
        raise PlanError(f"profile = {profile!r}: allowed are {', '.join(shapes)}.")
    reference = start + reference_change * span
    matrix = sd**2 * visit_correlation(correlation, len(when), structure)
    means = (_row(reference), _row(reference + difference * shapes[profile]))
    return NormalTruth(_row(when), means, _rows(matrix), **more)


def slopes_truth(
    *,
    times: Sequence[float],
    difference: float,
    sd_residual: float,
    sd_slope: float,
    sd_intercept: float,
    correlation: float = 0.0,
    reference_slope: float = 0.0,
    start: float = 0.0,
    **more,
) -> NormalTruth:
    """A truth with random intercepts and slopes; `difference` is that of the mean slopes, per unit of `times`.

    times: one number a visit. sd_residual: around a person's line. sd_slope, sd_intercept, correlation: of people's
    lines. reference_slope, start: line of the reference arm.
    Raises PlanError for a covariance that cannot be. Source: the model of `plan_slopes`.
    """
    when = np.asarray(times, float)
    Z = np.column_stack([np.ones_like(when), when])
    shared = correlation * sd_slope * sd_intercept
    G = np.array([[sd_intercept**2, shared], [shared, sd_slope**2]])
    reference = start + reference_slope * when
    covariance = Z @ G @ Z.T + sd_residual**2 * np.eye(len(when))
    return NormalTruth(_row(when), (_row(reference), _row(reference + difference * when)), _rows(covariance), **more)


def fitted_truth(change_fit, difference: float, *, profile: str = "linear", **more) -> NormalTruth:
    """The pilot's fitted model as truth: its covariance over visits and its reference arm's means.

    The difference between arms is the one that matters, passed in; the pilot's own effect is not used.
    change_fit: result of `fit_change` with a mean per visit or linear time, all visits modelled as outcomes. profile:
    how the difference grows, see `visits_truth`.
    difference: in the outcome's unit. Raises PlanError where the fit does not model the baseline as an outcome, or for
    an unknown profile. Source: the pilot's own estimates.
    """
    covariance = change_fit.fit.visit_covariance
    means = change_fit.means().frame()
    arm = change_fit.reference or (change_fit.arms[0] if change_fit.arms else "")
    mine = means[means["arm"].isin([arm, COMMON, ""])].sort_values("day")
    if change_fit.choice.baseline == "covariate" or len(mine) != len(covariance):
        raise PlanError(
            f"The fit models {len(covariance)} visits and has {len(mine)} means of arm {arm!r}: for its model to serve "
            'as truth the baseline must be an outcome (baseline="outcome" or "constrained").'
        )
    when = mine["day"].to_numpy(float)
    reference = mine["estimate"].to_numpy(float)
    shape = visits_truth(times=when, difference=difference, sd=1.0, correlation=0.0, profile=profile)
    effect = np.array(shape.means[1]) - np.array(shape.means[0])
    return NormalTruth(_row(when), (_row(reference), _row(reference + effect)), _rows(covariance.to_numpy()), **more)


@dataclass(frozen=True)
class ScoresMaker:
    """Trials from a generator of scores: `draw(rng, replicates)` returns an object with `seen(outcome)` (R, n, T),
    `arm` (n,), `arms` and `day` (T,)."""

    draw: Callable
    outcome: str
    reference: str

    def __call__(self, rng: Generator, replicates: int) -> Trials:
        drawn = self.draw(rng, replicates)
        if self.reference not in drawn.arms or len(drawn.arms) != 2:
            raise PlanError(f"Two arms with {self.reference!r} among them are needed; found {', '.join(drawn.arms)}.")
        arm = (np.asarray(drawn.arm) != drawn.arms.index(self.reference)).astype(int)
        return Trials(np.asarray(drawn.seen(self.outcome), float), arm, np.asarray(drawn.day, float))


def scores_maker(draw: Callable, outcome: str, reference: str) -> ScoresMaker:
    """A maker from a cohort generator passed in as a function (`draw`); see `ScoresMaker`.

    Source: that of the generator.
    """
    return ScoresMaker(draw, outcome, reference)


def _row(values: np.ndarray) -> tuple[float, ...]:
    return tuple(float(value) for value in values)


def _rows(matrix: np.ndarray) -> tuple[tuple[float, ...], ...]:
    return tuple(_row(row) for row in np.asarray(matrix))
