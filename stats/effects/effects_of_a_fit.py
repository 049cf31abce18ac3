"""Effect sizes and shares of true change from a model of change; reads the fit, fits nothing."""

from dataclasses import dataclass
from functools import partial
from math import sqrt

import pandas as pd

from stats.change.change_fit import ChangeFit
from stats.change.person_changes import better_sign
from stats.effects.noncentral import hedges_correction
from stats.effects.standardised import scaled_limits
from stats.errors import FitError
from stats.estimates import Estimate
from stats.responders.true_change import true_change_share

STANDARDISERS = {"baseline-sd": "SD at baseline", "visit-sd": "model SD at the visit"}


def effect_from_fit(
    fit: ChangeFit,
    visit: str,
    *,
    arm: str | None = None,
    standardiser: str = "baseline-sd",
    correct: bool = True,
) -> Estimate:
    """A change, or a difference of changes between arms, in units of a standard deviation.

    fit: of `fit_change`. visit: the later visit. arm: in a study with several arms, the arm compared with the
    reference; in a single arm the change itself. standardiser: "baseline-sd" (of everybody seen at baseline, pooled)
    or "visit-sd" (root of the model's variance at the visit; with baseline as a covariate that is the spread left at
    equal baselines, a smaller standardiser). correct: take out the small-sample bias of dividing by an estimated SD at
    baseline (Hedges 1981; Morris 2008); the df of a model's SD at a visit are not known, so there it does nothing.
    Positive is better.
    Every visit of every participant counts, so the estimate holds under missing at random, where the indices of
    complete pairs do not (tests/simulation/recovery.csv).
    Interval: noncentral t of the model's estimate and its df, scaled; the standardiser's own uncertainty is left out.
    There is no agreed standardiser for a mixed model: always print which (Westfall, Kenny & Judd 2014).
    Raises FitError for an unknown standardiser, visit or arm, too few baselines, or a spread of 0.
    """
    if standardiser not in STANDARDISERS:
        raise FitError(f"Standardiser {standardiser!r}: allowed {', '.join(STANDARDISERS)}.")
    several = len(fit.arms) > 1
    rows = (fit.between() if several else fit.changes()).frame()
    row = _at(rows, visit, arm if several else None, fit)
    spread, spread_df = _baseline_spread(fit) if standardiser == "baseline-sd" else (_visit_sd(fit, visit), None)
    if not spread > 0:
        raise FitError(f"Nothing to standardise by: the {STANDARDISERS[standardiser]} is {spread}.")
    factor = hedges_correction(spread_df) if correct and spread_df is not None and spread_df > 1 else 1.0
    sign = better_sign(fit.better)
    name = STANDARDISERS[standardiser]
    notes = [*fit.notes, "The standardiser is taken as known: the interval is a little too narrow in small trials."]
    if factor < 1:
        notes.append(f"Small-sample correction of the effect size: factor {factor} on {spread_df} df.")
    left = {"covariate": "left at equal baselines", "change": "of the changes"}.get(fit.choice.baseline)
    if standardiser == "visit-sd" and left:
        notes.append(f"The SD at the visit is the spread {left}: not comparable with other effect sizes.")
        name = f"model SD at the visit, the spread {left}"
    what = f"difference of changes, {row['arm']} - {fit.reference}, {visit}" if several else f"change at {visit}"
    return in_units_of(
        Spread(spread, name, factor), row, sign, what, f"mixed model, standardiser: {name}",
        (fit.n_participants, fit.n_rows), tuple(notes),
    )  # fmt: skip


@dataclass(frozen=True)
class Spread:
    """What an effect is divided by: a standard deviation, what it is of, and the small-sample factor on the effect."""

    value: float
    name: str
    factor: float


def in_units_of(
    spread: Spread,
    row: pd.Series,
    sign: float,
    term: str,
    method: str,
    n: tuple[int, int],
    notes: tuple[str, ...],
) -> Estimate:
    """A model's estimate (row: estimate, std_error, df) over a standard deviation taken as known.

    Interval: noncentral t of the estimate and its df, scaled. n: participants and rows. sign: 1, or -1 where lower is
    better.
    """
    ratio = spread.factor / spread.value
    statistic, error = sign * row["estimate"] / row["std_error"], row["std_error"] * ratio
    return Estimate(
        term=term,
        estimate=sign * row["estimate"] * ratio,
        limits=partial(scaled_limits, statistic, row["df"], error),
        method=method,
        unit="SD",
        std_error=error,
        df=row["df"],
        n_participants=n[0],
        n_rows=n[1],
        notes=notes,
        extra=(("standardiser", spread.name), ("standardiser_value", spread.value)),
    )


