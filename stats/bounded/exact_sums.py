"""Exact distributions of sums of scores under re-randomisation, with ties as they are.

A distribution is a pair of arrays: the values a sum can take, in order, and how many arrangements give each. Values
that differ by rounding only are the same value.
"""

from collections.abc import Sequence

import numpy as np

MOST_VALUES = 1_000_000
Distribution = tuple[np.ndarray, np.ndarray]


def signed_sums(scores: np.ndarray) -> Distribution | None:
    """Sum of the scores that get a plus, over all 2^n signs. None where it has too many values to list."""
    law: Distribution = (np.zeros(1), np.ones(1))
    for score in scores:
        law = _joined([law, (law[0] + score, law[1])], scores)
        if len(law[0]) > MOST_VALUES:
            return None
    return law


def chosen_sums(scores: np.ndarray, m: int) -> Distribution | None:
    """Sum of the scores of m of the n people, over all choices. None where it has too many values to list."""
    few = min(m, len(scores) - m)
    by_size: list[Distribution | None] = [(np.zeros(1), np.ones(1)), *([None] * few)]
    for score in scores:
        for k in range(few, 0, -1):
            below = by_size[k - 1]
            if below is None:
                continue
            more: Distribution = (below[0] + score, below[1])
            here = by_size[k]
            by_size[k] = more if here is None else _joined([here, more], scores)
            if len(more[0]) > MOST_VALUES:
                return None
    law = by_size[few]
    assert law is not None  # a sum over `few` of at least as many scores exists
    return law if few == m else (scores.sum() - law[0][::-1], law[1][::-1])


def added(laws: Sequence[Distribution]) -> Distribution | None:
    """The sum of independent sums (strata)."""
    total: Distribution = (np.zeros(1), np.ones(1))
    for values, counts in laws:
        if len(total[0]) * len(values) > 20 * MOST_VALUES:
            return None
        pairs = (np.add.outer(total[0], values).ravel(), np.multiply.outer(total[1], counts).ravel())
        total = _joined([pairs], pairs[0])
        if len(total[0]) > MOST_VALUES:
            return None
    return total


def tail(law: Distribution, found: float, alternative: str) -> float:
    """Share of the arrangements at least as extreme: as far from the expectation, where two-sided."""
    values, counts = law
    total = counts.sum()
    slack = 1e-9 * max(1.0, float(np.abs(values).max()))
    if alternative == "greater":
        return float(counts[values >= found - slack].sum() / total)
    if alternative == "less":
        return float(counts[values <= found + slack].sum() / total)
    centre = float((values * counts).sum() / total)
    return float(counts[np.abs(values - centre) >= abs(found - centre) - slack].sum() / total)


def _joined(laws: Sequence[Distribution], scale: np.ndarray) -> Distribution:
    values = np.concatenate([one[0] for one in laws])
    counts = np.concatenate([one[1] for one in laws])
    unit = 1e-10 * max(1e-300, float(np.abs(scale).max(initial=0.0)))
    keys, first, place = np.unique(np.rint(values / unit), return_index=True, return_inverse=True)
    return values[first], np.bincount(place, weights=counts, minlength=len(keys))
