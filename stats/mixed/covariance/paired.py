"""Covariance of two conditions measured at the same visits: assisted and unassisted, affected and other hand.

Slots are named "<day>, <condition>". With z = +1/2 and -1/2 for the two conditions and t the day, the score of a person
at visit v in condition c deviates by

    a + b t  +  z (g + h t)  +  visit(v)  +  error(v, c)

"paired": level a and condition effect g, with their covariance, "paired-uncorrelated" without it; "paired-lines":
a with b and g with h, the two lines uncorrelated (with complete pairs that changes no answer about the effect; with all
four correlated many small trials have no maximum). Visit is what both conditions of a visit share.
The parameters are covariances without sign limits, only the whole matrix must be positive definite: where people agree
on the effect more than chance would have it, its "variance" is negative, and inference stays that of the mean squares
(exact with complete data) instead of meeting a boundary.
"""

from itertools import combinations_with_replacement

import numpy as np

from stats.errors import FitError
from stats.mixed.covariance.geometry import Geometry
from stats.mixed.covariance.structure import Linear


class Paired(Linear):
    """Level and condition effect per participant, with or without lines over time, a visit's deviation, and error."""

    def __init__(self, geometry: Geometry, slots: tuple, *, lines: bool, correlated: bool = True) -> None:
        day, z = paired_slots(slots)
        time = day - day.mean()
        size = np.sqrt(np.mean(time**2))
        columns = {"level": np.ones(len(day)), "condition": z}
        if lines:
            if size == 0:
                raise FitError("A line over time needs several visits. Use covariance='paired'.")
            columns |= {"level over time": time / size, "condition over time": z * time / size}
        names, sheets = [], []
        for one, two in combinations_with_replacement(columns, 2):
            within = one.split()[0] == two.split()[0]  # a line's own level and slope
            if within or (correlated and not lines):
                product = np.outer(columns[one], columns[two])
                sheets.append(product if one == two else product + product.T)
                names.append(("participant", f"var({one})" if one == two else f"cov({one}, {two})"))
        sheets += [(day[:, None] == day).astype(float), np.eye(len(day))]
        self.basis = np.stack(sheets)[:, None]
        self.names = (*names, ("visit", "shared by conditions"), ("residual", "var"))

    def start(self, pooled: np.ndarray) -> np.ndarray:
        """Four tenths of a unit variance to the level, three to the error, two to the visit, little to the rest."""
        theta = np.zeros((len(pooled), self.size))
        theta[:, [k for k, (_, name) in enumerate(self.names) if name.startswith("var")]] = 0.05
        theta[:, 0], theta[:, -2], theta[:, -1] = 0.4, 0.2, 0.3
        return theta


def paired_slots(slots: tuple) -> tuple[np.ndarray, np.ndarray]:
    """Days (T,) and condition codes +1/2, -1/2 (T,) of slots "<day>, <condition>"; the condition seen first is +1/2."""
    try:
        parts = [str(slot).rsplit(", ", 1) for slot in slots]
        day = np.array([float(part[0]) for part in parts])
        conditions = list(dict.fromkeys(part[1] for part in parts))
    except (ValueError, IndexError):
        conditions, day = [], np.empty(0)
    if len(conditions) != 2:
        raise FitError(
            f"A paired covariance needs visits named '<day>, <condition>' with two conditions; found "
            f"{', '.join(map(str, slots))}."
        )
    return day, np.array([0.5 if part[1] == conditions[0] else -0.5 for part in parts])
