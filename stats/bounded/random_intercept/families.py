"""Log densities of one observation given its random effect, with the derivatives that adaptive quadrature needs.

A family sees one or two *channels* per observation, each linear in the coefficients and in the random effect u:
channel m is C_m b + offset_m + direction_m u. Derivatives are taken with respect to the channels; D is the derivative
along the direction, that is with respect to u.
"""

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy.special import expit, gammaln, log_expit, log_ndtr

Arrays = tuple[np.ndarray, ...]
LOG_ROOT_2PI = 0.5 * np.log(2 * np.pi)


@dataclass(frozen=True)
class Slopes:
    """Derivatives of the log density: by channel (m), by pair of channels, and along the direction (D, DD, DDD)."""

    value: np.ndarray
    first: Arrays
    second: dict[tuple[int, int], np.ndarray]
    first_along: Arrays
    first_twice_along: Arrays

    def along(self, direction: Arrays | tuple[float, ...]) -> Arrays:
        """D, DD and DDD of the log density."""
        parts = (self.first, self.first_along, self.first_twice_along)
        d, dd, ddd = (sum(w * one for w, one in zip(direction, part, strict=True)) for part in parts)
        return d, dd, ddd

    def of_point(self, m: int) -> "Slopes":
        """Those of one of several points: the one but last axis of every array."""
        pairs = {key: one[..., m, :] for key, one in self.second.items()}
        first, along, twice = (
            tuple(one[..., m, :] for one in part) for part in (self.first, self.first_along, self.first_twice_along)
        )
        return Slopes(self.value[..., m, :], first, pairs, along, twice)


class Family(Protocol):
    """What the quadrature asks of a family."""

    @property
    def direction(self) -> tuple[float, ...]:
        """Weight of the random intercept in each channel."""

    def value(self, channels: Arrays) -> np.ndarray:
        """Log density at the channels."""

    def slopes(self, channels: Arrays) -> Slopes:
        """Log density and its derivatives."""


@dataclass(frozen=True)
class Grades:
    """Cumulative logit: P(Y = j) = F(a) - F(b), a = cut point above the grade - effects - u, b = the one below."""

    direction: tuple[float, ...] = (-1.0, -1.0)

    def value(self, channels: Arrays) -> np.ndarray:
        """Differences are taken in the tail where they are small, so that they do not cancel."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.log(_between(*channels))

    def slopes(self, channels: Arrays) -> Slopes:
        """Along u everything is a sum over the two cut points; only the pairs of channels need the difference."""
        a, b = channels
        P = _between(a, b)
        with np.errstate(divide="ignore", invalid="ignore"):
            value = np.log(P)
        Fa, Fb = expit(a), expit(b)
        fa, fb = Fa * expit(-a), Fb * expit(-b)
        ga, gb = fa * (1 - 2 * Fa), fb * (1 - 2 * Fb)
        with np.errstate(divide="ignore", invalid="ignore"):
            ra, rb = fa / P, fb / P
            second = {(0, 0): ga / P - ra**2, (0, 1): ra * rb, (1, 1): -gb / P - rb**2}
        return Slopes(value, (ra, -rb), second, (fa, fb), (-ga, -gb))


def _between(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return np.where(b > 0, expit(-b) - expit(-a), expit(a) - expit(b))


@dataclass(frozen=True)
class Binomial:
    """y out of n with a logit mean, one channel. y, n (N,)."""

    y: np.ndarray
    n: np.ndarray
    direction: tuple[float, ...] = (1.0,)

    def value(self, channels: Arrays) -> np.ndarray:
        """With the binomial coefficient."""
        (eta,) = channels
        return log_choose(self.n, self.y) + self.y * log_expit(eta) + (self.n - self.y) * log_expit(-eta)

    def slopes(self, channels: Arrays) -> Slopes:
        """Canonical link: the third derivative is that of the variance."""
        (eta,) = channels
        p = expit(eta)
        spread = self.n * p * expit(-eta)
        return Slopes(self.value(channels), (self.y - self.n * p,), {(0, 0): -spread}, (-spread,),
                      (-spread * (1 - 2 * p),))  # fmt: skip


@dataclass(frozen=True)
class BetaBinomial:
    """y out of n, logit mean (channel 0) and log(phi) (channel 1); phi = a + b, correlation within a sum 1/(phi+1)."""

    y: np.ndarray
    n: np.ndarray
    direction: tuple[float, ...] = (1.0, 0.0)

    def value(self, channels: Arrays) -> np.ndarray:
        """Sums of logs over the counts, which stay exact where phi is large."""
        a, b, phi, *_ = self._shapes(channels)
        rising = _rising(a, self.y)[0] + _rising(b, self.n - self.y)[0] - _rising(phi, self.n)[0]
        return log_choose(self.n, self.y) + rising

    def slopes(self, channels: Arrays) -> Slopes:
        """By the chain rule through a = phi p and b = phi (1 - p)."""
        a, b, phi, p, w = self._shapes(channels)
        A0, A1, A2, A3 = _rising(a, self.y)
        B0, B1, B2, B3 = _rising(b, self.n - self.y)
        S0, S1, S2, _ = _rising(phi, self.n)
        c, d, e = 1 - 2 * p, A1 - B1, A2 + B2
        along = w * d
        along2 = w * c * d + w**2 * e
        along3 = w * (c**2 - 2 * p * (1 - p)) * d + 3 * w**2 * c * e + w**3 * (A3 - B3)
        cross = a * A2 - b * B2
        mixed = along + w * cross
        mixed2 = w * c * (d + cross) + 2 * w**2 * e + w**2 * (a * A3 + b * B3)
        level = a * A1 + b * B1 - phi * S1
        level2 = level + a**2 * A2 + b**2 * B2 - phi**2 * S2
        value = log_choose(self.n, self.y) + A0 + B0 - S0
        return Slopes(value, (along, level), {(0, 0): along2, (0, 1): mixed, (1, 1): level2}, (along2, mixed),
                      (along3, mixed2))  # fmt: skip

    @staticmethod
    def _shapes(channels: Arrays) -> Arrays:
        eta, log_phi = channels
        p, phi = expit(eta), np.exp(log_phi)
        return p * phi, expit(-eta) * phi, phi, p, p * expit(-eta) * phi


def log_choose(n: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Log of the binomial coefficient."""
    return gammaln(n + 1) - gammaln(y + 1) - gammaln(n - y + 1)


