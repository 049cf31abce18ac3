"""What the data cannot tell apart: directions of the covariance along which the likelihood is exactly flat.

With K'X = 0 and V_c = sum c_k V_k, c' E c = 1/2 || (K'VK)^-1/2 K'V_c K (K'VK)^-1/2 ||^2 for the expected information
E of the restricted likelihood: it is singular along c where K'V_c K = 0. One row per participant cannot tell a random
intercept from error, two visits cannot tell a slope from error, a person who alone decides a coefficient says nothing
of its variance. E is judged on the scale of the information that full likelihood has (1/2 tr(W V_k W V_k)), since what
X has eaten leaves pure rounding in E. A null direction that a combination of coefficients does not feel is dropped; one
that it feels makes its standard error unknowable.
"""

from dataclasses import dataclass

import numpy as np

from stats.mixed.covariance.site_variances import TwoLevels
from stats.mixed.covariance.structure import Structure
from stats.mixed.fitting.likelihood import Likelihood, Point

NULL = 1e-9  # eigenvalues of E below this, true ones were never found below 1e-5
FELT = 1e-6  # share of a combination's variance that moves with a null direction of unit information


@dataclass(frozen=True)
class Flat:
    """Null directions of a structure.

    `keep` places of the parameters that stay, `dropped` of those that repeat them; `directions` (K, d) null vectors of
    unit full information.
    """

    keep: np.ndarray
    dropped: np.ndarray
    directions: np.ndarray


def flat_directions(likelihood: Likelihood, point: Point) -> Flat | None:
    """The null directions at a point of one replicate; None where there is none.

    Parameters that no row bears on at all are left as they are: nothing depends on them.
    """
    if not np.isfinite(point.loglik[0]):
        return None
    full = likelihood.full_information(point)
    bears = full > 0
    size = np.sqrt(np.where(bears, full, 1.0))
    E = np.where(bears[:, None] & bears, point.expected[0] / (size[:, None] * size), np.eye(len(size)))
    if not np.isfinite(E).all():
        return None
    values, vectors = np.linalg.eigh(E)
    null = values < NULL
    if not null.any():
        return None
    keep: list[int] = []
    for k in _order(likelihood.structure):
        if not bears[k]:
            continue
        among = E[np.ix_(keep, keep)]
        left = E[k, k] - E[k, keep] @ np.linalg.solve(among, E[keep, k]) if keep else E[k, k]
        if left > NULL:
            keep.append(k)
    stays = np.array(sorted([*keep, *np.flatnonzero(~bears)]), dtype=int)
    dropped = np.setdiff1d(np.arange(len(size)), stays)
    return Flat(stays, dropped, vectors[:, null] / size[:, None])


def _order(structure: Structure) -> list[int]:
    """Places in the order they are kept: residual and visits, sites, participants' variances, covariances last."""
    above = _above(structure)

    def rank(k: int) -> tuple[int, int]:
        part, name = structure.names[k]
        if part == "participant":
            return 2 + name.startswith("cov("), k
        return int(part in above), k

    return sorted(range(structure.size), key=rank)


def _above(structure: Structure) -> tuple[str, ...]:
    return structure.above if isinstance(structure, TwoLevels) else ()


def held_values(structure: Structure, start: np.ndarray) -> np.ndarray:
    """Where dropped parameters are held (K,): (co)variances of random effects at zero, others at the start."""
    zero = [part in ("participant", *_above(structure)) for part, _ in structure.names]
    return np.where(zero, 0.0, start)


def white(likelihood: Likelihood, theta: np.ndarray) -> bool:
    """Whether the covariance is one variance times the identity over what was observed: least squares is exact."""
    if isinstance(likelihood.structure, TwoLevels) and likelihood.structure.effects.names:
        return False
    first = np.asarray(likelihood.structure.first(theta[:1]))[0]
    sheets = np.where(likelihood.mask, np.broadcast_to(first, (len(first), *likelihood.mask.shape)), 0.0)
    bearing = sheets[np.abs(sheets).max(axis=(1, 2, 3)) > 0]
    if len(bearing) != 1:
        return False
    same = np.where(likelihood.mask, np.eye(likelihood.T), 0.0)
    at = np.asarray(likelihood.structure.matrix(theta[:1]))[0]
    at = np.where(likelihood.mask, at, 0.0)
    size = float(at.max())
    return bool(np.abs(bearing[0] - same).max() < 1e-12 and np.abs(at - size * same).max() < 1e-12 * size)


def felt(likelihood: Likelihood, point: Point, flat: Flat, L: np.ndarray) -> np.ndarray:
    """Which rows of L (m, q) feel a null direction (m,): their standard error or estimate moves along it.

    `likelihood` and `point` are of the whole structure, one replicate.
    """
    phi = point.phi[0]
    half = L @ phi
    size = np.einsum("mq,mq->m", half, L)
    P = np.einsum("kd,kab->dab", flat.directions, point.P[0])
    variance = np.abs(np.einsum("ma,dab,mb->dm", half, P, half))
    alone = likelihood.subset(np.arange(len(point.theta)) == 0)
    Q = np.stack([alone.weighted_squares(point, np.outer(c, c)[None], None)[0] for c in flat.directions.T])
    moved = np.einsum("ma,dab,mb->dm", half, Q - P @ phi @ P, half)
    return ((variance > FELT * size) | (np.abs(moved) > FELT * size)).any(axis=0)
