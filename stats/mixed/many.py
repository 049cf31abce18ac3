"""The same model fitted to many responses at once: simulated trials, bootstrap replicates."""

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from stats.errors import FitError
from stats.mixed.covariance.structure import Structure
from stats.mixed.fitting.kenward_roger import INFORMATION, KENWARD_ROGER, SATTERTHWAITE, check_df
from stats.mixed.fitting.solve import Solution, solve
from stats.mixed.inference.blocks import Alike, alike, structure_over_visits
from stats.mixed.inference.fit_estimates import f_tail, t_quantile, two_sided_p
from stats.mixed.inference.robust import Sandwich
from stats.mixed.model.contrasts import independent_rows
from stats.mixed.model.layout import Layout, build_layout, check_order, collinear, rank_report, visit_times
from stats.mixed.model.moments import pool_orthogonal


@dataclass(frozen=True)
class ManyEstimates:
    """Estimates of m combinations in R replicates: every array is (R, m). NaN where a replicate has no answer."""

    estimate: np.ndarray
    std_error: np.ndarray
    df: np.ndarray

    @property
    def p_value(self) -> np.ndarray:
        """Two-sided p of zero."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return two_sided_p(self.estimate / self.std_error, self.df)

    def interval(self, level: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
        """Lower and upper limits."""
        half = t_quantile(level, self.df) * self.std_error
        return self.estimate - half, self.estimate + half


@dataclass(frozen=True)
class ManyTests:
    """Joint tests in R replicates: statistic, den_df, p_value (R,), with one num_df."""

    statistic: np.ndarray
    num_df: int
    den_df: np.ndarray
    p_value: np.ndarray


@dataclass(frozen=True)
class ManyFits:
    """R fits of one model. converged and boundary are (R,) bool; beta (R, q) the coefficients; loglik (R,).

    `template` is the model, `responses` (R, N) what it was fitted to.
    """

    terms: tuple[str, ...]
    n_rows: int
    solution: Solution = field(repr=False)
    template: "Template" = field(repr=False)
    responses: np.ndarray = field(repr=False)

    @property
    def converged(self) -> np.ndarray:
        """Replicates whose maximum is proven by its gradient."""
        return self.solution.converged

    @property
    def boundary(self) -> np.ndarray:
        """Replicates with a variance of zero or a correlation of one."""
        return self.solution.boundary

    @property
    def loglik(self) -> np.ndarray:
        """Maximised (restricted) log-likelihoods."""
        return self.solution.loglik

    @property
    def beta(self) -> np.ndarray:
        """Coefficients."""
        return self.solution.beta

    def estimates(self, L: np.ndarray, df: str = KENWARD_ROGER) -> ManyEstimates:
        """Combinations L b, L (m, q), with the standard errors and df of a method (see `MixedFit.fixed`)."""
        check_df(df)
        small, scaled = self.solution.for_df(df), np.atleast_2d(L) @ self.solution.basis
        hidden = self.solution.hidden(scaled)
        covariance = small.covariance(df)
        variance = ((scaled @ covariance) * scaled).sum(axis=2)
        bad = ~self.converged[:, None] | (variance <= 0) | hidden
        std_error = np.sqrt(np.where(bad, np.nan, variance)) * self.solution.scale[:, None]
        if df in INFORMATION or self.solution.exact:
            degrees = small.satterthwaite(scaled, INFORMATION.get(df, "expected"))
        else:
            degrees = np.full(std_error.shape, np.inf if df == "normal" else float(self.n_rows - len(self.terms)))
        estimate = small.point.beta @ scaled.T * self.solution.scale[:, None]
        return ManyEstimates(np.where(bad, np.nan, estimate), std_error, np.where(bad, np.nan, degrees))

    def test(self, L: np.ndarray, df: str = KENWARD_ROGER) -> ManyTests:
        """Joint test that L b = 0, L (l, q)."""
        check_df(df)
        small, scaled = self.solution.for_df(df), independent_rows(np.atleast_2d(L) @ self.solution.basis)
        rows = len(scaled)
        if df.startswith(KENWARD_ROGER):
            F, den, _ = small.kenward_roger_joint(scaled, df)
        elif df == SATTERTHWAITE:
            F, den = small.fai_cornelius(scaled)
        else:
            F = small.wald(scaled, small.point.phi) / rows
            den = np.full(len(F), np.inf if df == "normal" else float(self.n_rows - len(self.terms)))
        F = np.where(self.converged & ~self.solution.hidden(scaled).any(), F, np.nan)
        return ManyTests(F, rows, den, f_tail(F, rows, den))

    def alike(self, some: np.ndarray | None = None) -> Iterator[Alike]:
        """Participants pattern by pattern with their fitted covariances; `some` of the replicates (all)."""
        if self.template.layout.sites is not None:
            raise FitError("Robust and simulated answers of many fits are not there for models with sites.")
        theta = self.solution.theta
        return alike(self.template.layout, self.template.structure(), theta if some is None else theta[some])

    def robust(self, L: np.ndarray) -> ManyEstimates:
        """Combinations L b, L (m, q), with CR2 standard errors and their Satterthwaite df (see `robust`)."""
        L = np.atleast_2d(np.asarray(L, dtype=float))
        made = np.full((3, len(self.beta), len(L)), np.nan)
        sandwich = self._sandwich(L)
        made[0, self.converged] = sandwich.estimate
        made[1:, self.converged] = sandwich.single()
        return ManyEstimates(*made)

    def robust_test(self, L: np.ndarray) -> ManyTests:
        """Joint test that L b = 0 by CR2 and the approximate Hotelling T-squared (see `robust`)."""
        rows = independent_rows(np.atleast_2d(np.asarray(L, dtype=float)))
        F, den = np.full((2, len(self.beta)), np.nan)
        F[self.converged], den[self.converged], _ = self._sandwich(rows).joint()
        return ManyTests(F, len(rows), den, f_tail(F, len(rows), den))

    def simulate(self, rng: np.random.Generator, each: int = 1) -> np.ndarray:
        """New responses (R each, N), `each` of them in a row from every fitted model; NaN where one has no maximum."""
        good = self.converged
        fresh = np.full((len(good), each, self.n_rows), np.nan)
        drawn = np.repeat((self.beta[good] @ self.template.layout.X.T)[:, None], each, axis=1)
        for part in self.alike(good):
            noise = rng.standard_normal((len(drawn), each, *part.rows.shape))
            root = np.linalg.cholesky(part.V)[:, None]
            drawn[:, :, part.rows] += noise @ np.swapaxes(root, 2, 3)
        fresh[good] = drawn
        return fresh.reshape(-1, self.n_rows)

    def _sandwich(self, L: np.ndarray) -> Sandwich:
        """CR2 of the replicates with a maximum."""
        good = self.converged
        basis, scale = self.solution.basis, self.solution.scale[good]
        phi = scale[:, None, None] ** 2 * (basis @ self.solution.small.point.phi[good] @ basis.T)
        beta = self.beta[good]
        residual = self.responses[good] - beta @ self.template.layout.X.T
        return Sandwich.of(self.alike(good), phi, beta, residual, L)


@dataclass(frozen=True)
class Template:
    """A model without its response: what `fit_many` needs once for any number of responses."""

    layout: Layout
    covariance: str | None
    correlated: bool
    reml: bool
    times: np.ndarray | None
    variances_only: bool = False

    def fit(self, responses: np.ndarray) -> ManyFits:
        """Fit R responses (R, N), rows in the order of `layout.frame`."""
        Y = np.atleast_2d(np.asarray(responses, dtype=float))
        moments, basis = pool_orthogonal(self.layout, Y)
        solution = solve(
            moments,
            correlated=self.correlated,
            covariance=self.covariance,
            reml=self.reml,
            times=self.times,
            basis=basis,
            variances_only=self.variances_only,
        )
        return ManyFits(self.layout.terms, self.layout.n_rows, solution, self, Y)

    def structure(self) -> Structure:
        """The covariance over the visits of the layout, in natural units."""
        return structure_over_visits(
            self.layout, correlated=self.correlated, covariance=self.covariance, times=self.times,
            variances_only=self.variances_only,
        )  # fmt: skip


def template(
    frame: pd.DataFrame,
    formula: str,
    *,
    participant: str,
    visit: str | None = None,
    random: str | None = None,
    correlated: bool = True,
    covariance: str | None = None,
    by: str | None = None,
    variance_by: str | None = None,
    method: str = "reml",
    site: str | None = None,
    site_random: str | None = None,
    crossed: str | None = None,
) -> Template:
    """Prepare a model for many responses (arguments as in `fit_mixed`; the response column may hold anything)."""
    if random is None and covariance is None:
        random = "1"
    layout = build_layout(
        frame, formula, participant=participant, visit=visit, random=random, by=by or variance_by, site=site,
        site_random=site_random, crossed=crossed,
    )  # fmt: skip
    check_order(covariance, layout.slots, ordered=layout.ordered)
    named = rank_report(layout.X, layout.terms)
    if named:
        raise collinear(list(named))
    times = visit_times(layout.slots) if covariance in ("exponential", "unequal-exponential") else None
    return Template(layout, covariance, correlated, method == "reml", times, variance_by is not None)


def fit_many(frame: pd.DataFrame, formula: str, responses: np.ndarray, **model) -> ManyFits:
    """Fit one model to R responses (R, N) over the rows of `frame`; keywords as in `fit_mixed`.

    Replicates share the design and the missing visits. Rows must be complete and in the order of the frame.
    frame: one row per participant and visit, N rows. responses: array (R, N), a row a replicate, all in one unit.
    Raises FitError as `fit_mixed` does. Source: as `fit_mixed`.
    """
    prepared = template(frame, formula, **model)
    order = frame.index.get_indexer(prepared.layout.frame.index)
    return prepared.fit(np.atleast_2d(responses)[:, order])
