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
from scipy.optimize import brentq
from scipy.stats import norm, t

from stats.errors import FitError
from stats.estimates import Estimate, check_level
from stats.result import Result

METHODS = ("paule-mandel", "reml", "dersimonian-laird")
INTERVALS = {
    "hartung-knapp-safe": "Hartung-Knapp, not narrower than the plain interval",
    "hartung-knapp": "Hartung-Knapp",
    "normal": "normal law",
}
FEW = 5  # studies below which the variance between them is hardly known: judgement, no published bound


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
    unit: str
    n_participants: int
    n_rows: int
    notes: tuple[str, ...]

    @property
    def df(self) -> int:
        """Studies - 1."""
        return len(self.studies) - 1

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """A row per study, then `pooled` and `prediction`: estimate, std_error, conf_low, conf_high, weight.

        Every row repeats tau2, q, df, i2, and with three studies or more prediction_low and prediction_high, the
        interval for the true effect of a new study (t on k - 2 df).
        """
        level = check_level(level)
        z = float(norm.ppf((1 + level) / 2))
        rows = self.studies.assign(
            conf_low=self.studies["estimate"] - z * self.studies["std_error"],
            conf_high=self.studies["estimate"] + z * self.studies["std_error"],
        )
        weight = 1 / (self.studies["std_error"] ** 2 + self.tau2)
        rows["weight"] = weight / weight.sum()
        factor = z if self.interval == "normal" else float(t.ppf((1 + level) / 2, self.df))
        reach = factor * self.std_error
        total = {"term": "pooled", "estimate": self.estimate, "std_error": self.std_error, "weight": 1.0}
        total |= {"conf_low": self.estimate - reach, "conf_high": self.estimate + reach}
        made = [rows, pd.DataFrame([total])]
        if self.df >= 2:
            spread = sqrt(self.tau2 + self.std_error**2)
            reach = float(t.ppf((1 + level) / 2, self.df - 1)) * spread
            ends = {"conf_low": self.estimate - reach, "conf_high": self.estimate + reach}
            made.append(pd.DataFrame([{"term": "prediction", "estimate": self.estimate, "std_error": spread, **ends}]))
        joined = pd.concat(made, ignore_index=True)
        if self.df >= 2:
            joined = joined.assign(prediction_low=ends["conf_low"], prediction_high=ends["conf_high"])
        return joined.assign(tau2=self.tau2, q=self.q, df=self.df, i2=max(0.0, 1 - self.df / self.q) if self.q else 0.0)

    def sentence(self, level: float = 0.95) -> str:
        """Pooled effect, interval, number of studies, heterogeneity."""
        level = check_level(level)
        row = self.frame(level).set_index("term").loc["pooled"]
        interval = f"{level:.0%} interval {row['conf_low']:.2f} to {row['conf_high']:.2f}"
        caveats = []
        if len(self.studies) < FEW:
            caveats.append(f"with {len(self.studies)} studies the variance between them is hardly known")
        if self.interval == "hartung-knapp" and self.factor < 1:
            caveats.append("they agree better than chance, which makes this interval too narrow")
        elif self.tau2 == 0 and self.interval != "normal":
            caveats.append("it is estimated as zero, and the interval is kept no narrower than without it")
        caveat = f" Caution: {'; '.join(caveats)}." if caveats else ""
        return (
            f"Pooled effect {row['estimate']:.2f} {self.unit} ({interval}; {len(self.studies)} studies, "
            f"{self.method}, {INTERVALS[self.interval]}); tau² {self.tau2:.3f}, I² {row['i2']:.0%}.{caveat}"
        ).replace("  ", " ")


