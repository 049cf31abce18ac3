"""Likelihood of a random intercept by adaptive Gauss-Hermite quadrature, with its exact gradient.

Each person's integral is taken at nodes placed around the mode of the integrand and scaled by its curvature (one node
is the Laplace approximation). Mode and scale move with the parameters, and the gradient follows them, so that it is
that of the number computed and not of the integral it stands for.
Source: Pinheiro & Bates 1995 (J Comput Graph Stat 4:12-35); gradient and information derived here, the latter from
Louis 1982 (J R Stat Soc B 44:226-233).
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.polynomial.hermite_e import hermegauss

from stats.bounded.random_intercept.families import Arrays, Family, Slopes

MODE_STEPS = 60
MODE_TOLERANCE = 1e-8  # Newton's error after such a step is its square
TOGETHER = 60_000  # nodes times rows of points that are computed in one go, which bounds the memory
FEWEST_FOR_SPREAD = 7  # fewer nodes see too little of the spread of an integrand to tell its curvature


@dataclass(frozen=True)
class Integral:
    """The likelihood of one model on one data set.

    designs: one (N, p) matrix per channel; offsets: one (N,) per channel; starts (G,): first row of each person, rows
    sorted by person. points: nodes per person; 0 means no random intercept. Parameters are (b, sd) or, without a
    random intercept, b.
    """

    family: Family
    designs: Arrays
    offsets: Arrays
    starts: np.ndarray
    points: int
    nodes: np.ndarray = field(init=False, repr=False)
    log_weights: np.ndarray = field(init=False, repr=False)
    person: np.ndarray = field(init=False, repr=False)

    def __post_init__(self) -> None:
        if self.points:
            nodes, weights = hermegauss(self.points)
            object.__setattr__(self, "nodes", nodes)
            object.__setattr__(self, "log_weights", np.log(weights) - 0.5 * np.log(2 * np.pi) + nodes**2 / 2)
        sizes = np.diff(np.append(self.starts, len(self.offsets[0])))
        object.__setattr__(self, "person", np.repeat(np.arange(len(self.starts)), sizes))

    @property
    def n_coefficients(self) -> int:
        """Parameters without the SD of the random intercept."""
        return self.designs[0].shape[1]

    def with_points(self, points: int) -> "Integral":
        """The same model with other nodes; 0 leaves the random intercept out."""
        return Integral(self.family, self.designs, self.offsets, self.starts, points)

    def evaluate(
        self, parameters: np.ndarray, information: bool = False, near: np.ndarray | None = None
    ) -> "Evaluation":
        """Log likelihood, gradient and (if asked) minus the second derivatives of the integral at these parameters.

        near (G,): where to look for the modes first, in units of the SD (those of an evaluation close by).
        """
        if not self.points:
            return self._plain(parameters, information)
        found = self._at(parameters[None], near)
        if not found.inside:
            return Evaluation.nowhere(len(parameters))
        H = None
        if information and self.points < FEWEST_FOR_SPREAD:
            H = self.with_points(FEWEST_FOR_SPREAD).evaluate(parameters, True, found.z[0]).information
        elif information:
            H = self._information(found.slopes, found.weight[:, 0], found.at[:, 0])
        sd = float(parameters[-1])
        z, scale = found.z[0], found.scale[0]
        return Evaluation(float(found.value[0]), found.gradient[0], H, sd * z, abs(sd) * scale, z)

    def gradients(self, parameters: np.ndarray, near: np.ndarray | None = None) -> np.ndarray:
        """Gradients (m, p) at m points (m, p) close to each other, all computed together; NaN where one is outside.

        Worth it because a point alone has few numbers: most of its time is the calls.
        """
        if not self.points:
            return np.stack([self._plain(one, False).gradient for one in parameters])
        together = max(1, TOGETHER // (self.points * len(self.offsets[0])))
        parts = np.split(parameters, range(together, len(parameters), together))
        found = [self._at(part, near) for part in parts]
        if not all(one.inside for one in found):
            return np.full(parameters.shape, np.nan)
        return np.concatenate([one.gradient for one in found])

    def _at(self, parameters: np.ndarray, near: np.ndarray | None) -> "_Quadrature":
        """Values (m,), gradients (m, p) and what they came from at m points (m, p)."""
        points, size = parameters.shape
        base = tuple(parameters[:, :-1] @ design.T + offset for design, offset in
                     zip(self.designs, self.offsets, strict=True))  # fmt: skip
        sd = parameters[:, -1:]
        z, scale = self.modes(base, sd, near)
        if not np.isfinite(scale).all():
            return _Quadrature.outside()
        at = z + scale * self.nodes[:, None, None]  # (k, m, G)
        slopes = self.family.slopes(self._moved(base, (sd * at)[..., self.person]))
        logs = self._sums(slopes.value) - at**2 / 2 + self.log_weights[:, None, None]
        top = logs.max(axis=0)
        raised = np.exp(logs - top)
        total = raised.sum(axis=0)
        value = (top + np.log(total) + np.log(scale)).sum(axis=-1)
        if not np.isfinite(value).all():
            return _Quadrature.outside()
        weight = raised / total
        pull = self._sums(slopes.along(self.family.direction)[0])
        steep = sd * pull - at  # derivative of the log integrand by z
        A = (weight * steep).sum(axis=0)
        B = (weight * steep * self.nodes[:, None, None]).sum(axis=0) + 1 / scale
        mode = self.family.slopes(self._moved(base, (sd * z)[..., self.person]))
        D1, D2, D3 = (self._sums(one) for one in mode.along(self.family.direction))
        by_scale = B * scale**3 / 2
        by_mode = (A + by_scale * sd**3 * D3) * scale**2
        row_weight = weight[..., self.person]
        gradient = np.zeros((points, size))
        for m, design in enumerate(self.designs):
            per_row = (row_weight * slopes.first[m]).sum(axis=0)
            per_row = per_row + (sd * by_mode)[..., self.person] * mode.first_along[m]
            per_row = per_row + (sd**2 * by_scale)[..., self.person] * mode.first_twice_along[m]
            gradient[:, :-1] += per_row @ design
        direct = (weight * at * pull).sum(axis=0)
        moved = by_mode * (D1 + sd * z * D2) + by_scale * (2 * sd * D2 + sd**2 * z * D3)
        gradient[:, -1] = (direct + moved).sum(axis=-1)
        return _Quadrature(True, value, gradient, z, scale, at, weight, slopes)

    def modes(self, base: Arrays, sd: np.ndarray, near: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
        """Mode (m, G) and scale (m, G) of each person's integrand in units of the random intercept's SD (m, 1)."""
        shape = (len(sd), len(self.starts))
        z = np.zeros(shape) if near is None or len(near) != len(self.starts) else np.broadcast_to(near, shape)
        value, first, second = self._integrand(base, sd, z)
        for _ in range(MODE_STEPS):
            step = np.clip(-first / np.minimum(second, -1e-8), -2.0, 2.0)
            new = z + step
            for _ in range(30):
                found = self._integrand(base, sd, new)
                worse = ~(found[0] >= value - 1e-9 * (1 + np.abs(value)))
                if not worse.any():
                    break
                step = np.where(worse, step / 2, step)
                new = z + step
            z, (value, first, second) = new, found
            if not np.isfinite(value).all():
                return z, np.full(shape, np.nan)
            if np.abs(step).max() < MODE_TOLERANCE:
                break
        return z, 1 / np.sqrt(np.maximum(-second, 1e-300))

    def _integrand(self, base: Arrays, sd: np.ndarray, z: np.ndarray) -> Arrays:
        slopes = self.family.slopes(self._moved(base, (sd * z)[..., self.person]))
        d, dd, _ = slopes.along(self.family.direction)
        return self._sums(slopes.value) - z**2 / 2, sd * self._sums(d) - z, sd**2 * self._sums(dd) - 1

    def _plain(self, b: np.ndarray, information: bool) -> "Evaluation":
        slopes = self.family.slopes(self._base(b))
        value = float(slopes.value.sum())
        if not np.isfinite(value):
            return Evaluation.nowhere(len(b))
        gradient = np.asarray(sum(one @ design for one, design in zip(slopes.first, self.designs, strict=True)))
        H = self._curvature(slopes.second) if information else None
        zero = np.zeros(len(self.starts))
        return Evaluation(value, gradient, H, zero, zero, zero)

    def _curvature(self, second: dict[tuple[int, int], np.ndarray]) -> np.ndarray:
        """Minus the sum of second derivatives of rows by the coefficients."""
        H = np.zeros((self.n_coefficients, self.n_coefficients))
        for (m, n), values in second.items():
            part = (self.designs[m] * values[:, None]).T @ self.designs[n]
            H += part if m == n else part + part.T
        return -H

    def _information(self, slopes: Slopes, weight: np.ndarray, at: np.ndarray) -> np.ndarray:
        """Louis: minus the posterior mean of the second derivatives less the posterior variance of the first."""
        q = self.n_coefficients + 1
        k, G = weight.shape
        slopes, row_weight = slopes.of_point(0), weight[:, self.person]
        scores = np.empty((k, G, q))
        rows = sum(one[:, :, None] * design for one, design in zip(slopes.first, self.designs, strict=True))
        scores[:, :, :-1] = np.add.reduceat(rows, self.starts, axis=1)
        D, DD, _ = slopes.along(self.family.direction)
        scores[:, :, -1] = at * self._sums(D)
        H = np.zeros((q, q))
        H[:-1, :-1] = self._curvature({key: (row_weight * one).sum(axis=0) for key, one in slopes.second.items()})
        moved = row_weight * at[:, self.person]
        cross = sum((moved * one).sum(axis=0) @ design for one, design in
                    zip(slopes.first_along, self.designs, strict=True))  # fmt: skip
        H[:-1, -1] = H[-1, :-1] = -np.asarray(cross)
        H[-1, -1] = -(moved * at[:, self.person] * DD).sum()
        mean = (weight[:, :, None] * scores).sum(axis=0)
        spread = np.einsum("kg,kgp,kgq->pq", weight, scores, scores) - mean.T @ mean
        return H - spread

    def _base(self, b: np.ndarray) -> Arrays:
        return tuple(design @ b + offset for design, offset in zip(self.designs, self.offsets, strict=True))

    def _moved(self, base: Arrays, u: np.ndarray) -> Arrays:
        return tuple(one + way * u if way else np.broadcast_to(one, u.shape) for one, way in
                     zip(base, self.family.direction, strict=True))  # fmt: skip

    def _sums(self, values: np.ndarray) -> np.ndarray:
        return np.add.reduceat(values, self.starts, axis=-1)


@dataclass(frozen=True)
class _Quadrature:
    """What the nodes gave at m points: value (m,), gradient (m, p); modes and scales (m, G), nodes and weights
    (k, m, G), derivatives by row."""

    inside: bool
    value: np.ndarray
    gradient: np.ndarray
    z: np.ndarray
    scale: np.ndarray
    at: np.ndarray
    weight: np.ndarray
    slopes: Slopes

    @classmethod
    def outside(cls) -> "_Quadrature":
        """A point outside the parameter space among them."""
        nothing = np.empty(0)
        slopes = Slopes(nothing, (), {}, (), ())
        return cls(False, nothing, nothing, nothing, nothing, nothing, nothing, slopes)


@dataclass(frozen=True)
class Evaluation:
    """Value, gradient (p,) and information (p, p) at one point; conditional modes and SDs of the random intercepts."""

    value: float
    gradient: np.ndarray
    information: np.ndarray | None
    modes: np.ndarray
    mode_sd: np.ndarray
    at: np.ndarray  # the modes in units of the SD

    @classmethod
    def nowhere(cls, size: int) -> "Evaluation":
        """Outside the parameter space (cut points out of order, numbers that overflow)."""
        return cls(-np.inf, np.full(size, np.nan), None, np.empty(0), np.empty(0), np.empty(0))
