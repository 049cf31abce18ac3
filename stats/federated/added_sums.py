"""Sums of one outcome at several sites added, and the moments of other columns made of them."""

from collections.abc import Sequence
from dataclasses import replace
from functools import reduce

import numpy as np

from stats.errors import FitError
from stats.federated.memory_limit import patterns_of_sums, within_memory
from stats.federated.outcome_sums import Column, OutcomeSums
from stats.mixed.model.moments import Moments


def together_sums(parts: Sequence[OutcomeSums]) -> OutcomeSums:
    """Sums of several sites added; columns of levels that a site does not have are zero there."""
    columns = tuple(dict.fromkeys(column for part in parts for column in part.columns))
    kinds = {name: kind for part in parts for kind, name, *_ in part.columns if kind in ("number", "level")}
    for part in parts:
        for kind, name, *_ in part.columns:
            if kind in ("number", "level") and kinds[name] != kind:
                raise FitError(
                    f"{part.outcome}: {name} is a number at one site and words at another. Correct it there."
                )
        if part.unit != parts[0].unit:
            raise FitError(f"{part.outcome}: the units differ, {parts[0].unit} and {part.unit}. Convert them first.")
    columns = _ordered(columns)
    first = parts[0].moments
    within_memory(parts[0].outcome, patterns_of_sums([part.moments for part in parts]), len(first.slots), len(columns))
    moments = reduce(lambda a, b: a + b, [_widened(part, columns) for part in parts])
    arms = {arm for part in parts for arm in part.baseline}
    sites: dict[str, tuple[str, ...]] = {}
    for part in parts:
        for site, there in part.arms_of_sites.items():
            sites[site] = tuple(sorted({*sites.get(site, ()), *there}))
    return OutcomeSums(
        parts[0].outcome, parts[0].unit, parts[0].better, columns, moments, sum(part.people for part in parts),
        sum(part.without_baseline for part in parts),
        {arm: (sum(part.baseline.get(arm, (0, 0.0))[0] for part in parts),
               sum(part.baseline.get(arm, (0, 0.0))[1] for part in parts)) for arm in sorted(arms)},
        {name: tuple(sorted({level for part in parts for level in part.levels.get(name, ())}))
         for name in dict.fromkeys(name for part in parts for name in part.levels)},
        sites,
    )  # fmt: skip


def _ordered(columns: tuple[Column, ...]) -> tuple[Column, ...]:
    """Cells and baselines as they came, levels of a category in order."""
    kinds = {"cell": 0, "baseline": 1, "no baseline": 1, "number": 2, "level": 2, "stratum": 3}
    place = {c: k for k, c in enumerate(columns)}
    names = list(dict.fromkeys(c[1] for c in columns if kinds[c[0]] > 1))

    def rank(c: Column) -> tuple:
        if kinds[c[0]] < 2:
            return kinds[c[0]], place[c], ""
        return kinds[c[0]], names.index(c[1]), c[2] if len(c) > 2 else ""

    return tuple(sorted(columns, key=rank))


def _widened(part: OutcomeSums, columns: tuple[Column, ...]) -> Moments:
    """A site's sums with all columns."""
    if part.columns == columns:
        return part.moments
    spread = np.zeros((len(part.columns), len(columns)))
    spread[np.arange(len(part.columns)), [columns.index(c) for c in part.columns]] = 1.0
    return mapped(part.moments, spread, tuple(" | ".join(c) for c in columns))


def mapped(moments: Moments, basis: np.ndarray, terms: tuple[str, ...]) -> Moments:
    """Sums of X @ basis, any basis; responses in their own units (no shift)."""
    sites = moments.sites
    return replace(
        moments, A=basis.T @ moments.A @ basis, B=moments.B @ basis, shift=np.zeros((1, basis.shape[1])), terms=terms,
        sites=None if sites is None else sites.transformed(basis),
    )  # fmt: skip
