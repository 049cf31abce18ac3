"""A running total of pooled moments that takes no more memory than itself and the moments of one more part."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from stats.errors import FitError
from stats.mixed.model.moments import Moments
from stats.mixed.model.site_sums import FirstSums


@dataclass
class _Pattern:
    """Sums of a pattern: n, A (T, T, q, q), B (R, T, T, q), C (R, T, T); by site n (S,), x (S, T, q), y (S, R, T)."""

    n: float
    A: np.ndarray
    B: np.ndarray
    C: np.ndarray
    at_sites: tuple[np.ndarray, np.ndarray, np.ndarray] | None


class SummedInPlace:
    """`add` moments one after another, then ask once for the `total`.

    blocks: sites that may come, as far as they are known, so that a new one moves nothing.
    The total is kept pattern by pattern, so that a new pattern of visits moves nothing either; what cannot be added so
    (`_alike`) is merged with `+`, which makes new arrays. The rounding of n additions is at most n times 1e-16 of the
    sum of sizes, and sums are those of y less its fit, so that sizes are no larger than need be.
    """

    def __init__(self, blocks: tuple = ()) -> None:
        self._blocks = {block: k for k, block in enumerate(blocks)}
        self._first: Moments | None = None  # of which all is kept but the sums
        self._patterns: dict[bytes, _Pattern] = {}
        self._columns: dict[str, list[np.ndarray]] = {}
        self._rest: Moments | None = None  # what was merged with `+`

    def add(self, part: Moments) -> None:
        """One more part of the data."""
        if self._first is None and _fit_for_this(part):
            self._first = replace(part, n_rows=0, n_participants=0)
        if self._first is None or not _alike(self._first, part) or not self._known_blocks(part):
            self._rest = part if self._rest is None else self._rest + part
            return
        part = part.shifted_to(self._first.shift)
        for p, key in enumerate(_keys(part)):
            if key not in self._patterns:
                self._patterns[key] = self._nothing(part, p)
            _into(self._patterns[key], part, p, self._blocks)
        self._first = replace(
            self._first,
            n_rows=self._first.n_rows + part.n_rows,
            n_participants=self._first.n_participants + part.n_participants,
            notes=tuple(dict.fromkeys(self._first.notes + part.notes)),
            ordered=self._first.ordered and part.ordered,
        )

    def total(self) -> Moments:
        """The sum of all parts; sites without people are no blocks of it."""
        if self._first is None or not self._patterns:
            if self._rest is None:
                raise FitError("The data have no row.")
            return self._rest
        made = self._joined(self._first)
        self._first, self._patterns = None, {}
        return made if self._rest is None else made + self._rest

    def _known_blocks(self, part: Moments) -> bool:
        return part.sites is None or all(block in self._blocks for block in part.sites.blocks)

    def _nothing(self, part: Moments, p: int) -> _Pattern:
        """A pattern without anybody; what it is like goes to the others of its kind."""
        like = {"observed": part.observed, "group": part.group, "Z": part.Z}
        like["U"] = part.sites.Z if isinstance(part.sites, FirstSums) else None
        for name, values in like.items():
            if values is not None:
                self._columns.setdefault(name, []).append(np.array(values[p]))
        at_sites, S, (R, T, q) = None, len(self._blocks), (part.replicates, len(part.slots), part.A.shape[-1])
        if part.sites is not None:
            at_sites = np.zeros(S), np.zeros((S, T, q)), np.zeros((S, R, T))
        return _Pattern(0.0, np.zeros((T, T, q, q)), np.zeros((R, T, T, q)), np.zeros((R, T, T)), at_sites)

    def _joined(self, first: Moments) -> Moments:
        """The moments of all patterns; the sums of each are let go once they are copied."""
        P, T, q, R = len(self._patterns), len(first.slots), first.A.shape[-1], first.replicates
        n, A, B, C = np.empty(P), np.empty((P, T, T, q, q)), np.empty((R, P, T, T, q)), np.empty((R, P, T, T))
        sites, at, x, y = first.sites, np.empty((0, 0)), np.empty(0), np.empty(0)
        blocks: tuple = ()
        if isinstance(sites, FirstSums):
            people = np.stack([one.at_sites[0] for one in self._patterns.values() if one.at_sites is not None], axis=1)
            there = np.asarray(people.any(axis=1))
            blocks = tuple(block for block, has in zip(self._blocks, there, strict=True) if has)
            at, x, y = people[there], np.empty((len(blocks), P, T, q)), np.empty((R, len(blocks), P, T))
        for p, key in enumerate(list(self._patterns)):
            one = self._patterns.pop(key)
            n[p], A[p], B[:, p], C[:, p] = one.n, one.A, one.B, one.C
            if one.at_sites is not None:
                x[:, p], y[:, :, p] = one.at_sites[1][there], one.at_sites[2][there].swapaxes(0, 1)
        like = {name: np.stack(values) for name, values in self._columns.items()}
        if isinstance(sites, FirstSums):
            sites = replace(sites, blocks=blocks, Z=like["U"], n=at, x=x, y=y)
        return replace(
            first, n=n, A=A, B=B, C=C, observed=like["observed"], group=like["group"], Z=like.get("Z"), sites=sites
        )


def _into(one: _Pattern, part: Moments, p: int, places: Mapping[object, int]) -> None:
    """Adds the sums of pattern p of a part."""
    one.n += float(part.n[p])
    one.A += part.A[p]
    one.B += part.B[:, p]
    one.C += part.C[:, p]
    sites = part.sites
    if one.at_sites is None or not isinstance(sites, FirstSums):
        return
    at = np.array([places[block] for block in sites.blocks])
    n, x, y = one.at_sites
    n[at] += sites.n[:, p]
    x[at] += sites.x[:, p]
    y[at] += sites.y[:, :, p].swapaxes(0, 1)


def _fit_for_this(part: Moments) -> bool:
    """Whether moments can be added pattern by pattern."""
    return part.times is None and (part.sites is None or isinstance(part.sites, FirstSums))


def _alike(one: Moments, other: Moments) -> bool:
    """Whether two sets of moments are of the same model, and of a kind that can be added pattern by pattern."""
    for name in ("terms", "slots", "groups", "random_terms", "replicates", "response", "coding"):
        if getattr(one, name) != getattr(other, name):
            return False  # `+` says what differs
    if not _fit_for_this(other) or (one.sites is None) != (other.sites is None):
        return False
    return one.sites is None or other.sites is None or one.sites.effects.names == other.sites.effects.names


def _keys(moments: Moments) -> list[bytes]:
    """What tells the patterns of moments apart, as `pattern_index` does."""
    made = [moments.observed, moments.group[:, None]]
    for Z in (moments.Z, moments.sites.Z if isinstance(moments.sites, FirstSums) else None):
        if Z is not None:
            made.append((Z * moments.observed[:, :, None]).reshape(len(Z), -1))
    table = np.concatenate(made, axis=1, dtype=float) + 0.0  # + 0.0 turns -0.0 into 0.0
    return [row.tobytes() for row in table]
