"""Eigenvalues of stacked curvatures and informations, free of the units of their parameters."""

import numpy as np

from stats.mixed.model.masks import every, some

NOTHING = 1e-150


def spectrum(curvature: np.ndarray, least: float = 0.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Spectrum of symmetric matrices (R, K, K) scaled to unit diagonal (the sign is kept).

    Returns the scales (R, K), at least the root of `least`; eigenvalues (R, K) in rising order; eigenvectors (R, K, K).
    A zero row, a parameter that no row of the data bears on, has scale 1 and is an eigenvector of its own.
    """
    size = np.sqrt(np.maximum(np.abs(curvature.diagonal(axis1=1, axis2=2)), least))
    blind = size < NOTHING
    if some(blind):
        size = np.where(blind, 1.0, size)
        curvature = curvature + blind[:, :, None] * np.eye(curvature.shape[1])
    return size, *np.linalg.eigh(curvature / (size[:, :, None] * size[:, None, :]))


def inverse(information: np.ndarray, least: float = 1e-10) -> tuple[np.ndarray, np.ndarray]:
    """Inverse of symmetric matrices (R, K, K), zero rows left zero, and whether the rest is positive definite (R,).

    Positive definite: every eigenvalue on the scale of a unit diagonal is above `least`; elsewhere the inverse is of
    the diagonal alone.
    """
    size, values, vectors = spectrum(information)
    valid = values[:, 0] > least
    if not every(valid):
        values = np.where(valid[:, None], values, 1.0)
    found = (vectors / values[:, None, :]) @ vectors.swapaxes(1, 2) / (size[:, :, None] * size[:, None, :])
    blind = np.abs(information.diagonal(axis1=1, axis2=2)) < NOTHING**2
    if some(blind):
        found = np.where(blind[:, :, None] | blind[:, None, :], 0.0, found)
    return found, valid


def inverse_or_none(matrices: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Inverses (R, q, q) and which exist (R,); the identity stands for the others."""
    try:
        return np.linalg.inv(matrices), np.ones(len(matrices), dtype=bool)
    except np.linalg.LinAlgError:
        size = np.abs(matrices).max(axis=(1, 2))
        values = np.linalg.eigvalsh(np.where(np.isfinite(matrices), matrices, 0.0))
        fine = np.isfinite(size) & (values[:, 0] > 1e-14 * size)
        return np.linalg.inv(np.where(fine[:, None, None], matrices, np.eye(matrices.shape[1]))), fine
