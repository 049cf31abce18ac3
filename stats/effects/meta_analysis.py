"""Random-effects pooling of published effects (computed by statsmodels)."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
import pandas as pd
from scipy.stats import norm, t
from statsmodels.stats.meta_analysis import combine_effects

from stats.errors import FitError
from stats.estimates import Estimate, check_level
from stats.result import Result

METHODS = {"paule-mandel": "iterated", "dersimonian-laird": "chi2"}


@dataclass(frozen=True)
class PooledEffect(Result):
    """Pooled effect with heterogeneity; `studies` keeps what went in."""

    studies: pd.DataFrame
    estimate: float
    std_error: float
    tau2: float
    q: float
    method: str
    knapp_hartung: bool
    unit: str
    n_participants: int
    n_rows: int
    notes: tuple[str, ...]

    @property
    def df(self) -> int:
        """Studies - 1."""
        return len(self.studies) - 1

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """A row per study, then `pooled` and `prediction`: estimate, std_error, conf_low, conf_high, weight."""
        level = check_level(level)
        z = float(norm.ppf((1 + level) / 2))
        rows = self.studies.assign(
            conf_low=self.studies["estimate"] - z * self.studies["std_error"],
            conf_high=self.studies["estimate"] + z * self.studies["std_error"],
        )
        weight = 1 / (self.studies["std_error"] ** 2 + self.tau2)
        rows["weight"] = weight / weight.sum()
        factor = float(t.ppf((1 + level) / 2, self.df)) if self.knapp_hartung else z
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
        return joined.assign(tau2=self.tau2, q=self.q, df=self.df, i2=max(0.0, 1 - self.df / self.q) if self.q else 0.0)

    def sentence(self, level: float = 0.95) -> str:
        """Pooled effect, interval, number of studies, heterogeneity."""
        level = check_level(level)
        row = self.frame(level).set_index("term").loc["pooled"]
        interval = f"{level:.0%} interval {row['conf_low']:.2f} to {row['conf_high']:.2f}"
        return (
            f"Pooled effect {row['estimate']:.2f} {self.unit} ({interval}; {len(self.studies)} studies, "
            f"{self.method}); tau² {self.tau2:.3f}, I² {row['i2']:.0%}."
        )


def pool_effects(
    effects: pd.DataFrame | Iterable[Estimate],
    labels: Sequence[str] | None = None,
    *,
    method: str = "paule-mandel",
    knapp_hartung: bool = True,
) -> PooledEffect:
    """Random-effects mean of effects from different studies.

    effects: `Estimate`s, or a frame with estimate and std_error (and term or study, standardiser where known).
    method: estimator of the variance between studies, `paule-mandel` (ours) or `dersimonian-laird`. knapp_hartung: the
    adjusted standard error with t on k - 1 df; with two or three studies its interval is very wide, and honest.
    Effects with different standardisers are refused: they are different quantities.
    Raises FitError for fewer than two effects or one without a standard error.
    Source: DerSimonian & Laird 1986; Paule & Mandel 1982; Hartung & Knapp 2001; Higgins, Thompson & Spiegelhalter 2009.
    """
    if method not in METHODS:
        raise FitError(f"Method {method!r}: allowed {', '.join(METHODS)}.")
    studies = _studies(effects, labels)
    if len(studies) < 2:
        raise FitError(f"{len(studies)} effect(s), allowed 2 or more: nothing to pool.")
    bad = studies[~(studies["std_error"] > 0) | studies["estimate"].isna()]
    if not bad.empty:
        raise FitError(f"{bad.iloc[0]['term']}: estimate {bad.iloc[0]['estimate']}, standard error "
                       f"{bad.iloc[0]['std_error']}; both are needed.")  # fmt: skip
    kinds = studies["standardiser"].replace("", np.nan).dropna().unique()
    if len(kinds) > 1:
        raise FitError(f"Effects with different standardisers cannot be pooled: {'; '.join(kinds)}.")
    variances = studies["std_error"].to_numpy() ** 2
    found = combine_effects(studies["estimate"].to_numpy(), variances, method_re=METHODS[method])
    tau2 = max(0.0, float(found.tau2))
    weight = 1 / (variances + tau2)
    mean = float((weight * studies["estimate"]).sum() / weight.sum())
    scale = float((weight * (studies["estimate"] - mean) ** 2).sum() / (len(studies) - 1)) if knapp_hartung else 1.0
    notes = ["Random effects: the studies are taken as a sample of studies; the prediction row is for a new one."]
    if len(studies) < 5:
        notes.append(f"{len(studies)} studies: the variance between studies is hardly known.")
    if knapp_hartung and scale < 1:
        notes.append("Knapp-Hartung made the standard error smaller than the plain one; compare knapp_hartung=False.")
    name = method + (", Knapp-Hartung" if knapp_hartung else "")
    return PooledEffect(studies, mean, sqrt(scale / float(weight.sum())), tau2, float(found.q), name, knapp_hartung,
                        "SD" if len(kinds) else "", 0, len(studies), tuple(notes))  # fmt: skip


def _studies(effects: pd.DataFrame | Iterable[Estimate], labels: Sequence[str] | None) -> pd.DataFrame:
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
