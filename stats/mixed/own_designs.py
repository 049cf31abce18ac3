"""Many trials fitted at once, each with its own covariates, gaps and responses: what a simulation study asks.

`many` fits one design to many responses; here nothing is shared but the number of people, visits and coefficients. The
same likelihood, search and small-sample machinery as for one study, stacked over trials. About 1 ms a trial for 24
people, five visits and 15 coefficients (one core); it keeps some 40 kB a trial, so ask in batches of a few thousand.
"""

from dataclasses import dataclass, field, replace

import numpy as np

from stats.errors import FitError
from stats.mixed.covariance.geometry import Geometry
from stats.mixed.covariance.structure import Structure, Unstructured
from stats.mixed.covariance.structures_by_name import build_structure
from stats.mixed.fitting.by_person import ByPerson
from stats.mixed.fitting.kenward_roger import INFORMATION, KENWARD_ROGER, SATTERTHWAITE, SmallSample, check_df
from stats.mixed.fitting.likelihood import Point
from stats.mixed.fitting.reml import maximise
from stats.mixed.inference.fit_estimates import f_tail
from stats.mixed.many import ManyEstimates, ManyTests
from stats.mixed.model.contrasts import independent_rows

CELLS = 1_000_000  # numbers in the largest array of one step: fits the processor's cache
COLLINEAR = 1e-10  # least eigenvalue of X'X against the largest


@dataclass(frozen=True)
class Part:
    """Consecutive trials fitted in one stack: where they stand among all, and the machinery of the fitted ones.

    `at` (r,) places of the fitted trials; scale (r,); beta (r, q) least-squares coefficients already taken off.
    """

    at: np.ndarray
    scale: np.ndarray
    beta: np.ndarray
    small: SmallSample
    free: SmallSample


@dataclass(frozen=True)
class OwnDesigns:
    """R fitted trials. converged and boundary (R,) bool; loglik (R,) restricted, NaN without a fit.

    A trial without an answer (collinear columns, a likelihood without a maximum) has NaN everywhere: its `converged`
    is False. `rows` (R,) observations, `basis` (q, q) the columns that were fitted.
    """

    converged: np.ndarray
    boundary: np.ndarray
    loglik: np.ndarray
    rows: np.ndarray
    basis: np.ndarray = field(repr=False)
    parts: tuple[Part, ...] = field(repr=False)

    def estimates(self, L: np.ndarray, df: str = KENWARD_ROGER) -> ManyEstimates:
        """Combinations L b, L (m, q), with the standard errors and df of a method (see `MixedFit.fixed`)."""
        scaled = np.atleast_2d(np.asarray(L, dtype=float)) @ self.basis
        made = np.full((3, len(self.rows), len(scaled)), np.nan)
        for part in self.parts:
            small = part.free if df.startswith(KENWARD_ROGER) else part.small
            variance = ((scaled @ small.covariance(df)) * scaled).sum(axis=2)
            made[0, part.at] = (part.beta + small.point.beta * part.scale[:, None]) @ scaled.T
            made[1, part.at] = np.sqrt(np.where(variance > 0, variance, np.nan)) * part.scale[:, None]
            made[2, part.at] = self._df(small, scaled, df, part.at)
        dark = ~self.converged[:, None] | np.isnan(made).any(axis=0)
        return ManyEstimates(*np.where(dark, np.nan, made))

    def test(self, L: np.ndarray, df: str = KENWARD_ROGER) -> ManyTests:
        """Joint test that L b = 0, L (l, q)."""
        check_df(df)
        scaled = independent_rows(np.atleast_2d(np.asarray(L, dtype=float)) @ self.basis)
        F, den = np.full((2, len(self.rows)), np.nan)
        for part in self.parts:
            small = part.free if df.startswith(KENWARD_ROGER) else part.small
            shift = part.beta / part.scale[:, None]
            at = _moved(small, small.point.beta + shift)
            if df.startswith(KENWARD_ROGER):
                F[part.at], den[part.at], _ = at.kenward_roger_joint(scaled, df)
            elif df == SATTERTHWAITE:
                F[part.at], den[part.at] = at.fai_cornelius(scaled)
            else:
                F[part.at] = at.wald(scaled, at.point.phi) / len(scaled)
                den[part.at] = self._df(small, scaled[:1], df, part.at)[:, 0]
        F = np.where(self.converged & ~np.isnan(den), F, np.nan)
        return ManyTests(F, len(scaled), den, f_tail(F, len(scaled), den))

    def _df(self, small: SmallSample, scaled: np.ndarray, df: str, at: np.ndarray) -> np.ndarray:
        check_df(df)
        if df in INFORMATION or small.exact_df is not None:
            return small.satterthwaite(scaled, INFORMATION.get(df, "expected"))
        if df == "between-within":
            raise FitError("Between-within df need the rows of one study: ask fit_mixed, or another df.")
        value = np.full(len(at), np.inf) if df == "normal" else self.rows[at] - float(len(self.basis))
        return np.repeat(value[:, None], len(scaled), axis=1)


