"""The model of change that the plan's rules take, fitted to sums of everybody."""

from dataclasses import replace

import numpy as np
import pandas as pd

from outcomes.protocol.trial import ModelChoice, Protocol
from stats.change.change_fit import ChangeFit
from stats.change.ladder import Rung, ladder
from stats.change.model_rows import DAYS
from stats.change.site_rules import BY_SITE, ONE_ARM_EACH, effect_of_sites
from stats.errors import FitError
from stats.federated.added_sums import mapped
from stats.federated.outcome_sums import OutcomeSums, plan_rows
from stats.federated.sums_columns import MergedRows, ModelColumns, one_baseline, rows_at
from stats.mixed.fit import fit_moments
from stats.mixed.model.moments import Moments
from stats.mixed.model.site_rows import SiteEffects
from stats.mixed.model.site_sums import FirstSums


def fit_sums(sums: OutcomeSums, design: Protocol) -> ChangeFit:
    """The model of change that the plan's rules take for everybody, fitted to the sums."""
    rows = _rows(sums, design)
    errors: list[str] = []
    for rung in ladder(rows, design.model):
        try:
            return _fit_rung(sums, rows, rung, design, errors)
        except FitError as error:
            errors.append(f"Not possible with {rung.name}: {error}")
    raise FitError(f"{sums.outcome}: no model of change can be fitted. {errors[-1]}")


def _rows(sums: OutcomeSums, design: Protocol) -> MergedRows:
    """What the rules ask of rows, from counts."""
    plan = plan_rows(design)
    people, total = (sum(pair[k] for pair in sums.baseline.values()) for k in (0, 1))
    visits = [v for v in plan.visits if v == plan.visits[0] or rows_at(sums, v) > 0]
    arms = tuple(arm for arm in plan.arms if any(rows_at(sums, v, arm) for v in plan.visits))
    values = {name: getattr(plan, name) for name in ("outcome", "columns", "person", "slot", "days", "randomised")}
    return MergedRows(
        **(values | {"outcome": sums.outcome}), arms=arms, reference=arms[0] if arms else "", visits=tuple(visits),
        unit=sums.unit, better=sums.better, everyone=sums.people, covariates=(), notes=(),
        baseline_mean=total / people if people else 0.0, without=sums.without_baseline,
        alike=one_baseline(sums),
    )  # fmt: skip


def _fit_rung(sums: OutcomeSums, rows: MergedRows, rung: Rung, design: Protocol, errors: list[str]) -> ChangeFit:
    choice = rung.choice
    made = ModelColumns(sums, rows, choice)
    basis, terms, cells = made.basis()
    extra, extra_terms, notes, adjusted = made.categories(design)
    basis, terms = np.column_stack([basis, *extra]) if extra else basis, (*terms, *extra_terms)
    moments = mapped(sums.moments, basis, terms)
    moments, site_notes, effect, adjusted = _with_sites(moments, sums, choice, adjusted)
    if effect:
        choice = replace(choice, site_effect=effect)
    moments = _with_effects(moments, rung.random, rows, choice)
    fit = fit_moments(moments, correlated=choice.correlated, covariance=rung.covariance, method=choice.method,
                      unit=sums.unit)  # fmt: skip
    rows = replace(rows, covariates=made.names)
    weights = rows.weights(choice, cells, fit.terms, made.stand_in(moments, terms))
    weights = _site_weights(weights, fit.terms)
    all_notes = tuple(dict.fromkeys([
        f"{sums.people} participants with a value, summed over their sites.", *rung.reasons, *notes, *site_notes,
        *errors, *fit.notes,
    ]))  # fmt: skip
    return ChangeFit(
        outcome=sums.outcome, label=choice.label, fit=replace(fit, notes=all_notes), choice=choice, arms=rows.arms,
        reference=rows.reference, baseline_visit=rows.baseline, better=sums.better, notes=all_notes,
        rows=pd.DataFrame({"participant": [], **{name: [] for name in rows.covariates}}), cells=cells,
        weights=weights, entry=pd.DataFrame({"participant": [], "arm": [], "value": []}),
        offset=made.offset(cells), adjusted=adjusted,
    )  # fmt: skip


def _with_sites(
    moments: Moments, sums: OutcomeSums, choice: ModelChoice, adjusted: tuple[str, ...]
) -> tuple[Moments, list[str], str, tuple[str, ...]]:
    """Effects of sites by the rules of `site_rules`: random, or fixed ones made of the sums of each site."""
    sites = moments.sites
    if choice.site is None or not isinstance(sites, FirstSums):
        return replace(moments, sites=None), [], "", adjusted
    S = len(sites.blocks)
    if S < 2:
        return replace(moments, sites=None), [f"One {choice.site}: no effect of sites in the model."], "", adjusted
    effect, note = effect_of_sites(S, choice.site_effect)
    notes = [note]
    if effect == "fixed":
        return _fixed_sites(moments, sites), notes, effect, (*adjusted, "site")
    several = len(sites.effects.names) > 1
    both = sum(len(arms) > 1 for arms in sums.arms_of_sites.values())
    if several and both < 2:
        notes.append(ONE_ARM_EACH)
        first = SiteEffects(sites.effects.names[:1], sites.effects.E[:1, :1, :1])
        sites = replace(sites, effects=first, Z=sites.Z[:, :, :1])
    elif several:
        notes.append(BY_SITE)
    return replace(moments, sites=sites), notes, effect, adjusted


def _fixed_sites(moments: Moments, sites: FirstSums) -> Moments:
    """Moments with a column for every site but the first (by name): sums over a site's people are its products."""
    order = sorted(range(len(sites.blocks)), key=lambda s: sites.blocks[s])[1:]
    P, T = moments.observed.shape
    q, k = moments.A.shape[-1], len(order)
    pair = moments.observed[:, :, None] & moments.observed[:, None, :]
    A = np.zeros((P, T, T, q + k, q + k))
    B = np.concatenate([moments.B, np.zeros((*moments.B.shape[:-1], k))], axis=-1)
    A[..., :q, :q] = moments.A
    for i, s in enumerate(order):
        A[..., q + i, q + i] = sites.n[s][:, None, None] * pair
        cross = sites.x[s][:, None, :, :] * moments.observed[:, :, None, None]  # [p, j, k]: site column at j, x at k
        A[..., q + i, :q] = cross
        A[..., :q, q + i] = np.swapaxes(cross, 1, 2)
        B[0, ..., q + i] = sites.y[0, s][:, None, :] * moments.observed[:, :, None]
    names = tuple(f"site[T.{sites.blocks[s]}]" for s in order)
    return replace(moments, A=A, B=B, shift=np.zeros((1, q + k)), terms=(*moments.terms, *names), sites=None)


def _site_weights(weights: np.ndarray, terms: tuple[str, ...]) -> np.ndarray:
    """Means over an equal mix of the sites, where they are fixed effects."""
    at = [k for k, term in enumerate(terms) if term.startswith("site[T.")]
    if at:
        weights[:, at] = 1.0 / (len(at) + 1)
    return weights


def _with_effects(moments: Moments, random: str | None, rows: MergedRows, choice: ModelChoice) -> Moments:
    """Moments with the columns of participants' random effects, which the planned times fix."""
    if random is None:
        return moments
    when = np.array([rows.days[v] / DAYS[choice.time_unit] for v in moments.slots])
    columns = [np.ones_like(when)] if random == "1" else [np.ones_like(when), when]
    Z = np.where(moments.observed[:, :, None], np.stack(columns, axis=1)[None], 0.0)
    return replace(moments, Z=Z, random_terms=("Intercept", "time")[: len(columns)])