def pool_effects(
    effects: pd.DataFrame | Iterable[Estimate] | Sequence[float] | np.ndarray,
    std_errors: Sequence[float] | np.ndarray | None = None,
    *,
    labels: Sequence[str] | None = None,
    method: str = "paule-mandel",
    interval: str = "hartung-knapp-safe",
) -> PooledEffect:
    """Random-effects mean of effects from different studies.

    effects: `Estimate`s, or a frame with estimate and std_error (and term or study, standardiser where known), or
    numbers with `std_errors`. method: estimator of the variance between studies, `paule-mandel` (ours), `reml` or
    `dersimonian-laird`. interval: `hartung-knapp-safe` (ours: t on k - 1 df, standard error no smaller than the plain
    one), `hartung-knapp` without that safeguard, or `normal`, too narrow for few studies. With two or three studies
    the interval is very wide, and honest. Effects with different standardisers are refused: they are different
    quantities. Raises FitError for fewer than two effects or one without a standard error.
    Source: DerSimonian & Laird 1986; Paule & Mandel 1982; Hartung & Knapp 2001; Higgins, Thompson & Spiegelhalter 2009.
    """
    if method not in METHODS:
        raise FitError(f"Method {method!r}: allowed {', '.join(METHODS)}.")
    if interval not in INTERVALS:
        raise FitError(f"Interval {interval!r}: allowed {', '.join(INTERVALS)}.")
    studies = _studies(_as_frame(effects, std_errors), labels)
    if len(studies) < 2:
        raise FitError(f"{len(studies)} effect(s), allowed 2 or more: nothing to pool.")
    usable = np.isfinite(studies["estimate"]) & (studies["std_error"] > 0) & np.isfinite(studies["std_error"])
    bad = studies[~usable]
    if not bad.empty:
        raise FitError(f"{bad.iloc[0]['term']}: estimate {bad.iloc[0]['estimate']}, standard error "
                       f"{bad.iloc[0]['std_error']}; both are needed.")  # fmt: skip
    kinds = studies["standardiser"].replace("", np.nan).dropna().unique()
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
        q=_weighted_squares(effect, variances, 0.0), factor=factor, method=method, interval=interval,
        unit="SD" if len(kinds) else "", n_participants=0, n_rows=len(studies), notes=tuple(notes),
    )  # fmt: skip


def between_studies(effect: np.ndarray, variances: np.ndarray, method: str) -> float:
    """The variance between studies, zero or more, by one of METHODS.

    Paule-Mandel solves sum w (y - m)^2 = k - 1; REML is iterated to the zero of its score.
    """
    k, plain = len(effect), _weighted_squares(effect, variances, 0.0)
    if method == "dersimonian-laird":
        w = 1 / variances
        return max(0.0, (plain - (k - 1)) / float(w.sum() - (w**2).sum() / w.sum()))
    score = _restricted_score if method == "reml" else _excess
    if score(0.0, effect, variances) <= 0:
        top = 10.0 * float(np.var(effect, ddof=1) + variances.max())
        # the restricted likelihood of few studies can fall from zero and still rise again further out
        inner = [x for x in np.geomspace(1e-4, 1.0, 40) * top if method == "reml" and score(x, effect, variances) > 0]
        if not inner or _restricted(inner[-1], effect, variances) <= _restricted(0.0, effect, variances):
            return 0.0
        low = inner[-1]
    else:
        low = 0.0
    high = max(float(np.var(effect, ddof=1)), float(variances.max()))
    while score(high, effect, variances) > 0:
        high *= 2
    return float(brentq(score, low, high, args=(effect, variances), xtol=1e-15, rtol=1e-14, maxiter=500))


def _weighted_squares(effect: np.ndarray, variances: np.ndarray, tau2: float) -> float:
    w = 1 / (variances + tau2)
    return float((w * (effect - (w * effect).sum() / w.sum()) ** 2).sum())


def _excess(tau2: float, effect: np.ndarray, variances: np.ndarray) -> float:
    """Paule and Mandel's equation: falling in tau2."""
    return _weighted_squares(effect, variances, tau2) - (len(effect) - 1)


def _restricted_score(tau2: float, effect: np.ndarray, variances: np.ndarray) -> float:
    """Twice the derivative of the restricted log-likelihood in tau2."""
    w = 1 / (variances + tau2)
    mean = (w * effect).sum() / w.sum()
    return float((w**2 * (effect - mean) ** 2).sum() - w.sum() + (w**2).sum() / w.sum())


def _restricted(tau2: float, effect: np.ndarray, variances: np.ndarray) -> float:
    """Twice the restricted log-likelihood, constants left out."""
    w = 1 / (variances + tau2)
    return float(np.log(w).sum() - np.log(w.sum()) - _weighted_squares(effect, variances, tau2))


def _as_frame(
    effects: pd.DataFrame | Iterable[Estimate] | Sequence[float] | np.ndarray,
    std_errors: Sequence[float] | np.ndarray | None,
) -> pd.DataFrame | list[Estimate]:
    """Numbers with their standard errors as a frame; anything else as it is."""
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
    return pd.DataFrame(made).assign(standardiser=standardiser)
