"""Pooling of very many participants whose rows take few distinct values: sums per profile instead of per row.

Where every column of a formula is a category or takes few values, a participant's part of the model matrix is one of
few *profiles*: which distinct row stands at which visit. Cross-products with the outcome are then sums of outcomes
within profiles, and the model matrix of all rows is never built. `moments.pool` uses this where it can.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from stats.mixed.model.complete_rows import check_columns, columns_of, incomplete_rows, order_known
from stats.mixed.model.design_matrix import design_of, is_plain, response_name, right_columns
from stats.mixed.model.layout import columns_used, effects_of
from stats.mixed.model.masks import every
from stats.mixed.model.site_rows import SiteEffects, effects_of_parts, site_columns_used, site_parts

LEVELS = 256  # distinct values of one column
PROFILES = 4096
BLOCK = 8192  # rows worked on at a time, few enough to stay in the processor's cache
SAMPLE = 4096  # rows looked at before a column of numbers is counted whole


@dataclass(frozen=True)
class Profiles:
    """Participants grouped by profile.

    X (U, T, q) and Z (U, T, r) or None of each of U profiles, zero where `observed` (U, T) is false; group (U,); n (U,)
    participants. y (N,) as in the frame; `starts` (participants,) the first row of each, sorted by profile.
    """

    X: np.ndarray
    Z: np.ndarray | None
    observed: np.ndarray
    group: np.ndarray
    n: np.ndarray
    y: np.ndarray
    starts: np.ndarray
    terms: tuple[str, ...]
    term_columns: dict[str, list[int]]
    random_terms: tuple[str, ...]
    slots: tuple
    groups: tuple
    notes: tuple[str, ...]
    ordered: bool
    above: "ProfileSites | None" = None

    def outcomes(self, profile: int) -> Iterator[np.ndarray]:
        """Outcomes of a profile's participants at the visits it has, block by block: (visits, n)."""
        end, visits = int(self.n[: profile + 1].sum()), int(self.observed[profile].sum())
        for a in range(end - int(self.n[profile]), end, BLOCK):
            first = self.starts[a : min(a + BLOCK, end)]
            block = np.empty((visits, len(first)))
            for k in range(visits):
                self.y[k:].take(first, out=block[k], mode="clip")  # never out of range; "raise" would copy
            yield block


@dataclass(frozen=True)
class ProfileSites:
    """Sites of participants sorted by profile, code (participants,) into `sites`; U (U, T, r) of each profile."""

    code: np.ndarray
    sites: tuple
    U: np.ndarray
    effects: SiteEffects


@dataclass(frozen=True)
class Coded:
    """A column as codes (N,) into its levels; codes None where its value follows from the visit (a level per visit)."""

    codes: np.ndarray | None
    levels: pd.Series