def _rising(start: np.ndarray, count: np.ndarray) -> Arrays:
    """log Gamma(start + count) - log Gamma(start) and its first three derivatives by `start`."""
    steps = np.arange(int(count.max(initial=0)))
    used = steps < count[..., None]
    with np.errstate(divide="ignore"):
        inverse = np.where(used, 1 / (start[..., None] + steps), 0.0)
        logs = -np.log(np.where(used, inverse, 1.0)).sum(axis=-1)
    square = inverse * inverse
    return logs, inverse.sum(axis=-1), -square.sum(axis=-1), 2 * (square * inverse).sum(axis=-1)


@dataclass(frozen=True)
class CensoredNormal:
    """Normal with mean (channel 0) and log SD (channel 1), seen only between two limits.

    y (N,); side (N,): 0 seen, 1 at or above the upper limit y, -1 at or below the lower limit y.
    """

    y: np.ndarray
    side: np.ndarray
    direction: tuple[float, ...] = (1.0, 0.0)

    def value(self, channels: Arrays) -> np.ndarray:
        """Density where seen, tail probability where not."""
        mean, log_sd = channels
        z = (self.y - mean) * np.exp(-log_sd)
        return np.where(self.side == 0, -LOG_ROOT_2PI - z**2 / 2 - log_sd, log_ndtr(-np.where(self.side > 0, z, -z)))

    def slopes(self, channels: Arrays) -> Slopes:
        """L(z) is the log density (but for -log SD) or the log tail; channels enter through z."""
        mean, log_sd = channels
        s = np.exp(log_sd)
        z = (self.y - mean) / s
        up = np.where(self.side > 0, z, -z)
        log_tail = log_ndtr(-up)
        hazard = np.exp(-LOG_ROOT_2PI - up**2 / 2 - log_tail)
        bend = hazard * (hazard - up)
        turn = np.where(self.side > 0, 1.0, -1.0)
        seen = self.side == 0
        L1 = np.where(seen, -z, -turn * hazard)
        L2 = np.where(seen, -1.0, -bend)
        L3 = np.where(seen, 0.0, -turn * (bend * (hazard - up) + hazard * (bend - 1)))
        value = np.where(seen, -LOG_ROOT_2PI - z**2 / 2 - log_sd, log_tail)
        extra = np.where(seen, 1.0, 0.0)
        along, along2, along3 = -L1 / s, L2 / s**2, -L3 / s**3
        mixed, mixed2 = (z * L2 + L1) / s, (-z * L3 - 2 * L2) / s**2
        level, level2 = -z * L1 - extra, z * L1 + z**2 * L2
        return Slopes(value, (along, level), {(0, 0): along2, (0, 1): mixed, (1, 1): level2}, (along2, mixed),
                      (along3, mixed2))  # fmt: skip
