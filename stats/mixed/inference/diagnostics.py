"""What a reviewer asks of a fitted model: residuals, predictions, influence, fit of the covariance."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from scipy.special import ndtri

from stats.errors import FitError
from stats.mixed.fitting.reml import cone_matrices
from stats.mixed.fitting.solve import solve
from stats.mixed.inference.blocks import blocks, natural_structure, site_blocks, site_effects
from stats.mixed.inference.fitted import Fitted
from stats.mixed.model.layout import Layout, rank_report
from stats.mixed.model.moments import pool_orthogonal


@dataclass(frozen=True)
class Diagnostics:
    """Frames for the usual plots.

    residuals: participant, visit, fitted, marginal, conditional, scaled, normal_quantile (of scaled, within the visit).
    covariance: visit, other, modelled, observed, pairs. influence: participant, n_rows, distance, and per coefficient
    the shift in standard errors when the participant is left out. effects: predicted random effects (empty without).
    sites: predicted effects of sites and therapists, component, level, name, value (empty without).
    """

    residuals: pd.DataFrame
    covariance: pd.DataFrame
    influence: pd.DataFrame
    effects: pd.DataFrame
    notes: tuple[str, ...]
    sites: pd.DataFrame = field(default_factory=pd.DataFrame)


def diagnose(fit: Fitted) -> Diagnostics:
    """All diagnostics of a fit made from rows."""
    table = residuals(fit)
    effects = random_effects(fit) if fit.random is not None else pd.DataFrame()
    changed, notes = influence(fit)
    above = site_predictions(fit) if fit.moments.sites is not None else pd.DataFrame()
    return Diagnostics(table, covariance_fit(fit, table), changed, effects, notes, above)


def visit_covariance(fit: Fitted) -> pd.DataFrame:
    """Fitted covariance over visits; where covariates of random effects differ between people, at the first seen."""
    structure, theta = natural_structure(fit)
    S = structure.matrix(theta)[0]
    moments = fit.moments
    T = len(moments.slots)
    out = np.full((T, T), np.nan)
    for p in np.flatnonzero(moments.group == 0):
        pair = np.outer(moments.observed[p], moments.observed[p]) & np.isnan(out)
        out[pair] = S[p if len(S) > 1 else 0][pair]
    return pd.DataFrame(out, index=list(moments.slots), columns=list(moments.slots))


def residuals(fit: Fitted) -> pd.DataFrame:
    """Marginal (y - Xb), conditional (y - Xb - Zu) and scaled (Cholesky root of V inverted) residuals per row.

    Without random effects conditional residuals are the marginal ones. Scaled residuals are uncorrelated with unit
    variance under the model (Houseman et al. 2004; Santos Nobre & Singer 2007).
    """
    layout = _rows(fit)
    marginal, scaled, conditional = (np.empty(layout.n_rows) for _ in range(3))
    predicted, shared = _effects(fit) if fit.random is not None else None, _shared(fit)
    for i, block in enumerate(blocks(fit, "residuals")):
        marginal[block.rows] = block.residual
        if layout.sites is None:
            scaled[block.rows] = np.linalg.solve(np.linalg.cholesky(block.V), block.residual)
        own = layout.Z[block.rows] @ predicted[i] if predicted is not None and layout.Z is not None else 0.0
        conditional[block.rows] = block.residual - shared[block.rows] - own
    if layout.sites is not None:
        for rows, V in site_blocks(fit, "scaled residuals"):
            scaled[rows] = np.linalg.solve(np.linalg.cholesky(V), marginal[rows])
    visit = np.array(layout.slots, dtype=object)[layout.slot]
    table = pd.DataFrame(
        {
            "participant": np.array(layout.persons, dtype=object)[layout.person],
            "visit": visit,
            "fitted": layout.y - marginal,
            "marginal": marginal,
            "conditional": conditional,
            "scaled": scaled,
        }
    )
    rank = table.groupby("visit")["scaled"].rank(method="first")
    count = table.groupby("visit")["scaled"].transform("size")
    return table.assign(normal_quantile=ndtri((rank - 0.375) / (count + 0.25)))


def random_effects(fit: Fitted) -> pd.DataFrame:
    """Best linear unbiased predictions of each participant's random effects: G Z'W (y - Xb)."""
    layout = _rows(fit)
    if fit.random is None:
        raise FitError("The model has no random effects to predict; its covariance is over visits.")
    table = pd.DataFrame(_effects(fit), columns=list(layout.random_terms))
    table.insert(0, "participant", list(layout.persons))
    return table


def site_predictions(fit: Fitted) -> pd.DataFrame:
    """Best linear unbiased predictions of sites and therapists: component, level, name, value.

    An effect of several columns (three arms or more) has one row each, numbered.
    """
    layout = _rows(fit)
    sites, values = layout.sites, site_effects(fit)
    if sites is None:
        raise FitError("The model has no effects of sites or therapists to predict.")
    rows = []
    for s in range(len(sites.blocks)):
        named: dict[tuple[str, str, str], int] = {}
        for k, (component, effect) in enumerate(sites.columns):
            level = str(sites.levels[s, k])
            if level:
                count = named[component, level, effect] = named.get((component, level, effect), 0) + 1
                rows.append((component, level, effect if count == 1 else f"{effect} {count}", values[s, k]))
    return pd.DataFrame(rows, columns=["component", "level", "name", "value"])


def _shared(fit: Fitted) -> np.ndarray:
    """What sites and therapists add to every row, as predicted (N,); zero without."""
    layout = _rows(fit)
    if layout.sites is None:
        return np.zeros(layout.n_rows)
    return np.einsum("nr,nr->n", layout.sites.U, site_effects(fit)[layout.sites.block])


def _effects(fit: Fitted) -> np.ndarray:
    layout = _rows(fit)
    structure, theta = natural_structure(fit)
    matrices = [G[0] for G in cone_matrices(structure, theta)]
    r = len(layout.random_terms)
    per_group = list(matrices) if matrices and len(matrices[0]) == r else None
    if per_group is None:  # uncorrelated effects: one 1 x 1 block each
        singles = np.array([m[0, 0] for m in matrices]).reshape(-1, r)
        per_group = [np.diag(row) for row in singles]
    group = layout.group[layout.starts()[:-1]]
    out, shared = np.empty((len(layout.persons), r)), _shared(fit)
    for i, block in enumerate(blocks(fit, "random effects")):
        Z = layout.Z[block.rows]  # type: ignore[index]  # asked of models with random effects only
        out[i] = per_group[group[i]] @ Z.T @ np.linalg.solve(block.V, block.residual - shared[block.rows])
    return out


def influence(fit: Fitted) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Leave out each participant and fit again: exact shifts of the coefficients in standard errors of the full fit.

    distance = d'(cov b)^-1 d / q with d the shift of all coefficients (a Cook's distance). A participant without whom
    the model cannot be fitted has NaN and a note.
    """
    layout = _rows(fit)
    covariance = fit.coefficient_covariance("residual")
    std_error = np.sqrt(np.diag(covariance))
    rows, notes = [], []
    for i, person in enumerate(layout.persons):
        try:
            shift = _without(fit, layout, i) - fit.beta
        except FitError:
            notes.append(f"The model cannot be fitted without participant {person}.")
            shift = np.full(len(fit.beta), np.nan)
        distance = float(shift @ np.linalg.solve(covariance, shift)) / len(shift)
        own = {"participant": person, "n_rows": int((layout.person == i).sum()), "distance": distance}
        rows.append(own | dict(zip(fit.terms, shift / std_error, strict=True)))
    return pd.DataFrame(rows), tuple(notes)


