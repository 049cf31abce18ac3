"""What is assumed of people after they leave: means and covariance of their missing visits, given what was seen.

`normal` (missing at random: as others of their arm), and the reference-based ones of Carpenter, Roger & Kenward 2013 (J
Biopharm Stat 23:1352-1371), where d is the last visit seen:

jump-to-reference: means of the reference arm after d. copy-increments: the arm's mean at d, then the reference arm's
steps. copy-reference: the reference arm throughout. last-mean: the arm's mean at d stays. For jump-to-reference and
copy-increments the covariance is joined: the arm's own up to d, the reference arm's regression after it.
A gap before the last visit seen is filled with the arm's own means.
"""

import numpy as np

from stats.errors import FitError

NORMAL, JUMP, COPY, INCREMENTS, LAST_MEAN = (
    "normal",
    "jump-to-reference",
    "copy-reference",
    "copy-increments",
    "last-mean",
)
METHODS = (NORMAL, JUMP, COPY, INCREMENTS, LAST_MEAN)
WORDS = {
    NORMAL: "people who left go on like the others of their arm with the same values (missing at random)",
    JUMP: "people who left have the means of the reference arm from then on",
    COPY: "people who left are taken as if they had been in the reference arm from the start",
    INCREMENTS: "people who left keep what they had gained and change like the reference arm from then on",
    LAST_MEAN: "people who left stay at their arm's mean of the last visit seen",
}


def check_assumption(method: str) -> str:
    """The name, refused where unknown."""
    if method not in METHODS:
        raise FitError(f"Method {method!r}: allowed {', '.join(METHODS)}.")
    return method


def joint_moments(
    method: str, own: tuple[np.ndarray, np.ndarray], reference: tuple[np.ndarray, np.ndarray], seen: int
) -> tuple[np.ndarray, np.ndarray]:
    """Mean (..., J) and covariance (..., J, J) of a person whose last visit seen is number `seen` (0: none).

    own, reference: (mean, covariance) of the person's arm and of the reference arm; leading axes are draws.
    """
    check_assumption(method)
    mean, S = own
    other, R = reference
    if method == NORMAL or seen == mean.shape[-1]:
        return mean, S
    if method == COPY:
        return other, R
    o, m = slice(0, seen), slice(seen, None)
    moved = mean.copy()
    if method == LAST_MEAN:
        if seen == 0:
            raise FitError("last-mean: someone has no visit at all, so there is no last one. Use another assumption.")
        moved[..., m] = mean[..., seen - 1 : seen]
        return moved, S
    if method == JUMP or seen == 0:
        moved[..., m] = other[..., m]
    else:
        moved[..., m] = mean[..., seen - 1 : seen] + other[..., m] - other[..., seen - 1 : seen]
    if seen == 0:
        return moved, R
    slope = _slopes(R[..., o, o], R[..., o, m])
    joined = S.copy()
    joined[..., m, o] = slope @ S[..., o, o]
    joined[..., o, m] = np.swapaxes(joined[..., m, o], -1, -2)
    joined[..., m, m] = R[..., m, m] - slope @ (R[..., o, o] - S[..., o, o]) @ np.swapaxes(slope, -1, -2)
    return moved, joined


def given_seen(
    mean: np.ndarray, covariance: np.ndarray, y: np.ndarray, missing: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Conditional mean (..., n, k) and covariance (..., k, k) of the missing visits given the others.

    mean (..., J), covariance (..., J, J), y (..., n, J) of people with the same visits missing (J,) bool.
    """
    m, o = np.flatnonzero(missing), np.flatnonzero(~missing)
    centre, spread = mean[..., None, m], covariance[..., m[:, None], m]
    if not len(o):
        return np.broadcast_to(
            centre, (*np.broadcast_shapes(centre.shape[:-2], y.shape[:-2]), y.shape[-2], len(m))
        ), spread
    slope = _slopes(covariance[..., o[:, None], o], covariance[..., o[:, None], m])
    rest = y[..., o] - mean[..., None, o]
    found = centre + rest @ np.swapaxes(slope, -1, -2)
    return found, spread - slope @ covariance[..., o[:, None], m]


def _slopes(seen: np.ndarray, across: np.ndarray) -> np.ndarray:
    """Regression (..., m, o) of the missing on the seen, from their covariances (..., o, o) and (..., o, m)."""
    try:
        return np.swapaxes(np.linalg.solve(seen, across), -1, -2)
    except np.linalg.LinAlgError:
        raise FitError(
            "A visit follows exactly from the others (nobody's values move, or all move alike): there is no spread to "
            "impute from."
        ) from None
