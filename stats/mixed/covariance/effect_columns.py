"""Well-scaled columns of random effects, so that no answer depends on where a clock starts or what it counts.

Shifting or scaling time is Z -> Z M, G -> M^-1 G M^-T: with a full G another way to write the same model. Searching,
ranking and Kenward-Roger run in columns that are centred and orthonormal over the observed cells; G is turned back for
display only. Independent effects (`correlated=False`) are another model under a shift, so they are scaled and no more.
"""

from dataclasses import replace

import numpy as np

from stats.errors import FitError
from stats.mixed.covariance.site_variances import TwoLevels
from stats.mixed.covariance.structure import Structure
from stats.mixed.model.moments import Moments

SAME = 1e-9  # of unit columns: shorter is a repetition of the others


def well_scaled(moments: Moments, *, correlated: bool) -> tuple[Moments, np.ndarray]:
    """Moments with random-effect columns Z M, and M (r, r).

    FitError where a column is zero on every row. Columns that repeat each other are only scaled: what they share is
    found later, with the directions of the covariance that the data cannot tell apart.
    """
    if moments.Z is None:
        return moments, np.eye(0)
    weight = np.atleast_2d(moments.n).sum(axis=0)[:, None] * moments.observed  # (P, T)
    Z = np.where(moments.observed[:, :, None], moments.Z, 0.0)
    size = np.sqrt(np.einsum("pt,ptr->r", weight, Z**2) / weight.sum())
    if (size == 0).any():
        empty = [moments.random_terms[k] for k in np.flatnonzero(size == 0)]
        raise FitError(f"Random effect {', '.join(empty)} is zero on every row. Remove it from random=.")
    turn = np.diag(1 / size)
    if correlated and len(size) > 1:
        turn = _orthonormal(Z / size, weight, turn)
    return replace(moments, Z=np.where(moments.observed[:, :, None], Z @ turn, 0.0)), turn


def _orthonormal(Z: np.ndarray, weight: np.ndarray, turn: np.ndarray) -> np.ndarray:
    """M that makes the columns orthonormal; `turn` itself where they repeat each other."""
    seen, r = weight > 0, Z.shape[2]
    cells, share = Z[seen], weight[seen] / weight.sum()  # (cells, r), (cells,)
    constant = np.flatnonzero(np.ptp(cells, axis=0) == 0)
    centre = np.eye(r)
    if len(constant):
        level = int(constant[0])
        for _ in range(2):  # a second time takes off the rounding of the mean
            shift = np.where(np.arange(r) == level, 0.0, share @ (cells @ centre)) / cells[0, level]
            centre[level] -= shift
        spread = np.sqrt(share @ (cells @ centre) ** 2)
        if (spread < SAME).any():
            return turn
        centre = centre / spread
    triangle = np.linalg.qr(np.sqrt(share)[:, None] * (cells @ centre), mode="r")
    if len(triangle) < r or np.abs(np.diag(triangle)).min() < SAME:
        return turn
    return turn @ centre @ np.linalg.inv(triangle)


def natural_parameters(structure: Structure, theta: np.ndarray, scale: np.ndarray, turn: np.ndarray) -> np.ndarray:
    """theta (R, K) of y / scale (R,) and Z M in the units of y and Z: G of Z is M G M'."""
    if isinstance(structure, TwoLevels):
        below = natural_parameters(structure.inner, theta[:, : structure.lower], scale, turn)
        return np.concatenate([below, theta[:, structure.lower :] * scale[:, None] ** 2], axis=1)
    power = [0 if label.startswith(("corr", "ratio")) else 2 for _, label in structure.names]
    natural = theta * scale[:, None] ** np.array(power)
    single = 0
    for size, at in structure.cones:
        place = list(at)
        if power[place[0]] == 0:  # a correlation has no unit
            continue
        if size == 1 and len(turn) > 1:
            natural[:, place] *= turn[single % len(turn), single % len(turn)] ** 2
            single += 1
            continue
        rows, cols = np.tril_indices(size)
        G = np.zeros((len(theta), size, size))
        G[:, rows, cols] = G[:, cols, rows] = natural[:, place]
        natural[:, place] = (turn @ G @ turn.T)[:, rows, cols]
    return natural
