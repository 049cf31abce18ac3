"""What a model with a random intercept by quadrature gives: coefficients, tests, intervals, population averages."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.special import chdtrc, chdtri

from stats.bounded.random_intercept.maximum import Maximum, Penalty, maximise
from stats.bounded.random_intercept.quadrature import Integral
from stats.bounded.random_intercept.rows_by_person import between_within
from stats.errors import FitError
from stats.estimates import check_level
from stats.mixed.inference.fit_estimates import Estimates
from stats.mixed.model.contrasts import term_rows
from stats.mixed.model.layout import Layout
from stats.result import Result

NORMAL, BETWEEN_WITHIN = "normal", "between-within"
DF_METHODS = (NORMAL, BETWEEN_WITHIN)
RUNAWAY = 10.0  # standard error of an effect, per SD of its column, above which it is taken to run to infinity
PENALISED = "Effects carry a log-F(1, 1) prior: finite where the plain likelihood has no maximum, drawn to none."
RUNAWAY_SD = 15.0  # SD of the random intercept, in units of the linear predictor


@dataclass(frozen=True)
class LikelihoodRatio(Result):
    """Twice the loss of log likelihood without the terms, chi-squared on as many df as coefficients were left out."""

    term: str
    statistic: float
    df: int
    p_value: float
    loglik_without: float
    unit: str
    n_participants: int
    n_rows: int
    notes: tuple[str, ...] = ()

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """One row: term statistic df p_value loglik_without. `level` plays no part."""
        names = ("term", "statistic", "df", "p_value", "loglik_without")
        return pd.DataFrame([{name: getattr(self, name) for name in names}])

    def sentence(self, level: float = 0.95) -> str:
        """Chi-squared, df, p, n."""
        return (
            f"{self.term}: chi-squared({self.df}) = {self.statistic:.2f}, p = {self.p_value:.3f} (likelihood ratio; "
            f"{self.n_participants} participants, {self.n_rows} observations)."
        )


@dataclass(frozen=True)
class RandomInterceptFit(Result):
    """A fitted model. Subclasses say what the response is and what its average over people is.

    coefficients: names of b without the logged one; effects: their positions that belong to the formula; logged: name
    of the last entry of b, kept as a logarithm ("" where there is none), shown as itself. points: nodes of the
    adaptive quadrature, 0 without a random intercept.
    """

    formula: str
    participant: str
    points: int
    loglik: float
    n_rows: int
    n_participants: int
    unit: str
    notes: tuple[str, ...]
    coefficients: tuple[str, ...]
    effects: slice
    logged: str
    terms: tuple[str, ...]
    boundary: bool
    maximum_found: Maximum = field(repr=False)
    layout: Layout = field(repr=False)
    penalty: Penalty | None = field(repr=False, default=None)

    @property
    def sd_random_intercept(self) -> float:
        """SD of the random intercept on the scale of the linear predictor; 0 without one."""
        return float(self.maximum_found.parameters[-1]) if self.points else 0.0

    @property
    def point(self) -> np.ndarray:
        """Parameters as the likelihood sees them: b (with the logged entry), then the SD."""
        return self.maximum_found.parameters

    @property
    def point_covariance(self) -> np.ndarray:
        """Covariance of `point`."""
        return self.maximum_found.covariance

    @property
    def aic(self) -> float:
        """Akaike's criterion; parameters on the boundary count."""
        return 2 * len(self.maximum_found.parameters) - 2 * self.loglik

    @cached_property
    def _natural(self) -> tuple[list[str], np.ndarray, np.ndarray]:
        """Names, values and covariance with the logged entry as itself, in the order b, SD, logged entry."""
        found = self.maximum_found
        names, values, slope = list(self.coefficients), found.parameters.copy(), np.ones(len(found.parameters))
        at = len(names)
        if self.logged:
            values[at] = np.exp(values[at])
            slope[at] = values[at]
        order = list(range(at))
        if self.points:
            names.append("sd_random_intercept")
            order.append(len(values) - 1)
        if self.logged:
            names.append(self.logged)
            order.append(at)
        covariance = slope[:, None] * found.covariance * slope
        return names, values[order], covariance[np.ix_(order, order)]

    def parameters(self) -> pd.DataFrame:
        """Every parameter on its own scale: term estimate std_error, the SD of the random intercept among them.

        Standard errors from the observed information; NaN for an SD on the boundary.
        """
        names, values, covariance = self._natural
        std_error = np.sqrt(np.diag(covariance))
        return pd.DataFrame(
            {"term": names, "estimate": values, "std_error": np.where(std_error > 0, std_error, np.nan)}
        )

    @property
    def parameter_covariance(self) -> pd.DataFrame:
        """Covariance of `parameters()`, rows and columns named."""
        names, _, covariance = self._natural
        return pd.DataFrame(covariance, index=names, columns=names)

    def estimates(self, L: np.ndarray, labels: Sequence[str], df: str = BETWEEN_WITHIN) -> Estimates:
        """Linear combinations L (m, number of `coefficients`) of the coefficients."""
        L = np.atleast_2d(np.asarray(L, dtype=float))
        k = len(self.coefficients)
        if L.shape[1] != k:
            raise FitError(f"Weights have {L.shape[1]} columns; the model has {k}: {', '.join(self.coefficients)}.")
        found = self.maximum_found
        variance = ((L @ found.covariance[:k, :k]) * L).sum(axis=1)
        return Estimates(
            term=tuple(labels), estimate=L @ found.parameters[:k], std_error=np.sqrt(variance),
            df=self._df(L[:, self.effects], df), df_method=df, unit=self._scale, n_participants=self.n_participants,
            n_rows=self.n_rows, notes=self.notes, weights=L,
        )  # fmt: skip

    def fixed(self, df: str = BETWEEN_WITHIN, level: float = 0.95) -> pd.DataFrame:
        """Coefficients (cut points first): term estimate std_error df statistic p_value conf_low conf_high unit.

        df: "between-within" (participants less columns that are constant within them, the rest of the rows for
        others) or "normal". There is no agreed df for these models; see `fit_ordinal` for error rates.
        """
        check_level(level)
        return self.estimates(np.eye(len(self.coefficients)), self.coefficients, df).frame(level)

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """As `fixed`."""
        return self.fixed(level=level)

    def sentence(self, level: float = 0.95) -> str:
        """The effects with their intervals, n and method."""
        names = self.coefficients[self.effects]
        rows = np.eye(len(self.coefficients))[self.effects]
        keep = [k for k, name in enumerate(names) if name != "Intercept"]
        if not keep:
            return f"{self.formula}: no effect in the model; {self.n_participants} participants."
        return self.estimates(rows[keep], [names[k] for k in keep]).sentence(level)

    def variances(self) -> pd.DataFrame:
        """Variance of the random intercept and what else is no coefficient.

        Columns component, name, value (variances squared, `phi` as it is), sd and std_error (of sd, or of phi).
        """
        table = self.parameters().set_index("term")
        rows = []
        if self.points:
            sd, error = table.loc["sd_random_intercept", ["estimate", "std_error"]]
            rows.append(
                {"component": self.participant, "name": "Intercept", "value": sd**2, "sd": sd, "std_error": error}
            )
        if self.logged:
            value, error = table.loc[self.logged, ["estimate", "std_error"]]
            squared = self.logged == "sigma"
            rows.append({"component": "residual", "name": self.logged, "value": value**2 if squared else value,
                         "sd": value if squared else np.nan, "std_error": error})  # fmt: skip
        return pd.DataFrame(rows, columns=["component", "name", "value", "sd", "std_error"])

    def random_intercepts(self) -> pd.DataFrame:
        """Mode and SD of each participant's intercept given the data and the estimates: participant, mode, sd."""
        at = self.maximum_found.evaluation
        return pd.DataFrame({self.participant: self.layout.persons, "mode": at.modes, "sd": at.mode_sd})

    def test(self, terms: str | Sequence[str]) -> LikelihoodRatio:
        """Likelihood-ratio test of named terms of the formula (all their coefficients) or single coefficients."""
        names = self.coefficients[self.effects]
        columns = self._term_columns()
        rows = term_rows(terms, names, columns)
        out = self.effects.start + np.flatnonzero(rows.any(axis=0))
        label = terms if isinstance(terms, str) else " + ".join(terms)
        without = self._held(dict.fromkeys(out.tolist(), 0.0))
        statistic = max(0.0, 2 * (self.maximum_found.penalised - without.penalised))
        return LikelihoodRatio(label, statistic, len(out), float(chdtrc(len(out), statistic)), without.value, "",
                               self.n_participants, self.n_rows, self.notes)  # fmt: skip

    def profile(self, term: str, level: float = 0.95) -> tuple[float, float]:
        """Likelihood-profile interval of one coefficient: where the likelihood ratio reaches its chi-squared quantile.

        It is not symmetric and does not depend on how the coefficient is written. Infinite where the likelihood stays
        above.
        """
        check_level(level)
        if term not in self.coefficients[self.effects]:
            raise FitError(f"Term {term!r}: allowed {', '.join(self.coefficients[self.effects])}.")
        k = self.coefficients.index(term)
        centre = float(self.maximum_found.parameters[k])
        error = float(np.sqrt(self.maximum_found.covariance[k, k]))
        drop = chdtri(1, 1 - level)

        def excess(value: float) -> float:
            return 2 * (self.maximum_found.penalised - self._held({k: value}).penalised) - drop

        return self._limit(excess, centre, -error), self._limit(excess, centre, error)

    @staticmethod
    def _limit(excess, centre: float, step: float) -> float:
        far = 2.0
        for _ in range(6):
            try:
                if excess(centre + far * step) > 0:
                    return float(brentq(excess, centre, centre + far * step, xtol=1e-8 * abs(step), rtol=1e-12))
            except FitError:
                break
            far *= 2
        return float(np.sign(step) * np.inf)

    def _held(self, values: dict[int, float]) -> Maximum:
        """The maximum with some entries of b held at values."""
        found, integral = self.maximum_found, self.maximum_found.integral
        free = [k for k in range(integral.n_coefficients) if k not in values]
        offsets = tuple(
            offset + sum(design[:, k] * value for k, value in values.items())
            for design, offset in zip(integral.designs, integral.offsets, strict=True)
        )
        points = 0 if self.boundary else integral.points
        smaller = Integral(
            integral.family, tuple(d[:, free] for d in integral.designs), offsets, integral.starts, points
        )
        start = found.parameters[free]
        penalty = None if self.penalty is None else _reduced(self.penalty, integral.n_coefficients, values, free)
        begin = np.append(start, found.parameters[-1]) if points else start
        return maximise(smaller, begin, self.formula, penalty, errors=False)

    def _term_columns(self) -> dict[str, list[int]]:
        """Columns of each term of the formula among the effects."""
        names = list(self.coefficients[self.effects])
        return {
            term: [names.index(self.layout.terms[k]) for k in columns]
            for term, columns in self.layout.term_columns.items()
            if all(self.layout.terms[k] in names for k in columns)
        }

    @property
    def _scale(self) -> str:
        """Unit of the coefficients."""
        return "log odds"

    def _df(self, L: np.ndarray, df: str) -> np.ndarray:
        if df not in DF_METHODS:
            raise FitError(f"Degrees of freedom {df!r}: allowed {', '.join(DF_METHODS)}.")
        if df == NORMAL:
            return np.full(len(L), np.inf)
        return between_within(self.layout, self._effect_columns(), L)

    def _effect_columns(self) -> np.ndarray:
        keep = [k for k, name in enumerate(self.layout.terms) if name in self.coefficients[self.effects]]
        return self.layout.X[:, keep]


