"""From a site's rows to pooled moments that can leave it: `pool_moments`, and the check that small patterns stay."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from stats.errors import FitError
from stats.mixed.model.design_matrix import response_name
from stats.mixed.model.layout import build_layout
from stats.mixed.model.moments import Moments, pattern_index, pool_layout
from stats.mixed.model.partitions import is_partitioned, pool_partitions
from stats.mixed.model.profiles import Profiles, ProfileSites, profiles_of
from stats.mixed.model.site_sums import FirstSums


def pool_moments(
    frame: pd.DataFrame | str | Path,
    formula: str,
    *,
    participant: str,
    visit: str | None = None,
    random: str | None = None,
    by: str | None = None,
    site: str | None = None,
    site_random: str | None = None,
    crossed: str | None = None,
    progress: Callable[[int, int], None] | None = None,
    workers: int | None = None,
) -> Moments:
    """Pooled moments of the complete rows of `frame` (columns as in `fit_mixed`).

    frame: a data frame; or the path of a Parquet file or of a folder of them, or a Dask data frame, pooled partition by
    partition (`partitions`), whatever fits in memory. progress: called with rows done and in all, of Parquet files;
    what it raises stops the pooling. workers: partitions at a time, of Parquet files; None follows an active
    `joblib.parallel_config`.
    site, site_random, crossed: as in `fit_mixed`; sums with crossed= cannot be merged.
    Merge with `+`, fit with `fit_moments`. Sites must share terms, visits and groups: declare categories, those without
    a row included. Frames sorted by participant and visit whose columns take few values are pooled fastest.
    Numbers of a few participants can be read back from the sums of a small pattern: see `smallest_pattern`.
    Raises FitError as `fit_mixed` does for columns, visits and formulas that do not fit. Source: algebra, no estimate
    is made.
    """
    if is_partitioned(frame):
        return pool_partitions(
            frame, formula, pool_moments, progress=progress, workers=workers, participant=participant, visit=visit,
            random=random, by=by, site=site, site_random=site_random, crossed=crossed,
        )  # fmt: skip
    assert isinstance(frame, pd.DataFrame)
    if visit is not None and crossed is None:
        profiles = profiles_of(
            frame, formula, participant=participant, visit=visit, random=random, by=by, site=site,
            site_random=site_random,
        )  # fmt: skip
        if profiles is not None:
            return pool_profiles(profiles, response_name(formula))
    layout = build_layout(
        frame, formula, participant=participant, visit=visit, random=random, by=by, keep_levels=True,
        site=site, site_random=site_random, crossed=crossed,
    )  # fmt: skip
    shift = np.linalg.lstsq(layout.X, layout.y, rcond=None)[0]
    return pool_layout(layout, shift=shift)


def pool_profiles(profiles: Profiles, response: str) -> Moments:
    """Moments of participants grouped by profile."""
    X, n, seen = profiles.X, profiles.n.astype(float), profiles.observed
    U, T, q = X.shape
    centre, total, products = np.zeros((U, T)), np.zeros((U, T)), np.zeros((U, T, T))
    above, by_site = profiles.above, None
    if above is not None:
        by_site = np.zeros((U, len(above.sites), T)), np.zeros((U, len(above.sites)))  # sums about the centre, people
    end = 0
    for u in range(U):
        at = seen[u]
        for k, part in enumerate(profiles.outcomes(u)):
            if k == 0:  # a centre near the mean keeps the digits of a large outcome
                centre[u, at] = part.mean(axis=1)
            part -= centre[u, at, None]
            total[u, at] += part.sum(axis=1)
            products[u][np.ix_(at, at)] += part @ part.T
            if above is not None and by_site is not None:
                code, S = above.code[end : end + part.shape[1]], len(above.sites)
                end += part.shape[1]
                by_site[1][u] += np.bincount(code, minlength=S)
                for row, t in enumerate(np.flatnonzero(at)):
                    by_site[0][u, :, t] += np.bincount(code, weights=part[row], minlength=S)
    XX, Xy = np.einsum("u,uta,utb->ab", n, X, X), np.einsum("uta,ut->a", X, total + n[:, None] * centre)
    shift = np.linalg.lstsq(XX, Xy, rcond=None)[0]
    # From sums about the centres to sums about the least-squares fit.
    step = X @ shift - centre
    cross = total[:, :, None] * step[:, None, :]
    products = products - cross - np.swapaxes(cross, 1, 2) + n[:, None, None] * step[:, :, None] * step[:, None, :]
    total = total - n[:, None] * step
    made = [columns for columns in (profiles.Z, None if above is None else above.U) if columns is not None]
    first, index = pattern_index(seen, np.concatenate(made, axis=2) if made else None, profiles.group)
    P = len(first)
    sites = None
    if above is not None and by_site is not None:
        sites = _site_sums(above, X, step, *by_site, first=first, index=index)
    A, B, C = np.empty((P, T, T, q, q)), np.empty((1, P, T, T, q)), np.empty((1, P, T, T))
    for p in range(P):
        own = index == p
        x = X[own].reshape(-1, T * q)
        A[p] = ((n[own] * x.T) @ x).reshape(T, q, T, q).swapaxes(1, 2)
        B[0, p] = (x.T @ total[own]).reshape(T, q, T).swapaxes(1, 2)
        C[0, p] = products[own].sum(axis=0)
    return Moments(
        n=np.bincount(index, weights=n, minlength=P), observed=seen[first],
        Z=None if profiles.Z is None else profiles.Z[first], group=profiles.group[first], A=A, B=B, C=C,
        shift=shift[None], n_rows=len(profiles.y), n_participants=int(n.sum()), terms=profiles.terms,
        slots=profiles.slots, groups=profiles.groups, random_terms=profiles.random_terms,
        term_columns=profiles.term_columns, response=response, notes=profiles.notes,
        ordered=profiles.ordered, sites=sites,
    )  # fmt: skip


def _site_sums(
    above: ProfileSites, X: np.ndarray, step: np.ndarray, total: np.ndarray, people: np.ndarray, *, first: np.ndarray,
    index: np.ndarray,
) -> FirstSums:  # fmt: skip
    """Sums of every site: total (U, S, T) of outcomes about the centres, people (U, S); step from there to X shift."""
    there = np.flatnonzero(people.any(axis=0))  # only sites with people are blocks
    S, T, P, q = len(there), total.shape[2], len(first), X.shape[2]
    n, x, y = np.empty((S, P)), np.empty((S, P, T, q)), np.empty((1, S, P, T))
    for p in range(P):
        own = np.flatnonzero(index == p)
        at = np.ix_(own, there)
        count = people[at].T  # (S, profiles of the pattern)
        n[:, p] = count.sum(axis=1)
        x[:, p] = (count @ X[own].reshape(-1, T * q)).reshape(S, T, q)
        y[0, :, p] = total[at].sum(axis=0) - count @ step[own]
    return FirstSums(above.effects, tuple(above.sites[s] for s in there), above.U[first], n, x, y)


def smallest_pattern(moments: Moments, at_least: int) -> None:
    """Refuse to let moments leave a site while a pattern, or one at a site, has fewer than `at_least` participants.

    Raises FitError that names the patterns. What counts as enough is for the site's own rules to say; the file of a
    study's sums, with guards against subtraction too, is written by `stats.federated.site_file`.
    """
    cells = [("", moments.n)]
    if isinstance(moments.sites, FirstSums):
        cells += [(f" at {block}", n) for block, n in zip(moments.sites.blocks, moments.sites.n, strict=True)]
    small = [
        f"{int(n)}{where} with visits {', '.join(str(s) for s, seen in zip(moments.slots, row, strict=True) if seen)}"
        for where, counts in cells
        for n, row in zip(counts, moments.observed, strict=True)
        if 0 < n < at_least
    ]
    if small:
        raise FitError(
            f"{len(small)} patterns have fewer than {at_least} participants: {'; '.join(small[:5])}. Their sums could "
            "show single people's values. Merge them with another site's before "
            "export, or leave those participants out."
        )
