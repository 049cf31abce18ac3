"""Simulated trials with sites: levels and treatment effects that differ between them, and their analysis.

What sites cost a trial is seen here: where the effect differs between sites, more people at the same sites do not make
the answer surer without end, more sites do.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.random import Generator

from stats.change.site_rules import FEW
from stats.errors import FitError, PlanError
from stats.mixed.fit import MixedFit, fit_mixed
from stats.mixed.fitting.kenward_roger import check_df
from stats.planning.simulation.trials import NormalMaker, NormalTruth, Trials
from stats.planning.simulation.verdicts import Verdicts, verdicts

EFFECTS = ("auto", "random", "intercept", "fixed", "none")


@dataclass(frozen=True)
class SiteTruth:
    """A `NormalTruth` spread over sites, arms dealt within them.

    site_sd: SD of sites' levels, at every visit. by_arm_sd: SD between sites of the treatment's effect, at every later
    visit. shares: relative sizes of the sites (default: equal). The covariance of `truth` is that inside sites.
    Raises PlanError for fewer than two sites, negative SDs, or shares that do not fit.
    """

    truth: NormalTruth
    sites: int
    site_sd: float = 0.0
    by_arm_sd: float = 0.0
    shares: tuple[float, ...] | None = None

    def __post_init__(self) -> None:
        if self.sites < 2 or self.site_sd < 0 or self.by_arm_sd < 0:
            raise PlanError(
                f"sites = {self.sites}, site_sd = {self.site_sd}, by_arm_sd = {self.by_arm_sd}: allowed are two sites "
                "or more and SDs of 0 or more."
            )
        if self.shares is not None and (len(self.shares) != self.sites or min(self.shares) <= 0):
            raise PlanError(f"shares {self.shares}: one positive number for each of the {self.sites} sites.")

    def maker(self, n_per_arm: int, ratio: float = 1.0) -> "SiteMaker":
        """A maker of trials with this many randomised per arm, over all sites.

        Raises PlanError for less than a person an arm and site.
        """
        inside = self.truth.maker(n_per_arm, ratio)
        if n_per_arm < self.sites:
            raise PlanError(f"n_per_arm = {n_per_arm} at {self.sites} sites: at least one person an arm and site.")
        return SiteMaker(self, inside)

    def without_effect(self) -> "SiteTruth":
        """The same trial with no effect on average; it may still differ between sites."""
        return replace(self, truth=self.truth.without_effect())


@dataclass(frozen=True)
class SiteMaker:
    """Draws trials of a `SiteTruth`; calling it twice with equal generators gives equal trials."""

    spread: SiteTruth
    inside: NormalMaker

    @property
    def truth(self) -> NormalTruth:
        """The truth averaged over sites."""
        return self.spread.truth

    def __call__(self, rng: Generator, replicates: int) -> Trials:
        truth, spread = self.truth, self.spread
        plain = replace(truth, low=None, high=None, step=None)
        made = replace(self.inside, truth=plain)(rng, replicates)
        share = np.ones(spread.sites) if spread.shares is None else np.array(spread.shares)
        ends = np.cumsum(share) / share.sum()
        site = np.empty(len(made.arm), dtype=int)
        for arm in (0, 1):
            own = np.flatnonzero(made.arm == arm)
            site[own] = np.searchsorted(ends, (np.arange(len(own)) + 0.5) / len(own))
        level = spread.site_sd * rng.standard_normal((replicates, spread.sites))[:, site]
        effect = spread.by_arm_sd * rng.standard_normal((replicates, spread.sites))[:, site] * (made.arm - 0.5)
        later = np.arange(len(made.times)) > 0
        values = made.values + level[:, :, None] + effect[:, :, None] * later
        return Trials(truth.recorded(values), made.arm, made.times, site)


@dataclass(frozen=True)
class SiteAnalysis:
    """A mean per arm and later visit with the baseline as covariate, sites above; the last visit's difference.

    effect: "random" (site and treatment by site), "intercept" (site alone: shown so that its error rate can be seen),
    "fixed", "none", or "auto" as `fit_change` decides. covariance over the later visits and df as in `fit_mixed`.
    A replicate is fitted by itself: 10 to 30 ms each.
    Raises PlanError for an unknown effect, FitError for unknown df.
    """

    effect: str = "auto"
    covariance: str = "unequal-ante-dependence"
    df: str = "kenward-roger-observed"

    def __post_init__(self) -> None:
        check_df(self.df)
        if self.effect not in EFFECTS:
            raise PlanError(f"effect = {self.effect!r}: allowed are {', '.join(EFFECTS)}.")

    def __call__(self, trials: Trials, level: float = 0.95) -> Verdicts:
        if trials.site is None:
            raise PlanError("These trials have no sites: draw them from SiteTruth(...).maker(n).")
        R = len(trials.values)
        numbers, boundary = np.full((3, R), np.nan), np.zeros(R, dtype=bool)
        for k in range(R):
            try:
                fit = self._fit(trials, trials.values[k])
                last = len(trials.times) - 1
                made = fit.contrast(f"cell[1 {last}] - cell[0 {last}]", df=self.df)
            except FitError:
                continue
            numbers[:, k] = made.estimate[0], made.std_error[0], made.df[0]
            boundary[k] = fit.boundary
        estimate, std_error, df = numbers
        return verdicts(estimate, std_error, df, np.isfinite(estimate), level, boundary)

    def _fit(self, trials: Trials, values: np.ndarray) -> MixedFit:
        assert trials.site is not None
        n, T = values.shape
        base = values[:, :1] - np.nanmean(values[:, 0])
        person, visit = np.repeat(np.arange(n), T - 1), np.tile(np.arange(1, T), n)
        frame = pd.DataFrame({
            "y": values[:, 1:].ravel(), "participant": person, "visit": visit, "arm": trials.arm[person],
            "base": np.repeat(np.where(np.isfinite(base), base, 0.0), T - 1, axis=1).ravel(),
            "site": trials.site[person],
        })  # fmt: skip
        cells = pd.MultiIndex.from_product([[0, 1], range(1, T)])
        frame["cell"] = pd.Categorical.from_codes(
            frame["arm"] * (T - 1) + frame["visit"] - 1, categories=[f"{a} {v}" for a, v in cells]
        )
        frame["when"] = pd.Categorical(frame["visit"])
        sites, effect = len(np.unique(trials.site)), self.effect
        if effect == "auto":
            effect = "fixed" if sites < FEW else "random"
        formula = "y ~ 0 + cell + when:base" + (" + C(site)" if effect == "fixed" else "")
        above = {"random": "1 + arm", "intercept": "1"}.get(effect)
        return fit_mixed(
            frame, formula, participant="participant", visit="visit",
            covariance=self.covariance if T > 2 else "unstructured",
            site="site" if above else None, site_random=above,
        )  # fmt: skip

    def truth(self, means: np.ndarray, times: np.ndarray) -> float:
        """The difference at the last visit beyond that at baseline."""
        ahead = means[1] - means[0]
        return float(ahead[-1] - ahead[0])
