"""Random-effects pooling of published effects: Paule-Mandel, DerSimonian-Laird or restricted maximum likelihood.

With weights w_i = 1 / (v_i + tau2), mean m and q = sum w_i (y_i - m)^2 / (k - 1): Hartung and Knapp's standard error is
sqrt(q / sum w), with t on k - 1 df. Where the studies agree better than chance q falls below 1 and that interval below
the one of a single true effect; the safeguard max(1, q) does not let it (Knapp & Hartung 2003, Stat Med 22:2693, from
memory). By definition q = 1 where Paule-Mandel's tau2 is above 0, so the safeguard acts where it is estimated as 0.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
import pandas as pd
from scipy.stats import norm, t

from stats.effects.heterogeneity import (
    ENOUGH_FOR_ASYMMETRY,
    asymmetry,
    between_studies,
    profile_interval,
    weighted_squares,
)
from stats.effects.pooling_caveats import FEW, MANY, SUSPECT, coverage_caveat
from stats.effects.standardisers import different
from stats.errors import FitError
from stats.estimates import Estimate, check_level
from stats.result import Result

METHODS = {"paule-mandel": "Paule-Mandel", "reml": "REML", "dersimonian-laird": "DerSimonian-Laird"}
INTERVALS = {
    "hartung-knapp-safe": "Hartung-Knapp, not narrower than the plain interval",
    "hartung-knapp": "Hartung-Knapp",
    "normal": "normal law",
}
PREDICTION_DF = {"k-2": 2, "k-1": 1}  # both stand in textbooks; the first is the wider one


@dataclass(frozen=True)
class PooledEffect(Result):
    """Pooled effect with heterogeneity; `studies` keeps what went in.

    `q` is Cochran's sum over the fixed-effect weights, `factor` that of Hartung and Knapp before the safeguard.
    """

    studies: pd.DataFrame
    estimate: float
    std_error: float
    tau2: float
    q: float
    factor: float
    method: str
    interval: str
    prediction: str
    unit: str
    n_participants: int
    n_rows: int
    notes: tuple[str, ...]

    @property
    def df(self) -> int:
        """Studies - 1."""
        return len(self.studies) - 1

    @property
    def conf_low(self) -> float:
        """Lower limit at 95 %; other levels from `frame`."""
        return self._reach(0.95)[0]

    @property
    def conf_high(self) -> float:
        """Upper limit at 95 %."""
        return self._reach(0.95)[1]

    @property
    def prediction_low(self) -> float:
        """Lower limit at 95 % for the true effect of a new study; NaN where two studies leave no df."""
        return self._ahead(0.95)[0]

    @property
    def prediction_high(self) -> float:
        """Upper limit at 95 % for the true effect of a new study."""
        return self._ahead(0.95)[1]

    def __getitem__(self, column: str):
        """A number of the pooled effect, or a column of `frame()`."""
        own = ("estimate", "std_error", "conf_low", "conf_high", "tau2", "prediction_low", "prediction_high")
        return getattr(self, column) if column in own else super().__getitem__(column)

    def tau2_limits(self, level: float = 0.95) -> tuple[float, float]:
        """Interval of the variance between studies by the Q profile, whatever the estimator.

        Raises FitError for a level outside 0 to 1.
        """
        return profile_interval(*self._arrays(), check_level(level))

    def leave_one_out(self, level: float = 0.95) -> pd.DataFrame:
        """The pooled effect without each study in turn: without, estimate, std_error, conf_low, conf_high, tau2.

        Raises FitError where one study is left.
        """
        rows = []
        for place in range(len(self.studies)):
            others = self.studies.drop(self.studies.index[place]).reset_index(drop=True)
            made: dict[str, object] = {"without": self.studies["term"].iloc[place]}
            if len(others) > 1:
                left = pool_effects(others, method=self.method, interval=self.interval, prediction=self.prediction)
                low, high = left._reach(check_level(level))
                made |= {"estimate": left.estimate, "std_error": left.std_error, "conf_low": low, "conf_high": high,
                         "tau2": left.tau2}  # fmt: skip
            else:
                z = float(norm.ppf((1 + level) / 2))
                one, error = float(others["estimate"].iloc[0]), float(others["std_error"].iloc[0])
                made |= {"estimate": one, "std_error": error, "conf_low": one - z * error, "conf_high": one + z * error,
                         "tau2": float("nan")}  # fmt: skip
            rows.append(made)
        return pd.DataFrame(rows)

    def small_studies(self) -> tuple[float, float]:
        """Slope of the effect on its standard error and its p; NaN below the number of studies where it says much."""
        if len(self.studies) < ENOUGH_FOR_ASYMMETRY:
            return float("nan"), float("nan")
        return asymmetry(self.studies["estimate"].to_numpy(), self.studies["std_error"].to_numpy())

    def _arrays(self) -> tuple[np.ndarray, np.ndarray]:
        return self.studies["estimate"].to_numpy(), self.studies["std_error"].to_numpy() ** 2

    def _reach(self, level: float) -> tuple[float, float]:
        normal = self.interval == "normal"
        reach = float(norm.ppf((1 + level) / 2) if normal else t.ppf((1 + level) / 2, self.df)) * self.std_error
        return self.estimate - reach, self.estimate + reach

    def _ahead(self, level: float) -> tuple[float, float]:
        df = len(self.studies) - PREDICTION_DF[self.prediction]
        if df < 1:
            return float("nan"), float("nan")
        reach = float(t.ppf((1 + level) / 2, df)) * sqrt(self.tau2 + self.std_error**2)
        return self.estimate - reach, self.estimate + reach

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """A row per study, then `pooled` and `prediction`: estimate, std_error, conf_low, conf_high, weight.

        Every row repeats tau2, q, df, i2, and with three studies or more prediction_low and prediction_high, the
        interval for the true effect of a new study.
        """
        level = check_level(level)
        z = float(norm.ppf((1 + level) / 2))
        rows = self.studies.assign(
            conf_low=self.studies["estimate"] - z * self.studies["std_error"],
            conf_high=self.studies["estimate"] + z * self.studies["std_error"],
        )
        weight = 1 / (self.studies["std_error"] ** 2 + self.tau2)
        rows["weight"] = weight / weight.sum()
        low, high = self._reach(level)
        total = {"term": "pooled", "estimate": self.estimate, "std_error": self.std_error, "weight": 1.0}
        made = [rows, pd.DataFrame([total | {"conf_low": low, "conf_high": high}])]
        ahead = self._ahead(level)
        if ahead[0] == ahead[0]:  # not NaN
            spread = sqrt(self.tau2 + self.std_error**2)
            row = {"term": "prediction", "estimate": self.estimate, "std_error": spread}
            made.append(pd.DataFrame([row | {"conf_low": ahead[0], "conf_high": ahead[1]}]))
        joined = pd.concat(made, ignore_index=True)
        if ahead[0] == ahead[0]:
            joined = joined.assign(prediction_low=ahead[0], prediction_high=ahead[1])
        return joined.assign(tau2=self.tau2, q=self.q, df=self.df, i2=max(0.0, 1 - self.df / self.q) if self.q else 0.0)

    def sentence(self, level: float = 0.95) -> str:
        """Pooled effect, interval, number of studies, heterogeneity."""
        level = check_level(level)
        row = self.frame(level).set_index("term").loc["pooled"]
        interval = f"{level:.0%} interval {row['conf_low']:.2f} to {row['conf_high']:.2f}"
        caveats = self._caveats()
        caveat = f" Caution: {'; '.join(caveats)}." if caveats else ""
        return (
            f"Pooled effect {row['estimate']:.2f} {self.unit} ({interval}; {len(self.studies)} studies, "
            f"{METHODS[self.method]}, {INTERVALS[self.interval]}); tau² {self.tau2:.3f}, I² {row['i2']:.0%}.{caveat}"
        ).replace("  ", " ")

    def _caveats(self) -> list[str]:
        """What these studies cannot tell; every one of it goes into the sentence."""
        k = len(self.studies)
        found = []
        if k < FEW:
            found.append(f"with {k} studies the variance between them is hardly known")
            if k > 2:
                found.append("so is how far the true effect of a new study may lie off")
        if k == 2:
            found.append("two studies allow no prediction interval and no check by leaving one out")
        if self.interval == "normal" and k < MANY:
            found.append("the normal law makes this interval too narrow")
        if self.interval == "hartung-knapp" and self.factor < 1:
            found.append("they agree better than chance, which makes this interval too narrow")
        elif self.tau2 == 0 and self.interval != "normal":
            found.append("it is estimated as zero, and the interval is kept no narrower than without it")
        covered = coverage_caveat(k, self.method, self.interval)
        if covered:
            found.append(covered)
        if k < ENOUGH_FOR_ASYMMETRY:
            found.append("too few studies to see whether small ones without an effect are missing")
        else:
            _, p_value = self.small_studies()
            if p_value < SUSPECT:
                found.append("the smaller studies show other effects than the larger ones; some may be missing")
        return found


def pool_effects(
    estimates: pd.DataFrame | Result | Iterable[Estimate] | Sequence[float] | np.ndarray,
    std_errors: Sequence[float] | np.ndarray | None = None,
    *,
    labels: Sequence[str] | None = None,
    method: str = "paule-mandel",
    interval: str = "hartung-knapp-safe",
    prediction: str = "k-2",
) -> PooledEffect:
    """Random-effects mean of effects from different studies.

    estimates: what `published_effects` returns, `Estimate`s, a frame with estimate and std_error (and term or study,
    standardiser where known), or numbers with
    std_errors: one for each, in the same unit (SDs for effect sizes). labels: a name for each. method: estimator of the
    variance between studies, `paule-mandel` (ours), `reml` or `dersimonian-laird`. interval: `hartung-knapp-safe`
    (ours: t on k - 1 df, standard error no smaller than the plain one), `hartung-knapp` without that safeguard, or
    `normal`, too narrow for few studies. With two or three studies the interval is very wide, and honest. prediction:
    df of the interval for a new study, "k-2" (ours: Higgins 2009) or "k-1". How often each interval holds the truth
    with 3, 5 and 8 studies was simulated (tests/simulation/pooled_coverage.csv); where it is poor the sentence says so.
    Effects with different standardisers are refused: they are different quantities. Raises FitError for fewer than two
    effects or one without a standard error.
    Source: DerSimonian & Laird 1986; Paule & Mandel 1982; Hartung & Knapp 2001; Higgins, Thompson & Spiegelhalter 2009.

    >>> round(float(pool_effects([0.3, 0.5, 0.1], [0.2, 0.25, 0.3]).estimate), 3)
    0.319
    """
    if method not in METHODS:
        raise FitError(f"Method {method!r}: allowed {', '.join(METHODS)}.")
    if interval not in INTERVALS:
        raise FitError(f"Interval {interval!r}: allowed {', '.join(INTERVALS)}.")
    if prediction not in PREDICTION_DF:
        raise FitError(f"Prediction {prediction!r}: allowed {', '.join(PREDICTION_DF)}.")
    studies = _studies(_as_frame(estimates, std_errors), labels)
    if len(studies) < 2:
        raise FitError(f"{len(studies)} effect(s), allowed 2 or more: nothing to pool.")
    usable = np.isfinite(studies["estimate"]) & (studies["std_error"] > 0) & np.isfinite(studies["std_error"])
    bad = studies[~usable]
    if not bad.empty:
        raise FitError(f"{bad.iloc[0]['term']}: estimate {bad.iloc[0]['estimate']}, standard error "
                       f"{bad.iloc[0]['std_error']}; both are needed.")  # fmt: skip
    kinds = different(studies["standardiser"])
    unit = str(studies["unit"].iloc[0]) if studies["unit"].nunique() == 1 else ""
    if len(kinds) > 1:
        raise FitError(f"Effects with different standardisers cannot be pooled: {'; '.join(kinds)}.")
    effect, variances = studies["estimate"].to_numpy(), studies["std_error"].to_numpy() ** 2
    tau2 = between_studies(effect, variances, method)
    weight = 1 / (variances + tau2)
    mean = float((weight * effect).sum() / weight.sum())
    factor = float((weight * (effect - mean) ** 2).sum() / (len(effect) - 1))
    scale = {"normal": 1.0, "hartung-knapp": factor, "hartung-knapp-safe": max(1.0, factor)}[interval]
    notes = ["Random effects: the studies are taken as a sample of studies; the prediction row is for a new one."]
    if len(studies) < FEW:
        notes.append(f"{len(studies)} studies: the variance between studies is hardly known.")
    if len(studies) < 3:
        notes.append("Two studies leave no degree of freedom for a prediction interval: none is given.")
    if interval != "normal" and factor < 1 - 1e-6:
        shrunk = "the safeguard keeps the plain one" if interval == "hartung-knapp-safe" else "compare the safeguard"
        notes.append(f"Hartung-Knapp would make the standard error smaller than the plain one: {shrunk}.")
    if tau2 == 0:
        notes.append("The variance between studies is estimated as zero, which does not show that there is none.")
    return PooledEffect(
        studies=studies, estimate=mean, std_error=sqrt(scale / float(weight.sum())), tau2=tau2,
        q=weighted_squares(effect, variances, 0.0), factor=factor, method=method, interval=interval,
        prediction=prediction, unit="SD" if len(kinds) else unit, n_participants=int(studies["n"].sum()),
        n_rows=len(studies), notes=tuple(notes),
    )  # fmt: skip


def _as_frame(
    effects: pd.DataFrame | Result | Iterable[Estimate] | Sequence[float] | np.ndarray,
    std_errors: Sequence[float] | np.ndarray | None,
) -> pd.DataFrame | list[Estimate]:
    """Numbers with their standard errors as a frame; anything else as it is."""
    if isinstance(effects, Result):
        effects = effects.frame()
    if isinstance(effects, pd.DataFrame):
        return effects
    listed = list(effects)
    if std_errors is None:
        if listed and not isinstance(listed[0], Estimate):
            raise FitError("Effects given as numbers need their standard errors: pool_effects(effects, std_errors).")
        return listed  # type: ignore[return-value]  # told apart by the line above
    if len(std_errors) != len(listed):
        raise FitError(f"{len(std_errors)} standard errors for {len(listed)} effects: allowed one each.")
    return pd.DataFrame({"estimate": listed, "std_error": list(std_errors), "term": _numbered(len(listed))})


def _numbered(count: int) -> list[str]:
    return [f"study {k + 1}" for k in range(count)]


def _studies(effects: pd.DataFrame | list[Estimate], labels: Sequence[str] | None) -> pd.DataFrame:
    if isinstance(effects, pd.DataFrame):
        frame = effects.reset_index(drop=True)
    else:
        frame = pd.concat([one.frame() for one in effects], ignore_index=True)
    absent = [name for name in ("estimate", "std_error") if name not in frame]
    if absent:
        raise FitError(f"The effects lack the columns {', '.join(absent)}.")
    term = frame["study"] if "study" in frame else frame["term"] if "term" in frame else frame.index.astype(str)
    if labels is not None:
        if len(labels) != len(frame):
            raise FitError(f"{len(labels)} labels for {len(frame)} effects: allowed one each.")
        term = list(labels)
    standardiser = frame.get("standardiser", "")
    made = {"term": term, "estimate": frame["estimate"].astype(float), "std_error": frame["std_error"].astype(float)}
    return pd.DataFrame(made).assign(standardiser=standardiser, n=frame.get("n", 0), unit=frame.get("unit", ""))
