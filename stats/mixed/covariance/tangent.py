"""Directions along the boundary of the parameter space: what is left to estimate where random effects degenerate."""

from dataclasses import dataclass

import numpy as np

from stats.mixed.covariance.structure import Structure


@dataclass(frozen=True)
class Tangent:
    """Directions in which theta may move: theta = f(lambda), J = df/d lambda (R, K, K') and constant curvature.

    curve (R, K, K', K') is d2 theta_k / d lambda_a d lambda_b. Inside the parameter space J is the identity. Replicates
    with fewer free directions carry zero columns.
    """

    J: np.ndarray
    curve: np.ndarray | None


def tangent_of(structure: Structure, theta: np.ndarray, boundary: np.ndarray) -> Tangent | None:
    """The tangent of the boundary each replicate lies on; None where all lie inside."""
    if not boundary.any():
        return None
    R, K = theta.shape
    J = np.broadcast_to(np.eye(K), (R, K, K)).copy()
    curve = np.zeros((R, K, K, K))
    for size, at in structure.cones:
        rows, cols = np.tril_indices(size)
        rows, cols = rows[: len(at)], cols[: len(at)]
        place = {(int(i), int(j)): k for i, j, k in zip(rows, cols, at, strict=True)}
        for r in np.flatnonzero(boundary):
            G = np.zeros((size, size))
            G[rows, cols] = G[cols, rows] = theta[r, list(at)]
            values, vectors = np.linalg.eigh(G)
            keep = values > 1e-10 * max(values[-1], float(np.abs(theta[r]).max()))
            if keep.all():
                continue
            factor = vectors[:, keep] * np.sqrt(values[keep])
            order, echelon = _echelon(factor)
            J[r][:, list(at)] = 0.0
            J[r][list(at)] = 0.0
            # Free entries of the echelon factor take the first places of the block; the rest stay zero.
            free = [(order[i], m) for m in range(echelon.shape[1]) for i in range(m, size)]
            entry = {(order[i], m): echelon[i, m] for m in range(echelon.shape[1]) for i in range(size)}
            slot = {key: at[s] for s, key in enumerate(free)}
            for (i, j), k in place.items():
                for m in range(echelon.shape[1]):
                    for here, there in ((i, j), (j, i)):
                        a = slot.get((here, m))
                        if a is not None:
                            J[r, k, a] += entry[(there, m)]
                    a, b = slot.get((i, m)), slot.get((j, m))
                    if a is not None and b is not None:
                        curve[r, k, a, b] += 1.0
                        curve[r, k, b, a] += 1.0
    return Tangent(J, curve)


def _echelon(factor: np.ndarray) -> tuple[list[int], np.ndarray]:
    """Rows reordered and columns rotated so that the factor is lower trapezoidal: no free rotation is left."""
    order: list[int] = []
    left = factor.copy()
    for _ in range(factor.shape[1]):
        size = np.linalg.norm(left, axis=1)
        size[order] = -1.0
        pick = int(np.argmax(size))
        order.append(pick)
        direction = left[pick] / np.linalg.norm(left[pick])
        left = left - np.outer(left @ direction, direction)
    order += [i for i in range(len(factor)) if i not in order]
    rotation, _ = np.linalg.qr(factor[order[: factor.shape[1]]].T)
    echelon = factor[order] @ rotation
    echelon[np.triu_indices(echelon.shape[1], 1)] = 0.0
    return order, echelon
