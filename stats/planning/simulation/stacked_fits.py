"""Many simulated trials fitted at once: each replicate brings its own missing visits and, if need be, covariates.

The algebra is that of `stats.mixed`; here participants become patterns replicate by replicate and the stack is scaled.
"""

from dataclasses import dataclass

import numpy as np

from stats.mixed.covariance.geometry import geometry_of
from stats.mixed.covariance.structure import Structure, Unstructured
from stats.mixed.covariance.structures_by_name import build_structure
from stats.mixed.fitting.kenward_roger import KENWARD_ROGER, SmallSample
from stats.mixed.fitting.likelihood import Likelihood
from stats.mixed.fitting.reml import maximise
from stats.mixed.model.moments import Moments
from stats.mixed.own_designs import fit_own_designs


@dataclass(frozen=True)
class StackedFit:
    """One contrast of R fitted replicates: estimate, std_error, df (R,); converged, boundary (R,) bool.

    Where a replicate has no converged fit, estimate, std_error and df are NaN.
    """

    estimate: np.ndarray
    std_error: np.ndarray
    df: np.ndarray
    converged: np.ndarray
    boundary: np.ndarray


def fit_stack(
    y: np.ndarray,
    X: np.ndarray,
    contrast: np.ndarray,
    *,
    Z: np.ndarray | None = None,
    group: np.ndarray | None = None,
    correlated: bool = True,
    covariance: str | None = None,
    df: str = "kenward-roger",
    times: np.ndarray | None = None,
) -> StackedFit:
    """Fit every replicate by REML and test one contrast.

    y (R, n, T), NaN where a visit was missed. X (R or 1, n, T, q). contrast (q,). Z (T, r): random effects of the
    visits. group (n,): arm codes where the covariance differs by arm. df: a Kenward-Roger or Satterthwaite name.
    Replicates whose X is collinear (an arm nobody of which was seen at a visit) come back as not converged.
    """
    seen = np.isfinite(y)
    if group is None and (len(X) > 1 or not (seen == seen[0]).all()):
        return _own_designs(y, X, contrast, Z=Z, correlated=correlated, covariance=covariance, df=df, times=times)
    regular = _regular(X, seen)
    if not regular.all():
        nothing = StackedFit(
            *(np.full(len(y), np.nan) for _ in range(3)), *(np.zeros(len(y), dtype=bool) for _ in range(2))
        )
        if regular.any():
            design = X if len(X) == 1 else X[regular]
            fit = fit_stack(
                y[regular], design, contrast, Z=Z, group=group, correlated=correlated, covariance=covariance, df=df,
                times=times,
            )  # fmt: skip
            for name in StackedFit.__dataclass_fields__:
                getattr(nothing, name)[regular] = getattr(fit, name)
        return nothing
    R, q = len(y), X.shape[-1]
    X, contrast = _well_scaled(X, contrast)
    centre = np.nanmean(y)
    y = np.where(seen, y - centre, 0.0)
    residual, scale, beta = _least_squares(y, X, seen)
    unit = np.where(seen, residual / scale[:, None, None], 0.0)
    if Z is not None:
        if correlated and Z.shape[1] > 1:
            Z = np.linalg.qr(Z)[0]
        Z = Z / np.sqrt(np.mean(Z**2, axis=0))
    moments = _moments(unit, X, seen, Z, group, rotate=Z is not None and covariance is None)
    structure = build_structure(
        geometry_of(moments, times), moments.slots, moments.random_terms, moments.groups, correlated=correlated,
        covariance=covariance,
    )  # fmt: skip
    likelihood = Likelihood(moments, structure)
    optimum = maximise(likelihood, _start(structure, moments, q))
    free = df.startswith(KENWARD_ROGER)  # Kenward-Roger stands at the unbounded maximum, see `kenward_roger`
    small = SmallSample(
        likelihood,
        optimum.point if free else optimum.shown,
        optimum.boundary & ~optimum.unbounded if free else optimum.boundary,
    )
    kind = "observed" if df in ("kenward-roger-observed", "satterthwaite") else "expected"
    variance = np.einsum("a,rab,b->r", contrast, small.covariance(df), contrast)
    degrees = np.full(R, np.inf) if df == "normal" else small.satterthwaite(contrast[None], kind)[:, 0]
    # a search that runs to a singular matrix can end with a flat gradient, but its information is then not positive
    good = optimum.converged & (variance > 0) & ~np.isnan(degrees)
    hidden = np.where(good, 1.0, np.nan)
    # the constant taken off y belongs to the intercept, which no contrast of arms touches
    estimate = (beta + small.point.beta * scale[:, None]) @ contrast
    return StackedFit(
        estimate=estimate * hidden,
        std_error=scale * np.sqrt(np.where(good, variance, np.nan)),
        df=degrees * hidden,
        converged=good,
        boundary=optimum.boundary,
    )


