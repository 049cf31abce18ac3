"""Sites and therapists as columns of random effects: which rows share one, block by block.

Participants sit inside *blocks*: people of two blocks share no random effect. Without a crossed factor a block is a
site. Therapists who treat people of several sites, or whom a participant changes between visits, tie sites and people
together; then a block is whatever hangs together. Inside a block every row has r columns U; the effects of the columns
are independent of one another with covariance G = sum g_k E_k.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from outcomes.columns import ARM
from stats.errors import FitError
from stats.mixed.model.complete_rows import visit_order
from stats.mixed.model.masks import every, some

MOST_CROSSED = 200  # therapists (and site columns) tied together in one block: dense matrices of that size
TAKEN = ("participant", "residual", "visit")  # names of the other components of variance


@dataclass(frozen=True)
class SiteEffects:
    """Random effects above participants: `names` (component, name) of K variances and E (K, r, r) their matrices."""

    names: tuple[tuple[str, str], ...]
    E: np.ndarray


@dataclass(frozen=True)
class SiteRows:
    """Blocks of rows.

    block (N,) codes into `blocks`; U (N, r); `fixed`: whether U depends on a participant only through arm and visit, so
    that sums of first order suffice. levels (B, r): which site or therapist each column of a block is ("" for none) and
    columns (r,) its component and effect.
    """

    block: np.ndarray
    blocks: tuple
    U: np.ndarray
    fixed: bool
    effects: SiteEffects
    levels: np.ndarray
    columns: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]

    def take(self, keep: np.ndarray) -> "SiteRows":
        """Some of the rows."""
        return replace(self, block=self.block[keep], U=self.U[keep])


def site_columns_used(site: str | None, site_random: str | None, crossed: str | None) -> set[str]:
    """Columns of the frame that sites and therapists need; FitError where the arguments do not go together."""
    if site is None and site_random is not None:
        raise FitError(f"site_random='{site_random}' was given without site=. Name the column of the sites.")
    for name in (site, crossed):
        if name in TAKEN:
            raise FitError(f"A column of sites or therapists cannot be called '{name}': rename it.")
    if site is not None and site == crossed:
        raise FitError(f"site and crossed are both '{site}'. Name two columns, or leave one out.")
    return {name for name in (site, crossed) if name is not None} | set(_effects_named(site_random))


def _effects_named(site_random: str | None) -> list[str]:
    """Columns beside the intercept in "1" or "1 + arm"."""
    parts = [part.strip().strip("`") for part in (site_random or "1").split("+")]
    if parts[0] != "1" or len(set(parts)) < len(parts) or not all(p == "1" or p.isidentifier() for p in parts):
        raise FitError(
            f"site_random='{site_random}' cannot be read. Write '1' for an intercept of each site, or '1 + arm' for an "
            "effect of the arm that differs between sites as well: names of columns, each once, joined by '+'."
        )
    return parts[1:]


def site_rows(
    columns: Mapping[str, pd.Series],
    person: np.ndarray,
    *,
    site: str | None,
    site_random: str | None,
    crossed: str | None,
    mentioned: set[str],
    alone: bool = False,
) -> SiteRows | None:
    """Blocks and columns of rows with participant codes `person` (N,); None without sites and therapists.

    mentioned: columns of the formula, so that a note can say when the arm is not among the effects of sites. alone: one
    site is enough (its sums are merged with others).
    """
    if site is None and crossed is None:
        return None
    place: np.ndarray | None = None
    parts: list[tuple[str, str, np.ndarray]] = []
    notes: list[str] = []
    if site is not None:
        code, sites = visit_order(columns[site])
        _once(code, person, site, sites)
        if len(np.unique(code)) < 2 and not alone:
            raise FitError(
                f"Column {site} has one value on these rows: a variance between sites needs two or more. "
                "Leave site= out."
            )
        place = code
        parts = site_parts(columns, site, site_random, mentioned, notes)
    if crossed is None:
        assert place is not None
        return _blocks_of_sites(place, sites, parts, notes)
    therapist, therapists = visit_order(columns[crossed])
    if len(np.unique(therapist)) < 2:
        raise FitError(f"Column {crossed} has one value on these rows: a variance needs two. Leave crossed= out.")
    if site is None and every((np.diff(therapist) == 0) | (np.diff(person) != 0)):
        notes.append(f"Everybody has one {crossed}: nested, not crossed; the model is the same.")
        return _blocks_of_sites(therapist, therapists, [(crossed, "Intercept", np.ones((len(person), 1)))], notes)
    return _tied(place if place is not None else person, sites if place is not None else None, parts,
                 therapist, therapists, crossed, notes)  # fmt: skip


def site_parts(
    columns: Mapping[str, pd.Series], site: str, site_random: str | None, mentioned: set[str], notes: list[str]
) -> list[tuple[str, str, np.ndarray]]:
    """Component, effect and columns (N, m) of every variance of sites; `notes` takes what must be said."""
    named, rows = _effects_named(site_random), len(columns[next(iter(columns))])
    if ARM in mentioned and ARM not in named:
        notes.append(
            f"Each {site} has an intercept and no effect of the {ARM} of its own: where the effect differs between "
            f"sites, such a model rejected 21 % of simulated true nulls (6 sites). site_random='1 + {ARM}' adds it."
        )
    return [(site, "Intercept", np.ones((rows, 1))), *((site, n, _effect(columns[n], n, notes)) for n in named)]


def effects_of_parts(parts: list[tuple[str, str, np.ndarray]]) -> SiteEffects:
    """The variances that go with the columns of one site."""
    names, diagonals, _ = _spread(parts, 1)
    return SiteEffects(tuple(names), np.stack([np.diag(d) for d in diagonals]))


def _once(code: np.ndarray, person: np.ndarray, site: str, sites: tuple) -> None:
    """FitError where a participant is in two sites."""
    low, high = np.full(int(person.max()) + 1, len(sites)), np.full(int(person.max()) + 1, -1)
    np.minimum.at(low, person, code)
    np.maximum.at(high, person, code)
    moved = low != high
    if some(moved):
        k = int(np.argmax(moved))
        raise FitError(
            f"{int(moved.sum())} participants are in more than one {site} (the first in {sites[low[k]]} and "
            f"{sites[high[k]]}). Ids that start again in another {site} stand for different people: make them unique, "
            f"for example '{sites[low[k]]}-1'. For a factor that changes between visits use crossed=."
        )


def _effect(column: pd.Series, name: str, notes: list[str]) -> np.ndarray:
    """Columns (N, m) whose effects share one variance: the variance of a difference between two levels.

    Categories are centred: with two, -1/2 and 1/2; with k, k - 1 orthogonal contrasts under which every two levels
    differ by the same variance, whatever their order. 0 and 1 are two levels; other numbers stay as they are.
    """
    values = column.to_numpy()
    if column.dtype.kind in "iufb" and not isinstance(column.dtype, pd.CategoricalDtype):
        numbers = values.astype(float)
        if set(np.unique(numbers)) <= {0.0, 1.0}:
            return numbers[:, None] - 0.5
        notes.append(
            f"The effect of {name} differs between sites, independent of their intercepts: those are at {name} = 0."
        )
        return numbers[:, None]
    codes, levels = visit_order(column)
    if len(levels) < 2:
        raise FitError(f"Column {name} has one value on these rows: its effect cannot differ between sites.")
    return (np.linalg.qr(np.eye(len(levels)) - 1 / len(levels))[0][:, :-1] / np.sqrt(2))[codes]


def _spread(parts: list, copies: int) -> tuple[list[tuple[str, str]], list[np.ndarray], list[tuple[str, str]]]:
    """Names and diagonals of the variances of `copies` sites side by side, and what each column is."""
    names, columns = [], []
    for component, effect, values in parts:
        names.append((component, f"var({effect})"))
        columns += [(component, effect)] * values.shape[1]
    owner = np.array([k for k, (_, _, values) in enumerate(parts) for _ in range(values.shape[1])], dtype=int)
    diagonals = [np.tile((owner == k).astype(float), copies) for k in range(len(parts))]
    return names, diagonals, columns * copies


def _blocks_of_sites(place: np.ndarray, sites: tuple, parts: list, notes: list[str]) -> SiteRows:
    present = np.bincount(place, minlength=len(sites)) > 0
    code = (np.cumsum(present) - 1)[place]
    labels = tuple(label for label, here in zip(sites, present, strict=True) if here)
    _, _, columns = _spread(parts, 1)
    return SiteRows(
        block=code, blocks=labels, U=np.concatenate([values for _, _, values in parts], axis=1), fixed=True,
        effects=effects_of_parts(parts),
        levels=np.array([[str(label)] * len(columns) for label in labels], dtype=object), columns=tuple(columns),
        notes=tuple(notes),
    )  # fmt: skip


def _tied(
    place: np.ndarray, sites: tuple | None, parts: list, therapist: np.ndarray, therapists: tuple, crossed: str,
    notes: list[str],
) -> SiteRows:  # fmt: skip
    """Blocks of what hangs together through therapists; site columns first, then one column a therapist."""
    units = int(place.max()) + 1
    links = coo_array((np.ones(len(place)), (place, units + therapist)), shape=(units + len(therapists),) * 2)
    _, member = connected_components(links, directed=False)
    used = np.unique(member[place], return_inverse=True)
    block, B = used[1], len(used[0])
    own_site, n_sites = _numbered(place, block, B) if sites is not None else (np.zeros_like(place), 0)
    own_therapist, n_therapists = _numbered(therapist, block, B)
    each = sum(values.shape[1] for _, _, values in parts)
    r = n_sites * each + n_therapists
    if r > MOST_CROSSED:
        raise FitError(
            f"{n_therapists} levels of {crossed}"
            + (f" and {n_sites} sites with {each} effects each" if sites is not None else "")
            + f" are tied together: {r} columns of random effects, and {MOST_CROSSED} are the most that can be fitted. "
            f"Group small levels of {crossed}, or leave it or the sites out."
        )
    rows = np.arange(len(place))
    U = np.zeros((len(place), r))
    levels = np.full((B, r), "", dtype=object)
    at = 0
    for _, _, values in parts:
        for j in range(values.shape[1]):
            where = own_site * each + at
            U[rows, where] = values[:, j]
            levels[block, where] = np.array([str(s) for s in sites or ()], dtype=object)[place]
            at += 1
    U[rows, n_sites * each + own_therapist] = 1.0
    levels[block, n_sites * each + own_therapist] = np.array([str(t) for t in therapists], dtype=object)[therapist]
    names, diagonals, columns = _spread(parts, n_sites)
    padded = [np.pad(d, (0, n_therapists)) for d in diagonals]
    padded.append(np.pad(np.ones(n_therapists), (n_sites * each, 0)))
    return SiteRows(
        block=block, blocks=_labels(block, place, sites, B), U=U, fixed=False,
        effects=SiteEffects((*names, (crossed, "var(Intercept)")), np.stack([np.diag(d) for d in padded])),
        levels=levels, columns=(*columns, *[(crossed, "Intercept")] * n_therapists), notes=tuple(notes),
    )  # fmt: skip


def _labels(block: np.ndarray, place: np.ndarray, sites: tuple | None, B: int) -> tuple:
    """The site of every block where each holds one, else numbers."""
    pairs = np.unique(np.stack([block, place]), axis=1)
    return tuple(range(B)) if sites is None or pairs.shape[1] > B else tuple(sites[k] for k in pairs[1])


def _numbered(code: np.ndarray, block: np.ndarray, B: int) -> tuple[np.ndarray, int]:
    """Codes numbered from 0 inside each block, and the largest count."""
    pairs, index = np.unique(np.stack([block, code]), axis=1, return_inverse=True)
    start = np.searchsorted(pairs[0], np.arange(B))
    own = np.arange(pairs.shape[1]) - start[pairs[0]]
    return own[np.ravel(index)], int(own.max()) + 1
