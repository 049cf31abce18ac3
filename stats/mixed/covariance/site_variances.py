"""The covariance of two levels: a structure inside participants, and variances of sites or therapists above them.

The covariance of a block is V_s = blockdiag(V_i(theta)) + U_s G U_s' with G = sum g_k E_k: `matrix` and derivatives are
those inside participants (the first parameters), the variances g come last and are each a cone of their own.
"""

import numpy as np

from stats.mixed.covariance.structure import Structure
from stats.mixed.model.site_rows import SiteEffects


class TwoLevels(Structure):
    """`inner` inside participants, then one parameter for every variance of `effects`."""

    def __init__(self, inner: Structure, effects: SiteEffects) -> None:
        self.inner, self.effects = inner, effects
        self.lower = inner.size
        self.names = (*inner.names, *effects.names)
        self.cones = (*inner.cones, *((1, (self.lower + k,)) for k in range(len(effects.names))))

    @property
    def above(self) -> tuple[str, ...]:
        """Components above participants."""
        return tuple(dict.fromkeys(component for component, _ in self.effects.names))

    def matrix(self, theta: np.ndarray) -> np.ndarray:
        return self.inner.matrix(theta[:, : self.lower])

    def first(self, theta: np.ndarray) -> np.ndarray:
        return self.inner.first(theta[:, : self.lower])

    def second(self, theta: np.ndarray) -> np.ndarray | None:
        return self.inner.second(theta[:, : self.lower])

    def between(self, theta: np.ndarray) -> np.ndarray:
        """G (R, r, r)."""
        return np.einsum("rk,kab->rab", theta[:, self.lower :], self.effects.E)

    def start(self, pooled: np.ndarray) -> np.ndarray:
        """A tenth of the outcome's unit variance to each variance above."""
        above = np.full((len(pooled), len(self.effects.names)), 0.1)
        return np.concatenate([self.inner.start(pooled), above], axis=1)

    def inside(self, theta: np.ndarray) -> np.ndarray:
        return self.inner.inside(theta[:, : self.lower])


class Reduced(Structure):
    """A structure some of whose parameters are held at fixed values; `keep` are the places of the others."""

    def __init__(self, whole: Structure, keep: np.ndarray, held: np.ndarray) -> None:
        self.whole, self.keep, self.held = whole, keep, held
        self.names = tuple(whole.names[k] for k in keep)

    def embed(self, theta: np.ndarray) -> np.ndarray:
        """Parameters of the whole structure (R, K)."""
        full = np.repeat(self.held[None], len(theta), axis=0)
        full[:, self.keep] = theta
        return full

    def matrix(self, theta: np.ndarray) -> np.ndarray:
        return self.whole.matrix(self.embed(theta))

    def first(self, theta: np.ndarray) -> np.ndarray:
        return np.asarray(self.whole.first(self.embed(theta)))[:, self.keep]

    def second(self, theta: np.ndarray) -> np.ndarray | None:
        bend = self.whole.second(self.embed(theta))
        return None if bend is None else bend[:, self.keep][:, :, self.keep]

    def start(self, pooled: np.ndarray) -> np.ndarray:
        return self.whole.start(pooled)[:, self.keep]


class ReducedTwoLevels(TwoLevels):
    """Two levels with some parameters of either held."""

    def __init__(self, whole: TwoLevels, keep: np.ndarray, held: np.ndarray) -> None:
        below, self.upper = keep[keep < whole.lower], keep[keep >= whole.lower] - whole.lower
        names = tuple(whole.effects.names[k] for k in self.upper)
        inner = whole.inner if len(below) == whole.lower else Reduced(whole.inner, below, held[: whole.lower])
        super().__init__(inner, SiteEffects(names, whole.effects.E[self.upper]))
        self.keep, self.held = keep, held

    def embed(self, theta: np.ndarray) -> np.ndarray:
        """Parameters of the whole structure (R, K)."""
        full = np.repeat(self.held[None], len(theta), axis=0)
        full[:, self.keep] = theta
        return full


def reduced(whole: Structure, keep: np.ndarray, held: np.ndarray) -> Reduced | ReducedTwoLevels:
    """The structure with the parameters at `keep` free and the others at `held` (K,)."""
    return ReducedTwoLevels(whole, keep, held) if isinstance(whole, TwoLevels) else Reduced(whole, keep, held)