def _moved(small: SmallSample, beta: np.ndarray) -> SmallSample:
    """The same machinery with other coefficients."""
    moved = object.__new__(SmallSample)
    moved.__dict__.update(small.__dict__)
    moved.point = replace(small.point, beta=beta)
    return moved


def fit_own_designs(
    y: np.ndarray,
    X: np.ndarray,
    *,
    covariance: str | None = None,
    Z: np.ndarray | None = None,
    correlated: bool = True,
    times: np.ndarray | None = None,
) -> OwnDesigns:
    """Fit R trials by REML.

    y (R, n, T): n people at T visits, NaN where one was missed. X (R or 1, n, T, q). covariance: over visits, by name;
    Z (T, r): random effects of the visits ("1" is a column of ones). times (T,) for exponential decay.
    With one visit this is ordinary least squares and every df method exact.
    """
    y, X = np.asarray(y, dtype=float), np.asarray(X, dtype=float)
    (R, n, T), q = y.shape, X.shape[-1]
    if covariance is None and Z is None:
        raise FitError("Neither Z nor covariance= is given: name a structure over visits or give random effects.")
    seen = np.isfinite(y)
    rows = seen.sum(axis=(1, 2))
    basis = _basis(X, seen)
    structure = _structure(T, covariance, Z, correlated, times)
    converged, boundary = np.zeros((2, R), dtype=bool)
    loglik, parts = np.full(R, np.nan), []
    step = max(1, CELLS // (T * T * max(q * q, n * 4)))
    for start in range(0, R, step):
        some = slice(start, start + step)
        part, good, edge, value = _fit(
            y[some], (X if len(X) == 1 else X[some]) @ basis, seen[some], structure, np.arange(R)[some]
        )
        if part is not None:
            parts.append(part)
            converged[part.at], boundary[part.at] = good, edge
            loglik[part.at] = value + np.linalg.slogdet(basis)[1]
    return OwnDesigns(converged, boundary, np.where(converged, loglik, np.nan), rows, basis, tuple(parts))


def _fit(
    y: np.ndarray, X: np.ndarray, seen: np.ndarray, structure: Structure, place: np.ndarray
) -> tuple[Part | None, np.ndarray, np.ndarray, np.ndarray]:
    """One stack: its part, then converged, boundary and log-likelihood of its fitted trials."""
    q = X.shape[-1]
    X = np.where(seen[..., None], X, 0.0)
    flat = X.reshape(len(X), -1, q)
    cross = flat.swapaxes(1, 2) @ flat
    values = np.linalg.eigvalsh(cross)
    fit = (values[:, 0] > COLLINEAR * values[:, -1]) & (seen.sum(axis=(1, 2)) > q)
    if not fit.any():
        return None, *np.zeros((2, 0), dtype=bool), np.zeros(0)
    X, flat, cross, seen, place = X[fit], flat[fit], cross[fit], seen[fit], place[fit]
    y = np.where(seen, y[fit], 0.0)
    rows = seen.sum(axis=(1, 2))
    centre = y.sum(axis=(1, 2)) / rows  # twice, so that a large outcome keeps its digits
    beta = _least_squares(cross, flat, np.where(seen, y - centre[:, None, None], 0.0))
    beta = beta + _least_squares(cross, flat, np.where(seen, centre[:, None, None], 0.0))
    residual = y.reshape(len(y), -1) - (flat @ beta[:, :, None])[:, :, 0]
    again = _least_squares(cross, flat, residual)
    beta, residual = beta + again, residual - (flat @ again[:, :, None])[:, :, 0]
    size = np.sqrt(np.square(residual).sum(axis=1) / (rows - q))
    varies = size > 1e-11 * np.sqrt(np.square(y).sum(axis=(1, 2)) / rows)
    scale = np.where(varies, size, 1.0)
    unit = (residual / scale[:, None]).reshape(y.shape)
    likelihood = ByPerson(X, unit, seen, structure)
    if structure.size == 1 and seen.shape[2] == 1:
        point = _one_visit(likelihood, cross, len(y), q)
        small = SmallSample(likelihood, point, np.zeros(len(y), dtype=bool), exact_df=(rows - q).astype(float))
        value = point.loglik - (rows - q) * np.log(scale)
        return Part(place, scale, beta, small, small), varies, np.zeros(len(y), dtype=bool), value
    optimum = maximise(likelihood, start_of(structure, unit, seen, q))
    small = free = SmallSample(likelihood, optimum.shown, optimum.boundary)
    if optimum.unbounded.any():
        free = SmallSample(likelihood, optimum.point, optimum.boundary & ~optimum.unbounded)
    value = optimum.loglik - (rows - q) * np.log(scale)
    return Part(place, scale, beta, small, free), optimum.converged & varies, optimum.boundary, value


def _structure(
    T: int, covariance: str | None, Z: np.ndarray | None, correlated: bool, times: np.ndarray | None
) -> Structure:
    """The structure over T visits; of one visit a variance, whatever was asked."""
    at = np.arange(T, dtype=float) if times is None else np.asarray(times, dtype=float)
    if Z is not None:
        Z = np.asarray(Z, dtype=float)
        if correlated and Z.shape[1] > 1 and T > 1:
            Z = np.linalg.qr(Z)[0] * np.sqrt(T)
        Z = (Z / np.sqrt(np.mean(Z**2, axis=0)))[None]
    geometry = Geometry(np.ones((1, T), dtype=bool), at, Z, np.zeros(1, dtype=int), 1)
    if T == 1:
        return Unstructured(geometry, (0,))
    effects = () if Z is None else tuple(f"z{k}" for k in range(Z.shape[2]))
    return build_structure(geometry, tuple(range(T)), effects, ("all",), correlated=correlated, covariance=covariance)


def _basis(X: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """Columns that are orthonormal on average over trials and seen cells (q, q)."""
    q = X.shape[-1]
    share = seen.mean(axis=0) if len(X) == 1 else seen
    flat = (X * np.sqrt(share)[..., None]).reshape(-1, q)
    cross = flat.T @ flat / len(X)
    size = np.sqrt(np.maximum(np.diag(cross), 1e-300))
    values, vectors = np.linalg.eigh(cross / (size[:, None] * size))
    if values[0] < COLLINEAR:
        raise FitError("Columns of X repeat each other in every trial, or are zero: leave one out.")
    return (vectors / np.sqrt(values)) / size[:, None] * np.sqrt(seen.sum() / len(seen))


def _least_squares(cross: np.ndarray, flat: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Coefficients (R, q)."""
    return np.linalg.solve(cross, flat.swapaxes(1, 2) @ y.reshape(len(y), -1, 1))[:, :, 0]


def _one_visit(likelihood: ByPerson, cross: np.ndarray, R: int, q: int) -> Point:
    """Least squares in unit scale: its variance is one."""
    phi, one = np.linalg.inv(cross), np.ones((R, 1))
    rows = likelihood.rows
    loglik = -0.5 * ((rows - q) * (1 + np.log(2 * np.pi)) + np.linalg.slogdet(cross)[1])
    half = 0.5 * (rows - q)[:, None, None]
    W = likelihood.seen[..., None].astype(float)
    return Point(one, loglik, np.zeros((R, q)), phi, 0 * one, half, half, -cross[:, None], W)


def start_of(structure: Structure, unit: np.ndarray, seen: np.ndarray, q: int) -> np.ndarray:
    """Starting values (R, K) from mean residual products of pairs of visits; unit (R, n, T) residuals, zero unseen.

    They are divided so that complete data under a mean per arm and visit have them as their REML solution.
    """
    attended = seen.astype(float)
    pairs = attended.swapaxes(1, 2) @ attended
    rows = seen.sum(axis=(1, 2))
    pooled = unit.swapaxes(1, 2) @ unit / np.maximum(pairs, 1) * (rows / (rows - q))[:, None, None]
    start = structure.start(pooled)
    if isinstance(structure, Unstructured):
        sd = np.sqrt(np.maximum(np.einsum("rtt->rt", pooled), 1e-300))
        least = np.linalg.eigvalsh(pooled / (sd[:, :, None] * sd[:, None, :]))[:, 0]
        safe = least > 1e-3
        start[safe] = pooled[safe][:, structure.rows, structure.cols]
    return start
