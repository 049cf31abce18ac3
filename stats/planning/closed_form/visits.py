"""Covariance over visits and the information dropout leaves, shared by the plans for several visits."""

from collections.abc import Sequence

import numpy as np

from stats.errors import PlanError
from stats.planning.inputs import read_number

STRUCTURES = ("compound-symmetry", "ar1")


def visit_correlation(correlation: float, visits: int, structure: str) -> np.ndarray:
    """Correlation matrix over `visits` equally spaced visits."""
    if structure not in STRUCTURES:
        raise PlanError(f"structure = {structure!r}: allowed are {', '.join(STRUCTURES)}.")
    gap = np.abs(np.subtract.outer(np.arange(visits), np.arange(visits)))
    matrix = np.where(
        gap == 0, 1.0, correlation if structure == "compound-symmetry" else correlation ** np.maximum(gap, 1)
    )
    if np.linalg.eigvalsh(matrix)[0] <= 0:
        raise PlanError(
            f"Correlation {correlation} over {visits} visits is impossible as {structure}: no such covariance."
        )
    return matrix


def read_covariance(covariance, sd, correlation, structure: str, visits: int) -> np.ndarray:
    """Covariance over visits: given as a matrix (array or frame), or built from sd, correlation and structure."""
    if covariance is None:
        if sd is None or correlation is None:
            raise PlanError("Give either `covariance` over the visits, or `sd` and `correlation`.")
        return sd**2 * visit_correlation(correlation, visits, structure)
    matrix = np.asarray(covariance, float)
    if matrix.shape != (visits, visits):
        raise PlanError(f"covariance has shape {matrix.shape}, retention names {visits} visits: they must agree.")
    if not np.allclose(matrix, matrix.T) or np.linalg.eigvalsh(matrix)[0] <= 0:
        raise PlanError("covariance is not a covariance matrix: it must be symmetric with positive eigenvalues.")
    return matrix


def read_retention(retention: Sequence[float] | None, visits: int, attrition) -> np.ndarray:
    """Share still observed at each visit: from at most 1 falling to above 0."""
    if retention is None:
        return np.ones(visits)
    stay = np.asarray(retention, float)
    if stay.shape != (visits,) or stay[0] > 1 or stay[-1] <= 0 or np.any(np.diff(stay) > 0):
        raise PlanError(
            f"retention = {list(retention)}: {visits} shares are needed, none above 1, none rising, the last above 0."
        )
    if read_number("attrition", attrition).value:
        raise PlanError(
            "Dropout would count twice: give retention (dropout inside the formula) or attrition, not both."
        )
    return stay


def information(design: np.ndarray, covariance: np.ndarray, stay: np.ndarray) -> np.ndarray:
    """Expected X'V⁻¹X per randomised participant under monotone dropout: sum over last visits j of
    (share leaving after j) x X_j' V_j⁻¹ X_j.

    Source: Lu K, Luo X, Chen PY (2008) Int J Biostat 4(1):9.
    """
    leaving = stay - np.append(stay[1:], 0.0)
    total = np.zeros((design.shape[1],) * 2)
    for last, share in enumerate(leaving, start=1):
        if share > 0:
            seen = design[:last]
            total += share * seen.T @ np.linalg.solve(covariance[:last, :last], seen)
    return total
