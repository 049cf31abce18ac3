"""Generalised estimating equations (through statsmodels) with standard errors for few participants."""

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import pandas as pd
import statsmodels.api as sm
from scipy.linalg import sqrtm
from scipy.special import expit
from statsmodels.genmod.generalized_estimating_equations import GEE

from stats.bounded.random_intercept import population
from stats.bounded.random_intercept.rows_by_person import between_within
from stats.bounded.working_correlation import NAMES, WorkingCorrelation
from stats.errors import FitError
from stats.estimates import check_level
from stats.mixed.inference.fit_estimates import Estimates
from stats.mixed.model.layout import Layout, build_layout, collinear, rank_report
from stats.result import Result

FAMILIES = {"gaussian": sm.families.Gaussian, "binomial": sm.families.Binomial}
MANCL, KAUERMANN, ONE_SIDED = "mancl-derouen", "kauermann-carroll", "kauermann-carroll-one-sided"
CORRECTIONS = (MANCL, KAUERMANN, ONE_SIDED, None, "model")
BETWEEN_WITHIN, NORMAL = "between-within", "normal"
CONVERGED = 1e-8  # last step of the coefficients, in standard errors
RUNAWAY = 1e-12  # a variance p (1 - p) below it: the likelihood grows without end
ALONE = 1e-8  # what a person's own values leave of a residual, as a share, where that person alone decides it
STILL = 1e-10  # a sandwich's variance, as a share of the model's, below which it is rounding
CAUTION = (
    "Estimating equations take missing visits as missing completely at random; the mixed model asks for less. Shown as "
    "a second opinion."
)


