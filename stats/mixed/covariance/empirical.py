"""Empirical covariance matrices made fit to start from."""

import numpy as np


def lag_means(matrix: np.ndarray, lag: int) -> np.ndarray:
    """Mean of the diagonal at a distance from the main one: (R,)."""
    return np.diagonal(matrix, lag, axis1=1, axis2=2).mean(axis=1)


def lag_averaged(matrix: np.ndarray) -> np.ndarray:
    """Every entry replaced by the mean of its diagonal."""
    T = matrix.shape[1]
    lag = np.abs(np.subtract.outer(np.arange(T), np.arange(T)))
    return np.stack([lag_means(matrix, k) for k in range(T)], axis=1)[:, lag]


def correlations(matrix: np.ndarray) -> np.ndarray:
    """Correlation matrices of covariance matrices (R, T, T)."""
    sd = np.sqrt(np.einsum("rtt->rt", matrix))
    return matrix / (sd[:, :, None] * sd[:, None, :])


def positive(matrix: np.ndarray, floor: float = 0.05) -> np.ndarray:
    """The nearest matrix whose eigenvalues, on the correlation scale, are at least `floor`."""
    variance = np.einsum("rtt->rt", matrix)
    top = np.maximum(variance.max(axis=1, keepdims=True), 1e-12)
    sd = np.sqrt(np.maximum(variance, 1e-4 * top))
    scale = sd[:, :, None] * sd[:, None, :]
    corr = matrix / scale
    at = np.arange(matrix.shape[1])
    corr[:, at, at] = 1.0
    values, vectors = np.linalg.eigh(corr)
    return scale * ((vectors * np.maximum(values, floor)[:, None, :]) @ np.swapaxes(vectors, 1, 2))