def true_change_from_fit(
    fit: ChangeFit, visit: str, threshold: float, *, arm: str | None = None, error: float | None = None,
) -> Estimate:  # fmt: skip
    """Share of an arm whose true improvement reaches the threshold, from the model's means and variances.

    error: standard error of measurement, of a retest study or `measurement_error`. Without it the model's residual
    variance stands in, where the model has one (random effects): then everything that does not follow a person's own
    line counts as error, true ups and downs too, and the share is of lasting change. An unstructured covariance has no
    such part: error= is required. See `true_change_share`.
    threshold, error: in the outcome's own unit. Raises FitError for an unknown visit or arm, a covariance by arm, or no
    error to take off. Source: as `true_change_share`.
    """
    if fit.fit.by is not None:
        raise FitError("The covariance differs by arm: give the numbers of one arm to true_change_share.")
    row = _at(fit.changes().frame(), visit, arm if fit.arms else None, fit)
    residual = error is None
    if error is None:
        error = sqrt(_residual(fit))
    made = true_change_share(
        better_sign(fit.better) * row["estimate"],
        _change_variance(fit, visit),
        2 * error**2,
        threshold,
        mean_error=row["std_error"],
        df=max(1.0, fit.n_participants - max(len(fit.arms), 1) - 1.0),
        n=fit.n_participants,
    )
    source = "the model's residual variance" if residual else "as given"
    note = f"Standard error of measurement {error}: {source}."
    return Estimate(**{**made.__dict__, "notes": (*made.notes, note), "unit": ""})


def _at(frame: pd.DataFrame, visit: str, arm: str | None, fit: ChangeFit) -> pd.Series:
    own = frame[frame["visit"] == visit]
    if own.empty:
        raise FitError(f"No change at visit {visit!r}; there are {', '.join(dict.fromkeys(frame['visit']))}.")
    if arm is not None:
        own = own[own["arm"] == arm]
    if len(own) != 1:
        raise FitError(f"Which arm? There are {', '.join(frame['arm'].unique())}. Name one: arm=.")
    return own.iloc[0]


def _baseline_spread(fit: ChangeFit) -> tuple[float, float]:
    """Of everybody seen at baseline: who is missing later would make the others look more alike than they came."""
    return pooled_sd(fit.entry["value"], fit.entry["arm"])


def pooled_sd(values: pd.Series, arm: pd.Series) -> tuple[float, float]:
    """SD of observed values inside arms, pooled, and its degrees of freedom."""
    groups = values.groupby(arm, observed=True)
    df = groups.count() - 1
    if df.sum() < 1:
        raise FitError("Fewer than two observed baselines in an arm: no SD at baseline.")
    return sqrt(float((df * groups.var(ddof=1).fillna(0)).sum() / df.sum())), float(df.sum())


def _visit_sd(fit: ChangeFit, visit: str) -> float:
    covariance = fit.fit.visit_covariance
    return sqrt(float(covariance.loc[visit, visit]))


def _change_variance(fit: ChangeFit, visit: str) -> float:
    """Model variance of (later - baseline) between people of one arm."""
    covariance = fit.fit.visit_covariance
    later = float(covariance.loc[visit, visit])
    if fit.choice.baseline == "change":
        return later
    if fit.choice.baseline == "covariate":
        slopes = dict(zip(fit.fit.terms, fit.fit.beta, strict=True))
        named = [name for name in (f"visit[{visit}]:baseline", "baseline") if name in slopes]
        slope = float(slopes[named[0]]) if named else 0.0  # everybody had one baseline: it has no spread to add
        return later + (slope - 1) ** 2 * _baseline_spread(fit)[0] ** 2
    first = fit.baseline_visit
    return later + float(covariance.loc[first, first]) - 2 * float(covariance.loc[first, visit])


def _residual(fit: ChangeFit) -> float:
    parts = fit.fit.variances()
    found = parts[parts["component"] == "residual"]
    if len(found) != 1 or fit.n_rows == fit.n_participants:
        raise FitError(
            "This model's covariance has no separate error: give error=, the standard error of measurement, or fit a "
            "model with random effects (random='1 + time')."
        )
    return float(found["value"].iloc[0])