@dataclass(frozen=True)
class EstimatingFit(Result):
    """Coefficients of a population-averaged model, with every covariance that was asked for at hand.

    covariances: by kind, "robust" (no correction), "model", and the three corrections.
    """

    formula: str
    participant: str
    working: str
    small_sample: str | None
    family: str
    n_rows: int
    n_participants: int
    unit: str
    notes: tuple[str, ...]
    terms: tuple[str, ...]
    coefficients: np.ndarray = field(repr=False)
    covariances: dict[str, np.ndarray] = field(repr=False)
    working_correlation: pd.DataFrame = field(repr=False)
    scale: float = 1.0
    layout: Layout | None = field(repr=False, default=None)

    @property
    def point(self) -> np.ndarray:
        """Coefficients (q,)."""
        return self.coefficients

    @property
    def point_covariance(self) -> np.ndarray:
        """Covariance (q, q) by the correction that was asked for."""
        return self.covariances[self.small_sample or "robust"]

    def estimates(self, L: np.ndarray, labels: Sequence[str], df: str = BETWEEN_WITHIN) -> Estimates:
        """Linear combinations L (m, q) of the coefficients.

        Raises FitError for unknown df.
        """
        L = np.atleast_2d(np.asarray(L, dtype=float))
        if df not in (BETWEEN_WITHIN, NORMAL):
            raise FitError(f"Degrees of freedom {df!r}: allowed {BETWEEN_WITHIN}, {NORMAL}.")
        assert self.layout is not None
        degrees = np.full(len(L), np.inf)
        if df == BETWEEN_WITHIN:  # a sandwich knows no more than the people: never the df of rows
            people = float(max(self.n_participants - 1, 1))
            degrees = np.minimum(between_within(self.layout, self.layout.X, L), people)
        variance = ((L @ self.point_covariance) * L).sum(axis=1)
        return Estimates(tuple(labels), L @ self.coefficients, np.sqrt(variance), degrees, df, self._scale_name,
                         self.n_participants, self.n_rows, self.notes, weights=L)  # fmt: skip

    def fixed(self, df: str = BETWEEN_WITHIN, level: float = 0.95) -> pd.DataFrame:
        """Coefficients: term estimate std_error df statistic p_value conf_low conf_high unit.

        Raises FitError for unknown df, or a level outside 0 to 1.
        """
        check_level(level)
        return self.estimates(np.eye(len(self.terms)), self.terms, df).frame(level)

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """As `fixed`."""
        return self.fixed(level=level)

    def sentence(self, level: float = 0.95) -> str:
        """Every effect with its interval, n and the working correlation."""
        keep = [k for k, term in enumerate(self.terms) if term != "Intercept"]
        rows = np.eye(len(self.terms))[keep]
        text = self.estimates(rows, [self.terms[k] for k in keep]).sentence(level)
        return (
            f"{text[:-1]}; estimating equations, {self.working} working correlation, {self.small_sample or 'robust'}."
        )

    def variances(self) -> pd.DataFrame:
        """The scale and the working correlation between pairs of visits: component name value."""
        rows = [{"component": "residual", "name": "scale", "value": self.scale}]
        names = list(self.working_correlation.index)
        for i, j in zip(*np.triu_indices(len(names), 1), strict=True):
            rows.append({"component": "working correlation", "name": f"{names[i]}, {names[j]}",
                         "value": float(self.working_correlation.iloc[i, j])})  # fmt: skip
        return pd.DataFrame(rows)

    def marginal_means(self, between: str | None = None, by: str | list[str] | None = None) -> Estimates:
        """Mean in each cell, or share for a binomial family.

        Raises FitError for a column that is not in the formula, one that changes within people and is not in by=, or
        too many cells.
        """
        assert self.layout is not None
        cells = population.cells_of(self.layout, between, by)
        return population.estimates(self, cells, self._mean(cells), self._mean_unit)

    def marginal_difference(
        self, between: str | None = None, by: str | list[str] | None = None, reference: object = None
    ) -> Estimates:
        """Difference of means (or shares) between groups per cell of `by`; arguments as in `fit_bounded`'s.

        Raises FitError for a column that is not in the formula, one that changes within people and is not in by=, or
        too many cells.
        """
        assert self.layout is not None
        cells = population.cells_of(self.layout, between, by)
        return population.differences(self, cells, self._mean(cells), self._mean_unit, reference)

    @property
    def _scale_name(self) -> str:
        return "log odds" if self.family == "binomial" else self.unit

    @property
    def _mean_unit(self) -> str:
        return "share" if self.family == "binomial" else self.unit

    def _mean(self, cells: population.Cells) -> population.Average:
        if self.family == "binomial":
            return lambda b: cells.pooled(expit(cells.X @ b))
        return lambda b: cells.pooled(cells.X @ b)


