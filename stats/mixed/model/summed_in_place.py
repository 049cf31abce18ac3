"""A running total of pooled moments that takes no more memory than itself and the moments of one more part."""

from dataclasses import replace

import numpy as np

from stats.errors import FitError
from stats.mixed.model.masks import every
from stats.mixed.model.moments import Moments
from stats.mixed.model.site_sums import FirstSums

ROOM = 64  # patterns at first


class _Grown:
    """An array that grows along its first axis. What was not written yet takes no memory: the system gives it late."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self.made, self.used = np.zeros((ROOM, *shape)), 0

    def more(self) -> None:
        """One more place, all zero."""
        if self.used == len(self.made):
            before, self.made = self.made, np.zeros((2 * len(self.made), *self.made.shape[1:]))
            self.made[: self.used] = before
        self.used += 1

    def all(self) -> np.ndarray:
        """What is used of it, not copied."""
        return self.made[: self.used]


class SummedInPlace:
    """`add` moments one after another, then ask once for the `total`.

    blocks: sites that may come, as far as they are known, so that a new one moves nothing.
    Every sum has its patterns first, so that a new pattern of visits moves little; what cannot be added so (`_alike`)
    is merged with `+`, which makes new arrays. The rounding of n additions is at most n times 1e-16 of the sum of
    sizes, and sums are those of y less its fit, so that sizes are no larger than need be.
    """

    def __init__(self, blocks: tuple = ()) -> None:
        self._blocks = {block: k for k, block in enumerate(blocks)}
        self._first: Moments | None = None  # of which all is kept but the sums
        self._place: dict[bytes, int] = {}
        self._sums: dict[str, _Grown] = {}  # patterns first; by site n, x and y have the sites next
        self._columns: dict[str, list[np.ndarray]] = {}
        self._rest: Moments | None = None  # what was merged with `+`

    def add(self, part: Moments) -> None:
        """One more part of the data."""
        if self._first is None and _fit_for_this(part):
            self._first = _without_sums(part)
            R, T, q, S = part.replicates, len(part.slots), part.A.shape[-1], len(self._blocks)
            shapes: dict[str, tuple[int, ...]] = {"n": (), "A": (T, T, q, q), "B": (R, T, T, q), "C": (R, T, T)}
            if part.sites is not None:
                shapes |= {"at": (S,), "x": (S, T, q), "y": (R, S, T)}
            self._sums = {name: _Grown(shape) for name, shape in shapes.items()}
        if self._first is None or not _alike(self._first, part) or not self._known_blocks(part):
            self._rest = part if self._rest is None else self._rest + part
            return
        part = part.shifted_to(self._first.shift)
        for p, key in enumerate(_keys(part)):
            if key not in self._place:
                self._place[key] = len(self._place)
                self._new(part, p)
            self._into(self._place[key], part, p)
        self._first = replace(
            self._first,
            n_rows=self._first.n_rows + part.n_rows,
            n_participants=self._first.n_participants + part.n_participants,
            notes=tuple(dict.fromkeys(self._first.notes + part.notes)),
            ordered=self._first.ordered and part.ordered,
        )

    def total(self) -> Moments:
        """The sum of all parts; sites without people are no blocks of it."""
        if self._first is None or not self._place:
            if self._rest is None:
                raise FitError("The data have no row.")
            return self._rest
        sums, like = {name: grown.all() for name, grown in self._sums.items()}, self._columns
        sites = self._first.sites
        if isinstance(sites, FirstSums):
            there = np.asarray(sums["at"].any(axis=0))
            if not every(there):  # else nothing is copied
                sums |= {name: sums[name][:, there] for name in ("at", "x")} | {"y": sums["y"][:, :, there]}
            sites = replace(
                sites, blocks=tuple(block for block, has in zip(self._blocks, there, strict=True) if has),
                Z=np.stack(like["U"]), n=sums["at"].T, x=sums["x"].swapaxes(0, 1), y=np.moveaxis(sums["y"], 0, 2),
            )  # fmt: skip
        made = replace(
            self._first, n=sums["n"], A=sums["A"], B=sums["B"].swapaxes(0, 1), C=sums["C"].swapaxes(0, 1),
            observed=np.stack(like["observed"]), group=np.stack(like["group"]),
            Z=np.stack(like["Z"]) if "Z" in like else None, sites=sites,
        )  # fmt: skip
        self._first, self._place, self._sums = None, {}, {}
        return made if self._rest is None else made + self._rest

    def _known_blocks(self, part: Moments) -> bool:
        return part.sites is None or all(block in self._blocks for block in part.sites.blocks)

    def _new(self, part: Moments, p: int) -> None:
        """A pattern without anybody; what it is like goes to the others of its kind."""
        like = {"observed": part.observed, "group": part.group, "Z": part.Z}
        like["U"] = part.sites.Z if isinstance(part.sites, FirstSums) else None
        for name, values in like.items():
            if values is not None:
                self._columns.setdefault(name, []).append(np.array(values[p]))
        for grown in self._sums.values():
            grown.more()

    def _into(self, to: int, part: Moments, p: int) -> None:
        """Adds the sums of pattern p of a part."""
        sums = {name: grown.made for name, grown in self._sums.items()}
        sums["n"][to] += part.n[p]
        sums["A"][to] += part.A[p]
        sums["B"][to] += part.B[:, p]
        sums["C"][to] += part.C[:, p]
        if isinstance(part.sites, FirstSums):
            at = np.array([self._blocks[block] for block in part.sites.blocks])
            sums["at"][to, at] += part.sites.n[:, p]
            sums["x"][to, at] += part.sites.x[:, p]
            sums["y"][to][:, at] += part.sites.y[:, :, p]


def _without_sums(part: Moments) -> Moments:
    """What moments say of the model; their sums would be as large as those of all parts."""
    T, q, R = len(part.slots), part.A.shape[-1], part.replicates
    sites = part.sites
    if isinstance(sites, FirstSums):
        sites = replace(sites, blocks=(), n=np.empty((0, 0)), x=np.empty((0, 0, T, q)), y=np.empty((R, 0, 0, T)))
    return replace(
        part, n_rows=0, n_participants=0, n=np.empty(0), A=np.empty((0, T, T, q, q)), B=np.empty((R, 0, T, T, q)),
        C=np.empty((R, 0, T, T)), sites=sites,
    )  # fmt: skip


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
