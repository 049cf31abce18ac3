"""Who comes to which visit: missing completely at random, at random, and not at random."""

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from synthetic_cohort.design import CohortDesign
from synthetic_cohort.people.ability import Array

ATTENDED, MISSED, WITHDRAWN = 0, 1, 2


def draw_attendance(design: CohortDesign, primary: Array, rng: Generator) -> NDArray[np.int8]:
    """Status of every planned visit (R, N, V): attended, missed, or withdrawn from here on.

    primary: the primary score (R, N, V) that would be seen at each visit. The first visit is always attended.
    """
    missing = design.missing
    status = np.full(primary.shape, ATTENDED, dtype=np.int8)
    uniform = rng.random((2, *primary.shape))
    score = (primary - missing.centre) / missing.unit
    last_seen = score[..., 0]
    gone = np.zeros(primary.shape[:2], dtype=bool)
    for visit in range(1, primary.shape[2]):
        now = score[..., visit]
        change = now - last_seen
        leave = _chance(
            missing.dropout,
            missing.dropout_on_observed * last_seen
            + missing.dropout_on_unseen * now
            + missing.dropout_on_unseen_change * change,
        )
        gone |= uniform[0, ..., visit] < leave
        skip = _chance(
            missing.missed,
            missing.missed_on_observed * last_seen
            + missing.missed_on_unseen * now
            + missing.missed_on_unseen_change * change,
        )
        missed = uniform[1, ..., visit] < skip
        status[..., visit] = np.where(gone, WITHDRAWN, np.where(missed, MISSED, ATTENDED))
        last_seen = np.where(status[..., visit] == ATTENDED, now, last_seen)
    return status


def _chance(base: float, shift: Array) -> Array:
    """Probability `base` moved by `shift` on the logit scale; a base of 0 stays 0."""
    if base <= 0.0:
        return np.zeros_like(shift)
    odds = base / (1.0 - base) * np.exp(shift)
    return odds / (1.0 + odds)