def gee(
    frame: pd.DataFrame,
    formula: str,
    *,
    participant: str,
    visit: str | None = None,
    working: str | np.ndarray = "exchangeable",
    small_sample: str | None = MANCL,
    family: str = "gaussian",
    unit: str = "",
) -> EstimatingFit:
    """Population-averaged model by generalised estimating equations.

    frame: one row per participant and visit. visit: column that says which visits belong together (needed where rows
    are missing and working is "ar1" or "unstructured"); else the order of the rows. working: "independence",
    "exchangeable", "ar1", "unstructured" or a (visits, visits) matrix held fixed. family: "gaussian" (identity) or
    "binomial" (logit; 0/1). small_sample: "mancl-derouen" (residuals times (I - H)^-1; with these df it rejects in
    2.9 and 3.8 % of true nulls at 10 and 15 per arm, 1,000 trials each, tests/simulation/bounded_nulls.csv),
    "kauermann-carroll" ((I - H)^-1/2; 4.0 and 5.2 %), "kauermann-carroll-one-sided", None (plain sandwich: 5.5 and
    6.8 %; too small below about 40 people, common practice) or "model".
    df: t on participants less between columns, at most participants - 1 (our choice; none is agreed).

    Returns `EstimatingFit`. Raises FitError where every value is the same, the working correlation is not positive
    definite or has too few pairs, nothing settles, or the sandwich of a combination of terms has no spread: where one
    person alone decides a coefficient (an arm of one: that residual is 0 whatever the spread), where nobody differs.
    Only the "model" covariance says something there.
    Source: Liang & Zeger 1986; Mancl & DeRouen 2001 (Biometrics 57:126-134); Kauermann & Carroll 2001 (J Am Stat Assoc
    96:1387-1396).
    """
    if family not in FAMILIES:
        raise FitError(f"Family {family!r}: allowed {', '.join(FAMILIES)}.")
    if small_sample not in CORRECTIONS:
        raise FitError(f"small_sample={small_sample!r}: allowed {', '.join(map(str, CORRECTIONS))}.")
    if isinstance(working, str) and working not in NAMES:
        raise FitError(f"Working correlation {working!r}: allowed {', '.join(NAMES)}, or a matrix.")
    layout = build_layout(frame, formula, participant=participant, visit=visit)
    lost = rank_report(layout.X, layout.terms)
    if lost:
        raise collinear(lost)
    if family == "binomial" and not np.isin(layout.y, (0, 1)).all():
        raise FitError(f"{layout.response}: family='binomial' needs 0 and 1. Make a column of 0/1 (1 = the better).")
    if (layout.y == layout.y[0]).all():
        raise FitError(f"{layout.response}: every value is {layout.y[0]:g}, so there is no spread to compare with.")
    structure = WorkingCorrelation(working, len(layout.slots))
    if len(structure.matrix) != len(layout.slots):
        raise FitError(
            f"The working correlation has {len(structure.matrix)} rows; there are {len(layout.slots)} visits."
        )
    model = GEE(layout.y, layout.X, groups=layout.person, time=layout.slot.astype(float), family=FAMILIES[family](),
                cov_struct=structure)  # fmt: skip
    b = _solved(model, formula)
    covariances, scale, alone = _sandwiches(layout, structure.matrix, b, family, formula)
    if alone and small_sample != "model":
        raise FitError(
            f"{formula}: {', '.join(alone)} alone decide(s) a coefficient: the residuals there are 0, and the sandwich "
            "knows no spread. Use fewer terms, small_sample='model', or fit_mixed."
        )
    if small_sample != "model":
        still = _without_spread(covariances[small_sample or "robust"], covariances["model"], layout.terms)
        if still:
            raise FitError(
                f"{formula}: nobody differs in what {', '.join(still)} say(s) (all answers are the same, or there "
                "are hardly more people than terms), so the sandwich knows no spread. Use fewer terms, "
                "small_sample='model', or fit_mixed."
            )
    name = working if isinstance(working, str) else "fixed"
    notes = (*layout.notes, f"Estimating equations, {name} working correlation by moments.", CAUTION)
    table = pd.DataFrame(structure.matrix, index=list(layout.slots), columns=list(layout.slots))
    return EstimatingFit(
        formula, participant, name, small_sample, family, layout.n_rows, len(layout.persons), unit, notes, layout.terms,
        b, covariances, table, scale, layout,
    )  # fmt: skip


def _solved(model: GEE, formula: str) -> np.ndarray:
    """Coefficients at which the last step was nothing; statsmodels judges by the score, which has a unit."""
    logit = model.family.link.__class__.__name__ == "Logit"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        start = None
        for _ in range(50):
            try:
                found = model.fit(maxiter=10, ctol=1e-14, start_params=start)
            except FitError:
                raise
            except (ValueError, np.linalg.LinAlgError):  # statsmodels' own words for numbers that are none any more
                if logit:
                    raise _runs_away(formula) from None
                break
            if found is None:
                break
            path = found.fit_history["params"]
            last = np.asarray(path[-1]) - np.asarray(path[-2]) if len(path) > 1 else np.zeros(1)
            error = np.sqrt(np.diag(found.cov_naive))
            if (np.abs(last) <= CONVERGED * error + 1e-13).all():
                return np.asarray(found.params)
            start = np.asarray(found.params)
            if logit and not _inside(model.exog @ start):
                raise _runs_away(formula)
    raise FitError(f"{formula}: the estimating equations did not settle. Use working='independence', or fewer terms.")


