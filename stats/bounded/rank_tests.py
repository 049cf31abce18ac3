"""Rank and re-randomisation tests, exact with ties, zeros and strata: the plain companions of the models for grades."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan

import numpy as np
import pandas as pd
from scipy.special import ndtr
from scipy.stats import rankdata

from stats.bounded.exact_sums import added, chosen_sums, signed_sums, tail
from stats.errors import FitError
from stats.result import Result
from stats.summaries import Values, pairs

ALTERNATIVES = ("two-sided", "less", "greater")
ZEROS = ("wilcoxon", "pratt")
SCORES = ("ranks", "values")
TOO_MANY = "Too many possible values to list: normal approximation instead of the exact distribution."
NORMAL = "Normal approximation with the variance corrected for ties, no continuity correction."


@dataclass(frozen=True)
class RankTest(Result):
    """statistic: U of the first group (two groups), sum of the positive scores (pairs), van Elteren's sum (strata).

    expectation, variance and z are those under no difference, z without continuity correction; exact says where the p
    value is from.
    """

    method: str
    statistic: float
    expectation: float
    variance: float
    p_value: float
    alternative: str
    exact: bool
    n_participants: int
    n_rows: int
    unit: str = ""
    notes: tuple[str, ...] = ()

    @property
    def z(self) -> float:
        """Distance of the statistic from its expectation in standard deviations."""
        return (self.statistic - self.expectation) / self.variance**0.5 if self.variance > 0 else nan

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """One row: term statistic expectation variance z p_value alternative exact n. `level` plays no part."""
        names = ("statistic", "expectation", "variance", "z", "p_value", "alternative", "exact")
        return pd.DataFrame([{"term": self.method} | {k: getattr(self, k) for k in names} | {"n": self.n_participants}])

    def sentence(self, level: float = 0.95) -> str:
        """Test, statistic, p value and n; no verdict."""
        how = "exact" if self.exact else "normal approximation"
        shown = f"statistic {self.statistic:.3g}, p = {self.p_value:.3g}"
        return f"{self.method}: {shown} ({self.alternative}, {how}; n = {self.n_participants})."


def rank_test(
    x: Values, y: Values | None = None, *, paired: bool = False,
    strata: Sequence | tuple[Sequence, Sequence] | None = None, exact: bool = True, alternative: str = "two-sided",
    zeros: str = "wilcoxon", scores: str = "ranks",
) -> RankTest:  # fmt: skip
    """Wilcoxon's rank-sum test (two groups), signed-rank test (pairs) or van Elteren's test (two groups in strata).

    x, y: the two groups, or the two values of each pair (y None: x holds the differences, paired=True). strata: of the
    people of x then of y, one sequence of both lengths, or a pair of sequences. exact: over all re-randomisations
    with ties as they are (midranks); False: normal approximation. zeros (pairs): "wilcoxon" drops differences of zero
    before ranking, "pratt" ranks them and then drops them. scores: "ranks", or "values" for the permutation test of
    means (sign flips for pairs). alternative: of x against y; two-sided counts what is at least as far from expected.
    With strata, ranks within stratum h are divided by its people + 1 (van Elteren's weights).

    Returns `RankTest`. Raises FitError for an empty group or pairs that all tie.
    Source: Wilcoxon 1945; van Elteren 1960; Pratt 1959 (J Am Stat Assoc 54:655-667); exact values by convolution.

    >>> round(float(rank_test([3, 4, 5, 6], [1, 2, 2, 3]).p_value), 4)
    0.0571
    """
    for what, found, allowed in (("Alternative", alternative, ALTERNATIVES), ("Zeros", zeros, ZEROS),
                                 ("Scores", scores, SCORES)):  # fmt: skip
        if found not in allowed:
            raise FitError(f"{what} {found!r}: allowed {', '.join(allowed)}.")
    if paired:
        if strata is not None:
            raise FitError("Strata play no part in a paired test: each pair is its own stratum. Leave strata out.")
        return _signed(x, y, exact, alternative, zeros, scores)
    if y is None:
        raise FitError("One group: pass the second one, or paired=True for differences.")
    first, second = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    labels = _strata(strata, len(first), len(second))
    values, group = np.concatenate([first, second]), np.repeat([True, False], [len(first), len(second)])
    there = np.isfinite(values)
    values, group, labels = values[there], group[there], labels[there]
    if not group.any() or group.all():
        raise FitError("Rank-sum test: a group is empty. Leave it out.")
    notes = () if there.all() else (f"{int((~there).sum())} people without a value were left out.",)
    return _grouped(values, group, labels, strata is not None, exact, alternative, scores, notes)


def _signed(x: Values, y: Values | None, exact: bool, alternative: str, zeros: str, scores: str) -> RankTest:
    if y is None:
        change = np.asarray(x, dtype=float)
        change = change[np.isfinite(change)]
    else:
        first, second = pairs(x, y)
        change = first - second
    if not (change != 0).any():
        raise FitError("Signed-rank test: nobody changed, so there is nothing to rank.")
    kept = change if zeros == "pratt" else change[change != 0]
    size = np.abs(kept) if scores == "values" else rankdata(np.abs(kept))
    size, sign = size[kept != 0], kept[kept != 0]
    found = float(size[sign > 0].sum())
    name = "Wilcoxon signed-rank test" if scores == "ranks" else "Sign-flip test of the mean difference"
    none = int((change == 0).sum())
    notes = (f"{none} differences of zero: {'ranked, then dropped (Pratt)' if zeros == 'pratt' else 'dropped'}.",)
    law = signed_sums(size) if exact else None
    return _record(name, found, float(size.sum() / 2), float((size**2).sum() / 4), law, exact, alternative, len(change),
                   notes if none else (), 0.0)  # fmt: skip


def _grouped(
    values: np.ndarray, group: np.ndarray, labels: np.ndarray, stratified: bool, exact: bool, alternative: str,
    scores: str, notes: tuple[str, ...],
) -> RankTest:  # fmt: skip
    found = expectation = variance = 0.0
    laws, alone = [], 0
    for label in np.unique(labels):
        here = labels == label
        own, n = values[here], int(here.sum())
        score = own if scores == "values" else rankdata(own) / (n + 1 if stratified else 1)
        m = int(group[here].sum())
        found += float(score[group[here]].sum())
        expectation += float(m * score.mean())
        if 0 < m < n:
            variance += float(m * (n - m) / (n * (n - 1)) * ((score - score.mean()) ** 2).sum())
        else:
            alone += 1
        laws.append(chosen_sums(score, m) if exact else None)
    if alone and stratified:
        notes += (f"{alone} strata hold one group only and say nothing about the difference.",)
    whole = [one for one in laws if one is not None]
    law = added(whole) if exact and len(whole) == len(laws) else None
    kind = "ranks" if scores == "ranks" else "values"
    names = {("ranks", False): "Wilcoxon rank-sum test", ("ranks", True): "van Elteren test",
             ("values", False): "Permutation test of means",
             ("values", True): "Permutation test of means within strata"}  # fmt: skip
    m = int(group.sum())
    shift = m * (m + 1) / 2 if kind == "ranks" and not stratified else 0.0
    return _record(
        names[kind, stratified], found, expectation, variance, law, exact, alternative, len(values), notes, shift
    )


def _record(
    name: str, found: float, expectation: float, variance: float, law, exact: bool, alternative: str, n: int,
    notes: tuple[str, ...], shift: float,
) -> RankTest:  # fmt: skip
    if law is not None:
        p = tail(law, found, alternative)
    else:
        notes += (TOO_MANY,) if exact else (NORMAL,)
        z = (found - expectation) / variance**0.5 if variance > 0 else 0.0
        p = {"two-sided": 2 * ndtr(-abs(z)), "greater": ndtr(-z), "less": ndtr(z)}[alternative]
    if variance == 0:
        notes += ("Everyone has the same value: the test cannot say anything.",)
    return RankTest(name, found - shift, expectation - shift, variance, min(1.0, float(p)), alternative,
                    law is not None, n, n, notes=notes)  # fmt: skip


def _strata(strata: Sequence | tuple[Sequence, Sequence] | None, n1: int, n2: int) -> np.ndarray:
    if strata is None:
        return np.zeros(n1 + n2, dtype=int)
    if isinstance(strata, tuple) and len(strata) == 2 and not np.isscalar(strata[0]) and not isinstance(strata[0], str):
        strata = [*strata[0], *strata[1]]
    if len(strata) != n1 + n2:
        raise FitError(f"{len(strata)} strata for {n1 + n2} people: allowed one each, those of the first group first.")
    codes, _ = pd.factorize(pd.Series(list(strata)))
    if (codes < 0).any():
        raise FitError(f"{int((codes < 0).sum())} people have no stratum: fill it in or leave them out.")
    return codes