def profiles_of(
    frame: pd.DataFrame,
    formula: str,
    *,
    participant: str,
    visit: str,
    random: str | None,
    by: str | None,
    site: str | None = None,
    site_random: str | None = None,
) -> Profiles | None:
    """Profiles of a frame sorted by participant and visit; None where rows are unsorted or take too many values."""
    used, response = columns_used(formula, random, participant, visit, by), response_name(formula)
    beside = site_columns_used(site, site_random, None)
    used |= beside
    check_columns(frame, used)
    columns = columns_of(frame, used)
    right = {*right_columns(formula), *(right_columns(random) if random is not None else ())} | ({by} if by else set())
    right |= beside - {site}
    if (
        response not in columns
        or {response, participant} & {*right, visit}
        or site in {*right, visit, participant, response}
        or columns[response].dtype.kind not in "fiu"
    ):
        return None
    incomplete, notes = incomplete_rows(columns)
    keep = None if incomplete is None else ~incomplete
    slots = _coded(columns[visit], keep)
    if slots is None or slots.codes is None:
        return None
    T = len(slots.levels)
    factors = {name: _coded(columns[name], keep, slots) for name in sorted(right - {visit})}
    if None in factors.values():
        return None
    y, who = columns[response].to_numpy(dtype=float), columns[participant]
    if keep is not None:
        y, who = y[keep], who[keep]
    starts = _first_rows(who, slots.codes)
    other, size = _together([factor for factor in factors.values() if factor is not None and factor.codes is not None])
    bits = size.bit_length()
    if starts is None or size > 2**31 or bits * T > 62 or not np.isfinite(y).all():
        return None
    where = None if site is None else _sites_of(columns[site], keep, starts)
    if site is not None and where is None:
        return None
    profile, keys = pd.factorize(_profile_keys(slots.codes, other, bits, T, starts))
    if len(keys) > PROFILES:
        return None
    digit = (keys[:, None] >> bits * np.arange(T) & (1 << bits) - 1) - 1  # (U, T)
    index = _level_of(factors, np.maximum(digit, 0)) | {visit: np.broadcast_to(np.arange(T), digit.shape)}
    levels = {name: factor.levels for name, factor in (factors | {visit: slots}).items() if factor is not None}
    rows = pd.DataFrame({name: levels[name].take(at.ravel()).reset_index(drop=True) for name, at in index.items()})
    design = design_of(formula, rows)
    Z, random_terms, _ = effects_of(random, rows, rows)
    if not all(is_plain(text, rows) for text in (formula, random) if text is not None and text.strip() != "1"):
        return None
    group = _constant(index[by] if by is not None else np.zeros_like(digit), digit >= 0)
    if group is None or not np.isfinite(design.X).all():
        return None
    seen = (digit >= 0)[:, :, None]
    order = np.argsort(profile.astype(np.uint16), kind="stable")
    above = None
    if site is not None and where is not None:
        made: list[str] = []
        parts = site_parts(rows, site, site_random, set(right), made)
        notes = [*notes, *made]
        U = np.concatenate([values for _, _, values in parts], axis=1).reshape(*digit.shape, -1)
        above = ProfileSites(where[0][order], where[1], np.where(seen, U, 0.0), effects_of_parts(parts))
    return Profiles(
        X=np.where(seen, design.X.reshape(*digit.shape, -1), 0.0),
        Z=None if Z is None else np.where(seen, Z.reshape(*digit.shape, -1), 0.0),
        observed=digit >= 0, group=group, n=np.bincount(profile, minlength=len(keys)), y=y,
        starts=starts[order], terms=design.terms,
        term_columns=design.term_columns, random_terms=random_terms, slots=tuple(slots.levels),
        groups=("all",) if by is None else tuple(levels[by]), notes=tuple(notes),
        ordered=order_known(frame[visit]), above=above,
    )  # fmt: skip


def _sites_of(column: pd.Series, keep: np.ndarray | None, starts: np.ndarray) -> tuple[np.ndarray, tuple] | None:
    """Code of each participant's site and the sites; None where somebody is in two."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        codes, values = column.array.codes, tuple(column.dtype.categories)
    else:
        codes, found = pd.factorize(column)
        values = tuple(np.asarray(found).tolist())
    codes = _kept(codes, keep)
    changes = np.flatnonzero(codes[1:] != codes[:-1]) + 1
    at = np.minimum(np.searchsorted(starts, changes), len(starts) - 1)
    if len(changes) and not every(starts[at] == changes):
        return None
    return codes[starts], values


def _profile_keys(slot: np.ndarray, other: np.ndarray | None, bits: int, T: int, starts: np.ndarray) -> np.ndarray:
    """A whole number per participant with `bits` bits per visit: 0 where not seen, else 1 + what the columns hold."""
    kind = np.int32 if bits * T < 31 else np.int64
    rows = np.empty(len(slot), dtype=kind)
    for a in range(0, len(slot), BLOCK):
        shift = np.multiply(slot[a : a + BLOCK], bits, dtype=kind)
        held = 1 if other is None else np.add(other[a : a + BLOCK], 1, dtype=kind)
        np.left_shift(held, shift, out=rows[a : a + BLOCK])
    np.cumsum(rows, out=rows)  # it may wrap: only differences are used
    return np.diff(rows[np.append(starts[1:], len(rows)) - 1], prepend=kind(0))


def _constant(values: np.ndarray, seen: np.ndarray) -> np.ndarray | None:
    """The one value of each profile at the visits seen (U,); None where there are several."""
    own = np.where(seen, values, -1).max(axis=1)
    return None if (seen & (values != own[:, None])).any() else own


def _coded(column: pd.Series, keep: np.ndarray | None, slots: Coded | None = None) -> Coded | None:
    """The kept rows of a column of few values, or None."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        levels = pd.Series(pd.Categorical.from_codes(np.arange(len(column.dtype.categories)), dtype=column.dtype))
        return Coded(_kept(column.array.codes, keep), levels)
    if pd.api.types.is_bool_dtype(column.dtype):
        return Coded(_kept(column.to_numpy(dtype=np.int8), keep), pd.Series([0.0, 1.0])) if keep is None else None
    if slots is not None and isinstance(column.dtype, np.dtype) and column.dtype.kind in "fiu":
        follows = _by_visit(_kept(column.to_numpy(), keep), slots)
        if follows is not None:
            return Coded(None, follows)
    if column.iloc[:SAMPLE].nunique() > LEVELS:
        return None
    if isinstance(column.dtype, np.dtype) and column.dtype.kind in "fiu":
        quick = _whole_numbers(_kept(column.to_numpy(), keep))
        if quick is not None:
            return quick
    codes, values = pd.factorize(column if keep is None else column[keep], sort=True)
    if len(values) > LEVELS:
        return None
    return Coded(codes.astype(np.int16), pd.Series(values))