def _inside(eta: np.ndarray) -> bool:
    """Whether no logit has run to where its answer is certain."""
    return bool((expit(eta) * expit(-eta)).min() >= RUNAWAY)


def _sandwiches(
    layout: Layout, R: np.ndarray, b: np.ndarray, family: str, formula: str
) -> tuple[dict[str, np.ndarray], float, list[str]]:
    """Every covariance of the coefficients, the scale, and who alone decides a coefficient (then the model's only)."""
    eta = layout.X @ b
    mean = expit(eta) if family == "binomial" else eta
    spread = mean * (1 - mean) if family == "binomial" else np.ones(len(eta))
    if family == "binomial" and not _inside(eta):
        raise _runs_away(formula)
    D_all = layout.X * spread[:, None] if family == "binomial" else layout.X
    scale = float((((layout.y - mean) ** 2) / spread).sum() / (len(eta) - len(b)))
    edges = layout.starts()
    people = []
    A = np.zeros((len(b), len(b)))
    for first, last in pairwise(edges):
        at = slice(first, last)
        root = np.sqrt(spread[at])
        slots = layout.slot[at]
        V = root[:, None] * R[np.ix_(slots, slots)] * root
        D, e = D_all[at], (layout.y - mean)[at]
        people.append((D, V, e))
        A += D.T @ np.linalg.solve(V, D)
    bread = np.linalg.inv(A)
    if family == "binomial" and (np.sqrt(np.diag(bread) * scale) * layout.X.std(axis=0)).max() > 10:
        raise _runs_away(formula)
    alone = [
        str(who) for who, (D, V, _) in zip(layout.persons, people, strict=True)
        if np.abs(np.linalg.eigvals(np.eye(len(V)) - D @ bread @ np.linalg.solve(V, D).T)).min() < ALONE
    ]  # fmt: skip
    if alone:
        return {"model": bread * scale}, scale, alone
    middle = {kind: np.zeros_like(A) for kind in ("robust", MANCL, KAUERMANN, ONE_SIDED)}
    for D, V, e in people:
        W = np.linalg.inv(V)
        one = np.eye(len(e))
        H = D @ bread @ D.T @ W
        half = np.real(np.linalg.inv(np.atleast_2d(sqrtm(one - H))))
        plain = D.T @ W @ e
        full = D.T @ W @ np.linalg.solve(one - H, e)
        rooted = D.T @ W @ half @ e
        middle["robust"] += np.outer(plain, plain)
        middle[MANCL] += np.outer(full, full)
        middle[KAUERMANN] += np.outer(rooted, rooted)
        middle[ONE_SIDED] += (np.outer(full, plain) + np.outer(plain, full)) / 2
    found = {kind: bread @ B @ bread for kind, B in middle.items()}
    return found | {"model": bread * scale}, scale, []


def _without_spread(covariance: np.ndarray, model: np.ndarray, terms: Sequence[str]) -> list[str]:
    """The terms of a combination whose variance by the sandwich is nothing but rounding; empty where there is none."""
    root = np.linalg.cholesky(model)
    values, vectors = np.linalg.eigh(np.linalg.solve(root, np.linalg.solve(root, covariance).T))
    if values[0] > STILL:
        return []
    share = np.abs(np.linalg.solve(root.T, vectors[:, 0])) * np.sqrt(np.diag(model))
    return [term for term, part in zip(terms, share, strict=True) if part > 0.1 * share.max()]


def _runs_away(formula: str) -> FitError:
    return FitError(
        f"{formula}: an effect runs to infinity: in some cell everyone has the same answer. Use fewer terms, "
        "fit_bounded(maximum=1, penalised=True) or exact_test."
    )
