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
from stats.mixed.model.layout import COLLINEAR, Layout, collinear, rank_report
from stats.mixed.model.site_sums import FirstSums, SiteSums, sums_of


@dataclass(frozen=True)
class Moments:
    """Pooled moments of R stacked responses over P patterns of at most T slots and q columns.

    n (P,); observed (P, T) bool; Z (P, T, r) or None; group (P,); times (P, T) where participants have their own;
    A (P, T, T, q, q); B (R, P, T, T, q); C (R, P, T, T). `n_rows` observed cells, `n_participants` people. `shift`
    (R, q): coefficients already subtracted from the response (the moments are those of y - X shift), which keeps the
    digits of a large outcome. `sites`: what random effects above participants need beside (None without).
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
    ordered: bool = True  # whether the order of the slots is known
    sites: SiteSums | None = None
    times: np.ndarray | None = None

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
        effects = [() if m.sites is None else m.sites.effects.names for m in (self, other)]
        if effects[0] != effects[1]:
            raise FitError(
                f"Moments cannot be merged: their effects of sites differ, {effects[0]} here and {effects[1]} there. "
                "Pool both with the same site= and site_random=."
            )
        other = other.shifted_to(self.shift)
        parts = [self, other]
        keys, index = pattern_index(
            np.concatenate([m.observed for m in parts]),
            _stacked_columns(parts),
            np.concatenate([m.group for m in parts]),
            None if self.times is None else np.concatenate([m.times for m in parts if m.times is not None]),
        )
        total = _pattern_sum(index, len(keys))
        return replace(
            self,
            n=total(np.concatenate([m.n for m in parts])),
            observed=np.concatenate([m.observed for m in parts])[keys],
            Z=None if self.Z is None else np.concatenate([m.Z for m in parts if m.Z is not None])[keys],
            group=np.concatenate([m.group for m in parts])[keys],
            times=None if self.times is None else np.concatenate([m.times for m in parts if m.times is not None])[keys],
            A=total(np.concatenate([m.A for m in parts])),
            B=np.moveaxis(total(np.concatenate([np.moveaxis(m.B, 1, 0) for m in parts])), 0, 1),
            C=np.moveaxis(total(np.concatenate([np.moveaxis(m.C, 1, 0) for m in parts])), 0, 1),
            n_rows=self.n_rows + other.n_rows,
            n_participants=self.n_participants + other.n_participants,
            notes=tuple(dict.fromkeys(self.notes + other.notes)),
            ordered=self.ordered and other.ordered,
            # Moments are merged with moments of the same model: both have sums of sites of one kind, or neither has.
            sites=None if self.sites is None else self.sites.merged(other.sites, index, keys),  # type: ignore[arg-type]
        )

    def shifted_to(self, shift: np.ndarray) -> "Moments":
        """The same data with `X shift` subtracted from the response instead of `X self.shift`."""
        step = np.broadcast_to(shift, self.shift.shape) - self.shift
        if not step.any():
            return self
        column = step[:, None, None, :, None]
        Ab = (self.A.reshape(-1, step.shape[1]) @ step.T).T.reshape(len(step), *self.A.shape[:-1])
        bAb, xb = (Ab @ column)[..., 0], (self.B @ column)[..., 0]
        return replace(
            self, B=self.B - Ab, C=self.C - xb - np.swapaxes(xb, 2, 3) + bAb, shift=self.shift + step,
            sites=None if self.sites is None else self.sites.shifted(step),
        )  # fmt: skip

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
            times=None if self.times is None else self.times[:, seen],
            A=self.A[:, seen][:, :, seen],
            B=self.B[:, :, seen][:, :, :, seen],
            C=self.C[:, :, seen][:, :, :, seen],
            slots=tuple(slot for slot, here in zip(self.slots, seen, strict=True) if here),
            notes=(*self.notes, f"No row at {empty}: left out of the model."),
            sites=None if self.sites is None else self.sites.attended(seen),
        )

    def transformed(self, basis: np.ndarray) -> "Moments":
        """The moments of X @ basis: coefficients become those of the new columns."""
        return replace(
            self,
            A=basis.T @ self.A @ basis,
            B=self.B @ basis,
            shift=np.linalg.solve(basis, self.shift.T).T,
            sites=None if self.sites is None else self.sites.transformed(basis),
        )

    def scaled(self, factor: np.ndarray) -> "Moments":
        """The moments of factor * y, one factor per replicate (R,)."""
        return replace(
            self,
            B=self.B * factor[:, None, None, None, None],
            C=self.C * (factor**2)[:, None, None, None],
            shift=self.shift * factor[:, None],
            sites=None if self.sites is None else self.sites.scaled(factor),
        )

    def rotated(self) -> "Moments":
        """The moments in at most r slots per pattern plus one pattern for all that random effects do not touch.

        With V = Z G Z' + sigma^2 I and Z = Q K (orthonormal Q), Q'y has covariance K G K' + sigma^2 I while the rest of
        y has covariance sigma^2 I whatever the pattern. The likelihood is the same; T slots shrink to r. Only for
        models whose residuals are independent.
        """
        if self.Z is None:
            return self
        P, T, r = self.Z.shape
        k, q = min(T, r), self.A.shape[-1]
        Q, K = np.linalg.qr(self.Z * self.observed[:, :, None])  # (P, T, k), (P, k, r)
        # A pattern with fewer rows than effects, or collinear ones, has null rows in K; those slots carry nothing.
        K, Q = _without_null_slots(Q, K, self.observed)
        seen = Q.any(axis=1)
        # What is left has covariance sigma^2 I: one pattern of a single slot per group stands for all of it.
        member = self.group == np.arange(len(self.groups))[:, None]  # (G, P)
        rest_n = member @ (self.n * (self.observed.sum(axis=1) - seen.sum(axis=1)))
        rest = np.flatnonzero(rest_n > 0)
        left, total = member[rest].astype(float), P + len(rest)
        A = _rotated_sums(Q, self.A.reshape(1, P, T, T, q * q), left).reshape(total, k, k, q, q)
        BC = _rotated_sums(Q, np.concatenate([self.B, self.C[..., None]], axis=-1), left)
        one, none = np.zeros((len(rest), k), dtype=bool), np.zeros((len(rest), k, r))
        one[:, 0] = True
        return replace(
            self,
            n=np.concatenate([self.n, rest_n[rest]]),
            group=np.concatenate([self.group, rest]),
            observed=np.concatenate([seen, one]),
            Z=np.concatenate([K, none]),
            times=None,
            A=A,
            B=BC[..., :q],
            C=BC[..., q],
            slots=tuple(range(k)),
        )


def _rotated_sums(Q: np.ndarray, sums: np.ndarray, left: np.ndarray) -> np.ndarray:
    """Q' M Q over the slots of sums (R, P, T, T, m), Q (P, T, k), then what is left of the traces by `left` (G, P)."""
    R, P, T, _, m = sums.shape
    k, turned = Q.shape[2], Q.swapaxes(1, 2)
    out = np.zeros((R, P + len(left), k, k, m))
    half = (turned @ sums.reshape(R, P, T, T * m)).reshape(R, P, k, T, m)
    out[:, :P] = turned[:, None] @ half
    out[:, P:, 0, 0] = left @ (np.einsum("rpttm->rpm", sums) - np.einsum("rpttm->rpm", out[:, :P]))
    return out


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


