"""Fit a linear mixed model by (restricted) maximum likelihood and ask it questions."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from html import escape

import numpy as np
import pandas as pd

from stats.errors import FitError
from stats.mixed.fitting.kenward_roger import INFORMATION, KENWARD_ROGER, SATTERTHWAITE, check_df
from stats.mixed.fitting.solve import Solution, orthogonal, solve
from stats.mixed.inference.diagnostics import Diagnostics, diagnose, visit_covariance
from stats.mixed.inference.fit_estimates import Estimates, JointTest, f_tail
from stats.mixed.inference.robust import robust_estimates, robust_test
from stats.mixed.model.contrasts import cell_contrasts, combination, independent_rows, reference_grid, term_rows
from stats.mixed.model.design_matrix import NO_OFFSET, NO_WEIGHTS
from stats.mixed.model.layout import Layout, build_layout, check_order, visit_times
from stats.mixed.model.masks import every, some
from stats.mixed.model.moments import Moments, pool_orthogonal


@dataclass(frozen=True)
class MixedFit:
    """A fitted linear mixed model, y_i ~ N(X_i b, V_i(theta)).

    loglik: maximised (restricted) log-likelihood, constants included. `notes` lists every choice and irregularity.
    `layout` holds the rows where the fit was made from rows (None after `fit_moments`). `unit` is the outcome's unit.
    """

    formula: str
    random: str | None
    correlated: bool
    covariance: str | None
    by: str | None
    method: str
    loglik: float
    n_rows: int
    n_participants: int
    boundary: bool
    notes: tuple[str, ...]
    terms: tuple[str, ...]
    unit: str = ""
    variance_by: str | None = None
    time: str | None = None
    moments: Moments = field(repr=False, kw_only=True)
    solution: Solution = field(repr=False, kw_only=True)
    layout: Layout | None = field(repr=False, default=None, kw_only=True)
    times: np.ndarray | None = field(repr=False, default=None, kw_only=True)

    @property
    def beta(self) -> np.ndarray:
        """Coefficients (q,)."""
        return self.solution.beta[0]

    @property
    def n_parameters(self) -> int:
        """Covariance parameters that the data can tell apart."""
        return self.solution.n_parameters

    def coefficient_covariance(self, df: str = KENWARD_ROGER) -> np.ndarray:
        """Covariance matrix (q, q) of the coefficients that goes with a df method."""
        self._allowed(df)
        basis, scale = self.solution.basis, self.solution.scale[0]
        return scale**2 * basis @ self.solution.for_df(df).covariance(df)[0] @ basis.T

    def _repr_html_(self) -> str:
        notes = "".join(f"<li>{escape(note)}</li>" for note in self.notes)
        head = f"{self.formula}: {self.n_participants} participants, {self.n_rows} rows"
        df = KENWARD_ROGER if self.method == "reml" else SATTERTHWAITE
        return f"<p>{escape(head)}</p>{self.fixed(df).to_html(index=False, border=0)}<ul>{notes}</ul>"

    def fixed(self, df: str = KENWARD_ROGER, level: float = 0.95) -> pd.DataFrame:
        """Coefficients: term estimate std_error df statistic p_value conf_low conf_high unit.

        df: "kenward-roger" (expected information), "kenward-roger-observed", "kenward-roger-2009" (expected, the same
        whatever the covariance's parameters), "satterthwaite", "between-within", "residual" or "normal". No method is
        calibrated at every size: see DEVELOPERS.md for the simulated error rates.
        """
        return self.estimates(np.eye(len(self.terms)), self.terms, df=df).frame(level)

    def estimates(
        self, L: np.ndarray, labels: Sequence[str], df: str = KENWARD_ROGER, keys: pd.DataFrame | None = None
    ) -> Estimates:
        """Linear combinations L b, one row of L (m, q) each.

        Raises FitError for weights of another width, or a combination that these rows cannot tell.
        """
        self._allowed(df)
        L = np.atleast_2d(np.asarray(L, dtype=float))
        if L.shape[1] != len(self.terms):
            raise FitError(
                f"Weights have {L.shape[1]} columns; the model has {len(self.terms)}: {', '.join(self.terms)}."
            )
        solution, scaled = self.solution, L @ self.solution.basis
        small = solution.for_df(df)
        covariance = small.covariance(df)[0]
        variance = ((scaled @ covariance) * scaled).sum(axis=1)
        notes, hidden = self.notes, solution.hidden(scaled)
        if every(hidden):
            raise _unknowable(labels)
        if some(hidden):
            dark = ", ".join(label for label, unseen in zip(labels, hidden, strict=True) if unseen)
            notes = (*notes, f"{dark}: {UNKNOWABLE}; it cannot be given.")
        if some(variance <= 0):
            notes = (*notes, "The adjusted variance of a combination is not positive: no interval is given for it.")
        std_error = solution.scale[0] * np.sqrt(np.where((variance > 0) & ~hidden, variance, np.nan))
        degrees = np.where(hidden, np.nan, self._df(scaled, df))
        if some(np.isnan(degrees) & ~hidden):
            notes = (*notes, f"The information about the covariance is singular: {df} df cannot be given.")
        elif some(degrees < 2):
            notes = (*notes, "Fewer than 2 denominator df for a combination: its interval is not to be relied on.")
        return Estimates(
            term=tuple(labels), estimate=scaled @ small.point.beta[0] * solution.scale[0], std_error=std_error,
            df=degrees, df_method="residual" if solution.exact else df, unit=self.unit,
            n_participants=self.n_participants, n_rows=self.n_rows, notes=notes, keys=keys, weights=L,
        )  # fmt: skip

    def contrast(
        self,
        weights: str | Sequence,
        by: str | Sequence[str] | None = None,
        df: str = KENWARD_ROGER,
        at: Mapping[str, Sequence] | None = None,
    ) -> Estimates:
        """Contrasts by weights (q,) or (m, q), or by text.

        Text is a combination of coefficients ("week:arm[T.b] - week:arm[T.c]") or of the levels of one column
        ("week 8 - baseline"), then once per cell of `by`; other categories are averaged with equal weights.
        Raises FitError for a text that names neither coefficients nor levels of one column.
        """
        if not isinstance(weights, str):
            L = np.atleast_2d(np.asarray(weights, dtype=float))
            return self.estimates(L, [f"contrast {k + 1}" for k in range(len(L))], df=df)
        direct = combination(weights, self.terms)
        if direct is not None and by is None:
            return self.estimates(direct, [weights], df=df)
        layout = self._rows("a contrast of cells")
        names = [by] if isinstance(by, str) else list(by or [])
        keys, L = cell_contrasts(layout, weights, names, at)
        labels = [", ".join([weights, *(f"{n} {row[n]}" for n in names)]) for _, row in keys.iterrows()]
        return self.estimates(L, labels, df=df, keys=keys if names else None)

    def kenward_rogers(self, L: np.ndarray | None = None, labels: Sequence[str] | None = None, level: float = 0.95):
        """Both Kenward-Rogers beside each other: columns as in `fixed`, with `method` and `information` before them.

        L (m, q): combinations (default: every coefficient). "kenward-roger" takes the expected information, as its
        paper of 1997 and some programs do, "kenward-roger-observed" the observed one, as others do. They are the same
        with complete data; with gaps, reports of the same model can differ by which of the two was taken.
        """
        L = np.eye(len(self.terms)) if L is None else np.atleast_2d(np.asarray(L, dtype=float))
        names = list(labels) if labels is not None else (
            list(self.terms) if len(L) == len(self.terms) and np.array_equal(L, np.eye(len(L)))
            else [f"contrast {k + 1}" for k in range(len(L))]
        )  # fmt: skip
        tables = []
        for df, information in (("kenward-roger", "expected"), ("kenward-roger-observed", "observed")):
            table = self.estimates(L, names, df=df).frame(level)
            table.insert(0, "information", information)
            table.insert(0, "method", df)
            tables.append(table)
        return pd.concat(tables).sort_index(kind="stable").reset_index(drop=True)

    def means(
        self, by: str | Sequence[str], df: str = KENWARD_ROGER, at: Mapping[str, Sequence] | None = None
    ) -> Estimates:
        """Estimated means per cell of `by`; numbers elsewhere at their mean, categories weighted equally.

        Raises FitError for a column that is not in the formula.
        """
        names = [by] if isinstance(by, str) else list(by)
        keys, L = reference_grid(self._rows("estimated means"), names, at)
        labels = [", ".join(f"{name} {row[name]}" for name in names) for _, row in keys.iterrows()]
        return self.estimates(L, labels, df=df, keys=keys)

    def test(self, terms: str | Sequence | np.ndarray, df: str = KENWARD_ROGER, label: str | None = None) -> JointTest:
        """Joint test of named terms (all their coefficients) or of the rows of a matrix (m, q).

        "satterthwaite" is Fai-Cornelius; it rejects far too often for several degrees of freedom in small trials.
        Raises FitError for a contrast of zeros, or terms that these rows cannot tell.
        """
        self._allowed(df)
        L, label = self._tested(terms, label)
        scaled = independent_rows(L @ self.solution.basis)
        small, rows, notes = self.solution.for_df(df), len(scaled), self.notes
        if some(self.solution.hidden(scaled)):
            raise _unknowable([label])
        if df.startswith(KENWARD_ROGER):
            F, den, instead = small.kenward_roger_joint(scaled, df)
            if instead[0] and not np.isnan(F[0]):
                notes = (
                    *notes,
                    "Kenward-Roger's equations for F have no solution here: Hotelling's form of the same df.",
                )
        elif df == SATTERTHWAITE:
            F, den = small.fai_cornelius(scaled)
        else:
            F = small.wald(scaled, small.point.phi) / rows
            den = np.array([self._df(scaled, df).min()])
        if np.isnan(F[0]) or np.isnan(den[0]):
            notes = (
                *notes,
                f"A {df} test of {rows} degrees of freedom cannot be given for so few participants: its covariance is "
                "not positive definite or its denominator df are below zero.",
            )
        elif den[0] <= 2:
            notes = (*notes, "The denominator has 2 df or fewer: the test is not to be relied on.")
        return JointTest(
            term=label, statistic=float(F[0]), num_df=rows, den_df=float(den[0]),
            p_value=float(f_tail(F, rows, den)[0]), df_method="residual" if self.solution.exact else df, unit=self.unit,
            n_participants=self.n_participants, n_rows=self.n_rows, notes=notes,
        )  # fmt: skip

    def variances(self) -> pd.DataFrame:
        """(Co)variance parameters in the units of the outcome: component, name, value.

        Random effects as a proper covariance (no variance below zero). Parameters that the data cannot tell apart from
        the others are left out, with their share in those that stay; where that leaves no proper covariance of random
        effects, the covariance over visits stands instead.
        """
        solution = self.solution
        names, value, keep = solution.structure.names, solution.theta[0], np.arange(solution.structure.size)
        all_names = names
        if solution.flat is not None and solution.kept is not None:
            keep, value = solution.flat.keep, solution.kept[0]
            inside = solution.structure.size - self._n_above
            if any(names[k][0] == "participant" for k in keep) and (solution.flat.dropped < inside).any():
                V = self.visit_covariance
                pairs = [(j, k) for j in range(len(V)) for k in range(j + 1) if np.isfinite(V.iloc[j, k])]
                names = tuple(
                    ("visit", f"var({V.index[j]})" if j == k else f"cov({V.index[j]}, {V.index[k]})") for j, k in pairs
                )
                value = np.array([V.iloc[j, k] for j, k in pairs])
                above = [k for k in solution.flat.keep if k >= inside]
                # Beside the covariance over visits stand the variances that belong to it.
                names, value = (*names, *(all_names[k] for k in above)), np.append(value, solution.theta[0][above])
                keep = np.arange(len(names))
        parts, labels = zip(*(names[k] for k in keep), strict=True)
        return pd.DataFrame({"component": parts, "name": labels, "value": value[keep]})

    @property
    def _n_above(self) -> int:
        """Variances of sites and therapists, the last parameters."""
        return 0 if self.moments.sites is None else len(self.moments.sites.effects.names)

    @property
    def visit_covariance(self) -> pd.DataFrame:
        """Fitted covariance of the outcome over visits (slots), in squared units; first group where by= was used.

        With sites or therapists: inside participants, given those (their variances stand in `variances()`).
        """
        return visit_covariance(self)

    def robust(self, kind: str = "CR2", level: float = 0.95) -> pd.DataFrame:
        """Cluster-robust estimates (Bell & McCaffrey's CR2 with Satterthwaite df): columns as in `fixed`.

        Raises FitError for an unknown kind, therapists, or a fit from pooled moments, which carry no rows.
        """
        return robust_estimates(self, np.eye(len(self.terms)), self.terms, kind=kind).frame(level)

    def robust_test(self, terms: str | Sequence | np.ndarray, kind: str = "CR2", label: str | None = None) -> JointTest:
        """Joint test as `test`, with the cluster-robust covariance and an approximate Hotelling T-squared.

        A method of its own, not a df name: CR2 replaces the covariance of the coefficients, the df names of `test` do
        not. Pustejovsky & Tipton 2018; see `stats.mixed.inference.robust`.
        Raises FitError as `robust` and `test`.
        """
        L, label = self._tested(terms, label)
        return robust_test(self, L, label, kind=kind)

    def diagnostics(self) -> Diagnostics:
        """Residuals, covariance fit, influence of each participant, predicted random effects.

        Raises FitError for a fit from pooled moments, which carry no rows.
        """
        return diagnose(self)

    @property
    def criterion_counts(self) -> str:
        """Which parameters `aic` and `bic` count, in words: programs differ under REML."""
        covariance = f"{self.n_parameters} covariance parameter{'s' * (self.n_parameters != 1)}"
        if self.method == "reml":
            return f"{covariance} only (restricted likelihood; the {len(self.terms)} coefficients are not counted)"
        return f"{covariance} and {len(self.terms)} coefficients (full likelihood)"

    @property
    def aic(self) -> float:
        """Akaike's criterion; of the restricted likelihood (covariance parameters only) under REML.

        `criterion_counts` says it in words; with coefficients counted too, add twice their number.
        """
        extra = 0 if self.method == "reml" else len(self.terms)
        return -2 * self.loglik + 2 * (self.n_parameters + extra)

    @property
    def bic(self) -> float:
        """Schwarz's criterion with the number of participants; parameters counted as in `aic`."""
        extra = 0 if self.method == "reml" else len(self.terms)
        return -2 * self.loglik + float(np.log(self.n_participants)) * (self.n_parameters + extra)

    def _tested(self, terms: str | Sequence | np.ndarray, label: str | None) -> tuple[np.ndarray, str]:
        """Rows of L (m, q) and a label of named terms or of a matrix."""
        if isinstance(terms, str) or (len(terms) and isinstance(terms[0], str)):
            columns = self.moments.term_columns
            L = term_rows(terms, self.terms, columns)  # type: ignore[arg-type]  # told apart by the line above
            return L, label or (terms if isinstance(terms, str) else " + ".join(map(str, terms)))
        return np.atleast_2d(np.asarray(terms, dtype=float)), label or "joint test"

    def _allowed(self, df: str) -> None:
        check_df(df)
        if df.startswith(KENWARD_ROGER) and self.method != "reml":
            raise FitError(
                "Kenward-Roger is defined for REML fits; this one used maximum likelihood. Use method='reml', or "
                "df='satterthwaite'."
            )

    def _df(self, scaled: np.ndarray, df: str) -> np.ndarray:
        small = self.solution.for_df(df)
        if df in INFORMATION or self.solution.exact:
            return small.satterthwaite(scaled, INFORMATION.get(df, "expected"))[0]
        if df == "residual":
            return np.full(len(scaled), float(self.n_rows - len(self.terms)))
        if df == "normal":
            return np.full(len(scaled), np.inf)
        return self._between_within(np.linalg.solve(self.solution.basis.T, scaled.T).T)

    def _between_within(self, L: np.ndarray) -> np.ndarray:
        """Participants minus between-participant columns for combinations of those, the rest of the rows for others.

        A column is between participants when it is constant within every one of them.
        """
        layout = self._rows("between-within degrees of freedom")
        if layout.sites is not None:
            raise FitError(
                "Between-within degrees of freedom know two levels, participants and their visits; this model has "
                "sites or therapists above. Use Kenward-Roger or Satterthwaite df."
            )
        starts = layout.starts()[:-1]
        spread = np.abs(layout.X - layout.X[starts][layout.person]).max(axis=0)
        between = spread <= 1e-12 * np.abs(layout.X).max(axis=0)
        uses_within = (np.abs(L[:, ~between]) > 1e-12 * np.abs(L).max(axis=1, keepdims=True)).any(axis=1)
        outer = self.n_participants - between.sum()
        inner = self.n_rows - self.n_participants - (~between).sum()
        return np.where(uses_within, inner, outer).astype(float)

    def _rows(self, purpose: str) -> Layout:
        if self.layout is None:
            raise FitError(
                f"This fit was made from pooled moments, which carry no rows: {purpose} needs a fit from rows."
            )
        return self.layout


def fit_mixed(
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
    time: str | None = None,
    method: str = "reml",
    unit: str = "",
    site: str | None = None,
    site_random: str | None = None,
    crossed: str | None = None,
    weights: None = None,
    offset: None = None,
) -> MixedFit:
    """Fit a linear mixed model by REML (or "ml").

    frame: one row per participant and visit. formula: Wilkinson, read by formulaic ("score ~ week * arm").
    participant, visit: columns. random: right-hand side of the random effects per participant ("1", "1 + week").
    formula and random are code of the caller's own: the formula library evaluates Python inside them. Never put text
    there that came with data; `fit_change` reads such text by a grammar of its own (`outcomes.protocol.model_terms`).
    covariance: structure of the residuals over visits ("unstructured", "compound-symmetry", "ar1", "toeplitz",
    "ante-dependence", each also with "unequal-" before it; "exponential" by the numeric value of visit). With neither,
    a random intercept. by: a column with covariance parameters of its own per level. variance_by: instead of by, a
    column whose levels differ in the variance over visits alone (with random effects: of what is left), everything else
    in common: one correlation, or one shape of the variances over visits times a ratio.
    time: of "exponential", a column of numbers in place of the visit's own value; participants may have times of their
    own, `visit` then only says which rows stand at the same visit.
    site: column of the sites that participants belong to: an independent intercept of each, site_random="1" (the
    default), or "1 + arm" for an effect of the arm that differs between sites as well, independent of the intercept
    (arms centred; the variance is that of a difference between two arms). crossed: column of a factor crossed with
    participants, or changing between their visits: therapists, raters. Each adds a row to `variances()`.
    weights, offset: not available; anything but None is a FitError that says what to do instead.
    Raises FitError where the data cannot carry the model; a variance of zero, a correlation of one or a covariance that
    the data cannot tell apart from another is a result with a note.
    Estimates are in the response's unit, variances in its square. Source: Patterson & Thompson 1971 (REML), from
    memory; Kenward & Roger 1997 and 2009 for the df, Bell & McCaffrey 2002 for `robust`, both from memory; compared
    with R and by closed forms in the tests.
    """
    check_method(method)
    if weights is not None:
        raise FitError(f"weights= was given. {NO_WEIGHTS}")
    if offset is not None:
        raise FitError(f"offset= was given. {NO_OFFSET}")
    if random is not None and "|" in random:
        raise FitError(
            f"random='{random}' names a grouping; random effects here are per {participant}. For sites give site=, "
            "for therapists crossed=, each the name of a column."
        )
    if covariance is not None and visit is None:
        raise FitError(f"covariance='{covariance}' is over visits: name the visit column in visit=.")
    if random is None and covariance is None:
        random = "1"
    if by is not None and variance_by is not None:
        raise FitError(
            f"by='{by}' and variance_by='{variance_by}' are both given. by= makes every covariance parameter one per "
            "level, variance_by= the variance alone: name one of the two."
        )
    if time is not None and covariance not in ("exponential", "unequal-exponential"):
        raise FitError(
            f"time='{time}' was given with covariance={covariance!r}; only 'exponential' and 'unequal-exponential' "
            "depend on it. Leave time= out, or take one of those."
        )
    layout = build_layout(
        frame, formula, participant=participant, visit=visit, random=random, by=by or variance_by, time=time,
        site=site, site_random=site_random, crossed=crossed,
    )  # fmt: skip
    check_order(covariance, layout.slots, ordered=layout.ordered)
    moments, basis = pool_orthogonal(layout)
    decays = covariance in ("exponential", "unequal-exponential")
    times = visit_times(layout.slots) if decays and time is None else None
    solution = solve(
        moments, correlated=correlated, covariance=covariance, reml=method == "reml", times=times, basis=basis,
        variances_only=variance_by is not None,
    )  # fmt: skip
    made = _wrap(solution, moments, layout, formula, random, correlated, covariance, by, method, unit, times)
    return replace(made, variance_by=variance_by, time=time) if variance_by or time else made


def check_method(method: str) -> None:
    """FitError unless "reml" or "ml"."""
    if method not in ("reml", "ml"):
        raise FitError(f"method='{method}' is not known. Choose 'reml' or 'ml'.")


def fit_moments(
    moments: Moments, *, correlated: bool = True, covariance: str | None = None, method: str = "reml", unit: str = ""
) -> MixedFit:
    """Fit a model to pooled moments (see `pool_moments`); random effects and groups are those they were pooled with.

    Raises FitError where the sums cannot carry the model, or for an unknown covariance or method. Source: as
    `fit_mixed`; the sums give the same likelihood as the rows.
    """
    check_method(method)
    if not moments.random_terms and covariance is None:
        raise FitError("The moments carry no random effect: pool with random='1', or give covariance=.")
    moments = moments.attended()
    check_order(covariance, moments.slots, ordered=moments.ordered)
    times = visit_times(moments.slots) if covariance in ("exponential", "unequal-exponential") else None
    plain, basis = orthogonal(moments)
    solution = solve(
        plain, correlated=correlated, covariance=covariance, reml=method == "reml", times=times, basis=basis
    )
    return _wrap(solution, plain, None, moments.response, None, correlated, covariance, None, method, unit, times)


def _wrap(
    solution: Solution, moments: Moments, layout: Layout | None, formula: str, random: str | None, correlated: bool,
    covariance: str | None, by: str | None, method: str, unit: str, times: np.ndarray | None,
) -> MixedFit:  # fmt: skip
    if not solution.converged[0]:
        raise FitError(
            f"The likelihood of '{formula}' has no proven maximum after {solution.iterations} steps: with "
            f"{moments.n_participants} participants and {moments.n_rows} observations its covariance "
            f"({solution.structure.size} parameters) runs to a singular matrix or to no error. Use a simpler one: "
            "fewer random effects, 'toeplitz', 'ar1' or 'compound-symmetry'."
        )
    notes = [*moments.notes, f"{'REML' if method == 'reml' else 'Maximum likelihood'}, converged by its gradient."]
    notes += identified_notes(solution, moments)
    if solution.boundary[0]:
        notes.append(boundary_note(solution))
    if solution.unknown:
        notes.append(
            f"No row bears on {', '.join(solution.unknown)}: what is given there is where the search began, and "
            "nothing else depends on it."
        )
    return MixedFit(
        formula=formula, random=random, correlated=correlated, covariance=covariance, by=by, method=method,
        loglik=float(solution.loglik[0]), n_rows=moments.n_rows, n_participants=moments.n_participants,
        boundary=bool(solution.boundary[0]), notes=tuple(notes), terms=moments.terms, unit=unit,
        moments=moments, solution=solution, layout=layout, times=times,
    )  # fmt: skip


UNKNOWABLE = "its standard error depends on a variance that these data cannot show"


def _unknowable(labels: Sequence[str]) -> FitError:
    return FitError(
        f"{', '.join(labels)}: {UNKNOWABLE} (a coefficient that one participant or one group alone decides takes its "
        "own error away with it). Use one covariance for everybody, leave that coefficient out, or describe it without "
        "a test."
    )


def identified_notes(solution: Solution, moments: Moments) -> list[str]:
    """What the data cannot tell apart, and what the model then is."""
    notes = []
    if solution.flat is not None:
        names = solution.structure.names
        dropped = ", ".join(" ".join(names[k]) for k in solution.flat.dropped)
        kept = ", ".join(" ".join(names[k]) for k in solution.flat.keep)
        notes.append(
            f"These data cannot tell {dropped} apart from {kept}: left out, with its share in what stays; the fit is "
            "the same."
        )
    if solution.exact:
        one = moments.n_rows == moments.n_participants
        why = "One row per participant" if one else "One variance and no correlation left"
        notes.append(
            f"{why}: ordinary least squares with its exact t and F on {moments.n_rows - len(moments.terms)} residual "
            "df, whichever df method is asked for."
        )
    return notes


def boundary_note(solution: Solution) -> str:
    """What lies on the boundary, and what was done about it, in words."""
    theta, zero, apart = solution.theta[0], [], []
    for size, at in solution.structure.cones:
        diagonal = [at[k] for k in range(len(at)) if size == 1 or k in {i * (i + 3) // 2 for i in range(size)}]
        for k in diagonal:
            part, name = solution.structure.names[k]
            if name.startswith("corr"):
                apart += [name] if theta[k] == 0 else []
            elif theta[k] <= 1e-9 * np.abs(theta).max():
                zero.append(name if part == "participant" else f"{name} of {part}")
    if apart and not zero:
        return (
            f"Boundary fit: {', '.join(apart)} estimated as zero, the least that a decay over time allows. Inference "
            "takes it as known; compare robust(). A correlation below zero this structure cannot show: "
            "'compound-symmetry' and 'unstructured' can."
        )
    zero += apart
    what = f"{', '.join(zero)} estimated as zero" if zero else "random effects estimated as perfectly correlated"
    if solution.unbounded[0]:
        done = (
            "that is how it is shown, and what df methods other than Kenward-Roger use. Kenward-Roger's estimates, "
            "standard errors and tests are those of the unbounded maximum, where every participant's covariance is "
            "proper but a variance of random effects may be below zero: over all trials this keeps the nominal level "
            "(4.7-5.0 % in simulated trials; the bounded fit 1.6-4.9 %)"
        )
    else:
        done = (
            "no unbounded maximum exists, so inference holds the boundary fixed and treats the remaining parameters as "
            "free; compare robust()"
        )
    return (
        f"Boundary fit: {what}; {done}. No method is right given that a fit lies there: 7-25 % of simulated true nulls "
        "were rejected on the boundary, about 3 % off it."
    )
