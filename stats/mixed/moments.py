"""Pooled second moments: all a normal mixed model needs to know of the data.

The covariance of a participant depends on the participant only through the *pattern* (see `layout.py`). For each
pattern p and each pair of its slots (j, k) the sums over participants

    A[p, j, k] = sum_i x_ij x_ik'     B[p, j, k] = sum_i x_ij y_ik     C[p, j, k] = sum_i y_ij y_ik

and the number of participants n[p] determine the likelihood, its derivatives and every small-sample correction, so an
iteration costs the same for 24 or for 24 million participants. Sums add: `Moments + Moments` merges sites exactly.

Responses may be stacked: B and C carry a leading axis of R replicates that share the design.
"""

from dataclasses import dataclass, replace

import numpy as np

from stats.errors import FitError
from stats.mixed.layout import COLLINEAR, Layout, collinear, rank_report


@dataclass(frozen=True)
class Moments:
    """Pooled moments of R stacked responses over P patterns of at most T slots and q columns.

    n (P,); observed (P, T) bool; Z (P, T, r) or None; group (P,); A (P, T, T, q, q); B (R, P, T, T, q);
    C (R, P, T, T). `n_rows` observed cells, `n_participants` people. `shift` (R, q): coefficients
    already subtracted from the response (the moments are those of y - X shift), which keeps the digits of a large
    outcome.
    """

    n: np.ndarray
    observed: np.ndarray
    Z: np.ndarray | None
    group: np.ndarray
    A: np.ndarray
    B: np.ndarray
    C: np.ndarray
    shift: np.ndarray
    n_rows: int
    n_participants: int
    terms: tuple[str, ...]
    slots: tuple
    groups: tuple
    random_terms: tuple[str, ...]
    term_columns: dict[str, list[int]]
    response: str = "y"
    notes: tuple[str, ...] = ()
    coding: str = ""  # what transformations in the formula took from the data

    @property
    def replicates(self) -> int:
        """Stacked responses R."""
        return len(self.B)

    def __add__(self, other: "Moments") -> "Moments":
        """Merge two sets of moments of the same model (sites, files or workers)."""
        for name in ("terms", "slots", "groups", "random_terms", "replicates", "response"):
            here, there = getattr(self, name), getattr(other, name)
            if here != there:
                raise FitError(
                    f"Moments cannot be merged: {name} differ, {here} here and {there} there. Pool both with the same "
                    "formula, and make categories and visits explicit so that each site has the same ones."
                )
        if self.coding != other.coding:
            raise FitError(
                f"Moments cannot be merged: a transformation in the formula took its constants from the data, "
                f"{self.coding} here and {other.coding} there. Give knots, bounds and centres as numbers."
            )
        other = other.shifted_to(self.shift)
        parts = [self, other]
        keys, index = pattern_index(
            np.concatenate([m.observed for m in parts]),
            None if self.Z is None else np.concatenate([m.Z for m in parts if m.Z is not None]),
            np.concatenate([m.group for m in parts]),
        )
        total = _pattern_sum(index, len(keys))
        return replace(
            self,
            n=total(np.concatenate([m.n for m in parts])),
            observed=np.concatenate([m.observed for m in parts])[keys],
            Z=None if self.Z is None else np.concatenate([m.Z for m in parts if m.Z is not None])[keys],
            group=np.concatenate([m.group for m in parts])[keys],
            A=total(np.concatenate([m.A for m in parts])),
            B=np.moveaxis(total(np.concatenate([np.moveaxis(m.B, 1, 0) for m in parts])), 0, 1),
            C=np.moveaxis(total(np.concatenate([np.moveaxis(m.C, 1, 0) for m in parts])), 0, 1),
            n_rows=self.n_rows + other.n_rows,
            n_participants=self.n_participants + other.n_participants,
            notes=tuple(dict.fromkeys(self.notes + other.notes)),
        )

    def shifted_to(self, shift: np.ndarray) -> "Moments":
        """The same data with `X shift` subtracted from the response instead of `X self.shift`."""
        step = np.broadcast_to(shift, self.shift.shape) - self.shift
        if not step.any():
            return self
        column = step[:, None, None, :, None]
        Ab = (self.A.reshape(-1, step.shape[1]) @ step.T).T.reshape(len(step), *self.A.shape[:-1])
        bAb, xb = (Ab @ column)[..., 0], (self.B @ column)[..., 0]
        return replace(self, B=self.B - Ab, C=self.C - xb - np.swapaxes(xb, 2, 3) + bAb, shift=self.shift + step)

    def attended(self) -> "Moments":
        """The moments without visits that nobody attended."""
        seen = np.asarray(self.observed.any(axis=0))
        if seen.all():
            return self
        empty = ", ".join(str(slot) for slot, here in zip(self.slots, seen, strict=True) if not here)
        return replace(
            self,
            observed=self.observed[:, seen],
            Z=None if self.Z is None else self.Z[:, seen],
            A=self.A[:, seen][:, :, seen],
            B=self.B[:, :, seen][:, :, :, seen],
            C=self.C[:, :, seen][:, :, :, seen],
            slots=tuple(slot for slot, here in zip(self.slots, seen, strict=True) if here),
            notes=(*self.notes, f"No row at {empty}: left out of the model."),
        )

    def transformed(self, basis: np.ndarray) -> "Moments":
        """The moments of X @ basis: coefficients become those of the new columns."""
        return replace(
            self,
            A=basis.T @ self.A @ basis,
            B=self.B @ basis,
            shift=np.linalg.solve(basis, self.shift.T).T,
        )

    def scaled(self, factor: np.ndarray) -> "Moments":
        """The moments of factor * y, one factor per replicate (R,)."""
        return replace(
            self,
            B=self.B * factor[:, None, None, None, None],
            C=self.C * (factor**2)[:, None, None, None],
            shift=self.shift * factor[:, None],
        )

    def rotated(self) -> "Moments":
        """The moments in at most r slots per pattern plus one pattern for all that random effects do not touch.

        With V = Z G Z' + sigma^2 I and Z = Q K (orthonormal Q), Q'y has covariance K G K' + sigma^2 I while the rest of
        y has covariance sigma^2 I whatever the pattern. The likelihood is the same; T slots shrink to r. Only for
        models whose residuals are independent.
        """
        if self.Z is None:
            return self
        _, T, r = self.Z.shape
        k = min(T, r)
        Q, K = np.linalg.qr(self.Z * self.observed[:, :, None])  # (P, T, k), (P, k, r)
        # A pattern with fewer rows than effects, or collinear ones, has null rows in K; those slots carry nothing.
        K, Q = _without_null_slots(Q, K, self.observed)
        seen = np.abs(Q).sum(axis=1) > 0
        q = self.A.shape[-1]
        A = _both_sides(Q, self.A.reshape(1, len(Q), T, T, q * q))[0].reshape(len(Q), k, k, q, q)
        B, C = _both_sides(Q, self.B), _both_sides(Q, self.C[..., None])[..., 0]
        # What is left has covariance sigma^2 I: one pattern of a single slot per group stands for all of it.
        member = (self.group[:, None] == np.arange(len(self.groups))).astype(float)  # (P, G)
        rest_n = member.T @ (self.n * (self.observed.sum(axis=1) - seen.sum(axis=1)))
        rest = np.flatnonzero(rest_n > 0)
        one = np.zeros((k, k))
        one[0, 0] = 1.0
        left = member[:, rest]
        rest_A = np.tensordot(left.T, np.einsum("pttab->pab", self.A) - np.einsum("pttab->pab", A), 1)
        rest_B = left.T @ (np.einsum("rptta->rpa", self.B) - np.einsum("rptta->rpa", B))
        rest_C = (np.einsum("rptt->rp", self.C) - np.einsum("rptt->rp", C)) @ left
        return replace(
            self,
            n=np.concatenate([self.n, rest_n[rest]]),
            group=np.concatenate([self.group, rest]),
            observed=np.concatenate([seen, np.broadcast_to(one[0] > 0, (len(rest), k))]),
            Z=np.concatenate([K, np.zeros((len(rest), k, r))]),
            A=np.concatenate([A, one[:, :, None, None] * rest_A[:, None, None]]),
            B=np.concatenate([B, one[:, :, None] * rest_B[:, :, None, None]], axis=1),
            C=np.concatenate([C, one * rest_C[:, :, None, None]], axis=1),
            slots=tuple(range(k)),
        )


