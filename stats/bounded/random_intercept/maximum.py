"""The maximum of a likelihood with a random intercept, and whether it is one that can be trusted."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from stats.bounded.random_intercept.quadrature import Evaluation, Integral
from stats.errors import FitError

STEPS = 100
GRADIENT = 1e-8  # of the Newton decrement: half of it is about the log likelihood still to be gained
ZERO_SD = 1e-3  # a random intercept whose SD is below this is tried without
Penalty = Callable[[np.ndarray], tuple[float, np.ndarray, np.ndarray]]


@dataclass(frozen=True)
class Maximum:
    """Parameters (p,) at the maximum, their covariance (p, p) from the observed information, and how it was found.

    sd is kept as 0 on the boundary, and has then no variance (rows of zeros).
    """

    parameters: np.ndarray
    covariance: np.ndarray
    value: float
    penalised: float
    evaluation: Evaluation
    integral: Integral
    boundary: bool
    steps: int


def maximise(
    integral: Integral, start: np.ndarray, what: str, penalty: Penalty | None = None, errors: bool = True
) -> Maximum:
    """Newton's method on the quadrature's likelihood.

    start: coefficients, and the SD where there is a random intercept. penalty: of the coefficients, its value, gradient
    and information are added. what: the model in words, for errors. errors: the covariance is asked for too; it is NaN
    where not (a likelihood ratio needs the height alone). Raises FitError where no maximum is found.
    """
    found, steps = _climb(integral, start, what, penalty)
    boundary = False
    if integral.points and abs(found[-1]) < ZERO_SD:
        plain, more = _climb(integral.with_points(0), found[:-1], what, penalty)
        boundary, steps, found = True, steps + more, np.append(plain, 0.0)
    elif integral.points:
        found = np.append(found[:-1], abs(found[-1]))
    covariance = np.full((len(found), len(found)), np.nan)
    if errors:
        inner = (
            _curvature(integral.with_points(0), found[:-1], penalty)
            if boundary
            else _curvature(integral, found, penalty)
        )
        covariance[:] = 0.0
        free = len(inner)
        covariance[:free, :free] = _inverse(inner, what)
    at = integral.evaluate(found)
    added = penalty(found[: integral.n_coefficients])[0] if penalty else 0.0
    return Maximum(found, covariance, at.value, at.value + added, at, integral, boundary, steps)


def _climb(integral: Integral, start: np.ndarray, what: str, penalty: Penalty | None) -> tuple[np.ndarray, int]:
    at = np.array(start, dtype=float)
    now = _penalised(integral, at, penalty, True)
    if not np.isfinite(now.value):
        raise FitError(f"{what}: the likelihood is not finite where the search begins. Check response and covariates.")
    for step in range(STEPS):
        move = _newton(now)
        decrement = float(move @ now.gradient)
        size = 1.0
        if decrement > GRADIENT**2:
            cap = 3.0 / max(3.0, float(np.abs(move[: integral.n_coefficients]).max() / _scale(integral)))
            size = cap if cap > 0.2 else 0.2
        for _ in range(40):
            new = _penalised(integral, at + size * move, penalty, True, now.at)
            if new.value >= now.value - 1e-11 * (1 + abs(now.value)):
                break
            size /= 2
        else:
            return at, step
        gained = new.value - now.value
        at, now = at + size * move, new
        if decrement < 1e-16 or (gained < 1e-12 and decrement < 1e-12):
            return at, step + 1
    raise FitError(
        f"{what}: no maximum of the likelihood after {STEPS} steps. Usual causes: a cell where everyone has the same "
        "score, or more effects than the people can carry. Use fewer terms, penalised=True, or a rank test."
    )


def _scale(integral: Integral) -> float:
    """Typical size of the offsets: steps of the mean are judged against it."""
    y = getattr(integral.family, "y", None)
    spread = float(np.std(y)) if y is not None and hasattr(integral.family, "side") else 1.0
    return spread if spread > 0 else 1.0


def _newton(now: Evaluation) -> np.ndarray:
    """The Newton step, with directions of the wrong curvature turned so that it always climbs."""
    assert now.information is not None  # asked for by the caller
    values, vectors = np.linalg.eigh(now.information)
    floor = 1e-10 * max(1.0, float(np.abs(values).max()))
    return vectors @ ((vectors.T @ now.gradient) / np.maximum(np.abs(values), floor))


def _penalised(
    integral: Integral,
    at: np.ndarray,
    penalty: Penalty | None,
    information: bool = False,
    near: np.ndarray | None = None,
) -> Evaluation:
    found = integral.evaluate(at, information, near)
    if penalty is None or not np.isfinite(found.value):
        return found
    k = integral.n_coefficients
    value, gradient, second = penalty(at[:k])
    added = found.gradient.copy()
    added[:k] += gradient
    H = None
    if found.information is not None:
        H = found.information.copy()
        H[:k, :k] += second
    return replace(found, value=found.value + value, gradient=added, information=H)


def _curvature(integral: Integral, at: np.ndarray, penalty: Penalty | None) -> np.ndarray:
    """Observed information: central differences of fourth order of the exact gradient."""
    if not integral.points:
        found = _penalised(integral, at, penalty, True).information
        assert found is not None
        return found
    size = len(at)
    centre = _penalised(integral, at, penalty, True)
    assert centre.information is not None  # asked for in the line above
    first = np.diag(centre.information)
    steps = 2e-3 / np.sqrt(np.maximum(first, 1e-12))
    shift = np.concatenate([m * np.diag(steps) for m in (-2, -1, 1, 2)])
    ends = integral.gradients(at + shift, centre.at)
    if penalty is not None:
        k = integral.n_coefficients
        ends[:, :k] += np.stack([penalty(one[:k])[1] for one in at + shift])
    ends = ends.reshape(4, size, size)
    H = (-ends[3] + 8 * ends[2] - 8 * ends[1] + ends[0]) / (12 * steps[:, None])
    return -(H + H.T) / 2


def _inverse(information: np.ndarray, what: str) -> np.ndarray:
    scale = np.sqrt(np.abs(np.diag(information)))
    scale = np.where(scale > 0, scale, 1.0)
    known = bool(np.isfinite(information).all())  # beside a point at the end of what is possible it is not
    values, vectors = np.linalg.eigh(information / np.outer(scale, scale)) if known else (np.zeros(1), np.eye(1))
    if values.min() <= 1e-9:
        raise FitError(
            f"{what}: the information is singular at the point the search ended, so there are no standard errors. "
            "Usual causes: a cell where everyone has the same score (separation), effects that cannot be told apart. "
            "Use fewer terms, penalised=True, or a rank test."
        )
    return (vectors / values) @ vectors.T / np.outer(scale, scale)
