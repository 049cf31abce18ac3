"""Bootstrap reference distributions of a mixed model's combinations: parametric, case and wild, all from a passed rng.

Each gives bootstrap-t intervals and p values: the quantiles of (estimate* - estimate) / std_error* replace those of
Student's t. Parametric: new responses from the fitted model. Case: participants drawn again (within groups). Wild:
participants' residuals under the null multiplied by -1 or 1 (six-point weights below 12 participants), covariance
held fixed, cluster-robust standard errors (Cameron, Gelbach & Miller 2008; Webb 2023). With fewer than 20 participants
case intervals are too short: prefer Kenward-Roger, the parametric or the wild form.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from stats.errors import FitError
from stats.mixed.fitting.solve import solve
from stats.mixed.inference.blocks import between_sites, blocks
from stats.mixed.inference.fitted import Fitted
from stats.mixed.many import Template
from stats.mixed.model.moments import Moments, pool_orthogonal
from stats.result import ESTIMATE_COLUMNS, Result

KINDS = ("parametric", "case", "wild")


@dataclass(frozen=True)
class Bootstrap(Result):
    """Bootstrap-t inference on m combinations.

    estimate, std_error (m,); pivots (B, m): (estimate* - estimate) / std_error* of the usable replicates.
    """

    kind: str
    term: tuple[str, ...]
    estimate: np.ndarray
    std_error: np.ndarray
    pivots: np.ndarray
    replicates: int
    unit: str
    n_participants: int
    n_rows: int
    notes: tuple[str, ...] = ()

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """Columns term estimate std_error df statistic p_value conf_low conf_high unit (df is NaN)."""
        statistic = self.estimate / self.std_error
        tail = (1 - level) / 2
        low, high = np.quantile(self.pivots, [tail, 1 - tail], axis=0)
        p = (1 + (np.abs(self.pivots) >= np.abs(statistic)).sum(axis=0)) / (1 + len(self.pivots))
        columns = (
            self.term, self.estimate, self.std_error, np.full(len(self.term), np.nan), statistic, p,
            self.estimate - high * self.std_error, self.estimate - low * self.std_error, [self.unit] * len(self.term),
        )  # fmt: skip
        return pd.DataFrame(dict(zip(ESTIMATE_COLUMNS, columns, strict=True)))

    def sentence(self, level: float = 0.95) -> str:
        """Estimate and bootstrap interval of every row, kind and replicates."""
        rows = "; ".join(
            f"{row.term}: {row.estimate:.2f} {self.unit} "
            f"({level:.0%} interval {row.conf_low:.2f} to {row.conf_high:.2f})"
            for row in self.frame(level).itertuples()
        )
        return f"{rows}; {self.kind} bootstrap-t, {len(self.pivots)} replicates, {self.n_participants} participants."


def bootstrap(
    fit: Fitted,
    L: np.ndarray,
    rng: np.random.Generator,
    *,
    labels: Sequence[str] | None = None,
    kind: str = "parametric",
    replicates: int = 999,
) -> Bootstrap:
    """Bootstrap-t of the combinations L b, L (m, q). rng: numpy Generator; the same state gives the same result."""
    if kind not in KINDS:
        raise FitError(f"kind='{kind}' is not known. Choose one of: {', '.join(KINDS)}.")
    if kind != "parametric" and fit.moments.sites is not None:
        raise FitError(
            f"kind='{kind}' draws participants as if they were independent; here they share sites or therapists. "
            "Use kind='parametric'."
        )
    L = np.atleast_2d(np.asarray(L, dtype=float))
    names = tuple(labels) if labels is not None else tuple(f"contrast {k + 1}" for k in range(len(L)))
    estimate = L @ fit.beta
    if kind == "wild":
        std_error, pivots = _wild(fit, L, rng, replicates)
    else:
        std_error = fit.estimates(L, names, df="normal").std_error
        pivots = _parametric(fit, L, rng, replicates) if kind == "parametric" else _case(fit, L, rng, replicates)
    usable = np.isfinite(pivots).all(axis=1)
    notes = list(fit.notes)
    if not usable.all():
        notes.append(f"{int((~usable).sum())} of {replicates} bootstrap fits had no proven maximum and are left out.")
    if usable.sum() < 0.5 * replicates:
        raise FitError(f"Only {int(usable.sum())} of {replicates} bootstrap fits converged. Use a simpler model.")
    return Bootstrap(
        kind=kind, term=names, estimate=estimate, std_error=std_error, pivots=pivots[usable], replicates=replicates,
        unit=fit.unit, n_participants=fit.n_participants, n_rows=fit.n_rows, notes=tuple(notes),
    )  # fmt: skip


def simulate_responses(fit: Fitted, rng: np.random.Generator, replicates: int) -> np.ndarray:
    """Responses (R, N) from the fitted model, rows in the order of `fit.layout`."""
    layout = fit.layout
    if layout is None:
        raise FitError(
            "This fit was made from pooled moments, which carry no rows: simulate from a fit made from rows."
        )
    Y = np.broadcast_to(layout.X @ fit.beta, (replicates, layout.n_rows)).copy()
    for block in blocks(fit, "simulated responses"):
        root = np.linalg.cholesky(block.V)
        Y[:, block.rows] += rng.standard_normal((replicates, len(root))) @ root.T
    if layout.sites is not None:
        sites = layout.sites
        values, vectors = np.linalg.eigh(between_sites(fit, sites))
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        effects = rng.standard_normal((replicates, len(sites.blocks), len(root))) @ root.T
        Y += np.einsum("nr,Rnr->Rn", sites.U, effects[:, sites.block])
    return Y


def _parametric(fit: Fitted, L: np.ndarray, rng: np.random.Generator, replicates: int) -> np.ndarray:
    Y = simulate_responses(fit, rng, replicates)
    # simulate_responses refused a fit without rows
    again = Template(
        fit.layout,  # type: ignore[arg-type]
        fit.covariance, fit.correlated, fit.method == "reml", fit.times, fit.variance_by is not None,
    )  # fmt: skip
    made = again.fit(Y).estimates(L, "normal")
    return (made.estimate - L @ fit.beta) / made.std_error


def _case(fit: Fitted, L: np.ndarray, rng: np.random.Generator, replicates: int) -> np.ndarray:
    """Each participant is a pattern of its own whose weight is how often it was drawn."""
    layout = fit.layout
    if layout is None:
        raise FitError("This fit was made from pooled moments, which carry no rows: the case bootstrap needs them.")
    people = len(layout.persons)
    moments, basis = pool_orthogonal(
        replace(layout, group=np.arange(people)[layout.person], groups=tuple(range(people)))
    )
    group = layout.group[layout.starts()[:-1]]
    counts = np.zeros((replicates, people))
    for g in np.unique(group):
        at = np.flatnonzero(group == g)
        drawn = rng.integers(len(at), size=(replicates, len(at)))
        np.add.at(counts, (np.arange(replicates)[:, None], at[drawn]), 1.0)
    order = moments.group  # pattern -> participant
    weight = counts[:, order]
    single = replace(moments, group=group[order], groups=fit.moments.groups)
    pivots = np.full((replicates, len(L)), np.nan)
    for r in range(replicates):
        sample = replace(
            single, n=weight[r], A=single.A * weight[r][:, None, None, None, None],
            B=single.B * weight[r][:, None, None, None], C=single.C * weight[r][:, None, None],
            n_rows=int((weight[r] * moments.observed.sum(axis=1)).sum()), n_participants=people,
        )  # fmt: skip
        try:
            # The columns are no longer orthogonal in the drawn sample, hence a basis of its own.
            solution = solve(
                _without_empty(sample),
                correlated=fit.correlated,
                covariance=fit.covariance,
                reml=fit.method == "reml",
                times=fit.times,
                variances_only=fit.variance_by is not None,
            )
        except FitError:
            continue
        if not solution.converged[0]:
            continue
        inner = L @ basis
        scaled = inner @ solution.basis
        se = solution.scale[0] * np.sqrt(np.einsum("mq,qp,mp->m", scaled, solution.small.point.phi[0], scaled))
        pivots[r] = (inner @ solution.beta[0] - L @ fit.beta) / se
    return pivots


def _without_empty(moments: Moments) -> Moments:
    """Patterns nobody was drawn from are left out."""
    keep = moments.n > 0
    return replace(
        moments, n=moments.n[keep], observed=moments.observed[keep], group=moments.group[keep], A=moments.A[keep],
        Z=None if moments.Z is None else moments.Z[keep], times=None if moments.times is None else moments.times[keep],
        B=moments.B[:, keep], C=moments.C[:, keep],
    )  # fmt: skip


def _wild(fit: Fitted, L: np.ndarray, rng: np.random.Generator, replicates: int) -> tuple[np.ndarray, np.ndarray]:
    """Cluster-robust standard errors and pivots; each combination with residuals of its own null."""
    phi = fit.coefficient_covariance("residual")
    parts = list(blocks(fit, "the wild bootstrap"))
    XW = [np.linalg.solve(b.V, b.X).T for b in parts]
    weights = _weights(rng, replicates, len(parts))
    information = np.array([w @ b.X for w, b in zip(XW, parts, strict=True)])  # (n, q, q)
    scores = np.array([w @ b.residual for w, b in zip(XW, parts, strict=True)])  # (n, q)
    size = np.sqrt(len(parts) / (len(parts) - 1.0))
    std_error = size * np.sqrt(np.square(scores @ (phi @ L.T)).sum(axis=0))
    pivots = np.empty((replicates, len(L)))
    for k, l_row in enumerate(L):
        away = phi @ l_row / (l_row @ phi @ l_row) * (l_row @ fit.beta)
        null = scores + information @ away  # scores of the residuals with the combination held at zero
        step = (weights @ null) @ phi  # beta* - beta0
        own = weights[:, :, None] * null[None] - np.einsum("nab,rb->rna", information, step)
        spread = size * np.sqrt(np.square(own @ (phi @ l_row)).sum(axis=1))
        pivots[:, k] = step @ l_row / spread
    return std_error, pivots


def _weights(rng: np.random.Generator, replicates: int, clusters: int) -> np.ndarray:
    """Rademacher weights, or six points (+-sqrt 1/2, 1, sqrt 3/2) where two would give too few distinct samples."""
    if clusters >= 12:
        return rng.choice([-1.0, 1.0], size=(replicates, clusters))
    points = np.sqrt([0.5, 1.0, 1.5])
    return rng.choice(np.concatenate([-points, points]), size=(replicates, clusters))