def _both_sides(Q: np.ndarray, sums: np.ndarray) -> np.ndarray:
    """Q' M Q over the slots of sums (R, P, T, T, m), Q (P, T, k): (R, P, k, k, m)."""
    R, P, T, _, m = sums.shape
    turned = np.swapaxes(Q, 1, 2)
    half = (turned @ sums.reshape(R, P, T, T * m)).reshape(R, P, -1, T, m)
    return turned[:, None] @ half


def _without_null_slots(Q: np.ndarray, K: np.ndarray, observed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Replace each pattern's Q, K by a pair whose columns beyond the rank are zero."""
    size = np.linalg.norm(K, axis=(1, 2))
    pivots = np.abs(np.diagonal(K, axis1=1, axis2=2)).min(axis=1)  # K is triangular
    for p in np.flatnonzero(pivots <= 1e-8 * size):
        U, s, Vt = np.linalg.svd(K[p], full_matrices=False)
        keep = s > 1e-12 * size[p]
        Q[p] = np.where(observed[p][:, None], Q[p] @ U * keep, 0.0)
        K[p] = (s * keep)[:, None] * Vt
    return K, Q


def pattern_index(observed: np.ndarray, Z: np.ndarray | None, group: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """First member and pattern number of every row of (observed, Z, group), patterns in order of first appearance."""
    parts = [observed.reshape(len(observed), -1).astype(float), group[:, None].astype(float)]
    if Z is not None:
        parts.append((Z * observed[:, :, None]).reshape(len(Z), -1))
    table = np.ascontiguousarray(np.concatenate(parts, axis=1) + 0.0)  # + 0.0 turns -0.0 into 0.0
    rows = table.view(np.dtype((np.void, table.dtype.itemsize * table.shape[1]))).ravel()
    _, first, inverse = np.unique(rows, return_index=True, return_inverse=True)
    rank = np.argsort(np.argsort(first))
    return np.sort(first), rank[inverse.ravel()]


def _pattern_sum(index: np.ndarray, count: int):
    """A function that sums an array over its first axis by pattern."""

    def total(values: np.ndarray) -> np.ndarray:
        out = np.zeros((count, *values.shape[1:]), dtype=values.dtype)
        np.add.at(out, index, values)
        return out

    return total


def pool_layout(layout: Layout, responses: np.ndarray | None = None, shift: np.ndarray | None = None) -> Moments:
    """Moments of a layout; `responses` (R, N) replaces its response by R stacked ones.

    shift (q,): coefficients to subtract beforehand (default none).
    """
    Y = layout.y[None, :] if responses is None else np.asarray(responses, dtype=float)
    if shift is not None:
        Y = Y - layout.X @ shift
    starts = layout.starts()
    people, T, q, R = len(layout.persons), len(layout.slots), layout.X.shape[1], len(Y)
    observed, Z = _by_person(layout)
    X = np.zeros((people, T, q))
    X[layout.person, layout.slot] = layout.X
    y = np.zeros((R, people, T))
    y[:, layout.person, layout.slot] = Y
    first, index = pattern_index(observed, Z, layout.group[starts[:-1]])
    P = len(first)
    n = np.bincount(index, minlength=P).astype(float)
    A, B, C = np.empty((P, T, T, q, q)), np.empty((R, P, T, T, q)), np.empty((R, P, T, T))
    order, bounds = np.argsort(index, kind="stable"), np.concatenate([[0], np.cumsum(n).astype(int)])
    for p in range(P):
        members = order[bounds[p] : bounds[p + 1]]
        x, z = X[members], y[:, members]
        flat = x.reshape(len(members), T * q)
        A[p] = (flat.T @ flat).reshape(T, q, T, q).transpose(0, 2, 1, 3)
        B[:, p] = (flat.T @ z).reshape(R, T, q, T).transpose(0, 1, 3, 2)
        C[:, p] = np.swapaxes(z, 1, 2) @ z
    return Moments(
        n=n, observed=observed[first], Z=None if Z is None else Z[first], group=layout.group[starts[:-1]][first],
        A=A, B=B, C=C, shift=np.zeros((R, q)) if shift is None else np.broadcast_to(shift, (R, q)).copy(),
        n_rows=layout.n_rows, n_participants=people, terms=layout.terms, slots=layout.slots, groups=layout.groups,
        random_terms=layout.random_terms, term_columns=layout.term_columns, response=layout.response,
        notes=layout.notes, coding=layout.coding,
    )  # fmt: skip


def _by_person(layout: Layout) -> tuple[np.ndarray, np.ndarray | None]:
    """Observed slots (people, T) and random-effect covariates (people, T, r)."""
    people, T = len(layout.persons), len(layout.slots)
    observed = np.zeros((people, T), dtype=bool)
    observed[layout.person, layout.slot] = True
    if layout.Z is None:
        return observed, None
    Z = np.zeros((people, T, layout.Z.shape[1]))
    Z[layout.person, layout.slot] = layout.Z
    return observed, Z


def pattern_of_participants(layout: Layout) -> np.ndarray:
    """Pattern number of each participant, as `pool_layout` numbers them."""
    observed, Z = _by_person(layout)
    return pattern_index(observed, Z, layout.group[layout.starts()[:-1]])[1]


def pool_orthogonal(layout: Layout, responses: np.ndarray | None = None) -> tuple[Moments, np.ndarray]:
    """Moments of orthogonalised columns and the matrix that makes them from X; FitError where columns are collinear."""
    size = np.linalg.norm(layout.X, axis=0)
    Q, R = np.linalg.qr(layout.X / np.where(size == 0, 1.0, size))
    if len(R) < len(size) or np.abs(np.diagonal(R)).min() < COLLINEAR:
        raise collinear(rank_report(layout.X, layout.terms))
    root = np.sqrt(layout.n_rows)
    basis = np.linalg.inv(R) / size[:, None] * root
    Y = layout.y[None] if responses is None else responses
    rotated = replace(layout, X=Q * root)
    # Subtracting the least-squares fit of the first response before squaring keeps the digits of a large outcome.
    shift = rotated.X.T @ Y[0] / layout.n_rows
    return pool_layout(rotated, Y, shift), basis