def _whole_numbers(values: np.ndarray) -> Coded | None:
    """Codes of whole numbers of a small range, by a table of the values among the first rows; None for others."""
    seen = np.unique(values[:SAMPLE])
    low = float(seen[0])
    if not (abs(low) < 2**30 and seen[-1] - low < 2**15) or (seen % 1).any():
        return None
    table = np.full(int(seen[-1] - low) + 1, -1, dtype=np.int16)
    table[(seen - low).astype(int)] = np.arange(len(seen))
    codes = np.empty(len(values), dtype=np.int16)
    for a in range(0, len(values), BLOCK):
        part = values[a : a + BLOCK]
        with np.errstate(invalid="ignore"):  # numbers too large for a whole number: they differ from it
            place = part.astype(np.int64)
        if not every(place == part):
            return None
        place -= int(low)
        if place.min() < 0 or place.max() >= len(table):
            return None
        own = table.take(place, out=codes[a : a + BLOCK], mode="clip")
        if own.min() < 0:
            return None
    return Coded(codes, pd.Series(seen))


def _kept(values: np.ndarray, keep: np.ndarray | None) -> np.ndarray:
    return values if keep is None else values[keep]


def _by_visit(values: np.ndarray, slots: Coded) -> pd.Series | None:
    """The value at each visit, where it is the same for everybody."""
    slot, T = slots.codes, len(slots.levels)
    assert slot is not None
    first = np.array([int(np.argmax(slot == t)) for t in range(T)])  # a visit without rows takes the first row's value
    at = values[first]
    return pd.Series(at) if (at[slot] == values).all() else None


def _first_rows(who: pd.Series, slot: np.ndarray) -> np.ndarray | None:
    """Each participant's first row; None where rows are not sorted by participant and visit, each visit once."""
    values = who.array.codes if isinstance(who.dtype, pd.CategoricalDtype) else who.array
    if who.dtype == object:
        return None
    if np.asarray(values[1:] < values[:-1], dtype=bool).any():
        return None
    new = np.asarray(values[1:] != values[:-1], dtype=bool)
    if not (new | (slot[1:] > slot[:-1])).all():
        return None
    return np.concatenate([[0], np.flatnonzero(new) + 1])


def _together(factors: list[Coded]) -> tuple[np.ndarray | None, int]:
    """One code for several columns, and the number of its values; the last column is its lowest digit."""
    code, size = None, 1
    for factor in factors:
        count = len(factor.levels)
        size *= count
        if size > 2**31:
            return None, size
        assert factor.codes is not None
        code = factor.codes if code is None else code.astype(np.int32) * count + factor.codes
    return code, size


def _level_of(factors: Mapping[str, Coded | None], code: np.ndarray) -> dict[str, np.ndarray]:
    """Undo `_together`: the level of each column for codes (U, T)."""
    index = {}
    for name in reversed(list(factors)):
        factor = factors[name]
        assert factor is not None
        if factor.codes is None:
            index[name] = np.broadcast_to(np.arange(code.shape[1]), code.shape)
        else:
            index[name] = code % len(factor.levels)
            code = code // len(factor.levels)
    return index
