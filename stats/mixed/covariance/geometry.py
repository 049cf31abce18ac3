"""What a covariance structure may depend on: slots, visit times, random-effect covariates, groups, per pattern."""

from dataclasses import dataclass

import numpy as np

from stats.mixed.model.moments import Moments


@dataclass(frozen=True)
class Geometry:
    """observed (P, T) bool; times (T,) of slots or (P, T) of patterns; Z (P, T, r) or None; group (P,), n_groups.

    shortest: the correlation over times of their own is stated at the shortest gap of all (`own_times`).
    """

    observed: np.ndarray
    times: np.ndarray
    Z: np.ndarray | None
    group: np.ndarray
    n_groups: int
    shortest: bool = False

    @property
    def T(self) -> int:  # noqa: N802 - the number of slots, as in the formulas
        """Slots."""
        return self.observed.shape[1]


def geometry_of(moments: Moments, times: np.ndarray | None = None) -> Geometry:
    """The geometry of pooled moments; times default to 0, 1, 2, ..."""
    T = moments.observed.shape[1]
    times = moments.times if moments.times is not None else times
    return Geometry(
        observed=moments.observed,
        times=np.arange(T, dtype=float) if times is None else np.asarray(times, dtype=float),
        Z=moments.Z,
        group=moments.group,
        n_groups=len(moments.groups),
    )