def _reduced(penalty: Penalty, size: int, values: dict[int, float], free: list[int]) -> Penalty:
    def reduced(b: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        whole = np.empty(size)
        whole[free] = b
        for k, value in values.items():
            whole[k] = value
        value, gradient, second = penalty(whole)
        return value, gradient[free], second[np.ix_(free, free)]

    return reduced


def log_f_penalty(size: int, effects: Sequence[int]) -> Penalty:
    """A log-F(1, 1) prior on each of the named coefficients: an effect stays finite where a cell is all or none.

    It adds b/2 - log(1 + exp(b)) per effect, like one more person split evenly between better and worse.
    Source: Greenland & Mansournia 2015 (Stat Med 34:3133-3143), from memory.
    """
    chosen = np.zeros(size, dtype=bool)
    chosen[list(effects)] = True

    def penalty(b: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        share = np.where(chosen, 1 / (1 + np.exp(-b)), 0.0)
        value = float(np.where(chosen, b / 2 - np.logaddexp(0, b) + np.log(2), 0.0).sum())
        return value, np.where(chosen, 0.5 - share, 0.0), np.diag(share * (1 - share) * chosen)

    return penalty


def refuse_runaway(fit: RandomInterceptFit, spread: float, advice: str) -> None:
    """FitError where an effect, or the random intercept, has run off to infinity. spread: a unit of the response."""
    X = fit._effect_columns()
    error = np.sqrt(np.diag(fit.maximum_found.covariance))[fit.effects] * X.std(axis=0) / spread
    lost = [name for name, size in zip(fit.coefficients[fit.effects], error, strict=True) if size > RUNAWAY]
    if lost:
        raise FitError(
            f"{fit.formula}: {', '.join(lost)} cannot be estimated: the likelihood grows without end. In some cell "
            f"everyone has the same score (all at one end, or a grade that only one group has). {advice}"
        )
    if fit.sd_random_intercept > RUNAWAY_SD * spread:
        raise FitError(
            f"{fit.formula}: the differences between people cannot be estimated (their SD runs to infinity): hardly "
            f"anyone changes between visits. {advice}"
        )


def with_notes(fit: RandomInterceptFit, *notes: str) -> RandomInterceptFit:
    """The fit with more notes."""
    return replace(fit, notes=(*fit.notes, *notes))