def _without(fit: Fitted, layout: Layout, person: int) -> np.ndarray:
    keep = layout.person != person
    code = layout.person[keep]
    part = replace(
        layout, y=layout.y[keep], X=layout.X[keep], Z=None if layout.Z is None else layout.Z[keep],
        person=code - (code > person), slot=layout.slot[keep], group=layout.group[keep],
        persons=layout.persons[:person] + layout.persons[person + 1 :],
        sites=None if layout.sites is None else layout.sites.take(keep),
        times=None if layout.times is None else layout.times[keep],
    )  # fmt: skip
    if rank_report(part.X, part.terms):
        raise FitError("Without this participant a coefficient cannot be estimated.")
    moments, basis = pool_orthogonal(part)
    solution = solve(
        moments, correlated=fit.correlated, covariance=fit.covariance, reml=fit.method == "reml", times=fit.times,
        basis=basis, variances_only=fit.variance_by is not None,
    )  # fmt: skip
    if not solution.converged[0]:
        raise FitError("Without this participant the likelihood has no proven maximum.")
    return solution.beta[0]


def covariance_fit(fit: Fitted, table: pd.DataFrame | None = None) -> pd.DataFrame:
    """Modelled covariance of each pair of visits beside the mean product of marginal residuals over `pairs` people."""
    table = residuals(fit) if table is None else table
    wide = table.pivot_table(index="participant", columns="visit", values="marginal", sort=False)
    modelled = visit_covariance(fit)
    rows = []
    for j, one in enumerate(modelled.index):
        for other in modelled.columns[: j + 1]:
            products = (
                (wide[one] * wide[other]).dropna() if {one, other} <= set(wide.columns) else pd.Series(dtype=float)
            )
            observed = float(products.mean()) if len(products) else np.nan
            rows.append((one, other, modelled.loc[one, other], observed, len(products)))
    return pd.DataFrame(rows, columns=["visit", "other", "modelled", "observed", "pairs"])


def repeatability(fit: Fitted) -> pd.DataFrame:
    """Correlation of one participant's values between visits under the model (the intraclass correlation of a random
    intercept is the same for every pair): visit, other, correlation."""
    S = visit_covariance(fit)
    sd = np.sqrt(np.diag(S))
    corr = S.to_numpy() / np.outer(sd, sd)
    rows = [(S.index[j], S.columns[k], corr[j, k]) for j in range(len(S)) for k in range(j)]
    return pd.DataFrame(rows, columns=["visit", "other", "correlation"])


def compare_models(fits: Mapping[str, Fitted]) -> pd.DataFrame:
    """Log-likelihood, covariance parameters, AIC and BIC of models of the same rows, and what those two count.

    Raises FitError where rows, method or (under REML) coefficients differ: such criteria cannot be compared.
    """
    models = list(fits.values())
    for name, fit in fits.items():
        if fit.n_rows != models[0].n_rows or fit.method != models[0].method:
            raise FitError(f"Model '{name}' uses other rows or another method than the first: AIC cannot compare them.")
        if fit.method == "reml" and set(fit.terms) != set(models[0].terms):
            raise FitError(
                f"Model '{name}' has other coefficients than the first: REML compares covariances of one formula only. "
                "Use method='ml' for different formulas."
            )
    return pd.DataFrame(
        [
            {
                "model": name,
                "loglik": f.loglik,
                "parameters": f.n_parameters,
                "aic": f.aic,
                "bic": f.bic,
                "counted": f.criterion_counts,
            }
            for name, f in fits.items()
        ]
    )


def _rows(fit: Fitted) -> Layout:
    if fit.layout is None:
        raise FitError("This fit was made from pooled moments, which carry no rows: diagnostics need a fit from rows.")
    return fit.layout