def _own_designs(
    y: np.ndarray, X: np.ndarray, contrast: np.ndarray, *, df: str, Z: np.ndarray | None, correlated: bool,
    covariance: str | None, times: np.ndarray | None,
) -> StackedFit:  # fmt: skip
    """Replicates that share nothing: participants themselves are cheaper than their patterns."""
    fits = fit_own_designs(y, X, Z=Z, correlated=correlated, covariance=covariance, times=times)
    made = fits.estimates(contrast[None], df)
    return StackedFit(
        made.estimate[:, 0], made.std_error[:, 0], made.df[:, 0], fits.converged & np.isfinite(made.std_error[:, 0]),
        fits.boundary,
    )  # fmt: skip


def _well_scaled(X: np.ndarray, contrast: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Columns that are orthogonal over all cells of the first replicate, and the contrast in them."""
    flat = X[0].reshape(-1, X.shape[-1])
    basis = np.linalg.inv(np.linalg.qr(flat, mode="r")) * np.sqrt(len(flat))
    return X @ basis, contrast @ basis


def _regular(X: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """Replicates with more rows than coefficients and columns that can be told apart (R,)."""
    flat = _seen_rows(X, seen)
    values = np.linalg.eigvalsh(np.swapaxes(flat, 1, 2) @ flat)
    return (values[:, 0] > 1e-10 * values[:, -1]) & (seen.sum(axis=(1, 2)) > X.shape[-1])


def _seen_rows(X: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """X (R, n T, q) with zero rows where nothing was seen."""
    R, q = len(seen), X.shape[-1]
    return np.broadcast_to(X, (R, *X.shape[1:])).reshape(R, -1, q) * seen.reshape(R, -1, 1)


def _least_squares(y: np.ndarray, X: np.ndarray, seen: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Residuals (R, n, T), their standard deviation (R,) and coefficients (R, q)."""
    R = len(y)
    flat = _seen_rows(X, seen)
    cross = np.swapaxes(flat, 1, 2)
    beta = np.linalg.solve(cross @ flat, cross @ y.reshape(R, -1, 1))[:, :, 0]
    residual = (y.reshape(R, -1) - (flat @ beta[:, :, None])[:, :, 0]).reshape(y.shape)
    variance = np.sum(residual**2, axis=(1, 2)) / (seen.sum(axis=(1, 2)) - X.shape[-1])
    return residual, np.sqrt(np.where(variance > 0, variance, 1.0)), beta


def _moments(
    y: np.ndarray, X: np.ndarray, seen: np.ndarray, Z: np.ndarray | None, group: np.ndarray | None, rotate: bool
) -> Moments:
    """Pooled moments of residuals in unit scale; with a replicate axis on A and n unless all share the design.

    A pattern is a set of visits (and an arm, where `group` says so). With `rotate`, the T visits of a pattern become
    the r directions Z spans, and one more pattern per group stands for everything Z does not touch (`Moments.rotated`).
    """
    R, n, T = y.shape
    q = X.shape[-1]
    group = np.zeros(n, dtype=int) if group is None else group
    code = (seen @ (1 << np.arange(T))) + (group << T)  # (R, n)
    shared = bool((code == code[0]).all()) and len(X) == 1
    D = 1 if shared else R
    kinds = np.unique(code[:D])
    kinds = kinds[kinds & ((1 << T) - 1) > 0]
    observed = (kinds[:, None] >> np.arange(T)) & 1 > 0
    Q, K, slots = observed[:, :, None] * np.eye(T), None, observed
    if Z is not None:
        K = Z * observed[:, :, None]
        if rotate:
            K, Q = orthonormal_effects(K, observed)
            slots = np.abs(Q).sum(axis=1) > 0
    P, k, groups = len(kinds), Q.shape[2], np.unique(group)
    rest = len(groups) if rotate else 0
    counts = np.zeros((D, P + rest))
    A = np.zeros((D, P + rest, k, k, q, q))
    B, C = np.zeros((R, P + rest, k, k, q)), np.zeros((R, P + rest, k, k))
    for p in range(P):
        member = (code == kinds[p]).astype(float)  # (R, n)
        counts[:, p] = member[:D].sum(axis=1)
        x = np.swapaxes(Q[p].T @ X, 2, 3).reshape(len(X), n, q * k)
        z = y @ Q[p]
        mine = z * member[:, :, None]
        A[:, p] = _products(x, x, member[:D]).reshape(D, q, k, q, k).transpose(0, 2, 4, 1, 3)
        B[:, p] = (np.swapaxes(x, 1, 2) @ mine).reshape(R, q, k, k).transpose(0, 2, 3, 1)
        C[:, p] = np.swapaxes(mine, 1, 2) @ z
        if rotate:
            at = P + int(np.flatnonzero(groups == kinds[p] >> T)[0])
            own = member[:, :, None] * observed[p]
            counts[:, at] += counts[:, p] * (observed[p].sum() - slots[p].sum())
            flat, whole = X.reshape(len(X), n * T, q), own.reshape(R, n * T)
            A[:, at, 0, 0] += _products(flat, flat, whole[:D]) - np.einsum("rkkab->rab", A[:, p])
            B[:, at, 0, 0] += (np.swapaxes(flat, 1, 2) @ (y * own).reshape(R, n * T, 1))[:, :, 0]
            B[:, at, 0, 0] -= np.einsum("rkka->ra", B[:, p])
            C[:, at, 0, 0] += np.sum(y * y * own, axis=(1, 2)) - np.einsum("rkk->r", C[:, p])
    if K is not None and rotate:
        slots = np.concatenate([slots, np.broadcast_to(np.arange(k) == 0, (rest, k))])
        K = np.concatenate([K, np.zeros((rest, *K.shape[1:]))])
    rows = seen.sum(axis=(1, 2))
    return Moments(
        n=counts[0] if shared else counts,
        observed=slots,
        Z=K,
        group=np.concatenate([np.searchsorted(groups, kinds >> T), np.arange(rest)]),
        A=A[0] if shared else A,
        B=B,
        C=C,
        shift=np.zeros((R, q)),
        n_rows=int(rows[0]) if shared else rows,
        n_participants=n,
        terms=tuple(f"x{a}" for a in range(q)),
        slots=tuple(range(k)),
        groups=tuple(groups),
        random_terms=() if Z is None else tuple(f"z{a}" for a in range(Z.shape[1])),
        term_columns={},
    )


def _products(x: np.ndarray, z: np.ndarray, member: np.ndarray) -> np.ndarray:
    """sum over rows of member x z' per replicate: x, z (R or 1, N, a), member (R, N) to (R, a, a)."""
    if len(x) == 1:
        return (member @ (x[0][:, :, None] * z[0][:, None, :]).reshape(x.shape[1], -1)).reshape(
            -1, x.shape[2], z.shape[2]
        )
    return np.swapaxes(x * member[:, :, None], 1, 2) @ z


def orthonormal_effects(K: np.ndarray, observed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """K (P, r, r) and Q (P, T, r) with Z = Q K per pattern; directions a pattern does not have are zero in both."""
    U, size, Vt = np.linalg.svd(K, full_matrices=False)
    keep = size > 1e-12 * size[:, :1]
    return np.where(keep, size, 0.0)[:, :, None] * Vt, np.where(observed[:, :, None], U, 0.0) * keep[:, None, :]


def _start(structure: Structure, moments: Moments, q: int) -> np.ndarray:
    """Starting values from the mean residual products of pairs of slots.

    They are divided so that complete data under a mean per arm and visit have them as their REML solution; an
    unstructured covariance starts there itself where it is safely positive definite.
    """
    counts = np.atleast_2d(moments.n)
    pairs = np.einsum("rp,pj,pk->rjk", counts, moments.observed, moments.observed)
    rows = np.atleast_1d(moments.n_rows).astype(float)
    pooled = moments.C.sum(axis=1) / np.maximum(pairs, 1) * (rows / (rows - q))[:, None, None]
    start = structure.start(pooled)
    if isinstance(structure, Unstructured):
        sd = np.sqrt(np.maximum(np.einsum("rtt->rt", pooled), 1e-300))
        least = np.linalg.eigvalsh(pooled / (sd[:, :, None] * sd[:, None, :]))[:, 0]
        safe = least > 1e-3
        start[safe] = pooled[safe][:, structure.rows, structure.cols]
    return start
