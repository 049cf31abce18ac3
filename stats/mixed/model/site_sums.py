"""Pooled sums of random effects above participants: what sites and therapists add to `moments`.

With U_i (T x r) the columns of a participant in block s and F = [X y], any weights Omega_p between the visits enter a
fit through U'Omega F and U'Omega U, block by block. Where the pattern fixes the columns (site intercepts, arm), U_i is
the pattern's Z_p and first moments suffice:

    U'Omega F = sum_p Z_p' Omega_p S_sp,  S_sp[j] = sum_i f_ij        U'Omega U = sum_p n_sp Z_p' Omega_p Z_p

so 300 sites cost S P T (q + 1) numbers, however many people. Columns that change between the visits of a participant
(therapists) need second moments of those columns: sum_i u_ij f_ik' and sum_i u_ij u_ik'. Blocks never overlap, so sums
of sites pooled apart are put side by side.
"""

from dataclasses import dataclass, replace

import numpy as np

from stats.errors import FitError
from stats.mixed.model.site_rows import SiteEffects, SiteRows

CELLS = 150_000_000  # numbers in the largest array: 1.2 GB


@dataclass(frozen=True)
class FirstSums:
    """Columns fixed by the pattern: Z (P, T, r); n (S, P); x (S, P, T, q); y (R, S, P, T) of S blocks."""

    effects: SiteEffects
    blocks: tuple
    Z: np.ndarray
    n: np.ndarray
    x: np.ndarray
    y: np.ndarray

    def transformed(self, basis: np.ndarray) -> "FirstSums":
        """Sums of X @ basis."""
        return replace(self, x=self.x @ basis)

    def shifted(self, step: np.ndarray) -> "FirstSums":
        """Sums of y - X step, step (R, q)."""
        return replace(self, y=self.y - np.moveaxis(self.x @ step.T, -1, 0))

    def scaled(self, factor: np.ndarray) -> "FirstSums":
        """Sums of factor y, factor (R,)."""
        return replace(self, y=self.y * factor[:, None, None, None])

    def attended(self, seen: np.ndarray) -> "FirstSums":
        """Sums of some of the slots."""
        return replace(self, Z=self.Z[:, seen], x=self.x[:, :, seen], y=self.y[:, :, :, seen])

    def merged(self, other: "FirstSums", index: np.ndarray, first: np.ndarray) -> "FirstSums":
        """Blocks of both side by side, added where a block comes twice; patterns renumbered by `index` (P + P',)."""
        blocks = tuple(dict.fromkeys((*self.blocks, *other.blocks)))
        place = {block: k for k, block in enumerate(blocks)}
        S, P, (R, T, q) = len(blocks), len(first), (len(self.y), self.x.shape[2], self.x.shape[3])
        n, x, y = np.zeros((S, P)), np.zeros((S, P, T, q)), np.zeros((R, S, P, T))
        parts = (self, index[: self.n.shape[1]]), (other, index[self.n.shape[1] :])
        for part, to in parts:
            at = np.array([place[block] for block in part.blocks])
            n[at[:, None], to] += part.n  # neither a block nor a pattern comes twice in one of the two
            x[at[:, None], to] += part.x
            y[:, at[:, None], to] += part.y
        return replace(self, blocks=blocks, Z=np.concatenate([self.Z, other.Z])[first], n=n, x=x, y=y)


@dataclass(frozen=True)
class CrossSums:
    """Columns that change between visits: u (S, P, T, T, r, r); x (S, P, T, T, r, q); y (R, S, P, T, T, r)."""

    effects: SiteEffects
    blocks: tuple
    u: np.ndarray
    x: np.ndarray
    y: np.ndarray

    def transformed(self, basis: np.ndarray) -> "CrossSums":
        """Sums of X @ basis."""
        return replace(self, x=self.x @ basis)

    def shifted(self, step: np.ndarray) -> "CrossSums":
        """Sums of y - X step, step (R, q)."""
        return replace(self, y=self.y - np.moveaxis(self.x @ step.T, -1, 0))

    def scaled(self, factor: np.ndarray) -> "CrossSums":
        """Sums of factor y, factor (R,)."""
        return replace(self, y=self.y * factor.reshape(-1, 1, 1, 1, 1, 1))

    def attended(self, seen: np.ndarray) -> "CrossSums":
        """Sums of some of the slots."""
        at = np.ix_(seen, seen)
        return replace(
            self,
            u=self.u[:, :, at[0], at[1]],
            x=self.x[:, :, at[0], at[1]],
            y=self.y[:, :, :, at[0], at[1]],
        )

    def merged(self, other: "CrossSums", index: np.ndarray, first: np.ndarray) -> "CrossSums":
        """Therapists tie blocks together: their sums cannot be merged."""
        raise FitError(
            "Moments with therapists who change between visits cannot be merged: whether two hospitals share one is "
            "not in the sums. Pool with site= alone."
        )


SiteSums = FirstSums | CrossSums


def sums_of(rows: SiteRows, X: np.ndarray, Y: np.ndarray, U: np.ndarray, block: np.ndarray, n: np.ndarray) -> SiteSums:
    """Sums of participants in the order of their patterns, n (P,) of each.

    X (people, T, q), Y (R, people, T), U (people, T, r) zero where not observed; block (people,).
    """
    P, S, (_, T, q), R, r = len(n), len(rows.blocks), X.shape, len(Y), U.shape[2]
    ends = np.cumsum(n).astype(int)
    size = S * P * T * (q + R) if rows.fixed else S * P * T * T * r * (r + q + R)
    if size > CELLS:
        raise FitError(
            f"{S} sites and {P} patterns of visits make {size} sums, more than fit here. Visits on actual days make a "
            "pattern of every person: use planned visits, or fewer therapists at once."
        )
    if rows.fixed:
        count, x, y = np.zeros((S, P)), np.zeros((S, P, T, q)), np.zeros((R, S, P, T))
        for p in range(P):
            people = slice(ends[p] - int(n[p]), ends[p])
            order = np.argsort(block[people], kind="stable")
            own, start = np.unique(block[people][order], return_index=True)
            count[own, p] = np.diff(np.append(start, len(order)))
            x[own, p] = np.add.reduceat(X[people][order], start, axis=0)
            y[:, own, p] = np.add.reduceat(Y[:, people][:, order], start, axis=1)
        return FirstSums(rows.effects, rows.blocks, U[ends - 1], count, x, y)
    uu, x, y = np.zeros((S, P, T, T, r, r)), np.zeros((S, P, T, T, r, q)), np.zeros((R, S, P, T, T, r))
    for p in range(P):
        people = slice(ends[p] - int(n[p]), ends[p])
        for s in np.unique(block[people]):
            own = np.flatnonzero(block[people] == s)
            u = U[people][own].reshape(len(own), T * r)
            uu[s, p] = (u.T @ u).reshape(T, r, T, r).swapaxes(1, 2)
            x[s, p] = (u.T @ X[people][own].reshape(len(own), T * q)).reshape(T, r, T, q).swapaxes(1, 2)
            y[:, s, p] = (u.T @ Y[:, people][:, own]).reshape(R, T, r, T).swapaxes(2, 3)
    return CrossSums(rows.effects, rows.blocks, uu, x, y)