def pattern_index(
    observed: np.ndarray, Z: np.ndarray | None, group: np.ndarray, times: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """First member and pattern number of every row of (observed, Z, group, times), in order of first appearance."""
    parts = [observed, group[:, None]]
    if Z is not None:
        parts.append((Z * observed[:, :, None]).reshape(len(Z), -1))
    if times is not None:
        parts.append(times * observed)
    table = np.concatenate(parts, axis=1, dtype=float) + 0.0  # + 0.0 turns -0.0 into 0.0
    keys = [row.tobytes() for row in table]
    first: dict[bytes, int] = {}
    for row, key in enumerate(keys):
        first.setdefault(key, row)
    number = {key: pattern for pattern, key in enumerate(first)}
    return np.array(list(first.values())), np.array([number[key] for key in keys])


def _stacked_columns(parts: list[Moments]) -> np.ndarray | None:
    """Columns of random effects that tell patterns apart, of participants and of sites (patterns, T, r)."""
    stacks = [[m.Z for m in parts], [m.sites.Z if isinstance(m.sites, FirstSums) else None for m in parts]]
    made = [np.concatenate([Z for Z in stack if Z is not None]) for stack in stacks if stack[0] is not None]
    return np.concatenate(made, axis=2) if made else None


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
    if shift is None:
        return _pooled(layout, layout.X, Y, np.zeros((len(Y), layout.X.shape[1])))
    return _pooled(layout, layout.X, Y - layout.X @ shift, np.broadcast_to(shift, (len(Y), len(shift))).copy())


def _pooled(layout: Layout, X_rows: np.ndarray, Y_rows: np.ndarray, shift: np.ndarray) -> Moments:
    """Moments of rows in the order of the layout: columns (N, q), responses (R, N) less X shift, shift (R, q)."""
    people, T, q, R = len(layout.persons), len(layout.slots), X_rows.shape[1], len(Y_rows)
    observed, Z, U = _by_person(layout)
    group = layout.group[layout.starts()[:-1]]
    times = _own_times(layout)
    first, index = pattern_index(observed, _pattern_columns(layout, Z, U), group, times)
    P, n, order = len(first), np.bincount(index), np.argsort(index, kind="stable")
    place = np.empty(people, dtype=int)  # participants are put in the order of their patterns
    place[order] = np.arange(people)
    place = place[layout.person]
    X, Y = np.zeros((people, T, q)), np.zeros((R, people, T))
    X[place, layout.slot], Y[:, place, layout.slot] = X_rows, Y_rows
    flat = X.reshape(people, T * q)
    A, B, C = np.empty((P, T * q, T * q)), np.empty((R, P, T * q, T)), np.empty((R, P, T, T))
    end = 0
    for p in range(P):
        start, end = end, end + int(n[p])
        x, y = flat[start:end], Y[:, start:end]
        live = np.flatnonzero(x.any(axis=0))
        if len(live) > T * q // 2:
            np.matmul(x.T, x, out=A[p])
            np.matmul(x.T, y, out=B[:, p])
        else:  # most columns of a model with a mean per visit are zero at most visits
            x = x[:, live]
            A[p], B[:, p] = 0.0, 0.0
            A[p][np.ix_(live, live)] = x.T @ x
            B[:, p, live] = x.T @ y
        np.matmul(y.swapaxes(1, 2), y, out=C[:, p])
    sites = None
    if layout.sites is not None and U is not None:
        block = layout.sites.block[layout.starts()[:-1]]
        sites = sums_of(layout.sites, X, Y, U[order], block[order], n)
    return Moments(
        n=n.astype(float), observed=observed[first], Z=None if Z is None else Z[first], group=group[first],
        A=A.reshape(P, T, q, T, q).swapaxes(2, 3), B=B.reshape(R, P, T, q, T).swapaxes(3, 4), C=C, shift=shift,
        n_rows=layout.n_rows, n_participants=people, terms=layout.terms, slots=layout.slots, groups=layout.groups,
        random_terms=layout.random_terms, term_columns=layout.term_columns, response=layout.response,
        notes=layout.notes, coding=layout.coding, ordered=layout.ordered, sites=sites,
        times=None if times is None else times[first],
    )  # fmt: skip


def _by_person(layout: Layout) -> tuple[np.ndarray, np.ndarray | None, np.ndarray | None]:
    """Observed slots (people, T), random-effect covariates (people, T, r) and columns of sites (people, T, r)."""
    people, T = len(layout.persons), len(layout.slots)
    observed = np.zeros((people, T), dtype=bool)
    observed[layout.person, layout.slot] = True
    spread: list[np.ndarray | None] = []
    for columns in (layout.Z, None if layout.sites is None else layout.sites.U):
        wide = None if columns is None else np.zeros((people, T, columns.shape[1]))
        if wide is not None:
            wide[layout.person, layout.slot] = columns
        spread.append(wide)
    return observed, spread[0], spread[1]


def _pattern_columns(layout: Layout, Z: np.ndarray | None, U: np.ndarray | None) -> np.ndarray | None:
    """The columns that a pattern fixes (people, T, r): those of participants, and of sites where they are fixed."""
    made = [Z] if Z is not None else []
    if U is not None and layout.sites is not None and layout.sites.fixed:
        made.append(U)
    return np.concatenate(made, axis=2) if made else None


def pattern_of_participants(layout: Layout) -> np.ndarray:
    """Pattern number of each participant, as `pool_layout` numbers them."""
    observed, Z, U = _by_person(layout)
    return pattern_index(
        observed, _pattern_columns(layout, Z, U), layout.group[layout.starts()[:-1]], _own_times(layout)
    )[1]


def _own_times(layout: Layout) -> np.ndarray | None:
    """Times (people, T), zero where not observed; None where all have those of the slots."""
    if layout.times is None:
        return None
    times = np.zeros((len(layout.persons), len(layout.slots)))
    times[layout.person, layout.slot] = layout.times
    return times


def pool_orthogonal(layout: Layout, responses: np.ndarray | None = None) -> tuple[Moments, np.ndarray]:
    """Moments of columns with X'X = N I, responses less their least-squares fits, and the matrix that makes them.

    FitError where columns are collinear.
    """
    size = np.sqrt((layout.X**2).sum(axis=0))
    Q, R = np.linalg.qr(layout.X / np.where(size == 0, 1.0, size))
    if len(R) < len(size) or np.abs(R.diagonal()).min() < COLLINEAR:
        raise collinear(rank_report(layout.X, layout.terms))
    root = np.sqrt(layout.n_rows)
    basis = np.linalg.inv(R) / size[:, None] * root
    X = Q * root
    Y = layout.y[None] if responses is None else responses
    # Subtracting the least-squares fit before squaring keeps the digits of a large outcome.
    shift = Y @ X / layout.n_rows
    return _pooled(layout, X, Y - shift @ X.T, shift), basis
